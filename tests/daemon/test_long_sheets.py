"""A sheet with a row for each reading, and OpenDocument sheets."""

from pathlib import Path
from zipfile import ZIP_DEFLATED, ZipFile

import pytest

from daemon.station.grids import SheetError
from daemon.station.sheet_rows import Understood, understood
from tests.daemon.making import demo_product

PRODUCT = demo_product()
READ = {"1uA": (0.9e-6, 0.9001), "10uA": (9e-6, 0.9002), "100uA": (90e-6, 0.8999),
        "1mA": (0.9e-3, 0.9)}  # fmt: skip
TITLES = {"1uA": "1 µA", "10uA": "10 uA", "100uA": "100uA", "1mA": "1 mA"}


def csv(tmp_path: Path, lines: list[str]) -> Path:
    path = tmp_path / "long.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def both_columns() -> list[str]:
    """Return a sheet with a row for each unit and range."""
    lines = ["Bench 2", "Serial;Range;Input [A];Output [V]"]
    for serial in ("PA-1", "PA-2"):
        for key, (into, out) in READ.items():
            lines.append(f"{serial};{TITLES[key]};{into!r};{out!r}")
    return lines


def one_column() -> list[str]:
    """Return a sheet with a row for each reading; it says which is what."""
    lines = ["serial;range;what;value;units"]
    for serial in ("PA-1", "PA-2"):
        for key, (into, out) in READ.items():
            lines.append(f"{serial};{TITLES[key]};in;{into * 1e6:.6g};uA")
            lines.append(f"{serial};{TITLES[key]};out;{out * 1e3:.6g};mV")
            lines.append(f"{serial};{TITLES[key]};out zero;0.1;mV")
    return lines


def read(path: Path) -> Understood:
    return understood(path, PRODUCT, default_build="B-1")


@pytest.mark.parametrize("lines", [both_columns(), one_column()], ids=["two", "one"])
def test_readings_below_one_another_are_units(tmp_path: Path, lines: list[str]) -> None:
    found = read(csv(tmp_path, lines))
    assert [one.serial for one in found.rows] == ["PA-1", "PA-2"]
    assert not found.rejected
    for row in found.rows:
        readings = {one.range: one for one in row.readings}
        for key, (into, out) in READ.items():
            assert readings[key].reference == pytest.approx(into, rel=1e-6)
            assert readings[key].output == pytest.approx(out, rel=1e-6)


def test_a_wrong_cell_is_named_where_it_stands_in_the_file(tmp_path: Path) -> None:
    lines = both_columns()
    lines[7] = lines[7].replace(";0.9002", ";nine")
    (wrong,) = read(csv(tmp_path, lines)).rejected
    assert wrong.cell == "D8"


def test_a_row_that_tells_nothing_is_said_and_the_others_are_read(
    tmp_path: Path,
) -> None:
    lines = [*both_columns(), "PA-1;7 mA;1;1", ";1 mA;1;1"]
    found = read(csv(tmp_path, lines))
    assert len(found.rows) == 2
    assert (
        "Row 11 says '7 mA', which is no range of the product, and was passed over."
        in found.remarks
    )
    assert "Row 12 names no unit, and was passed over." in found.remarks


def test_a_sheet_without_a_zero_is_told_what_that_costs_once(tmp_path: Path) -> None:
    """The demo's limits count the offset; a column of zeros has it judged."""
    plain = read(csv(tmp_path, ["serial,1uA in,1uA out", "PA-1,0.9u,0.9"])).remarks
    (said,) = [one for one in plain if "the sheet has no zero" in one]
    assert said.startswith("Range 1 µA: ")
    (_, heading) = said.rstrip("'.").split("such as '")
    lines = [f"serial,1uA in,1uA out,{heading}", "PA-1,0.9u,0.9,0"]
    found = read(csv(tmp_path, lines))
    assert not any("the sheet has no zero" in one for one in found.remarks)
    assert found.rows[0].readings[0].output_zero == 0.0


def test_values_without_a_word_of_what_they_are_are_refused_in_a_sentence(
    tmp_path: Path,
) -> None:
    lines = ["serial;range;value"] + [f"PA-1;{one};0.9" for one in TITLES.values()]
    with pytest.raises(SheetError, match="in"):
        read(csv(tmp_path, lines))


CONTENT = """<?xml version="1.0" encoding="UTF-8"?>
<office:document-content
 xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0"
 xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0"
 xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"
 office:version="1.2"><office:body><office:spreadsheet>
<table:table table:name="B-7">{rows}<table:table-row \
table:number-rows-repeated="1048000"><table:table-cell \
table:number-columns-repeated="16000"/></table:table-row></table:table>\
</office:spreadsheet></office:body></office:document-content>
"""


def ods(path: Path, rows: list[str]) -> Path:
    """Write an OpenDocument sheet (ISO/IEC 26300), empty to the end as programs do."""
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    with ZipFile(path, "w", ZIP_DEFLATED) as packed:
        packed.writestr("mimetype", kind)
        packed.writestr(
            "META-INF/manifest.xml",
            '<?xml version="1.0"?><manifest:manifest xmlns:manifest="urn:oasis:names:'
            'tc:opendocument:xmlns:manifest:1.0"><manifest:file-entry '
            f'manifest:full-path="/" manifest:media-type="{kind}"/>'
            "</manifest:manifest>",
        )
        packed.writestr("content.xml", CONTENT.format(rows="".join(rows)))
    return path


def row(cells: list[str | float], again: str = "") -> str:
    """Return a row of an OpenDocument sheet."""
    written = "".join(
        f'<table:table-cell office:value-type="string"><text:p>{one}</text:p>'
        "</table:table-cell>"
        if isinstance(one, str)
        else f'<table:table-cell office:value-type="float" office:value="{one!r}">'
        f"<text:p>{one}</text:p></table:table-cell>"
        for one in cells
    )
    return f"<table:table-row{again}>{written}</table:table-row>"


def wide() -> list[str]:
    """Return the rows of two units."""
    head: list[str | float] = ["serial"]
    for key in READ:
        head += [f"{key} in [A]", f"{key} out [V]"]
    units = [
        [serial, *(value for both in READ.values() for value in both)]
        for serial in ("PA-1", "PA-2")
    ]
    return [row(head), *(row(list(one)) for one in units)]


def test_an_open_document_sheet_is_read_like_any_other(tmp_path: Path) -> None:
    found = read(ods(tmp_path / "units.ods", wide()))
    assert [one.serial for one in found.rows] == ["PA-1", "PA-2"]
    (first, *_) = found.rows[0].readings
    assert (first.reference, first.output) == READ["1uA"]


@pytest.mark.parametrize(
    ("again", "cells"),
    [(' table:number-rows-repeated="1000000"', ["x"]), ("", ["x"])],
    ids=["rows", "columns"],
)
def test_a_few_letters_that_stand_for_millions_of_cells_are_refused(
    tmp_path: Path, again: str, cells: list[str | float]
) -> None:
    many = row(cells, again)
    if not again:
        many = many.replace(
            "<table:table-cell ",
            '<table:table-cell table:number-columns-repeated="900000" ',
        )
    with pytest.raises(SheetError, match="a sheet may have 50000 rows"):
        read(ods(tmp_path / "units.ods", [*wide(), many]))


@pytest.mark.parametrize("cut", [0, 200, 700])
def test_a_damaged_open_document_sheet_is_refused_in_a_sentence(
    tmp_path: Path, cut: int
) -> None:
    path = ods(tmp_path / "units.ods", wide())
    whole = path.read_bytes()
    path.write_bytes(whole[:cut] + b"\0" * 9 + whole[cut + 9 :] if cut else b"PK" * 40)
    with pytest.raises(SheetError, match=r"units\.ods"):
        read(path)
