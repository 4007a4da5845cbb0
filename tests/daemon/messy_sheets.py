"""Sheets as people have them: our photodiode amplifier, four units, made by hand.

Each says what must be understood of it, or the one sentence that refuses it. They were
made before the importer could read them, and stand for what a small maker sends.
"""

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from openpyxl import Workbook
from openpyxl.worksheet.worksheet import Worksheet

SERIALS = ("PA-101", "PA-102", "PA-103", "PA-104")
RANGES = ("1uA", "10uA", "100uA", "1mA")
TITLES = ("1 uA", "10 uA", "100 uA", "1 mA")
MICRO_TITLES = ("1 µA", "10 µA", "100 µA", "1 mA")
FULL_SCALE_A = {"1uA": 1e-6, "10uA": 1e-5, "100uA": 1e-4, "1mA": 1e-3}

Cells = Sequence[Sequence[object]]


def volts(unit: int, place: int) -> float:
    """Return what a unit's range put out, V, as its maker read it."""
    return round(0.9 + 0.0002 * unit + 0.0001 * place, 4)


def truth(unit: int) -> dict[str, tuple[float, float]]:
    """Return what went in (A) and came out (V) of a unit, by range."""
    return {
        key: (0.9 * FULL_SCALE_A[key], volts(unit, place))
        for place, key in enumerate(RANGES)
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class Messy:
    """A sheet and what must become of it."""

    write: Callable[[Path], Path]
    """Writes it into a folder."""
    refused: str | None = None
    """What the one sentence says, where it cannot be imported at all."""
    rejected: Mapping[str, str] = field(default_factory=dict)
    """By cell or row, what the reason says."""
    left_out: tuple[str, ...] = ()
    """Serials that are not understood."""
    builds: Mapping[str, str] = field(default_factory=dict)
    """By serial, the build; B-7 where nothing is said."""
    ranges: tuple[str, ...] = RANGES
    measured_at: datetime | None = None
    """Of the first unit."""
    remark: str | None = None
    """What is said beside."""
    mapping: str | None = None


MESSY: dict[str, Messy] = {}


def _is(name: str, **said: object) -> Callable[[Callable[[Path], Path]], None]:
    def keep(write: Callable[[Path], Path]) -> None:
        MESSY[name] = Messy(write=write, **said)  # type: ignore[arg-type]

    return keep


def _plain(
    *,
    comma: bool = False,
    out: Callable[[float], object] = lambda value: f"{value:.4f}",
    into: Sequence[object] = ("900 nA", "9 uA", "90 uA", "900 uA"),
    titles: Sequence[str] = RANGES,
) -> list[list[object]]:
    """Return the rows of an ordinary sheet under our own headings."""
    head: list[object] = ["serial", "build"]
    for title in titles:
        head += [f"{title} in", f"{title} out"]
    rows = [head]
    for unit, serial in enumerate(SERIALS):
        row: list[object] = [serial, "B-7"]
        for place in range(len(RANGES)):
            row += [into[place], out(volts(unit, place))]
        rows.append(row)
    if comma:
        return [[str(cell).replace(".", ",") for cell in row] for row in rows]
    return rows


def _text(rows: Cells, separator: str = ",") -> str:
    file = io.StringIO()
    csv.writer(file, delimiter=separator).writerows(rows)
    return file.getvalue()


def _bytes(folder: Path, data: bytes, name: str = "sheet.csv") -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def _csv(folder: Path, rows: Cells, separator: str = ",", code: str = "utf-8") -> Path:
    return _bytes(folder, _text(rows, separator).encode(code))


def _fill(sheet: Worksheet, rows: Cells) -> None:
    for row in rows:
        sheet.append(list(row))


def _excel(folder: Path, **sheets: Cells) -> Path:
    book = Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        _fill(book.create_sheet(name.replace("_", "-")), rows)
    path = folder / "sheet.xlsx"
    book.save(path)
    return path


@_is("01 decimal comma, semicolons, the old western code page")
def _01(folder: Path) -> Path:
    rows = _plain(comma=True, titles=MICRO_TITLES)
    return _csv(folder, rows, ";", "cp1252")


@_is("02 tabs, two bytes a letter, as a table program exports text")
def _02(folder: Path) -> Path:
    return _csv(folder, _plain(titles=MICRO_TITLES), "\t", "utf-16")


@_is("03 a title, a date and a blank row above the headings")
def _03(folder: Path) -> Path:
    above: list[list[object]] = [["Moreno Lab, final test"], ["March 2026"], [""], [""]]
    return _csv(folder, above + _plain())


@_is("04 merged headings: the range over two columns, in and out below it")
def _04(folder: Path) -> Path:
    plain = _plain()
    book = Workbook()
    sheet = book.active
    sheet.append(["Final test of build B-7"])
    sheet.append(["serial", "build", *[one for t in TITLES for one in (t, None)]])
    sheet.append([None, None, *["in", "out"] * 4])
    _fill(sheet, plain[1:])
    sheet.merge_cells("A1:J1")
    for first, last in (("C2", "D2"), ("E2", "F2"), ("G2", "H2"), ("I2", "J2")):
        sheet.merge_cells(f"{first}:{last}")
    path = folder / "sheet.xlsx"
    book.save(path)
    return path


@_is("05 units in the headings, bare numbers below")
def _05(folder: Path) -> Path:
    head = ["Serial", "Build"]
    for title, unit in zip(TITLES, ("nA", "uA", "uA", "uA"), strict=True):
        head += [f"{title} in [{unit}]", f"{title} out (mV)"]
    rows = _plain(out=lambda v: f"{1000 * v:.1f}", into=("900", "9.0", "90", "900"))
    return _csv(folder, [head, *rows[1:]])


@_is("06 a row of units below the headings")
def _06(folder: Path) -> Path:
    rows = _plain(out=lambda v: f"{1000 * v:.1f}", into=("900", "9.0", "90", "900"))
    units = ["", "", "nA", "mV", "uA", "mV", "uA", "mV", "uA", "mV"]
    return _csv(folder, [rows[0], units, *rows[1:]])


@_is("07 day, month, year with points", measured_at=datetime(2026, 3, 2, 9, 15))  # noqa: DTZ001
def _07(folder: Path) -> Path:
    rows = _plain(comma=True)
    rows[0].append("measured at")
    for row in rows[1:]:
        row.append("02.03.2026 09:15")
    return _csv(folder, rows, ";")


@_is("08 true dates and numbers", measured_at=datetime(2026, 3, 2, 9, 15))  # noqa: DTZ001
def _08(folder: Path) -> Path:
    rows = _plain(out=lambda v: v, into=(9e-7, 9e-6, 9e-5, 9e-4))
    rows[0].append("Date")
    for row in rows[1:]:
        row.append(datetime(2026, 3, 2, 9, 15))  # noqa: DTZ001 -- as a sheet has it
    return _excel(folder, Sheet1=rows)


@_is("09 points between thousands and a decimal comma")
def _09(folder: Path) -> Path:
    rows = _plain(
        comma=False,
        out=lambda v: f"{int(1e6 * v):,} uV".replace(",", "."),
        into=("900,0 nA", "9.000,0 nA", "90.000,0 nA", "900.000,0 nA"),
    )
    for row in rows[1:]:
        row[3] = f"{1000 * float(str(row[3])[:-3].replace('.', '')) / 1e6:.1f} mV"
        row[3] = str(row[3]).replace(".", ",")
    return _csv(folder, rows, ";")


@_is("10 odd blanks and apostrophes in numbers")
def _10(folder: Path) -> Path:
    rows = _plain(out=lambda v: f" {1000 * v:.1f}\u00a0mV ")
    for row in rows[1:]:
        row[6] = "90'000 nA"
        row[8] = "900\u202f000 nA"
    return _csv(folder, rows)


@_is("11 two blocks on one sheet", builds={"PA-103": "B-8", "PA-104": "B-8"})
def _11(folder: Path) -> Path:
    rows = _plain()
    for row in rows[3:]:
        row[1] = "B-8"
    return _csv(folder, [*rows[:3], [], ["second day"], rows[0], *rows[3:]])


@_is("12 a sheet a build", builds={"PA-103": "B-8", "PA-104": "B-8"})
def _12(folder: Path) -> Path:
    rows = [[one for at, one in enumerate(row) if at != 1] for row in _plain()]
    return _excel(folder, B_7=rows[:3], B_8=[rows[0], *rows[3:]])


@_is("13 notes on the first sheet, the readings on the second")
def _13(folder: Path) -> Path:
    notes = [["Units of March"], ["Ada measured, Jon checked the serials"]]
    return _excel(folder, Notes=notes, Readings=_plain())


@_is("14 headings in German")
def _14(folder: Path) -> Path:
    rows = _plain(comma=True)
    head = ["Seriennummer", "Charge"]
    for title in MICRO_TITLES:
        head += [f"Eingang {title}", f"Ausgang {title}"]
    return _csv(folder, [head, *rows[1:]], ";", "cp1252")


@_is(
    "15 two columns of other names, named in a mapping that names no others",
    mapping='[columns]\n"Board" = "serial"\n"Pot 1" = "1uA out"\n',
)
def _15(folder: Path) -> Path:
    rows = _plain()
    rows[0][0], rows[0][3] = "Board", "Pot 1"
    return _csv(folder, rows)


@_is("16 no column of serials", refused="no column of serials")
def _16(folder: Path) -> Path:
    return _csv(folder, [row[1:] for row in _plain()])


@_is(
    "17 a comma that may part thousands or decimals",
    rejected={"C3": "1.8 or 1800", "C4": "1.8 or 1800"},
    left_out=("PA-102", "PA-103"),
)
def _17(folder: Path) -> Path:
    rows = _plain()
    rows[1] = [str(one).replace(".", ",") for one in rows[1]]
    rows[2][2] = rows[3][2] = "1,800 nA"
    return _csv(folder, rows, ";")


@_is(
    "18 in and out changed over in two rows",
    rejected={"row 3": "off by more than", "row 4": "off by more than"},
    left_out=("PA-102", "PA-103"),
)
def _18(folder: Path) -> Path:
    rows = _plain(into=("0.9", "9", "90", "900"), out=lambda v: f"{v:.4f}")
    head = ["serial", "build"]
    for title in TITLES:
        head += [f"{title} in (uA)", f"{title} out (V)"]
    for row in rows[2:4]:
        row[4], row[5] = row[5], row[4]
    return _csv(folder, [head, *rows[1:]])


@_is(
    "19 millivolts without a word in one cell",
    rejected={"D3": "1000 times"},
    left_out=("PA-102",),
)
def _19(folder: Path) -> Path:
    rows = _plain()
    rows[2][3] = "900.2"
    return _csv(folder, rows)


@_is(
    "20 one serial twice with other readings",
    rejected={"row 3": "also in row 4", "row 4": "also in row 3"},
    left_out=("PA-102", "PA-103"),
)
def _20(folder: Path) -> Path:
    rows = _plain()
    rows[3][0] = "PA-102"
    return _csv(folder, rows)


@_is("21 mean and spread below the units", remark="Row 7")
def _21(folder: Path) -> Path:
    rows = _plain()
    mean = ["Mean", "", *["", "0.9003"] * 4]
    spread = ["Std dev", "", *["", "0.0002"] * 4]
    return _csv(folder, [*rows, [], mean, spread])


@_is(
    "22 formulas that failed",
    rejected={"D3": "#DIV/0!", "F4": "#N/A"},
    left_out=("PA-102", "PA-103"),
)
def _22(folder: Path) -> Path:
    rows = _plain(out=lambda v: v, into=(9e-7, 9e-6, 9e-5, 9e-4))
    rows[2][3], rows[3][5] = "#DIV/0!", "#N/A"
    return _excel(folder, Sheet1=rows)


@_is("23 a meter over its range", rejected={"D3": "overload"}, left_out=("PA-102",))
def _23(folder: Path) -> Path:
    rows = _plain()
    rows[2][3] = "OL"
    return _csv(folder, rows)


@_is("24 blank rows, blank columns, line breaks in the headings")
def _24(folder: Path) -> Path:
    rows = _plain()
    rows[0] = [str(one).replace(" ", "\n") for one in rows[0]]
    return _csv(folder, [[], *[["", *row, "", ""] for row in [rows[0], [], *rows[1:]]]])


@_is("25 a row a reading")
def _25(folder: Path) -> Path:
    rows: list[list[object]] = [["serial", "build", "range", "in", "out"]]
    for unit, serial in enumerate(SERIALS):
        for place, key in enumerate(RANGES):
            into = ("900 nA", "9 uA", "90 uA", "900 uA")[place]
            rows.append([serial, "B-7", key, into, volts(unit, place)])
    return _csv(folder, rows)


@_is("26 errors in place of readings", refused="readings")
def _26(folder: Path) -> Path:
    head = ["serial", "build", *[f"{one} error %" for one in TITLES]]
    return _csv(folder, [head, *[[one, "B-7", *["0.02"] * 4] for one in SERIALS]])


@_is("27 the units beside each other", refused="one row for each unit")
def _27(folder: Path) -> Path:
    turned = [list(one) for one in zip(*_plain(), strict=True)]
    return _csv(folder, turned)


@_is("28 a workbook with a password", refused="password")
def _28(folder: Path) -> Path:
    return _bytes(
        folder, b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "sheet.xlsx"
    )


@_is("29 headings and no unit", refused="no unit below its headings")
def _29(folder: Path) -> Path:
    return _csv(folder, _plain()[:1])


@_is("30 a file of nothing", refused="is empty")
def _30(folder: Path) -> Path:
    return _bytes(folder, b"")


@_is(
    "31 half of the ranges only",
    ranges=("1uA", "10uA"),
    remark="No columns were found for range 100 µA and 1 mA",
)
def _31(folder: Path) -> Path:
    rows = [row[:6] for row in _plain()]
    return _csv(folder, rows)


@_is("32 the page of a browser under the name of a workbook", refused="no Excel file")
def _32(folder: Path) -> Path:
    return _bytes(folder, b"<html><table><tr><td>serial</td></tr></html>", "sheet.xlsx")


@_is("33 a reading that two columns claim", refused="both mean '1uA out'")
def _33(folder: Path) -> Path:
    rows = _plain()
    rows[0].append("1 uA output (V)")
    for row in rows[1:]:
        row.append("0.8")
    return _csv(folder, rows)


@_is("34 columns of other things", remark="not used: 'Remark', '1 uA spread'")
def _34(folder: Path) -> Path:
    rows = _plain()
    rows[0] += ["Remark", "1 uA spread"]
    for row in rows[1:]:
        row += ["by Ada", "0.001"]
    return _csv(folder, rows)


@_is(
    "35 the build above each block, in no column",
    builds={"PA-103": "8", "PA-104": "8", "PA-101": "7", "PA-102": "7"},
    remark="row 5 says 'Batch 8': the units below it are of build 8",
)
def _35(folder: Path) -> Path:
    rows = [[one for at, one in enumerate(row) if at != 1] for row in _plain()]
    titles: list[list[object]] = [["Batch 7 (March)"], ["Batch 8"]]
    first, second = [titles[0], *rows[:3]], [titles[1], rows[0], *rows[3:]]
    return _excel(folder, Units=[*first, *second])


@_is(
    "36 a unit twice, of two times",
    measured_at=datetime(2026, 3, 2),  # noqa: DTZ001
    remark="More than one row, each of another time: unit PA-104 (rows 5 and 6; row 6",
)
def _36(folder: Path) -> Path:
    rows = _plain()
    rows.append([*rows[-1]])
    for place, row in enumerate(rows):
        row.append(f"2026-03-{place + 1:02d}" if place else "measured at")
    return _csv(folder, rows)
