"""Import spreadsheets, once or whenever one is dropped into a folder.

A dry run is the import itself, done to a copy of the records that is thrown away.
"""

import hashlib
import logging
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NoReturn

import click

from config import (
    HoldpointError,
    SheetMapping,
    fingerprint,
    load_mapping,
    meters_words,
)
from daemon.commands.opened import Opened, opened, store_limits
from daemon.commands.options import FILE
from daemon.commands.showing import (
    Headline,
    Part,
    Shown,
    Table,
    if_it_lasts,
    misuse,
    progressing,
    say,
    shown,
)
from daemon.judging import too_poor_on
from daemon.presentation import figures, held as held_words, spans
from daemon.spc import compiled_anew
from daemon.station import (
    NEW_SETUP,
    READERS,
    REJECTED,
    Cycle,
    Imported,
    Rejected,
    Row,
    Understood,
    rejected_of,
    take,
    understood,
    write_rejected,
)
from daemon.traceability import Held, holds_of, kitting
from storage import (
    BuildState,
    Configuration,
    Hold,
    LocalStore,
    Mark,
    RangeRow,
    RunKind,
    Scope,
    StorageError,
    Verdict,
    serial_order,
)

A_DAY = timedelta(days=1)
POLL_S = 1.0
WATCHED_S = 60.0
SHOWN_ROWS = 20
"""Rows of one kind that are told one by one."""
LASTS = "This takes longer than usual."
COMPILES = (
    f"{LASTS} The very first time on a PC the program is compiled: a minute or more, "
    "once."
)
ALIKE = 5
"""Rows that are named where one reason rejects them all."""
log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class How:
    """How sheets are read."""

    mapping: Path | None
    build: str | None
    dry_run: bool
    new_setup: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What became of a file, and how it was read."""

    sheet: Understood
    imported: Imported
    held: Sequence[Held]
    """Holds that it placed: on builds and reels first, then on units as they count."""
    held_reels: Sequence[str]
    """What is said of reels that its units carry and that were held before."""
    judged: frozenset[str]
    """Titles of the ranges on which every unit of it has a verdict."""


@click.command("import")
@click.argument("source", metavar="FILE", type=click.Path(exists=True, path_type=Path))
@click.option("--mapping", type=FILE, help="TOML file that says which column is which.")
@click.option("--build", help="The build of rows that name none.")
@click.option(
    "--dry-run", is_flag=True, help="Say what would happen, and change nothing."
)
@click.option(
    "--watch",
    is_flag=True,
    help="FILE is a folder: import each sheet that is put there.",
)
@click.option("--new-setup", is_flag=True, help=NEW_SETUP)
@shown
def import_(
    source: Path,
    mapping: Path | None,
    build: str | None,
    dry_run: bool,
    watch: bool,
    new_setup: bool,
) -> Shown:
    """Judge a spreadsheet of measured units.

    A row is a unit, with in and out per range. FILE is Excel, CSV or Parquet. Headings
    are found by themselves, with their units; decimal commas and empty cells are
    understood. Each row that cannot be used is said with its cell and goes to a file
    beside FILE. Importing twice changes nothing; a row that was corrected is a further
    run of its unit.
    """
    if watch != source.is_dir():
        misuse("--watch takes a folder, and a folder needs --watch")
    how = How(mapping=mapping, build=build, dry_run=dry_run, new_setup=new_setup)
    if watch:
        _import_what_is_dropped(source, how)
    with opened() as at:
        done = _import(at, source, how)
    one = done.imported
    return Shown(
        {
            "dry_run": dry_run,
            "columns": [
                {
                    "sheet": block.grid.name,
                    "heading": column.heading,
                    "means": column.means,
                    "unit": column.unit,
                }
                for block in done.sheet.blocks
                for column in block.columns
            ],
            "new": one.new - one.changed,
            "changed": one.changed,
            "known": one.known,
            "history": one.history,
            "held": [held_words(hold) for hold in done.held],
            "held_because": [hold.why for hold in done.held],
            "rows": one.taken,
            "remarks": done.sheet.remarks,
            "rejected": [
                {"line": r.line, "cell": r.cell, "sheet": r.sheet, "reason": r.reason}
                for r in one.rejected
            ],
        },
        *(_headings(done.sheet) if dry_run else ()),
        # Whoever calls it from a script hears that nothing of the file was of use.
        failed=bool(one.rejected) and not (one.new or one.known),
    )


def _headings(sheet: Understood) -> Iterator[Part]:
    """Show how each heading was understood."""
    told = []
    for block in sheet.blocks:
        same = (block.grid.name, [(c.heading, c.means, c.unit) for c in block.columns])
        if same in told:
            continue
        told.append(same)
        where = f" of sheet {block.grid.name!r}" if block.grid.name else ""
        yield Headline(f"The headings{where} were understood so:")
        yield Table(
            block.columns,
            {
                "heading": "heading",
                "means": "means",
                "a number without a unit is in": "unit",
            },
        )


def _import_what_is_dropped(folder: Path, how: How) -> NoReturn:
    """Import each sheet in a folder once it is whole, again where it changed.

    Whatever is dropped, it goes on: what one file does wrong is said, once.
    """
    say(f"Importing what is dropped into {folder}; stop it with Ctrl-C.")
    seen: dict[Path, tuple[int, int]] = {}
    taken: set[tuple[Path, tuple[int, int]]] = set()
    while True:
        for path, state in _dropped(folder):
            # Twice the same means that whoever writes it is done.
            if seen.get(path) == state and (path, state) not in taken:
                taken.add((path, state))
                if not _survived(path, how):
                    taken.discard((path, state))
            seen[path] = state
        time.sleep(POLL_S)


def _dropped(folder: Path) -> Iterator[tuple[Path, tuple[int, int]]]:
    """Yield the sheets in a folder, and when and how large each was written."""
    try:
        paths = sorted(folder.iterdir())
    except OSError as exc:
        say(f"{folder} cannot be read: {exc.strerror}. It is looked for again.")
        return
    for path in paths:
        # A table program keeps "~$name" beside a file that is open.
        if path.suffix.lower() not in READERS or path.name.startswith(("~$", ".")):
            continue
        if path.name.endswith(REJECTED):
            continue
        try:
            stat = path.stat()
        except OSError:
            continue  # taken away meanwhile
        yield path, (stat.st_mtime_ns, stat.st_size)


def _survived(path: Path, how: How) -> bool:
    """Import one dropped file; return False where it is to be tried again."""
    try:
        with opened() as at:
            _import(at, path, how)
    except StorageError as exc:
        say(f"{path.name} waits: {exc}")
        return False
    except (HoldpointError, OSError) as exc:
        say(f"{exc}")
    except Exception:  # the next file is not to wait for a mistake of ours
        log.exception("a dropped file could not be imported")
        say(
            f"{path.name} was not imported: the program made a mistake with it. Please "
            "report it with the lines above."
        )
    return True


def _import(at: Opened, path: Path, how: How) -> Done:
    columns = None if how.mapping is None else load_mapping(how.mapping)
    with ExitStack() as ends:
        if how.dry_run:
            at = _on_a_copy(at, ends)
        done = _imported(at, path, how, columns)
    _say(path, done, how, at)
    return done


def _on_a_copy(at: Opened, ends: ExitStack) -> Opened:
    """Return the same with a copy of the records, which goes with `ends`."""
    folder = ends.enter_context(TemporaryDirectory(prefix="holdpoint-"))
    copy = at.store.backup(folder)
    copied = LocalStore(Path(copy), store_limits(at.settings))
    return replace(at, store=ends.enter_context(copied))


def _imported(at: Opened, path: Path, how: How, columns: SheetMapping | None) -> Done:
    cycle = Cycle(
        at.settings,
        at.store,
        own_limit=at.own_limit(),
        utc=lambda: datetime.now(UTC),
    )
    standing = [one.build for one in at.rows(BuildState) if one.state == "open"]
    sheet = understood(
        path,
        cycle.product,
        mapping=columns,
        default_build=how.build,
        only_build=standing[0] if len(standing) == 1 else None,
    )
    name, body = fingerprint(at.settings)
    now = datetime.now(UTC)
    content = hashlib.sha256(path.read_bytes()).hexdigest()
    before = {one.hold for one in at.rows(Hold)}
    try:
        with progressing(len(sheet.rows), "Recording") as step:
            done = take(
                sheet.rows,
                cycle,
                session=f"import-{content[:12]}",
                configuration=Configuration(
                    configuration=name, body=body, stored_at=now
                ),
                at=now,
                new_setup=how.new_setup,
                file=path.name,
                step=lambda count: step(count, ""),
            )
            step(len(sheet.rows), "")
        _watched(at, cycle, done)
    except KeyboardInterrupt:
        if not how.dry_run:
            say(
                f"{path.name}: what is recorded so far is kept. Import the file again "
                "to go on with the rest."
            )
        raise
    done.rejected = tuple(
        sorted((*sheet.rejected, *done.rejected), key=lambda r: (r.sheet, r.line))
    )
    done.history = cycle.known.history()
    # A hold's own reason is as old as its first unit; here its present one is said.
    held = sorted(
        (one for one in holds_of(at.store, at.product) if one.hold not in before),
        key=lambda one: (one.scope is Scope.UNIT, serial_order(one.subject)),
    )
    reels = {reel for row in sheet.rows for _, reel in row.reels}
    return Done(
        sheet=sheet,
        imported=done,
        held=held,
        held_reels=kitting.held_reels(
            at.store, at.product, reels - {one.subject for one in held}
        ),
        judged=_judged(at, done, cycle.product.titles),
    )


def _judged(at: Opened, done: Imported, titles: Mapping[str, str]) -> frozenset[str]:
    """Return the titles of the ranges on which all that was recorded has a verdict."""
    if not done.new:
        return frozenset()
    verdicts: dict[str, set[Verdict]] = {}
    for one in at.store.rows(
        RangeRow,
        product=at.product,
        after=done.last_number - done.new,
        kind=RunKind.UNIT.value,
    ):
        verdicts.setdefault(titles[one.range], set()).add(one.verdict)
    return frozenset(
        title for title, found in verdicts.items() if Verdict.NOT_JUDGED not in found
    )


def _say(path: Path, done: Done, how: How, at: Opened) -> None:
    """Say what was understood, and what became of each row."""
    one = done.imported
    if how.dry_run:
        say("A dry run: nothing is recorded.")
    for remark in done.sheet.remarks:
        say(remark)
    if at.settings.bench is None:
        plan = at.settings.plan
        say(meters_words(plan.meters, plan.output_meter))
        if not_judged := too_poor_on(at.settings, done.judged):
            say(f"{not_judged} `holdpoint config check` says what would do.")
    if ahead := still_to_come(done.sheet.rows, datetime.now(UTC)):
        say(ahead)
    would = "would be " if how.dry_run else ""
    say(
        f"{path.name}: {figures.counted(one.new - one.changed, 'unit')} {would}new, "
        f"{one.changed} {would}changed, {one.known} the same as before, "
        f"{len(one.rejected)} {would}rejected."
    )
    changed = [row for row in one.taken if row.state == "changed"]
    _few([f"row {row.line}, {row.serial}: {row.reason}" for row in changed])
    _few(_alike(one.rejected))
    if not how.dry_run and (told := beside(path, done.sheet, one.rejected)):
        say(told)
    if one.history:
        say(one.history)
    for line in done.held_reels:
        say(line)
    stands = "would stand" if how.dry_run else "stands"
    for what, why in _held_alike(done.held):
        say(f"A hold {stands} on {what}: {why}.")
    if done.held and not how.dry_run:
        say("`holdpoint status` says what to do.")


def beside(path: Path, sheet: Understood, rejected: Sequence[Rejected]) -> str | None:
    """Write the rejected rows beside a file, or remove those of before; say so."""
    if rejected:
        return (
            f"The rejected rows are in {write_rejected(path, sheet, rejected)}. "
            "Correct the sheet and import it again: what is recorded stays as it is."
        )
    of_before = rejected_of(path)
    if not of_before.exists():
        return None
    of_before.unlink(missing_ok=True)
    return f"No row is rejected any more: {of_before.name} of before is removed."


def still_to_come(rows: Sequence[Row], now: datetime) -> str | None:
    """Say which rows are of a time that is still to come; None for none.

    A unit can then be read or corrected only by a row of a later time.
    """
    late = [
        one
        for one in rows
        if one.measured_at is not None and one.measured_at > now + A_DAY
    ]
    if not late:
        return None
    rest = f" and {len(late) - 1} more" if len(late) > 1 else ""
    return (
        f"Row {late[0].line}{rest}: the time is still to come, "
        f"{figures.day_of(late[0].measured_at or now)}. Is the date right?"
    )


def _held_alike(held: Sequence[Held]) -> Iterator[tuple[str, str]]:
    """Yield what is held and why; units that are held alike are said once."""
    units: dict[str, list[str]] = {}
    for one in held:
        if one.scope is Scope.UNIT:
            units.setdefault(one.why, []).append(one.subject)
        else:
            yield held_words(one), one.why
    for why, serials in units.items():
        each = "each of units" if len(serials) > 1 else "unit"
        yield f"{each} {spans(serials)}", why


def _alike(rejected: Sequence[Rejected]) -> list[str]:
    """Return why rows were rejected, a reason that many share said once."""
    by_reason: dict[str, list[str]] = {}
    for one in rejected:
        by_reason.setdefault(one.reason, []).append(one.where)
    return [
        f"{places[0]} and {len(places) - 1} more: {reason}"
        if len(places) > ALIKE
        else f"{', '.join(places)}: {reason}"
        for reason, places in by_reason.items()
    ]


def _few(lines: list[str]) -> None:
    """Say the first lines, and how many more there are."""
    for line in lines[:SHOWN_ROWS]:
        say(f"  {line}")
    if len(lines) > SHOWN_ROWS:
        say(f"  and {len(lines) - SHOWN_ROWS} more")


def _watched(at: Opened, cycle: Cycle, done: Imported) -> None:
    """Return once the imported runs were watched: by us, or by the daemon."""
    number = done.last_number
    if isinstance(at.store, LocalStore):
        of_before = compiled_anew()

        def why() -> str:
            return COMPILES if compiled_anew() > of_before else LASTS

        with if_it_lasts(why), progressing(done.new, "Watching") as step:
            before = number - done.new
            cycle.resume(lambda reached: step(max(reached - before, 0), ""))
            step(done.new, "")
        return
    deadline_s = time.monotonic() + WATCHED_S
    while time.monotonic() < deadline_s:
        (mark,) = at.rows(Mark)
        if mark.number >= number:
            return
        time.sleep(POLL_S / 10)
    say("The daemon has not watched all of it yet.")
