"""What a sheet says: its headings found, a row a unit, each with its cells.

Nothing is recorded here; `import_sheet` does that.
"""

import hashlib
import json
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from config import SheetMapping
from daemon.judging import ProductModel
from daemon.station.grids import Grid, SheetError, read_grids
from daemon.station.headings import (
    Column,
    TwiceError,
    build_in,
    columns_of,
    how_to_say,
    is_statistic,
    pairs,
    unit_in,
    why_not,
)
from daemon.station.long_form import by_unit
from daemon.station.orders import TypedReading
from daemon.station.sheet_numbers import (
    CellError,
    Sign,
    celsius,
    moment,
    quantity,
    sign_of,
)
from daemon.station.typed_readings import (
    TypedError,
    require_on_range,
    require_plausible,
)
from storage import RefusedValueError, require_id

_NUMBER = re.compile(r"[+\-\u2212]?\s*[.,]?[0-9]")
_BARE_NUMBER = re.compile(r"[+\-\u2212]?\s*[0-9.,'\s]*[0-9](?:[eE][+-]?[0-9]+)?")
MOST_TWICE = 5
"""Units with several rows that are named."""
HEADINGS_WITHIN = 40
"""Rows from the top in which the headings of a sheet are looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One unit as the file has it; `line` counts as a spreadsheet shows it."""

    line: int
    serial: str
    build: str
    measured_at: datetime | None
    readings: tuple[TypedReading, ...]
    reels: tuple[tuple[str, str], ...]
    sheet: str = ""
    cells: Mapping[str, str] = field(default_factory=dict)
    """By range, the cell of its output."""
    ambient_c: float | None = None
    """What the thermometer showed; None where nobody wrote it down."""

    @property
    def run(self) -> str:
        """The run's id: what the row says, hashed."""
        at = self.measured_at
        said: list[object] = [
            self.serial,
            self.build,
            None if at is None else at.astimezone(UTC).isoformat(),
            [
                [r.range, r.reference, r.output, r.reference_zero, r.taken_off]
                for r in self.readings
            ],
        ]
        # A blank zero keeps the id that it always had; a zero read as 0 says more.
        if read := [r.range for r in self.readings if r.output_zero == 0]:
            said.append(read)
        if self.ambient_c is not None:
            said.append({"ambient_c": self.ambient_c})
        return "import-" + hashlib.sha256(json.dumps(said).encode()).hexdigest()[:32]

    @property
    def run_as_blank(self) -> str | None:
        """The id as it was when a zero read as 0 was like a blank; None without one."""
        if all(one.output_zero != 0 for one in self.readings):
            return None
        blank = tuple(
            replace(one, output_zero=None) if one.output_zero == 0 else one
            for one in self.readings
        )
        return replace(self, readings=blank).run


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejected:
    """A row that was left out, why, and the cell that is to blame where one is."""

    line: int
    reason: str
    cell: str | None = None
    sheet: str = ""

    @property
    def where(self) -> str:
        """Where it is, as a spreadsheet shows it."""
        place = f"row {self.line}" if self.cell is None else f"cell {self.cell}"
        return f"sheet {self.sheet!r}, {place}" if self.sheet else place


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Headings and what stands below them."""

    grid: Grid
    columns: tuple[Column, ...]
    rows: tuple[int, ...]
    """Of the units, counted from 0."""
    unused: tuple[str, ...] = ()
    """Headings that mean nothing to us."""
    titles: tuple[tuple[int, str, str], ...] = ()
    """Rows above its units that name a build: place, what is written, the build."""

    def build_above(self, place: int) -> str | None:
        """Return the build that the nearest title above a row names."""
        named = [build for at, _, build in self.titles if at < place]
        return named[-1] if named else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Understood:
    """What a file says: rows that can be judged, rows that cannot, and how it was read.

    `remarks` tells what was passed over.
    """

    rows: tuple[Row, ...]
    rejected: tuple[Rejected, ...]
    blocks: tuple[Block, ...]
    remarks: tuple[str, ...]
    sign: Sign


def understood(
    path: Path,
    product: ProductModel,
    *,
    mapping: SheetMapping | None = None,
    default_build: str | None = None,
    only_build: str | None = None,
) -> Understood:
    """Read a file: find its headings, and its units below them.

    Parameters
    ----------
    default_build
        Of rows that name none.
    only_build
        The only one that is open: of rows that name none, where nobody said anything
        else and the file names no other.

    Raises
    ------
    SheetError
        It cannot be read, or no headings of a sheet of units are in it.
    """
    grids = read_grids(path)
    if mapping is not None:
        _check_names(path, mapping, product)
        if mapping.sheet is not None:
            grids = [one for one in grids if one.name in {mapping.sheet, ""}]
            if not grids:
                message = f"{path.name}: there is no sheet {mapping.sheet!r}"
                raise SheetError(message)
    remarks: list[str] = []
    grids = [by_unit(one, product.settings, remarks) for one in grids]
    try:
        blocks = [
            block
            for grid in grids
            for block in _blocks(grid, product, mapping, remarks)
        ]
    except TwiceError as exc:
        message = f"{path.name}: {exc}"
        raise SheetError(message) from exc
    remarks += _not_found(blocks, product)
    if not blocks:
        raise SheetError(_why_none(path, grids, product, mapping))
    several = len({one.grid.name for one in blocks}) > 1
    by_title = default_build is None and (mapping is None or not mapping.build_is)
    remarks += _no_zero(blocks, product)
    remarks += _titles(blocks, counted=by_title)
    sign = sign_of(
        block.grid.cell(row, column.place)
        for block in blocks
        for row in block.rows
        for column in block.columns
        if column.is_reading
    )
    rows: list[Row] = []
    rejected: list[Rejected] = []
    supposed = _Supposed(_builds_named(blocks, by_title=by_title), only_build)
    for block in blocks:
        build = (None if mapping is None else mapping.build_is) or (
            None if any(one.means == "build" for one in block.columns) else
            block.grid.name if several and not default_build else default_build
        )  # fmt: skip
        reader = _Reader(
            block=block,
            product=product,
            sign=sign,
            sheet=block.grid.name if several else "",
            build_is=build if mapping is not None and mapping.build_is else None,
            build_else=build or default_build,
            by_title=by_title,
            supposed=supposed,
        )
        for row in block.rows:
            try:
                rows.append(reader.row(row))
            except _RowError as exc:
                rejected.append(
                    Rejected(
                        line=row + 1,
                        reason=str(exc),
                        cell=exc.cell,
                        sheet=reader.sheet,
                    )
                )
    if not rows and not rejected:
        message = f"{path.name} has no unit below its headings"
        raise SheetError(message)
    once, twice = _each_unit_once(rows)
    rejected += twice
    remarks += _several_times(once)
    remarks += supposed.told()
    return Understood(
        rows=tuple(once),
        rejected=tuple(sorted(rejected, key=lambda one: (one.sheet, one.line))),
        blocks=tuple(blocks),
        remarks=tuple(remarks),
        sign=sign,
    )


def _titles(blocks: Sequence[Block], *, counted: bool) -> Iterator[str]:
    """Say which rows name the build of the units below them, or are passed over."""
    told = {
        (block.grid.name, *title): any(one.means == "build" for one in block.columns)
        for block in blocks
        for title in block.titles
    }
    for (sheet, place, text, build), has_column in told.items():
        where = f"Sheet {sheet!r}, row" if sheet else "Row"
        what = (
            f"says {text!r}: the units below it are of build {build}."
            if counted and not has_column
            else f"says only {text!r} and was passed over."
        )
        yield f"{where} {place + 1} {what}"


def _not_found(blocks: Sequence[Block], product: ProductModel) -> Iterator[str]:
    """Say which columns are not used, and which ranges have none."""
    unused = list(dict.fromkeys(one for block in blocks for one in block.unused))
    if unused:
        names = ", ".join(repr(one) for one in unused)
        yield f"These columns are not used: {names}."
    read = {key for block in blocks for key in pairs(block.columns, product.settings)}
    missing = [one for one in product.ranges if one.key not in read]
    if blocks and missing:
        titles = " and ".join(one.title for one in missing)
        how = ""
        if unused:
            example = how_to_say(unused[0], f"{missing[0].key} out")
            how = f" They may be among those that are not used. {example}"
        yield f"No columns were found for range {titles}.{how}"


def _no_zero(blocks: Sequence[Block], product: ProductModel) -> Iterator[str]:
    """Say which limits count an offset that the sheet has no readings of."""
    there = {one.means for block in blocks for one in block.columns}
    without = [
        one
        for one in product.ranges
        if f"{one.key} out" in there
        and f"{one.key} out zero" not in there
        and one.settings.limit.offset == "inside"
        and one.settings.limit.of_full_scale_ppm
    ]
    if without:
        *some, last = [one.title for one in without]
        which = f"Ranges {', '.join(some)} and {last}" if some else f"Range {last}"
        yield (
            f"{which}: the sheet has no zero, though the error limit counts the "
            "offset. Nothing is taken off, and zero is not judged. To have it judged, "
            "read the output with nothing going in too, and add a column such as "
            f"'{without[0].title} out zero'."
        )


def _check_names(path: Path, mapping: SheetMapping, product: ProductModel) -> None:
    """Refuse a mapping that names ranges or parts which the product has not."""
    known = {"serial", "build", "measured at", "temperature"}
    known |= {
        f"{key} {way}"
        for key in product.keys
        for way in ("in", "out", "in zero", "out zero")
    }
    known |= {f"reel of {part}" for part in product.settings.parts}
    for _, means, _ in mapping.named():
        if means not in known:
            message = (
                f"{path.name}: the mapping says {means!r}; the product has the ranges "
                f"{', '.join(product.keys)} and the parts "
                f"{', '.join(product.settings.parts)}"
            )
            raise SheetError(message)


def _blocks(
    grid: Grid,
    product: ProductModel,
    mapping: SheetMapping | None,
    remarks: list[str],
) -> Iterator[Block]:
    """Yield each place of a sheet with headings and units below them."""
    place = 0
    columns: tuple[Column, ...] | None = None
    unused: tuple[str, ...] = ()
    rows: list[int] = []
    titles: list[tuple[int, str, str]] = []
    where = f"Sheet {grid.name!r}, row" if grid.name else "Row"

    def block(columns: tuple[Column, ...]) -> Block:
        passed: set[int] = set()
        for other in _other_tables(grid, rows, columns):
            passed.update(other)
            remarks.append(
                f"{where}s {other[0] + 1} to {other[-1] + 1} look like another table "
                "and were passed over."
                if len(other) > 1
                else f"{where} {other[0] + 1} looks like the headings of another table "
                "and was passed over."
            )
        return Block(
            grid=grid,
            columns=columns,
            rows=tuple(at for at in rows if at not in passed),
            unused=unused,
            titles=tuple(titles),
        )

    while place < len(grid.rows):
        if columns is None and place > HEADINGS_WITHIN:
            return
        written = [cell for cell in grid.rows[place] if cell]
        if len(written) == 1 and (build := build_in(written[0])):
            titles.append((place, written[0], build))
            place += 1
            continue
        found = _headings(grid, place, product, mapping)
        if found is not None:
            if columns is not None:
                yield block(columns)
            columns, below, unused = found
            rows, place = [], below
            if place < len(grid.rows) and (units := _units(grid, place, columns)):
                columns, place = units, place + 1
            continue
        if columns is not None and written:
            serial = next(
                grid.cell(place, one.place) for one in columns if one.means == "serial"
            )
            if len(written) == 1:
                remarks.append(
                    f"{where} {place + 1} says only {written[0]!r} and was passed over."
                )
            elif is_statistic(serial):
                remarks.append(
                    f"{where} {place + 1} ({serial!r}) is no unit and was passed over."
                )
            else:
                rows.append(place)
        place += 1
    if columns is not None:
        yield block(columns)


def _other_tables(
    grid: Grid, rows: Sequence[int], columns: Sequence[Column]
) -> Iterator[tuple[int, ...]]:
    """Yield the rows of each other table below the units, which has readings of none.

    It begins with a row of words after a blank row, and goes on to the next blank row.
    A row with a reading in and out, or with a serial like those above it, is a unit's.
    """
    (serials,) = (one.place for one in columns if one.means == "serial")
    shapes: set[str] = set()
    other: list[int] = []
    last = rows[0] - 1 if rows else 0
    for place in rows:
        serial = _shape(grid.cell(place, serials))
        is_units = (serial and serial in shapes) or _has_pair(grid, place, columns)
        since = [at for at in range(last + 1, place) if not any(grid.rows[at])]
        # The word that heads it may be one of statistics, and passed over as such.
        begins = bool(since) and any(
            _in_words(grid.rows[at]) for at in range(since[0] + 1, place + 1)
        )
        last = place
        if since and other:
            yield tuple(other)
            other = []
        if is_units:
            shapes.add(serial)
        elif other or (shapes and begins):
            other.append(place)
    if other:
        yield tuple(other)


def _shape(serial: str) -> str:
    """Return what serials of one kind have in common.

    >>> _shape("PA-1001") == _shape("PA-7"), _shape("PA-1001") == _shape("1 V")
    (True, False)
    """
    return re.sub(r"[0-9]+", "0", serial)


def _has_pair(grid: Grid, place: int, columns: Sequence[Column]) -> bool:
    """Whether a row has a number in and a number out of any range."""
    numbers = {
        one.means for one in columns if _NUMBER.match(grid.cell(place, one.place))
    }
    return any(
        means.endswith(" in") and f"{means.removesuffix(' in')} out" in numbers
        for means in numbers
    )


def _in_words(row: Sequence[str]) -> bool:
    """Whether a row has several cells, and none of them is a bare number."""
    written = [cell for cell in row if cell]
    return len(written) > 1 and not any(map(_BARE_NUMBER.fullmatch, written))


def _headings(
    grid: Grid, place: int, product: ProductModel, mapping: SheetMapping | None
) -> tuple[tuple[Column, ...], int, tuple[str, ...]] | None:
    """Return the columns where a row, or two rows, are headings.

    And the row below them, and the headings that mean nothing.
    """
    one = grid.rows[place]
    if not any(one):
        return None
    two: list[str] = []
    if place + 1 < len(grid.rows):
        below = grid.rows[place + 1]
        above = ""
        for column in range(max(len(one), len(below))):
            above = grid.cell(place, column) or above
            under = grid.cell(place + 1, column)
            two.append(above if under in {"", above} else f"{above} {under}")
    for headings, rows in ((one, 1), (two, 2)):
        try:
            columns = columns_of(headings, product.settings, mapping)
        except LookupError:
            continue
        means = {each.means for each in columns}
        if "serial" in means and pairs(columns, product.settings):
            used = {each.place for each in columns}
            unused = tuple(
                each for at, each in enumerate(headings) if each and at not in used
            )
            return tuple(columns), place + rows, unused
    return None


def _units(
    grid: Grid, place: int, columns: Sequence[Column]
) -> tuple[Column, ...] | None:
    """Return the columns with the units of a row that has nothing but units."""
    written = [cell for cell in grid.rows[place] if cell]
    if not written or not all(map(unit_in, written)):
        return None
    return tuple(
        replace(one, unit=unit_in(grid.cell(place, one.place)) or one.unit)
        for one in columns
    )


def _why_none(
    path: Path,
    grids: Sequence[Grid],
    product: ProductModel,
    mapping: SheetMapping | None,
) -> str:
    """Return the sentence that refuses a file without headings that we understand."""
    rows = [row for grid in grids for row in grid.rows[:HEADINGS_WITHIN] if any(row)]
    if mapping is not None:
        widest = max(rows, key=lambda row: sum(map(bool, row)))
        for heading, _, _ in mapping.named():
            if not any(heading in row for row in rows):
                there = ", ".join(one for one in widest if one)
                return f"{path.name}: no column {heading!r}; there are {there}"
    return f"{path.name}: {why_not(rows, product.settings)}."


def _builds_named(blocks: Sequence[Block], *, by_title: bool) -> set[str]:
    """Return the builds that a file names, in a column or in a line above its units."""
    named = {
        text
        for block in blocks
        for column in block.columns
        if column.means == "build"
        for row in block.rows
        if (text := block.grid.cell(row, column.place))
    }
    if by_title:
        named |= {build for block in blocks for _, _, build in block.titles}
    return named


class _Supposed:
    """The build of rows that name none, where it can be only one."""

    def __init__(self, named: set[str], only: str | None) -> None:
        self._why = "the only one that the file names" if named else "the only open one"
        self._build = next(iter(named)) if len(named) == 1 else None
        if not named:
            self._build = only
        self._count = 0

    def build(self) -> str | None:
        """Return the build of a row that names none; None where nobody knows."""
        self._count += self._build is not None
        return self._build

    def told(self) -> Iterator[str]:
        """Say which build was taken, and why."""
        if self._count:
            rows = "1 row names" if self._count == 1 else f"{self._count} rows name"
            yield (
                f"{rows} no build: build {self._build} is taken, {self._why}. Another "
                "one is said with --build."
            )


class _RowError(Exception):
    """Why a row is left out, and the cell that is to blame."""

    def __init__(self, reason: str, cell: str | None = None) -> None:
        self.cell = cell
        super().__init__(reason)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reader:
    """Reads the units of one block."""

    block: Block
    product: ProductModel
    sign: Sign
    sheet: str
    build_is: str | None
    build_else: str | None
    by_title: bool
    supposed: "_Supposed"

    def row(self, at: int) -> Row:
        """Return a unit.

        Raises
        ------
        _RowError
            It cannot be judged.
        """
        serial = self._text(at, "serial")
        if not serial:
            message = f"{self._heading('serial')}: blank; a unit needs its serial"
            raise _RowError(message, self._cell(at, "serial"))
        title = self.block.build_above(at) if self.by_title else None
        build = self.build_is or self._text(at, "build") or title or self.build_else
        build = build or self.supposed.build()
        if not build:
            message = (
                "the build is not said; add a column 'build', or say it with --build, "
                "such as --build B-1"
            )
            if self.block.unused:
                message += f". {how_to_say(self.block.unused[0], 'build')}"
            raise _RowError(message, self._cell(at, "build"))
        for what, name in (("serial", serial), ("build", build)):
            try:
                require_id(what, name)
            except RefusedValueError as exc:
                raise _RowError(str(exc), self._cell(at, what)) from exc
        readings, cells = [], {}
        for key in self.product.keys:
            if (reading := self._reading(at, key)) is None:
                continue
            cell = self._cell(at, f"{key} out")
            try:
                require_plausible(reading, self.product)
            except TypedError as exc:
                raise self._beyond(at, reading) or _RowError(str(exc), cell) from exc
            readings.append(reading)
            cells[key] = cell or ""
        if not readings:
            message = "no range has a reading"
            raise _RowError(message)
        return Row(
            line=at + 1,
            serial=serial,
            build=build,
            measured_at=self._moment(at),
            readings=tuple(readings),
            reels=tuple(
                (one.means.removeprefix("reel of "), reel)
                for one in self.block.columns
                if one.means.startswith("reel of ") and (reel := self._at(at, one))
            ),
            sheet=self.sheet,
            cells=cells,
            ambient_c=self._ambient_c(at),
        )

    def _ambient_c(self, at: int) -> float | None:
        """Return the temperature at which a unit was measured; None for a blank."""
        if not (text := self._text(at, "temperature")):
            return None
        try:
            return celsius(text, self.sign)
        except CellError as exc:
            message = f"{self._heading('temperature')}: {exc}"
            raise _RowError(message, self._cell(at, "temperature")) from exc

    def _reading(self, at: int, key: str) -> TypedReading | None:
        """Return one range of a unit; None where it was not measured."""
        into, out, zero = f"{key} in", f"{key} out", f"{key} out zero"
        goes_in = {into, f"{into} zero"}
        if not (self._text(at, into) or self._text(at, out)):
            return None
        values = {}
        for means in (into, out, f"{into} zero", zero):
            text = self._text(at, means)
            if not text:
                if means in (into, out):
                    message = (
                        f"{self._heading(means)}: is empty, though the other reading "
                        "of this range is there"
                    )
                    raise _RowError(message, self._cell(at, means))
                values[means] = 0.0
                continue
            settings = self.product.settings
            usual = settings.input_unit if means in goes_in else settings.output_unit
            column = self._column(means)
            unit = (None if column is None else column.unit) or usual
            try:
                values[means] = quantity(text, unit, self.sign)
            except CellError as exc:
                message = f"{self._heading(means)}: {exc}"
                raise _RowError(message, self._cell(at, means)) from exc
        return TypedReading(
            range=key,
            reference=values[into],
            output=values[out],
            reference_zero=values[f"{into} zero"],
            output_zero=values[zero] if self._text(at, zero) else None,
        )

    def _beyond(self, at: int, reading: TypedReading) -> "_RowError | None":
        """Say which of two readings that do not belong together is off its range."""
        try:
            require_on_range(
                "reference", reading.reference, self.product, reading.range
            )
        except TypedError as exc:
            return _RowError(str(exc), self._cell(at, f"{reading.range} in"))
        return None

    def _moment(self, at: int) -> datetime | None:
        text = self._text(at, "measured at")
        if not text:
            return None
        try:
            return moment(text)
        except (CellError, OverflowError, OSError) as exc:
            message = f"{self._heading('measured at')}: {exc}"
            raise _RowError(message, self._cell(at, "measured at")) from exc

    def _column(self, means: str) -> Column | None:
        return next((one for one in self.block.columns if one.means == means), None)

    def _heading(self, means: str) -> str:
        column = self._column(means)
        return means if column is None else column.heading

    def _at(self, row: int, column: Column) -> str:
        text = self.block.grid.cell(row, column.place)
        return text or self.block.grid.spread.get((row, column.place), "")

    def _text(self, row: int, means: str) -> str:
        column = self._column(means)
        if column is None:
            return ""
        if means in {"build", "measured at", "temperature"}:
            return self._at(row, column)
        return self.block.grid.cell(row, column.place)

    def _cell(self, row: int, means: str) -> str | None:
        column = self._column(means)
        return None if column is None else self.block.grid.where(row, column.place)


def _several_times(rows: Sequence[Row]) -> Iterator[str]:
    """Say which units were read at several times: a slip of serials looks the same."""
    by_serial: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        by_serial[row.serial].append(row)
    twice, alike = [], []
    for serial, same in by_serial.items():
        where = f"{serial} (rows {' and '.join(str(one.line) for one in same)}"
        timed = {one.measured_at: one for one in same if one.measured_at is not None}
        if len({one.run for one in same}) > 1:
            counts = f"; row {timed[max(timed)].line} counts" if timed else ""
            twice.append(f"{where}{counts})")
        elif len(same) > 1:
            alike.append(f"{where})")
    if twice:
        yield (
            f"More than one row, each of another time: unit {_first_of(twice)}. The "
            "latest row counts, the others are kept as earlier readings. If a serial "
            "is wrong, correct it and import the sheet again."
        )
    if alike:
        yield f"The same row more than once: unit {_first_of(alike)}. It counts once."


def _first_of(units: Sequence[str]) -> str:
    """Name the first units, and how many more there are."""
    more = f" and {len(units) - MOST_TWICE} more" if len(units) > MOST_TWICE else ""
    return f"{', '.join(units[:MOST_TWICE])}{more}"


def _each_unit_once(rows: Sequence[Row]) -> tuple[list[Row], list[Rejected]]:
    """Return rows of which each unit is told once, and those that contradict.

    A unit may be there twice where each row has its own time: it was read twice.
    """
    by_serial: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        by_serial[row.serial].append(row)
    good, rejected = [], []
    for row in rows:
        others = [
            one
            for one in by_serial[row.serial]
            if one.run != row.run
            and (row.measured_at is None or one.measured_at in {None, row.measured_at})
        ]
        if not others:
            good.append(row)
            continue
        where = " and ".join(f"row {one.line}" for one in others)
        rejected.append(
            Rejected(
                line=row.line,
                sheet=row.sheet,
                reason=f"serial {row.serial} is also in {where}, with other readings. "
                "Is one of the serials wrong? Where the unit was read twice, say when "
                "in a column 'measured at'",
            )
        )
    return good, rejected
