"""Import spreadsheets, once or whenever one is dropped into a folder."""

import hashlib
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import NoReturn

import click

from config import fingerprint, guessed, load_mapping
from daemon.commands.opened import Opened, opened
from daemon.commands.options import FILE
from daemon.commands.showing import Shown, misuse, progressing, say, shown
from daemon.presentation import figures
from daemon.station import (
    NEW_SETUP,
    READERS,
    REJECTED,
    Cycle,
    Imported,
    SheetError,
    read_sheet,
    rows_of,
    take,
    write_rejected,
)
from storage import Configuration, LocalStore, Mark

POLL_S = 1.0
WATCHED_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class How:
    """How sheets are read."""

    mapping: Path | None
    build: str | None
    dry_run: bool
    new_setup: bool


@click.command("import")
@click.argument("source", metavar="FILE", type=click.Path(exists=True, path_type=Path))
@click.option("--mapping", type=FILE, help="TOML file that says which column is which.")
@click.option("--build", help="For rows that name none.")
@click.option("--dry-run", is_flag=True, help="Say what would happen, change nothing.")
@click.option("--watch", is_flag=True, help="FILE is a folder: import what is dropped.")
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

    A row is a unit, with in and out per range. FILE is CSV, Excel or Parquet. Cells may
    be blank and carry any prefix. Rejected rows go to a file beside it with the reason
    each. Importing twice changes nothing.
    """
    if watch != source.is_dir():
        misuse("--watch takes a folder, and a folder needs --watch")
    how = How(mapping=mapping, build=build, dry_run=dry_run, new_setup=new_setup)
    if watch:
        _import_what_is_dropped(source, how)
    with opened() as at:
        one = _import(at, source, how)
    return Shown(
        {
            "new": one.new,
            "known": one.known,
            "history": one.history,
            "rejected": [{"line": r.line, "reason": r.reason} for r in one.rejected],
        }
    )


def _import_what_is_dropped(folder: Path, how: How) -> NoReturn:
    """Import each sheet in a folder once it is whole, again where it changed."""
    say(f"Importing what is dropped into {folder}; stop it with Ctrl-C.")
    seen: dict[Path, tuple[int, int]] = {}
    taken: set[tuple[Path, tuple[int, int]]] = set()
    while True:
        for path in sorted(folder.iterdir()):
            if path.suffix.lower() not in READERS or path.name.endswith(REJECTED):
                continue
            state = path.stat().st_mtime_ns, path.stat().st_size
            # Twice the same means that whoever writes it is done.
            if seen.get(path) == state and (path, state) not in taken:
                taken.add((path, state))
                with opened() as at:
                    try:
                        _import(at, path, how)
                    except SheetError as exc:
                        say(str(exc))
            seen[path] = state
        time.sleep(POLL_S)


def _import(at: Opened, path: Path, how: How) -> Imported:
    cycle = Cycle(at.settings, at.store, own_limit=at.own_limit())
    columns = None if how.mapping is None else load_mapping(how.mapping)
    cells = read_sheet(path, None if columns is None else columns.sheet)
    if columns is None:
        try:
            columns = guessed(cells.columns, cycle.product.keys)
        except LookupError as exc:
            message = f"{path.name}: {exc.args[0]}"
            raise SheetError(message) from exc
    rows, rejected = rows_of(cells, columns, cycle, default_build=how.build)
    if how.dry_run:
        say(
            f"{path.name}: {figures.counted(len(rows), 'row')} can be judged, "
            f"{len(rejected)} cannot."
        )
        for one in rejected:
            say(f"  line {one.line}: {one.reason}")
        return Imported(new=len(rows), rejected=tuple(rejected))
    name, body = fingerprint(at.settings)
    now = datetime.now(UTC)
    content = hashlib.sha256(path.read_bytes()).hexdigest()
    try:
        with progressing(len(rows), "Recording") as step:
            done = take(
                rows,
                cycle,
                session=f"import-{content[:12]}",
                configuration=Configuration(
                    configuration=name, body=body, stored_at=now
                ),
                at=now,
                new_setup=how.new_setup,
                step=lambda count: step(count, ""),
            )
            step(len(rows), "")
        done.rejected = tuple(sorted((*rejected, *done.rejected), key=lambda r: r.line))
        _watched(at, cycle, done)
    except KeyboardInterrupt:
        say(
            f"{path.name}: what is recorded so far is kept. Import the file again to "
            "go on with the rest."
        )
        raise
    say(
        f"{path.name}: {figures.counted(done.new, 'unit')} new, {done.known} known, "
        f"{len(done.rejected)} rejected"
    )
    if done.rejected:
        say(f"  see {write_rejected(path, cells, done.rejected)}")
    done.history = cycle.known.history()
    say(done.history)
    return done


def _watched(at: Opened, cycle: Cycle, done: Imported) -> None:
    """Return once the imported runs were watched: by us, or by the daemon."""
    number = done.last_number
    if isinstance(at.store, LocalStore):
        with progressing(done.new, "Watching") as step:
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
