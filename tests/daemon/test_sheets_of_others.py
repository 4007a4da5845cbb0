"""Sheets with more than units: other tables, builds in other words, one zero."""

import sys
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from types import ModuleType

import pytest

from config.errors import ConfigError
from config.mapping import load_mapping
from daemon.spc.machine_code import compiled_anew
from daemon.station.headings import meaning
from daemon.station.import_sheet import Understood, understood
from tests.daemon.making import demo_product

PRODUCT = demo_product()
SHEET = """serial,build,1uA in,1uA out,10uA in,10uA out,zero
PA-1,B-7,900n,0.9001,9u,0.9002,0.0001
PA-2,B-7,900n,0.9002,9u,0.9001,0.0002
"""


def read(folder: Path, text: str, mapping: str = "", build: str | None = None
) -> Understood:  # fmt: skip
    sheet, columns = folder / "sheet.csv", folder / "columns.toml"
    sheet.write_text(text, encoding="utf-8")
    columns.write_text(mapping, encoding="utf-8")
    told = load_mapping(columns) if mapping else None
    return understood(sheet, PRODUCT, mapping=told, default_build=build)


@pytest.mark.parametrize(("heading", "first"), [("Bereich", 6), ("Range", 7)])
def test_another_table_below_is_passed_over_in_one_sentence(
    tmp_path: Path, heading: str, first: int
) -> None:
    below = f""",,,,,,
Summary,,,,,,
{heading},Limit,Remark,,Mean,Remark,
1 uA,0.5 %,,,0.9001,,
10 uA,0.5 %,,,0.9002,,
"""
    sheet = read(tmp_path, SHEET + below)
    assert [row.serial for row in sheet.rows] == ["PA-1", "PA-2"]
    assert not sheet.rejected
    told = f"Rows {first} to 8 look like another table and were passed over."
    assert told in sheet.remarks


@pytest.mark.parametrize(
    "row",
    ["PA-3,B-7,900n,,,,", "odd,B-7,900n,0.9001,,,", ",B-7,900n,0.9001,9u,0.9,"],
    ids=[
        "serial like the others",
        "another serial, and readings",
        "readings alone",
    ],
)
def test_what_may_be_a_unit_is_never_passed_over(tmp_path: Path, row: str) -> None:
    below = f",,,,,,\nName,Said by,,,,,\nAda,nobody,,,,,\n{row}\n"
    sheet = read(tmp_path, SHEET + below)
    lines = {row.line for row in sheet.rows} | {one.line for one in sheet.rejected}
    assert lines == {2, 3, 7}
    assert "Rows 5 to 6 look like another table and were passed over." in sheet.remarks


def test_words_right_below_the_units_are_said_as_rows_that_are_bad(
    tmp_path: Path,
) -> None:
    sheet = read(tmp_path, SHEET + "Bereich,Limit,Remark,,,,\n")
    assert [one.line for one in sheet.rejected] == [4]


@pytest.mark.parametrize(
    "heading",
    ["Fertigungslos", "Los", "Charge", "Serie", "Lot de fabrication", "Lotto", "Lote"],
)
def test_a_build_is_found_by_its_word(heading: str) -> None:
    assert meaning(heading, PRODUCT.settings) == "build"


def test_a_build_that_is_not_said_may_be_a_column_that_is_not_used(
    tmp_path: Path,
) -> None:
    sheet = read(tmp_path, SHEET.replace("build", "Ordnung"))
    assert {one.reason.partition("columns = ")[2] for one in sheet.rejected} == {
        '{ "Ordnung" = "build" }. Then add to the command: --mapping columns.toml'
    }


def test_one_zero_is_that_of_each_range_that_names_it(tmp_path: Path) -> None:
    mapping = "\n".join(
        f'[ranges.{key}]\nreference = "{key} in"\noutput = "{key} out"\n'
        'output_zero = "zero"'
        for key in ("1uA", "10uA")
    )
    sheet = read(tmp_path, SHEET, mapping)
    assert [[one.output_zero for one in row.readings] for row in sheet.rows] == [
        [0.0001, 0.0001],
        [0.0002, 0.0002],
    ]
    twice = mapping.replace('"10uA out"', '"1uA out"')
    with pytest.raises(ConfigError, match="'1uA out' cannot be '1uA out' and '10uA"):
        read(tmp_path, SHEET, twice)


def test_rows_that_say_the_same_are_the_same_whatever_is_below(tmp_path: Path) -> None:
    plain = read(tmp_path, SHEET)
    below = ",,,,,,\nRange,Limit,,,,,\n1 uA,0.5 %,,,,,\n"
    longer = read(tmp_path, SHEET + below)
    assert [replace(row, line=0) for row in plain.rows] == [
        replace(row, line=0) for row in longer.rows
    ]


def test_only_what_is_compiled_anew_is_counted(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "loops_of_a_test.py").write_text(
        "from numba import njit\n\n\n"
        "@njit(cache=True)\ndef twice(x):\n    return 2 * x\n"
    )
    monkeypatch.syspath_prepend(tmp_path)
    name = "loops_of_a_test"
    assert compiled_anew(name) == 0
    for count in (1, 0):  # the second time it is loaded from the disk
        module = import_module(name)
        assert module.twice(2.0) == 4.0
        assert compiled_anew(name) == count
        monkeypatch.delitem(sys.modules, name)


def test_a_compiler_that_another_thread_loads_just_now_is_left_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """An import from a second thread would break the first one's."""
    for name in ("numba", "numba.core", "numba.core.dispatcher"):
        monkeypatch.setitem(sys.modules, name, ModuleType(name))
    assert compiled_anew() == 0
