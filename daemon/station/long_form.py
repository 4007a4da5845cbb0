"""A sheet with one row for each reading, turned into one with a row for each unit.

Each row names its unit and its range. What went in and what came out stand in two
columns, or in one column of values beside one that says which of them it is.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from config import Product
from daemon.station.grids import Exact, Grid, letters
from daemon.station.headings import (
    IN,
    OUT,
    RANGE,
    ZERO,
    meaning,
    range_of,
    unit_in,
    unit_of,
    words,
)

__all__ = ["by_unit"]

_VALUE = {
    "value", "reading", "readings", "measured value", "wert", "messwert", "valeur",
    "valore", "valor", "waarde", "result",
}  # fmt: skip
_WHICH = {
    "what", "quantity", "direction", "type", "signal", "meter", "side", "kind",
    "was", "grösse", "größe", "richtung", "grandeur", "cosa", "que",
}  # fmt: skip
_UNITS = {"units", "einheit", "unité", "unite", "unità", "unidad", "eenheid"}
WITHIN = 40
"""Rows in which the headings are looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Long:
    """Where what stands in a sheet of readings, by column.

    `values` are the columns with readings: each with what it is ("in", "out", "in
    zero", "out zero"), or None where the column `which` says it.
    """

    headings: int
    serial: int
    range: int
    values: tuple[tuple[int, str | None, str | None], ...]
    which: int | None
    units: int | None
    others: tuple[int, ...]


def by_unit(grid: Grid, product: Product, remarks: list[str]) -> Grid:
    """Return a sheet with a row for each unit; one that has that already, as it is.

    Each unit stands in the row in which it is named first, the other rows are empty,
    so that rows keep their numbers; each cell knows where it came from.

    Parameters
    ----------
    remarks
        Takes a sentence for each row that was passed over.
    """
    found = next(
        (
            one
            for place in range(min(len(grid.rows), WITHIN))
            if (one := _headings(grid, place, product)) is not None
        ),
        None,
    )
    return grid if found is None else _turned(grid, found, product, remarks)


def _headings(grid: Grid, place: int, product: Product) -> _Long | None:
    cells = grid.rows[place]
    means = {at: meaning(text, product) for at, text in enumerate(cells) if text}
    plain = {at: " ".join(words(text)) for at, text in enumerate(cells) if text}
    serial = next((at for at, one in means.items() if one == "serial"), None)
    of_range = next((at for at, one in plain.items() if one in RANGE), None)
    if serial is None or of_range is None:
        return None
    values: list[tuple[int, str | None, str | None]] = []
    for at, text in plain.items():
        there = set(text.split())
        ways = [way for way, known in (("in", IN), ("out", OUT)) if there & known]
        if at in {serial, of_range} or means[at] is not None or len(ways) != 1:
            continue
        zero = " zero" if there & ZERO else ""
        values.append((at, f"{ways[0]}{zero}", unit_of(cells[at])))
    which = next((at for at, one in plain.items() if one in _WHICH), None)
    value = next((at for at, one in plain.items() if one in _VALUE), None)
    if not {"in", "out"} <= {way for _, way, _ in values}:
        if which is None or value is None:
            return None
        values = [(value, None, unit_of(cells[value]))]
    return _Long(
        headings=place,
        serial=serial,
        range=of_range,
        values=tuple(values),
        which=which,
        units=next((at for at, one in plain.items() if one in _UNITS), None),
        others=tuple(
            at for at, one in means.items()
            if one in {"build", "measured at", "temperature"}
            or (one or "").startswith("reel of ")
        ),
    )  # fmt: skip


def _turned(grid: Grid, long: _Long, product: Product, remarks: list[str]) -> Grid:
    head = ["serial", *(grid.rows[long.headings][at] for at in long.others)]
    first = len(head)
    columns: dict[str, int] = {}
    for known in product.ranges:
        for way in ("in", "out", "in zero", "out zero"):
            columns[f"{known} {way}"] = len(head)
            head.append(f"{known} {way}")
    rows: list[list[str]] = [[] for _ in grid.rows]
    rows[long.headings] = head
    origins: dict[tuple[int, int], str] = {}
    places: dict[tuple[str, ...], int] = {}
    where = f"Sheet {grid.name!r}, row" if grid.name else "Row"
    for place in range(long.headings + 1, len(grid.rows)):
        if not any(grid.rows[place]):
            continue
        serial = grid.cell(place, long.serial)
        name = grid.cell(place, long.range)
        key = range_of(name, product) if name else None
        read = list(_read(grid, place, long))
        if not serial or key is None or not read:
            why = (
                "names no unit"
                if not serial
                else f"says {name!r}, which is no range of the product"
                if key is None
                else "does not say whether it is in or out"
            )
            remarks.append(f"{where} {place + 1} {why}, and was passed over.")
            continue
        texts = [grid.cell(place, at) for at in long.others]
        unit = (serial, *texts)
        at_row = places.get(unit)
        taken = [columns[f"{key} {way}"] for way, _, _ in read]
        if at_row is None or any(rows[at_row][at] for at in taken):
            # Said again it is a further reading of the unit, in a row of its own.
            at_row = places[unit] = place
            rows[place] = [serial, *texts] + [""] * (len(head) - first)
            origins[place, 0] = _name(place, long.serial)
            for at, column in enumerate(long.others, 1):
                origins[place, at] = _name(place, column)
        for way, text, column in read:
            at = columns[f"{key} {way}"]
            rows[at_row][at] = text
            origins[at_row, at] = _name(place, column)
    used = [
        at for at, text in enumerate(head) if at < first or _written(rows, at, long)
    ]
    return replace(
        grid,
        rows=[[row[at] for at in used] if row else [] for row in rows],
        spread={},
        origins={
            (row, used.index(at)): cell
            for (row, at), cell in origins.items()
            if at in used
        },
    )


def _written(rows: Sequence[Sequence[str]], at: int, long: _Long) -> bool:
    """Whether anything stands in a column below its heading."""
    return any(row and row[at] for row in rows[long.headings + 1 :])


def _read(grid: Grid, place: int, long: _Long) -> Iterator[tuple[str, str, int]]:
    """Yield what a row reads: what it is, the text with its unit, and its column."""
    for column, way, of_heading in long.values:
        text = grid.cell(place, column)
        if not text:
            continue
        unit = unit_in(grid.cell(place, long.units)) if long.units is not None else None
        unit = unit or of_heading
        if unit is not None and _is_bare(text):
            text = f"{text} {unit}"
        said = way or (
            _which(grid.cell(place, long.which)) if long.which is not None else None
        )
        if said is not None:
            yield said, text, column


def _which(text: str) -> str | None:
    """Return what a cell says that a value is.

    >>> _which("Output"), _which("Ref. zero"), _which("mean")
    ('out', 'in zero', None)
    """
    there = set(words(text))
    ways = [way for way, known in (("in", IN), ("out", OUT)) if there & known]
    zero = " zero" if there & ZERO else ""
    return f"{ways[0]}{zero}" if len(ways) == 1 else None


def _is_bare(text: str) -> bool:
    """Whether a cell has a number and no unit."""
    return isinstance(text, Exact) or not any(one.isalpha() for one in text)


def _name(row: int, column: int) -> str:
    return f"{letters(column)}{row + 1}"
