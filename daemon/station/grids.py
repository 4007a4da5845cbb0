"""A file of a table program as it is: sheets of cells, each a text at its place.

Whatever is in the file, cells come out or one sentence that says why not: encodings
and separators are found out, merged cells are spread, and what is too large to be a
sheet of units is refused before it is read.
"""

import csv
import io
import re
import warnings
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from pathlib import Path
from typing import Any
from zipfile import BadZipFile, ZipFile

from config import HoldpointError

READERS = (".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".ods", ".parquet")
MOST_BYTES = 50_000_000
MOST_UNPACKED_BYTES = 500_000_000
"""Of a workbook, which is packed: a small file may hold far more than memory does."""
MOST_ROWS = 50_000
MOST_COLUMNS = 2_000
MOST_CELLS = 1_000_000
"""Of all sheets of a file: half a minute to read, some hundred MB while it is read."""
LONGEST_CELL = 2_000
SEPARATORS = ";\t,|"
_WRITTEN_OUT = 1e15
"""Whole numbers below it are written without an exponent, as serials are."""
_LOOKED_AT = 50
"""Rows that tell the separator."""
_PASSWORD = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
"""How a file begins that is encrypted, or of a table program of before 2007."""
_ROW = re.compile(
    rb"<table:table-row\b([^>]*)>(.*?)(?=<table:table-row\b|</table:table>|\Z)",
    re.DOTALL,
)
_CELL = re.compile(rb"<table:(?:covered-)?table-cell\b([^>]*)>")
_ROWS_AGAIN = re.compile(rb"number-rows-repeated=[\"']([0-9]{1,12})")
_COLUMNS_AGAIN = re.compile(rb"number-columns-repeated=[\"']([0-9]{1,12})")
_HAS_VALUE = b"office:value-type"
_WORKSHEET = re.compile(r"xl/worksheets/[^/]+\.xml", re.IGNORECASE)
_CELL_BEGINS = re.compile(rb"<(?:\w+:)?c[ />]")
_CHUNK = 1 << 20
_SHOWN_UNIT = re.compile(r'"?\s*([pnum\u00b5\u03bc]?[AV])"?\s*$')


class SheetError(HoldpointError):
    """A file that cannot be imported at all, in one sentence."""


class Exact(str):
    """A number as the file itself holds it: its decimal sign is the point."""

    __slots__ = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """One sheet: rows of cells, blank ones as empty texts."""

    name: str
    """Of the sheet; empty where the file has but one and no name for it."""
    rows: list[list[str]]
    spread: Mapping[tuple[int, int], str] = field(default_factory=dict)
    """What stands in cells that are merged with one above them."""
    origins: Mapping[tuple[int, int], str] = field(default_factory=dict)
    """Where cells came from that stood elsewhere in the file."""

    def cell(self, row: int, column: int) -> str:
        """Return a cell; outside of what is written, nothing."""
        line = self.rows[row] if row < len(self.rows) else []
        return line[column] if column < len(line) else ""

    def where(self, row: int, column: int) -> str:
        """Return what a table program calls a cell."""
        return self.origins.get((row, column), f"{letters(column)}{row + 1}")


def letters(column: int) -> str:
    """Return what a table program calls a column, counted from 0.

    >>> letters(0), letters(27)
    ('A', 'AB')
    """
    name = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        name = chr(ord("A") + rest) + name
    return name


def read_grids(path: Path) -> list[Grid]:
    """Return the sheets of a file.

    Raises
    ------
    SheetError
        It is of no known kind, too large, damaged, or cannot be opened.
    """
    kind = path.suffix.lower()
    if kind not in READERS:
        message = f"{path.name}: must end in {', '.join(READERS)}"
        raise SheetError(message)
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            message = (
                f"{path.name} has {size / 1e6:.0f} MB; a sheet may have "
                f"{MOST_BYTES / 1e6:.0f} MB. Delete what is no reading, or split it."
            )
            raise SheetError(message)
        if size == 0:
            message = f"{path.name} is empty"
            raise SheetError(message)
        if kind in {".xlsx", ".xlsm"}:
            grids = _workbook(path)
        elif kind == ".ods":
            grids = _open_document(path)
        elif kind == ".parquet":
            grids = [_parquet(path)]
        else:
            grids = [_text_file(path)]
    except OSError as exc:
        message = f"{path.name} cannot be opened: {exc.strerror or exc}"
        raise SheetError(message) from exc
    if not any(any(row) for grid in grids for row in grid.rows):
        message = f"{path.name} is empty"
        raise SheetError(message)
    return grids


def _text_file(path: Path) -> Grid:
    text = _decoded(path)
    separator = _separator(text)
    if text.count(separator) > MOST_CELLS:
        _refuse_cells(path.name)
    try:
        rows = [
            [_clean(cell) for cell in row]
            for row in csv.reader(io.StringIO(text), delimiter=separator)
        ]
    except csv.Error as exc:
        message = f"{path.name} cannot be read as a table: {exc}"
        raise SheetError(message) from exc
    return Grid(name="", rows=_within(rows, path.name))


def _decoded(path: Path) -> str:
    """Return a file's text: Unicode where it is that, else the western code page."""
    data = path.read_bytes()
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        codes: tuple[str, ...] = ("utf-16",)
    elif data[1:2] == b"\0" or data[:1] == b"\0":
        codes = ("utf-16-le",) if data[1:2] == b"\0" else ("utf-16-be",)
    else:
        codes = ("utf-8-sig", "cp1252")
    for code in codes:
        try:
            text = data.decode(code)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    message = (
        f"{path.name} is no text: save the sheet anew, as Excel workbook or as CSV "
        "UTF-8"
    )
    raise SheetError(message)


def _separator(text: str) -> str:
    r"""Return what parts the cells: what makes most rows of one same width.

    >>> _separator("a;b\n1,5;2,5\n"), _separator("serial\nPA-1\n")
    (';', ';')
    """
    lines = text.splitlines()[:_LOOKED_AT]
    first = lines[0] if lines else ""
    if first.lower().startswith("sep=") and first[4:5]:
        return first[4]
    best = (0, 0)
    chosen = SEPARATORS[0]
    for one in SEPARATORS:
        try:
            widths = [
                len(row)
                for row in csv.reader(io.StringIO("\n".join(lines)), delimiter=one)
                if any(row)
            ]
        except csv.Error:
            continue
        wide = [width for width in widths if width > 1]
        if not wide:
            continue
        usual = max(set(wide), key=lambda width: (wide.count(width), width))
        score = wide.count(usual), usual
        if score > best:
            best, chosen = score, one
    return chosen


def _workbook(path: Path) -> list[Grid]:
    with path.open("rb") as file:
        begins = file.read(8)
    if begins == _PASSWORD:
        message = (
            f"{path.name} has a password, or was saved by a very old program: save it "
            "without the password as .xlsx"
        )
        raise SheetError(message)
    damaged = f"{path.name} is no Excel file, or it is damaged: save it anew as .xlsx"
    _require_unpacked(path, damaged)
    _require_few_cells(path, damaged)
    from openpyxl import load_workbook  # noqa: PLC0415 -- slow to load

    try:
        with warnings.catch_warnings():
            # What it leaves out (drop-down lists, colours) holds no reading.
            warnings.simplefilter("ignore")
            book = load_workbook(path, data_only=True, keep_links=False)
            grids = [_sheet(one, path.name) for one in book.worksheets]
            book.close()
    except SheetError:
        raise
    except Exception as exc:  # a damaged file makes the library raise anything
        raise SheetError(damaged) from exc
    return grids


def _require_unpacked(path: Path, damaged: str) -> None:
    """Refuse a packed file that holds more than a sheet of units does."""
    try:
        with ZipFile(path) as packed:
            unpacked = sum(one.file_size for one in packed.infolist())
    except (BadZipFile, ValueError, NotImplementedError, EOFError) as exc:
        raise SheetError(damaged) from exc
    if unpacked > MOST_UNPACKED_BYTES:
        message = (
            f"{path.name} unpacks to {unpacked / 1e6:.0f} MB; a sheet may have "
            f"{MOST_UNPACKED_BYTES / 1e6:.0f} MB. Delete what is no reading."
        )
        raise SheetError(message)


def _require_few_cells(path: Path, damaged: str) -> None:
    """Refuse a workbook of more cells than a sheet of units has, before it is read.

    Cells that look alike pack so well that a small file may hold millions.
    """
    cells = 0
    try:
        with ZipFile(path) as packed:
            for one in packed.infolist():
                if not _WORKSHEET.fullmatch(one.filename):
                    continue
                with packed.open(one) as sheet:
                    cut = b""
                    while data := sheet.read(_CHUNK):
                        text, _, cut = (cut + data).rpartition(b"<")
                        cells += len(_CELL_BEGINS.findall(text))
                        cut = b"<" + cut
                        if cells > MOST_CELLS:
                            _refuse_cells(path.name)
    except (BadZipFile, ValueError, NotImplementedError, EOFError, zlib.error,
            RuntimeError) as exc:  # fmt: skip
        raise SheetError(damaged) from exc


def _refuse_cells(file: str) -> None:
    message = (
        f"{file} has more than {MOST_CELLS} cells, which no sheet of units has. Copy "
        "the units into a sheet of their own."
    )
    raise SheetError(message)


def _open_document(path: Path) -> list[Grid]:
    """Return the sheets of an OpenDocument file (ISO/IEC 26300)."""
    damaged = (
        f"{path.name} is no OpenDocument sheet, has a password, or is damaged: save it "
        "anew as .ods"
    )
    _require_unpacked(path, damaged)
    _require_few_repeats(path, damaged)
    from python_calamine import load_workbook  # noqa: PLC0415 -- few have such files

    try:
        with load_workbook(path) as book:
            grids = []
            for name in book.sheet_names:
                sheet = book.get_sheet_by_name(name)
                if sheet.height > MOST_ROWS or sheet.width > MOST_COLUMNS:
                    _refuse_size(path.name, sheet.height, sheet.width)
                if sheet.height * sheet.width > MOST_CELLS:
                    _refuse_cells(path.name)
                rows = [
                    [_cell(cell) for cell in row]
                    for row in sheet.to_python(skip_empty_area=False)
                ]
                grids.append(Grid(name=name, rows=_within(rows, path.name)))
    except SheetError:
        raise
    except Exception as exc:  # a damaged file makes the library raise anything
        raise SheetError(damaged) from exc
    return grids


def _require_few_repeats(path: Path, damaged: str) -> None:
    """Refuse rows or columns that are said to be there again and again.

    A few letters may stand for more cells than memory holds; empty ones at a sheet's
    end, which programs write, are left out by the reader.
    """
    try:
        with ZipFile(path) as packed:
            text = packed.read("content.xml")
    except (BadZipFile, KeyError, ValueError, NotImplementedError, EOFError, OSError,
            zlib.error, RuntimeError) as exc:  # fmt: skip
        raise SheetError(damaged) from exc
    for row in _ROW.finditer(text):
        if _HAS_VALUE not in row[2]:
            continue
        rows = _ROWS_AGAIN.search(row[1])
        many = [
            int(again[1])
            for cell in _CELL.finditer(row[2])
            if _HAS_VALUE in cell[1] and (again := _COLUMNS_AGAIN.search(cell[1]))
        ]
        height, width = 1 if rows is None else int(rows[1]), max(many, default=1)
        if height > MOST_ROWS or width > MOST_COLUMNS:
            _refuse_size(path.name, height, width)


def _sheet(sheet: Any, file: str) -> Grid:
    if sheet.max_row > MOST_ROWS or sheet.max_column > MOST_COLUMNS:
        # A colour set far below makes a sheet longer than what is written in it.
        _refuse_size(file, sheet.max_row, sheet.max_column)
    rows = [[_of_workbook(cell) for cell in row] for row in sheet.iter_rows()]
    spread: dict[tuple[int, int], str] = {}
    for area in sheet.merged_cells.ranges:
        text = rows[area.min_row - 1][area.min_col - 1]
        if not text or isinstance(text, Exact):
            continue
        for row in range(area.min_row - 1, min(area.max_row, len(rows))):
            for column in range(area.min_col - 1, min(area.max_col, len(rows[row]))):
                if row == area.min_row - 1:
                    rows[row][column] = text
                else:
                    spread[row, column] = text
    return Grid(name=str(sheet.title), rows=_within(rows, file), spread=spread)


def _of_workbook(cell: Any) -> str:
    value = cell.value
    if isinstance(value, bool) or not isinstance(value, int | float):
        return _cell(value)
    # A format such as 0.0" mV" shows a unit that the value does not carry.
    form = str(getattr(cell, "number_format", "") or "").partition(";")[0]
    shown = _SHOWN_UNIT.search(form) if form.rstrip().endswith('"') else None
    return f"{value!r} {shown[1]}" if shown else _cell(value)


def _parquet(path: Path) -> Grid:
    import pandas as pd  # noqa: PLC0415 -- slow to load
    import pyarrow as pa  # noqa: PLC0415

    try:
        frame = pd.read_parquet(path)
    except (ValueError, KeyError, OSError, pa.ArrowException) as exc:
        message = f"{path.name} is no Parquet file, or it is damaged"
        raise SheetError(message) from exc
    head = [str(name).strip() for name in frame.columns]
    if len(frame) > MOST_ROWS or len(head) > MOST_COLUMNS:
        _refuse_size(path.name, len(frame), len(head))
    if len(frame) * len(head) > MOST_CELLS:
        _refuse_cells(path.name)
    rows = [[_cell(one) for one in row] for row in frame.itertuples(index=False)]
    return Grid(name="", rows=[head, *rows])


def _cell(value: Any) -> str:
    """Return a value of a file as text; true numbers and times as they are."""
    if value is None or isinstance(value, str | bool):
        return _clean("" if value is None else str(value))
    if isinstance(value, datetime | date | time):
        return "" if value != value else value.isoformat()  # noqa: PLR0124 -- no time
    if isinstance(value, int | float):
        if value != value:  # noqa: PLR0124 -- no number
            return ""
        whole = isinstance(value, int) or value.is_integer()
        return Exact(int(value) if whole and abs(value) < _WRITTEN_OUT else repr(value))
    return "" if str(value) in {"nan", "NaT", "<NA>"} else _clean(str(value))


def _clean(text: str) -> str:
    """Return a cell's text without blanks at its ends and line breaks inside it."""
    return " ".join(text.replace("\ufeff", "").split())[:LONGEST_CELL]


def _within(rows: list[list[str]], file: str) -> list[list[str]]:
    """Return rows as far as anything is written, and not too many."""
    while rows and not any(rows[-1]):
        rows.pop()
    widest = max((len(row) for row in rows), default=0)
    if len(rows) > MOST_ROWS or widest > MOST_COLUMNS:
        _refuse_size(file, len(rows), widest)
    return rows


def _refuse_size(file: str, rows: int, columns: int) -> None:
    message = (
        f"{file} has {rows} rows and {columns} columns; a sheet may have {MOST_ROWS} "
        f"rows and {MOST_COLUMNS} columns. Copy the units into a sheet of their own."
    )
    raise SheetError(message)
