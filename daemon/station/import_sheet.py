"""What a maker already has: a spreadsheet, a row a unit, into the same judgement.

A row's run is named by what the row says, so a file that is imported twice changes
nothing, and a row that was corrected becomes another run of the same unit.
"""

import csv
import json
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from config import Unit, spell
from daemon.bench import BenchError
from daemon.metrology import MetrologyError
from daemon.presentation import neutral
from daemon.station.cycle import Cycle, RunHeader
from daemon.station.grids import READERS, SheetError
from daemon.station.sheet_rows import Rejected, Row, Understood, understood
from daemon.station.typed_readings import TypedError, readings_of
from daemon.traceability import kitting
from storage import (
    Build,
    Configuration,
    ConflictError,
    Fitting,
    RangeResult,
    Reel,
    RefusedValueError,
    Session,
    Store,
)

__all__ = [
    "READERS",
    "REJECTED",
    "Imported",
    "Rejected",
    "Row",
    "SheetError",
    "Taken",
    "Understood",
    "take",
    "understood",
    "write_rejected",
]

REJECTED = ".rejected.csv"


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What became of a row that was understood: "new", "changed" or "same"."""

    line: int
    serial: str
    state: str
    reason: str = ""


@dataclass(slots=True)
class Imported:
    """What became of a file."""

    new: int = 0
    known: int = 0
    last_number: int = 0
    rejected: tuple[Rejected, ...] = ()
    history: str | None = None
    """What the latest build is held against, once that was watched."""
    taken: tuple[Taken, ...] = ()
    """Each row that was understood, in the order of the file."""

    @property
    def changed(self) -> int:
        """How many rows were read of a unit once more."""
        return sum(one.state == "changed" for one in self.taken)


def take(
    rows: Sequence[Row],
    cycle: Cycle,
    *,
    session: str,
    configuration: Configuration,
    at: datetime,
    new_setup: bool = False,
    file: str = "the sheet",
    step: Callable[[int], None] = lambda _: None,
) -> Imported:
    """Record rows that are not recorded yet; watching them is the caller's.

    A row that says the same as one before it is the same run. A row that says
    something else of a unit that is known is a further run of it, with the reason.
    Each row is kept by itself: what ends this on the way leaves whole rows, and another
    call goes on.

    Parameters
    ----------
    rows
        From `understood`.
    cycle
        Judges and records them.
    session
        They are of; opened where it is not there yet.
    configuration
        The settings in force.
    at
        The time now: of what is opened, and of rows that name none.
    new_setup
        Whether the bench was set up anew before these units were measured.
    file
        Its name, for the reason of a further run.
    step
        Called with how many rows are done.

    Raises
    ------
    storage.errors.StorageError
        The store refused; rows before the refused one are kept.
    """
    store = cycle.store
    product = cycle.settings.product.name
    bench = cycle.settings.meters
    named = json.dumps([row.run for row in rows])
    found = store.table("runs_known", product=product, runs=named)
    known = set(found.column("run").to_pylist())
    named = json.dumps([name for row in rows for name in (row.serial, row.build)])
    measured = {
        str(one["serial"]): one
        for one in store.table("first_runs", product=product, serials=named).to_pylist()
    }
    first_run = {serial: str(one["run"]) for serial, one in measured.items()}
    last_run = {
        serial: (str(one["last_run"]), str(one["origin"]))
        for serial, one in measured.items()
    }
    done = Imported()
    fresh = list({row.run: row for row in rows if row.run not in known}.values())
    done.known = len(rows) - len(fresh)
    new = {id(row) for row in fresh}
    taken = {
        id(row): Taken(line=row.line, serial=row.serial, state="same")
        for row in rows
        if id(row) not in new
    }
    fresh, rejected = _at_odds(
        fresh,
        builds=_builds(store, product),
        units={serial: str(one["build"]) for serial, one in measured.items()},
    )
    if fresh:
        store.keep(configuration)
        _open_builds(fresh, cycle, at)
        _fit_reels(fresh, cycle, at)
        if not store.rows(Session, session=session):
            store.keep(
                Session(
                    session=session,
                    bench=bench.name,
                    opened_at=at,
                    configuration=configuration.configuration,
                    set_up=new_setup,
                )
            )
    for count, row in enumerate(fresh):
        step(done.known + count)
        measured_at = row.measured_at or at
        before = last_run.get(row.serial)
        why = None if before is None else _why_again(row, *before, cycle, file)
        try:
            recorded = cycle.record(
                readings_of(row.readings, cycle.product, bench, at_s=0.0),
                RunHeader(
                    serial=row.serial,
                    build=row.build,
                    session=session,
                    origin="import",
                    started_at=measured_at,
                    finished_at=measured_at,
                    configuration=configuration.configuration,
                    rerun_of=first_run.get(row.serial),
                    run=row.run,
                    note=why,
                ),
                {},
            )
        except (
            TypedError,
            BenchError,
            MetrologyError,
            ConflictError,
            RefusedValueError,
        ) as exc:
            rejected.append(Rejected(line=row.line, sheet=row.sheet, reason=str(exc)))
            continue
        first_run.setdefault(row.serial, row.run)
        last_run[row.serial] = row.run, "import"
        taken[id(row)] = Taken(
            line=row.line,
            serial=row.serial,
            state="new" if why is None else "changed",
            reason=why or "",
        )
        done.new += 1
        done.last_number = recorded.number
    done.rejected = tuple(rejected)
    done.taken = tuple(taken[id(row)] for row in rows if id(row) in taken)
    return done


def _why_again(row: Row, run: str, origin: str, cycle: Cycle, file: str) -> str:
    """Say why a unit that is known is taken once more: what reads otherwise."""
    before = {one.range: one for one in cycle.store.rows(RangeResult, run=run)}
    settings = cycle.settings.product
    changed = []
    for one in row.readings:
        old = before.get(one.range)
        title = cycle.product.range(one.range).title
        if old is None or len(old.output_readings) != len(old.level):
            changed.append(f"{title} was not read before")
            continue
        place = max(range(len(old.level)), key=lambda at: abs(old.level[at]))
        for what, unit, now, then in (
            ("in", settings.input_unit, one.reference, old.reference_readings[place]),
            ("out", settings.output_unit, one.output, old.output_readings[place]),
        ):
            if now != then:
                changed.append(
                    f"{title} {what} is {spell(now, Unit(unit))}, was "
                    f"{spell(then, Unit(unit))}"
                )
    done = "Corrected" if origin == "import" else "Read again"
    what = "; ".join(changed) or "read at another time"
    return f"{done} in {file}, row {row.line}: {what}."


def _at_odds(
    rows: Sequence[Row], *, builds: Collection[str], units: Mapping[str, str]
) -> tuple[list[Row], list[Rejected]]:
    """Return rows that fit what is recorded, and those that do not.

    A build that was opened stays for ever: it is not opened for a slip of columns.
    """
    good, rejected = [], []
    for row in rows:
        if row.serial in builds:
            what = f"serial {row.serial} is the name of a build"
        elif row.build in units:
            what = f"build {row.build} is the serial of a unit"
        elif units.get(row.serial, row.build) != row.build:
            reason = (
                f"unit {row.serial} is recorded in build {units[row.serial]}, and here "
                f"in build {row.build}; correct the sheet, or the unit with "
                "`holdpoint unit edit`"
            )
            rejected.append(Rejected(line=row.line, sheet=row.sheet, reason=reason))
            continue
        else:
            good.append(row)
            continue
        reason = f"{what}; are the columns of serial and build exchanged?"
        rejected.append(Rejected(line=row.line, sheet=row.sheet, reason=reason))
    return good, rejected


def write_rejected(path: Path, sheet: Understood, rejected: Sequence[Rejected]) -> Path:
    """Write the rejected rows beside the file they come from, the reason first.

    A cell that a spreadsheet would take for a formula is written as text.
    """
    out = path.with_name(path.name + REJECTED)
    part = out.with_name(out.name + ".part")
    grids = {block.grid.name: block.grid for block in sheet.blocks}
    only = next(iter(grids.values()))
    with part.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        widest = max(
            (block for block in sheet.blocks), key=lambda block: len(block.columns)
        )
        headings = {one.place: one.heading for one in widest.columns}
        places = range(max(len(row) for row in widest.grid.rows))
        table.writerow(
            map(neutral, ["row", "reason", *[headings.get(at, "") for at in places]])
        )
        for one in rejected:
            row = grids.get(one.sheet, only).rows[one.line - 1]
            place = one.where.removeprefix("row ")
            table.writerow(map(neutral, [place, one.reason, *row]))
    part.replace(out)
    return out


def _builds(store: Store, product: str) -> set[str]:
    """Return the names of the product's builds."""
    return {one.build for one in store.rows(Build, product=product)}


def _open_builds(rows: Sequence[Row], cycle: Cycle, at: datetime) -> None:
    """Open builds that the file names first."""
    product = cycle.settings.product.name
    known = _builds(cycle.store, product)
    for build in dict.fromkeys(row.build for row in rows):
        if build not in known:
            kitting.open_build(cycle.store, product, build, planned_units=None, at=at)


def _fit_reels(rows: Sequence[Row], cycle: Cycle, at: datetime) -> None:
    """Record each build's reels from the first unit on that carries them."""
    product = cycle.settings.product
    store = cycle.store
    builds = dict.fromkeys(row.build for row in rows if row.reels)
    latest = {
        (one.build, one.part): one.reel
        for build in builds
        for one in store.rows(Fitting, product=product.name, build=build)
    }
    reels: set[str] = set()
    for row in rows:
        for part, reel in row.reels:
            if latest.get((row.build, part)) == reel:
                continue
            if reel not in reels and not store.rows(Reel, reel=reel):
                kitting.receive_reel(
                    store,
                    reel,
                    nominal_ohm=product.parts[part].nominal_ohm,
                    tolerance_ppm=product.parts[part].tolerance_ppm,
                    at=at,
                )
            reels.add(reel)
            first = (row.build, part) not in latest
            store.keep(
                kitting.fitting_of(
                    product.name,
                    row.build,
                    part,
                    reel,
                    from_serial=None if first else row.serial,
                    at=at,
                )
            )
            latest[row.build, part] = reel
