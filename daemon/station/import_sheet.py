"""What a maker already has: a spreadsheet, a row a unit, into the same judgement.

A row's run is named by what the row says, so a file that is imported twice changes
nothing, and a row that was corrected becomes another run of the same unit.
"""

import csv
import hashlib
import json
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import pandas as pd

from config import HoldpointError, QuantityError, SheetMapping, Unit, parse
from daemon.bench import BenchError
from daemon.metrology import MetrologyError
from daemon.presentation import neutral
from daemon.station.cycle import Cycle, RunHeader
from daemon.station.orders import TypedReading
from daemon.station.typed_readings import TypedError, readings_of
from daemon.traceability import kitting
from storage import (
    Build,
    Configuration,
    ConflictError,
    Fitting,
    Reel,
    Session,
    Store,
)

READERS = (".csv", ".xlsx", ".parquet")
REJECTED = ".rejected.csv"


class SheetError(HoldpointError):
    """A file that cannot be imported at all, in one sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One unit as the file has it; `line` counts as a spreadsheet shows it."""

    line: int
    serial: str
    build: str
    measured_at: datetime | None
    readings: tuple[TypedReading, ...]
    reels: tuple[tuple[str, str], ...]

    @property
    def run(self) -> str:
        """The run's id: what the row says, hashed."""
        said = [
            self.serial,
            self.build,
            None if self.measured_at is None else self.measured_at.isoformat(),
            [
                [r.range, r.reference, r.output, r.reference_zero, r.output_zero]
                for r in self.readings
            ],
        ]
        return "import-" + hashlib.sha256(json.dumps(said).encode()).hexdigest()[:32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejected:
    """A row that was left out, and why."""

    line: int
    reason: str


@dataclass(slots=True)
class Imported:
    """What became of a file."""

    new: int = 0
    known: int = 0
    last_number: int = 0
    rejected: tuple[Rejected, ...] = ()
    history: str | None = None
    """What the latest build is held against, once that was watched."""


def read_sheet(path: Path, sheet: str | None = None) -> pd.DataFrame:
    """Return a file's cells as texts, blanks as empty texts.

    Raises
    ------
    SheetError
        It is of no known kind, or cannot be read.
    """
    kind = path.suffix.lower()
    try:
        if kind == ".csv":
            cells = pd.read_csv(
                path, dtype=str, keep_default_na=False, sep=None, engine="python",
                encoding="utf-8-sig",
            )  # fmt: skip
        elif kind == ".xlsx":
            cells = pd.read_excel(path, sheet_name=sheet or 0, dtype=object)
        elif kind == ".parquet":
            cells = pd.read_parquet(path)
        else:
            message = f"{path.name}: must end in {', '.join(READERS)}"
            raise SheetError(message)
    except (OSError, ValueError, KeyError, ImportError, csv.Error, BadZipFile) as exc:
        message = f"{path.name} cannot be read: {exc}"
        raise SheetError(message) from exc
    cells.columns = pd.Index([str(name).strip() for name in cells.columns])
    if cells.columns.has_duplicates:
        twice = cells.columns[cells.columns.duplicated()][0]
        message = f"{path.name}: column {twice!r} is there twice"
        raise SheetError(message)
    return cells.map(_text)


def rows_of(
    cells: pd.DataFrame,
    mapping: SheetMapping,
    cycle: Cycle,
    *,
    default_build: str | None = None,
) -> tuple[list[Row], list[Rejected]]:
    """Return the rows that can be judged, and those that cannot with the reason.

    Raises
    ------
    SheetError
        A column that the mapping names is not there, or a range is unknown.
    """
    for name in mapping.columns:
        if name not in cells.columns:
            message = f"no column {name!r}; there are {', '.join(cells.columns)}"
            raise SheetError(message)
    for key in mapping.ranges:
        if key not in cycle.product.keys:
            message = f"ranges.{key}: the product has {', '.join(cycle.product.keys)}"
            raise SheetError(message)
    rows, rejected = [], []
    for index, cell in enumerate(cells.to_dict("records")):
        line = index + 2  # a spreadsheet counts its heading as line 1
        try:
            rows.append(_row(line, cell, mapping, cycle, default_build))
        except ValueError as exc:
            rejected.append(Rejected(line=line, reason=str(exc)))
    return rows, rejected


def take(
    rows: Sequence[Row],
    cycle: Cycle,
    *,
    session: str,
    configuration: Configuration,
    at: datetime,
    new_setup: bool = False,
    step: Callable[[int], None] = lambda _: None,
) -> Imported:
    """Record rows that are not recorded yet; watching them is the caller's.

    A row that says the same as one before it is the same run. Each row is kept by
    itself: what ends this on the way leaves whole rows, and another call goes on.

    Parameters
    ----------
    rows
        From `rows_of`.
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
    step
        Called with how many rows are done.

    Raises
    ------
    storage.errors.StorageError
        The store refused; rows before the refused one are kept.
    """
    store = cycle.store
    product = cycle.settings.product.name
    bench = cycle.settings.bench
    if bench is None:
        message = "bench.toml is missing: the meters' accuracy must be known"
        raise SheetError(message)
    named = json.dumps([row.run for row in rows])
    found = store.table("runs_known", product=product, runs=named)
    known = set(found.column("run").to_pylist())
    named = json.dumps([name for row in rows for name in (row.serial, row.build)])
    first_run = {
        str(one["serial"]): str(one["run"])
        for one in store.table("first_runs", product=product, serials=named).to_pylist()
    }
    done = Imported()
    fresh = list({row.run: row for row in rows if row.run not in known}.values())
    done.known = len(rows) - len(fresh)
    fresh, rejected = _not_changed_over(
        fresh,
        builds=_builds(store, product),
        serials=set(first_run),
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
                ),
                {},
            )
        except (
            TypedError,
            BenchError,
            MetrologyError,
            ConflictError,
        ) as exc:
            rejected.append(Rejected(line=row.line, reason=str(exc)))
            continue
        first_run.setdefault(row.serial, row.run)
        done.new += 1
        done.last_number = recorded.number
    done.rejected = tuple(rejected)
    return done


def _not_changed_over(
    rows: Sequence[Row], *, builds: Collection[str], serials: Collection[str]
) -> tuple[list[Row], list[Rejected]]:
    """Return rows whose serial is no build and whose build is no serial, and the rest.

    A build that was opened stays for ever: it is not opened for a slip of columns.
    """
    good, rejected = [], []
    for row in rows:
        if row.serial in builds:
            what = f"serial {row.serial} is the name of a build"
        elif row.build in serials:
            what = f"build {row.build} is the serial of a unit"
        else:
            good.append(row)
            continue
        reason = f"{what}; are the columns of serial and build changed over?"
        rejected.append(Rejected(line=row.line, reason=reason))
    return good, rejected


def write_rejected(
    path: Path, cells: pd.DataFrame, rejected: Sequence[Rejected]
) -> Path:
    """Write the rejected rows beside the file they come from, the reason first.

    A cell that a spreadsheet would take for a formula is written as text.
    """
    out = path.with_name(path.name + REJECTED)
    frame = cells.iloc[[one.line - 2 for one in rejected]].copy()
    frame.insert(0, "reason", [one.reason for one in rejected])
    frame.insert(0, "line", [str(one.line) for one in rejected])
    part = out.with_name(out.name + ".part")
    frame.map(neutral).rename(columns=neutral).to_csv(part, index=False)
    part.replace(out)
    return out


def _row(
    line: int,
    cell: Mapping[Any, str],
    mapping: SheetMapping,
    cycle: Cycle,
    default_build: str | None,
) -> Row:
    serial = cell[mapping.serial]
    if not serial:
        message = f"{mapping.serial}: blank; a unit needs its serial"
        raise ValueError(message)
    build = mapping.build_is or (cell[mapping.build] if mapping.build else "")
    build = build or default_build or ""
    if not build:
        message = "build: blank; name a column, build_is or --build"
        raise ValueError(message)
    readings = []
    for key, columns in mapping.ranges.items():
        pair = cell[columns.reference], cell[columns.output]
        if not any(pair):
            continue  # a blank is a range that was not measured
        into = columns.reference_unit or cycle.settings.product.input_unit
        out_of = columns.output_unit or cycle.settings.product.output_unit
        readings.append(
            TypedReading(
                range=key,
                reference=_quantity(columns.reference, pair[0], into),
                output=_quantity(columns.output, pair[1], out_of),
                reference_zero=_zero(cell, columns.reference_zero, into),
                output_zero=_zero(cell, columns.output_zero, out_of),
            )
        )
    if not readings:
        message = "no range has a reading"
        raise ValueError(message)
    return Row(
        line=line,
        serial=serial,
        build=build,
        measured_at=_moment(cell, mapping.measured_at),
        readings=tuple(readings),
        reels=tuple(
            (part, cell[name]) for part, name in mapping.reels.items() if cell[name]
        ),
    )


def _quantity(column: str, text: str, unit: str) -> float:
    """Return a cell in A or V; a bare number is in `unit`, which may have a prefix."""
    if not text:
        message = f"{column}: blank, though its pair is filled in"
        raise ValueError(message)
    base = Unit.VOLT if unit.endswith("V") else Unit.AMPERE
    bare = text.translate({ord(" "): None}).lstrip("+-").replace(".", "", 1)
    try:
        return parse(f"{text} {unit}" if bare.isdecimal() else text, base)
    except QuantityError as exc:
        message = f"{column}: {exc}"
        raise ValueError(message) from exc


def _zero(cell: Mapping[Any, str], column: str | None, unit: str) -> float:
    if column is None or not cell[column]:
        return 0.0
    return _quantity(column, cell[column], unit)


def _moment(cell: Mapping[Any, str], column: str | None) -> datetime | None:
    if column is None or not cell[column]:
        return None
    try:
        moment = datetime.fromisoformat(cell[column])
    except ValueError as exc:
        message = f"{column}: {cell[column]!r} is no ISO 8601 date and time"
        raise ValueError(message) from exc
    return moment.replace(tzinfo=moment.tzinfo or UTC)


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
            if part not in product.parts:
                message = f"reels.{part}: the product has {', '.join(product.parts)}"
                raise SheetError(message)
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


def _text(value: Any) -> str:
    if isinstance(value, str):
        return value.strip()
    if pd.isna(value):
        return ""
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return repr(value) if isinstance(value, float) else str(value).strip()
