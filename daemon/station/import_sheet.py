"""What a maker already has: a spreadsheet, a row a unit, into the same judgement.

A row's run is named by what the row says, so a file that is imported twice changes
nothing, and a row that was corrected becomes another run of the same unit.
"""

import csv
import io
import json
import re
from collections import deque
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache, cached_property
from pathlib import Path
from typing import NamedTuple

from config import Product as ProductSettings, Unit, spell, write_whole
from daemon.bench import BenchError
from daemon.metrology import MetrologyError
from daemon.presentation import neutral, to_copy
from daemon.presentation.figures import on_label_ohm
from daemon.station.cycle import Cycle, RunHeader
from daemon.station.grids import READERS, SheetError
from daemon.station.orders import TypedReading
from daemon.station.sheet_rows import Rejected, Row, Understood, understood
from daemon.station.typed_readings import TypedError, readings_of
from daemon.traceability import kitting
from storage import (
    Amended,
    Amendment,
    Build,
    Configuration,
    ConflictError,
    Disposal,
    Fitting,
    HoldState,
    RangeResult,
    Reel,
    RefusedValueError,
    ReworkKind,
    ReworkOf,
    Run,
    RunKind,
    Session,
    ShipmentState,
    Store,
    Unit as RecordedUnit,
    WholeRun,
    begins,
    concerns,
    reels_of,
    serial_order,
    takes_over,
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
    "rejected_of",
    "take",
    "understood",
    "write_rejected",
]

REJECTED = ".rejected.csv"
CORRECTED = "Corrected in "
"""How the note of a run begins that corrects another."""
_CORRECTED_IN = re.compile(f"{CORRECTED}(.*?), row [0-9]+: ")
A_PIECE = 50
"""Rows that are kept in one transaction."""


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

    A row that says the same as the latest one of its unit and time is the same run. A
    row that says something else of a unit that is known is a further run of it, with
    the reason. Rows are taken in the order of their times, so that the latest reading
    is the last verdict. Rows are kept in pieces of a few: what ends this on the way
    leaves whole pieces, and another call goes on.

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
    bench = cycle.settings.meters
    recorded = _Recorded(store, cycle.settings.product, rows, file)
    done = Imported()
    due, same, rejected = _sorted_out(rows, recorded, at)
    taken = {
        id(row): Taken(line=row.line, serial=row.serial, state="same") for row in same
    }
    done.known = len(same)
    if due:
        store.keep(configuration)
        _open_builds([one.row for one in due], cycle, at)
        _fit_reels([one.row for one in due], recorded, cycle, at)
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
    refused_before = len(rejected)
    first_run = dict(recorded.first_run)
    last: dict[str, _Last] = {}
    for piece in _pieces(due):
        step(done.known + done.new + len(rejected) - refused_before)
        waiting: list[tuple[_Due, WholeRun, str | None]] = []
        for one in piece:
            row = one.row
            before = last.get(row.serial) or recorded.last(row.serial)
            why = None if before is None else _why_again(one, before, cycle, file)
            header = RunHeader(
                serial=row.serial,
                build=row.build,
                session=session,
                origin="import",
                started_at=one.at,
                finished_at=one.at,
                configuration=configuration.configuration,
                rerun_of=first_run.get(row.serial),
                run=one.run,
                note=why,
            )
            try:
                read = readings_of(
                    row.readings,
                    cycle.product,
                    bench,
                    at_s=0.0,
                    ambient_c=row.ambient_c,
                )
                waiting.append((one, cycle.judged(read, header), why))
            except (TypedError, BenchError, MetrologyError) as exc:
                rejected.append(_rejected(row, str(exc)))
        for one, why, number in _kept(waiting, store, rejected):
            row = one.row
            first_run.setdefault(row.serial, one.run)
            last[row.serial] = _Last(one.run, "import", one.at, row.ambient_c)
            taken[id(row)] = Taken(
                line=row.line,
                serial=row.serial,
                state="new" if why is None else "changed",
                reason=why or "",
            )
            done.new += 1
            done.last_number = number
    done.rejected = tuple(rejected)
    done.taken = tuple(taken[id(row)] for row in rows if id(row) in taken)
    return done


_Judged = tuple["_Due", WholeRun, str | None]
"""A row, its run, and why it is taken once more."""


def _pieces(due: Sequence["_Due"]) -> Iterator[list["_Due"]]:
    """Give rows in pieces that are kept in one transaction; a unit is there once."""
    piece: list[_Due] = []
    units: set[str] = set()
    for one in due:
        if len(piece) == A_PIECE or one.row.serial in units:
            yield piece
            piece, units = [], set()
        piece.append(one)
        units.add(one.row.serial)
    if piece:
        yield piece


def _kept(
    judged: Sequence[_Judged], store: Store, rejected: list[Rejected]
) -> Iterator[tuple["_Due", str | None, int]]:
    """Keep rows at once, or one by one where any is refused; give their numbers."""
    if not judged:
        return
    try:
        numbers = store.record_runs([run for _, run, _ in judged])
    except (ConflictError, RefusedValueError) as exc:
        if len(judged) == 1:
            rejected.append(_rejected(judged[0][0].row, str(exc)))
            return
        for alone in judged:
            yield from _kept([alone], store, rejected)
        return
    for (one, _, why), number in zip(judged, numbers, strict=True):
        yield one, why, number


class _Last(NamedTuple):
    """The latest run of a unit, and where its readings came from."""

    run: str
    origin: str
    started_at: datetime
    ambient_c: float | None = None


class _Due(NamedTuple):
    """A row that is to be recorded, as which run, of which time, and what is added."""

    row: Row
    run: str
    at: datetime
    note: str = ""


class _RefusedError(Exception):
    """Why a row does not fit what is recorded."""


class _Recorded:
    """What is recorded of the units and builds of a file, asked for when needed."""

    def __init__(
        self, store: Store, settings: ProductSettings, rows: Sequence[Row], file: str
    ) -> None:
        self.file = file
        self.store, self.product = store, (product := settings.name)
        self._apart = {
            key for key, one in settings.ranges.items() if one.limit.offset == "apart"
        }
        named = json.dumps([row.run for row in rows])
        found = store.table("runs_known", product=product, runs=named)
        self._known = set(found.column("run").to_pylist())
        named = json.dumps([name for row in rows for name in (row.serial, row.build)])
        found = store.table("first_runs", product=product, serials=named)
        measured = {str(one["serial"]): one for one in found.to_pylist()}
        self.build_of = {serial: str(one["build"]) for serial, one in measured.items()}
        self.first_run = {serial: str(one["run"]) for serial, one in measured.items()}
        self._last_run = {
            serial: str(one["last_run"]) for serial, one in measured.items()
        }
        # Of this object alone: it goes with the call of `take`.
        self.runs = cache(self._runs)
        self.fittings = cache(self._fittings)

    def _runs(self, serial: str) -> list[Run]:
        """Return the runs of a unit, the latest last."""
        if serial not in self.first_run:
            return []
        found = self.store.rows(Run, product=self.product, serial=serial)
        return [one for one in found if one.kind is RunKind.UNIT]

    def _fittings(self, build: str) -> list[Fitting]:
        return self.store.rows(Fitting, product=self.product, build=build)

    @cached_property
    def reworks(self) -> dict[str, list[ReworkOf]]:
        """What was done to units, by serial."""
        found: dict[str, list[ReworkOf]] = {}
        for one in self.store.rows(ReworkOf, product=self.product):
            found.setdefault(one.serial, []).append(one)
        return found

    @cached_property
    def _corrected(self) -> dict[str, list[tuple[str, str]]]:
        found: dict[str, list[tuple[str, str]]] = {}
        for one in self.store.rows(Amendment, product=self.product, kind=Amended.UNIT):
            now, before = json.loads(one.after or "{}"), json.loads(one.before)
            if now.get("serial") != before["serial"]:
                found.setdefault(str(now.get("serial")), []).append(
                    (str(before["serial"]), str(before["build"]))
                )
        return found

    def before(self, serial: str) -> list[tuple[str, str]]:
        """Return serial and build of a unit as they were before its correction."""
        return self._corrected.get(serial, [])

    @cached_property
    def holds(self) -> list[HoldState]:
        """Every hold of the product, ended ones too."""
        return self.store.rows(HoldState, product=self.product)

    @cached_property
    def shipments(self) -> list[ShipmentState]:
        """What left, and when it came back."""
        return self.store.rows(ShipmentState, product=self.product)

    def last(self, serial: str) -> _Last | None:
        """Return the latest run of a unit; None before it was measured."""
        for one in self.runs(serial)[-1:]:
            return _Last(one.run, one.origin, one.started_at, one.ambient_c)
        return None

    def is_same(self, row: Row) -> bool:
        """Whether a row is the latest imported run of its unit and time."""
        last_run = self._last_run.get(row.serial, "")
        if _is_of(last_run, row.run):
            return True
        # What was imported when a zero read as 0 had the id of a blank.
        if (blank := row.run_as_blank) and _is_of(last_run, blank):
            return self._zero_judged(last_run, row)
        # What was imported as another unit, whose serial was corrected since.
        if any(
            _is_of(last_run, replace(row, serial=serial, build=build).run)
            for serial, build in self.before(row.serial)
        ):
            return True
        runs = self.runs(row.serial)
        if row.run in self._known:
            mine = [one for one in runs if _is_of(one.run, row.run)]
            if not mine:  # recorded of a unit whose serial was corrected since
                return True
            at = mine[-1].started_at
            imported = [
                one for one in runs if one.origin == "import" and one.started_at == at
            ]
            return _is_of(imported[-1].run, row.run)
        # What was imported with its time, and comes without it.
        return (
            row.measured_at is None
            and bool(runs)
            and _is_of(runs[-1].run, replace(row, measured_at=runs[-1].started_at).run)
        )

    def _zero_judged(self, run: str, row: Row) -> bool:
        """Whether a run says what a row does, whose zeros are read as 0.

        Where a limit is without offset, zero is judged by nothing: both say the same.
        """
        read = {one.range for one in row.readings if one.output_zero == 0} - self._apart
        return all(
            _at_zero(one)
            for one in self.store.rows(RangeResult, run=run)
            if one.range in read
        )

    def slips(self, rows: Sequence[Row]) -> Iterator[tuple[Run, Row]]:
        """Yield runs of serials that were typed wrong, and what their row says now.

        The row has the run's time and readings, and another serial. The file has the
        row of before no more.
        """
        there = {name for row in rows for name in (row.run, row.run_as_blank)}
        at: dict[datetime, list[Row]] = {}
        for row in rows:
            if row.measured_at is not None and row.run not in self._known:
                at.setdefault(row.measured_at, []).append(row)
        for build in sorted({one.build for same in at.values() for one in same}):
            for run in self.store.rows(Run, product=self.product, build=build):
                if run.origin != "import" or _named(run.run) in there:
                    continue
                for row in at.get(run.started_at, ()):
                    before = replace(row, serial=run.serial)
                    if _named(run.run) in {before.run, before.run_as_blank}:
                        yield run, row

    def put_right(self, row: Row, slip: Run, said: Row) -> _Due:
        """Return a known row as the latest of its unit again, after a slip."""
        count = sum(_is_of(one.run, row.run) for one in self.runs(row.serial))
        note = f" What stood there is of unit {said.serial}, row {said.line}."
        at = row.measured_at or slip.started_at
        return _Due(row, f"{row.run}-{count + 1}", at, note)

    def due(self, row: Row, at: datetime) -> _Due:
        """Return as which run, and of which time, a row is to be recorded.

        A correction is of the time of what it corrects: it is no new measurement.

        Raises
        ------
        _RefusedError
            When it was read cannot be told; or it is what stood there before it was
            corrected in another sheet: whoever takes an old sheet again means no
            correction.
        """
        runs = [one for one in self.runs(row.serial) if _is_of(one.run, row.run)]
        if runs and (elsewhere := self._corrected_elsewhere(row)) is not None:
            message = (
                f"unit {row.serial} read so before it was corrected in {elsewhere}; "
                "what was corrected stays. If this is right after all, correct it in "
                f"{elsewhere}"
            )
            raise _RefusedError(message)
        run = f"{row.run}-{len(runs) + 1}" if runs else row.run
        last = self.last(row.serial)
        if row.measured_at is not None or last is None:
            return _Due(row, run, row.measured_at or at)
        since = self._since(row, last)
        if since is not None:
            message = (
                f"unit {row.serial} {since}, and the row does not say whether it was "
                "read before or after; say when in a column 'measured at'"
            )
            raise _RefusedError(message)
        return _Due(row, run, last.started_at)

    def _corrected_elsewhere(self, row: Row) -> str | None:
        """Return the other sheet that corrected a unit last; None where none did."""
        note = self.runs(row.serial)[-1].note or ""
        if note.startswith(f"{CORRECTED}{self.file}, row "):
            return None
        found = _CORRECTED_IN.match(note)
        return None if found is None else found[1]

    def _since(self, row: Row, last: _Last) -> str | None:
        """Say what became of a unit since its latest imported run; None for nothing."""
        serial, then = row.serial, last.started_at
        if last.origin != "import":
            return "was last measured on the bench, not from a sheet"
        if any(
            one.serial == serial
            and one.returned_at is not None
            and one.returned_at > then
            for one in self.shipments
        ):
            return "came back since it was measured"
        reworks = self.reworks.get(serial, [])
        if any(
            one.kind is not ReworkKind.REGRADE and one.reworked_at > then
            for one in reworks
        ):
            return "was reworked since it was measured"
        reels = set(self.reels(row, replaced=True).values())
        if any(
            one.disposal is Disposal.REWORK
            and one.ended_at is not None
            and one.ended_at > then
            and concerns(one, serial=serial, build=self._build(row), reels=reels)
            for one in self.holds
        ):
            return "was held for rework since it was measured"
        return None

    def _build(self, row: Row) -> str:
        return self.build_of.get(row.serial, row.build)

    def reels(self, row: Row, *, replaced: bool) -> dict[str, str]:
        """Return the reels that a row's unit carries as recorded, by part."""
        reworks = self.reworks.get(row.serial, []) if replaced else []
        return reels_of(
            row.serial,
            self.fittings(self._build(row)),
            [one for one in reworks if one.kind is ReworkKind.REPLACE],
        )

    def replaced(self, serial: str) -> set[str | None]:
        """Return the parts of a unit that are of another reel than its build's."""
        return {
            one.part
            for one in self.reworks.get(serial, [])
            if one.kind is ReworkKind.REPLACE
        }

    def require_reels(self, row: Row, *, known: bool) -> None:
        """Refuse a row whose reels are recorded otherwise.

        Parameters
        ----------
        known
            Whether the row's run is recorded: what it says now of reels is new.

        Raises
        ------
        _RefusedError
            It names the part.
        """
        if not row.reels:
            return
        fitted, carried = (self.reels(row, replaced=way) for way in (False, True))
        since = begins(row.serial)
        from_here = {
            one.part
            for one in self.fittings(self._build(row))
            if begins(one.from_serial) == since
        }
        for part, reel in row.reels:
            was = carried.get(part)
            if reel in {was, fitted.get(part)}:
                continue
            if was is None and known:
                fit = to_copy.command(
                    "reel", "fit", reel, part, "--build", self._build(row), "--from"
                )
                message = (
                    f"no reel is recorded for part {part} of unit {row.serial}, and "
                    f"the row says {reel}; record it with `{fit} SERIAL`, where SERIAL "
                    "is the first unit that has such a part"
                )
                raise _RefusedError(message)
            if was is not None and (row.serial in self.first_run or part in from_here):
                undo = to_copy.decided("fitting", "undo", "FITTING")
                message = (
                    f"the reel of part {part} of unit {row.serial} is recorded as "
                    f"{was}, and the row says {reel}; correct the sheet, or take the "
                    f"record back with `{undo}` (`holdpoint fitting list` names it)"
                )
                raise _RefusedError(message)


def _at_zero(result: RangeResult) -> bool:
    """Whether a result was judged at zero too."""
    return any(one.of_full_scale == 0 for one in result.judged_points)


def _named(run: str) -> str:
    """Return the name of the row that a run is of, or is of once more."""
    return "-".join(run.split("-")[:2])


def _is_of(run: str, name: str) -> bool:
    """Whether a run is the one of this name, or that one once more."""
    return run == name or run.startswith(f"{name}-")


def _rejected(row: Row, reason: str) -> Rejected:
    return Rejected(line=row.line, sheet=row.sheet, reason=reason)


def _sorted_out(
    rows: Sequence[Row], recorded: _Recorded, at: datetime
) -> tuple[list[_Due], list[Row], list[Rejected]]:
    """Return rows to record in the order of their times, known ones, refused ones."""
    once: dict[str, Row] = {}
    for row in rows:
        once.setdefault(row.run, row)
    known = {run for run, row in once.items() if recorded.is_same(row)}
    again, gone = _of_slips(rows, recorded)
    known -= again.keys()
    fresh, rejected = _at_odds(
        [row for run, row in once.items() if run not in known],
        builds=_builds(recorded.store, recorded.product),
        units=recorded.build_of,
    )
    wanted, due, same = [], [], []
    for row in fresh:
        if row.run in gone:
            rejected.append(_rejected(row, gone[row.run]))
            continue
        try:
            wanted.append(again.get(row.run) or recorded.due(row, at))
        except _RefusedError as exc:
            rejected.append(_rejected(row, str(exc)))
    latest: dict[str, datetime] = {}
    said: dict[tuple[object, ...], tuple[str, int]] = {}
    for one in sorted(wanted, key=lambda one: one.at):
        try:
            if not one.note:
                _require_latest(one, latest, recorded)
            recorded.require_reels(one.row, known=False)
            _require_one_reel(one.row, said, recorded)
        except _RefusedError as exc:
            rejected.append(_rejected(one.row, str(exc)))
            continue
        latest[one.row.serial] = one.at
        due.append(one)
    good = known | {one.row.run for one in due}
    reasons = {(one.sheet, one.line): one.reason for one in rejected}
    for row in rows:
        first = once[row.run]
        if row is first and row.run not in known:
            continue
        try:
            if row.run not in good:
                raise _RefusedError(reasons[first.sheet, first.line])  # noqa: TRY301
            if row.run in known:
                recorded.require_reels(row, known=True)
            _require_one_reel(row, said, recorded)
        except _RefusedError as exc:
            rejected.append(_rejected(row, str(exc)))
            continue
        same.append(row)
    return due, same, rejected


def _of_slips(
    rows: Sequence[Row], recorded: _Recorded
) -> tuple[dict[str, _Due], dict[str, str]]:
    """Return what a serial that was typed wrong, and is right now, asks for.

    By row's run, the rows that count again as their unit's latest; and why a row is
    refused whose readings are those of a unit that the file does not name any more.
    """
    units: dict[str, list[Row]] = {}
    for row in rows:
        units.setdefault(row.serial, []).append(row)
    again: dict[str, _Due] = {}
    gone: dict[str, str] = {}
    for slip, row in recorded.slips(rows):
        own = units.get(slip.serial)
        if own is None:
            runs = recorded.store.rows(
                Run, product=recorded.product, serial=slip.serial
            )
            gone[row.run] = _gone(slip, row, alone=len(runs) == 1)
            continue
        last = recorded.last(slip.serial)
        if last is not None and last.run == slip.run:
            true = max(own, key=lambda one: one.measured_at or slip.started_at)
            again[true.run] = recorded.put_right(true, slip, row)
    return again, gone


def _gone(slip: Run, row: Row, *, alone: bool) -> str:
    """Say what to do with a row that is recorded as a unit the file does not name."""
    said = f"what it says is recorded as unit {slip.serial}, which is not in the file"
    if alone:
        edit = to_copy.decided("unit", "edit", slip.serial, "--serial", row.serial)
        return f"{said}; where that serial was typed wrong, say `{edit}`"
    # Its other runs may be its own: renamed, they would be another unit's.
    return (
        f"{said}, and was read more than once; put the row of unit {slip.serial} into "
        "the sheet too, then each unit gets its own readings"
    )


def _require_latest(
    one: _Due, latest: Mapping[str, datetime], recorded: _Recorded
) -> None:
    """Refuse a row of before the unit's latest run: it would be the last verdict."""
    serial = one.row.serial
    last = recorded.last(serial)
    then = latest.get(serial, None if last is None else last.started_at)
    if then is not None and one.at < then:
        message = (
            f"unit {serial} was measured later, at {then.astimezone():%Y-%m-%d %H:%M}, "
            f"and the row says {one.at.astimezone():%Y-%m-%d %H:%M}; only the latest "
            "measurement of a unit can be corrected"
        )
        raise _RefusedError(message)


def _require_one_reel(
    row: Row,
    said: dict[tuple[object, ...], tuple[str, int]],
    recorded: _Recorded,
) -> None:
    """Refuse a row that names another reel of a unit than a row before it.

    A part that was replaced may be named as it was and as it is.
    """
    if not row.reels:
        return
    replaced = recorded.replaced(row.serial)
    says = {
        (row.build, serial_order(row.serial), part): reel
        for part, reel in row.reels
        if part not in replaced
    }
    for key, reel in says.items():
        other, line = said.get(key, (reel, row.line))
        if other != reel:
            message = (
                f"the reel of part {key[-1]} of unit {row.serial} is {other} in row "
                f"{line}, and here {reel}; correct the sheet"
            )
            raise _RefusedError(message)
    for key, reel in says.items():
        said.setdefault(key, (reel, row.line))


def _why_again(one_due: _Due, last: _Last, cycle: Cycle, file: str) -> str:
    """Say why a unit that is known is taken once more: what reads otherwise."""
    row = one_due.row
    before = {one.range: one for one in cycle.store.rows(RangeResult, run=last.run)}
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
        changed += _zero_changed(one, old, title, Unit(settings.output_unit))
    read = {one.range for one in row.readings}
    changed += [
        f"{cycle.product.range(key).title} is not there any more"
        for key in before
        if key not in read
    ]
    if row.ambient_c != last.ambient_c:
        before_c = _degrees(last.ambient_c)
        changed.append(f"temperature is {_degrees(row.ambient_c)}, was {before_c}")
    same_time = last.started_at == one_due.at or bool(one_due.note)
    corrects = last.origin == "import" and same_time
    done = CORRECTED if corrects else "Read again in "
    what = "; ".join(changed) or "read at another time"
    return f"{done}{file}, row {row.line}: {what}.{one_due.note}"


def _degrees(value_c: float | None) -> str:
    return "blank" if value_c is None else f"{value_c:g} \N{DEGREE SIGN}C"


def _zero_changed(
    now: TypedReading, old: RangeResult, title: str, unit: Unit
) -> Iterator[str]:
    """Say how the output at zero reads otherwise; a blank is no zero."""
    then = next(
        (
            reading
            for level, reading in zip(old.level, old.output_readings, strict=True)
            if level == 0
        ),
        0.0,
    )
    before = spell(then, unit) if then or _at_zero(old) else "blank"
    zero = now.output_zero
    today = "blank" if zero is None else spell(zero, unit)
    if now.taken_off != then or (
        # A limit without offset judges nothing at zero: then nobody can tell.
        "blank" in {before, today} and before != today and old.judged_points
    ):
        yield f"{title} out at zero is {today}, was {before}"


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
            edit = to_copy.decided("unit", "edit", row.serial, "--build", row.build)
            reason = (
                f"unit {row.serial} is recorded in build {units[row.serial]}, and here "
                f"in build {row.build}; correct the sheet, or the unit with `{edit}`"
            )
            rejected.append(Rejected(line=row.line, sheet=row.sheet, reason=reason))
            continue
        else:
            good.append(row)
            continue
        reason = f"{what}; are the columns of serial and build exchanged?"
        rejected.append(Rejected(line=row.line, sheet=row.sheet, reason=reason))
    return good, rejected


def rejected_of(path: Path) -> Path:
    """Return where the rejected rows of a file are written."""
    return path.with_name(path.name + REJECTED)


def write_rejected(path: Path, sheet: Understood, rejected: Sequence[Rejected]) -> Path:
    """Write the rejected rows beside the file they come from, the reason first.

    A cell that a spreadsheet would take for a formula is written as text.
    """
    out = rejected_of(path)
    grids = {block.grid.name: block.grid for block in sheet.blocks}
    only = next(iter(grids.values()))
    text = io.StringIO(newline="")
    table = csv.writer(text)
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
    return write_whole(out, text.getvalue(), for_all=True)


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


def _fit_reels(
    rows: Sequence[Row], recorded: _Recorded, cycle: Cycle, at: datetime
) -> None:
    """Record each build's reels from the first unit on that carries them.

    Units are gone through as serials count, whatever the order of the file. One that is
    recorded already keeps its reels: where a row before it changes what it would carry,
    its own reel is recorded once more, from it on.
    """
    builds = dict.fromkeys(row.build for row in rows if row.reels)
    for build in builds:
        stated: dict[str, dict[str, str]] = {
            one.serial: reels_of(one.serial, recorded.fittings(build))
            for one in cycle.store.rows(
                RecordedUnit, product=recorded.product, build=build
            )
        }
        for row in rows:
            if row.build == build:
                replaced = recorded.replaced(row.serial)
                says = {part: reel for part, reel in row.reels if part not in replaced}
                stated[row.serial] = says | stated.get(row.serial, {})
        _fit_build(build, stated, recorded, cycle, at)


def _fit_build(
    build: str,
    stated: Mapping[str, Mapping[str, str]],
    recorded: _Recorded,
    cycle: Cycle,
    at: datetime,
) -> None:
    """Record fittings so that each unit of a build carries the reels that it states.

    All at once: between them a unit would carry a reel that is not its own.
    """
    product = cycle.settings.product
    store = cycle.store
    waiting = deque(
        sorted(
            recorded.fittings(build),
            key=lambda one: takes_over(one.from_serial, one.fitted_at),
        )
    )
    fitted = {one.part for one in waiting}
    carried: dict[str, str] = {}
    received: set[str] = set()
    new: list[Fitting] = []
    for serial in sorted(stated, key=lambda one: (serial_order(one), one)):
        while waiting and begins(waiting[0].from_serial) <= begins(serial):
            one = waiting.popleft()
            carried[one.part] = one.reel
        for part, reel in stated[serial].items():
            if carried.get(part) == reel:
                continue
            if reel not in received and not store.rows(Reel, reel=reel):
                planned = product.parts[part]
                kitting.receive_reel(
                    store,
                    reel,
                    nominal_ohm=on_label_ohm(
                        planned.nominal_ohm, planned.tolerance_ppm
                    ),
                    tolerance_ppm=planned.tolerance_ppm,
                    at=at,
                )
            received.add(reel)
            new.append(
                kitting.fitting_of(
                    product.name,
                    build,
                    part,
                    reel,
                    from_serial=serial if part in fitted else None,
                    at=at,
                )
            )
            fitted.add(part)
            carried[part] = reel
    if new:
        store.keep(*new)
