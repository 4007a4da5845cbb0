"""Sheets as people have them are understood, or refused in one helpful sentence."""

import re
from datetime import UTC
from pathlib import Path

import pytest

from config.mapping import load_mapping
from daemon.commands.import_sheet import beside
from daemon.station.import_sheet import SheetError, understood
from tests.daemon.making import demo_product
from tests.daemon.messy_sheets import MESSY, SERIALS, Messy, truth

PRODUCT = demo_product()


@pytest.mark.parametrize("one", MESSY.values(), ids=list(MESSY))
def test_a_messy_sheet_is_understood_or_refused_in_one_sentence(
    one: Messy, tmp_path: Path
) -> None:
    path = one.write(tmp_path)
    mapping = None
    if one.mapping is not None:
        (tmp_path / "columns.toml").write_text(one.mapping)
        mapping = load_mapping(tmp_path / "columns.toml")
    if one.refused is not None:
        with pytest.raises(SheetError) as refused:
            understood(path, PRODUCT, mapping=mapping)
        said = str(refused.value)
        assert one.refused in said
        assert "\n" not in said
        assert path.name in said
        return
    sheet = understood(path, PRODUCT, mapping=mapping)
    reasons = {place: no.reason for no in sheet.rejected for place in _places(no)}
    for place, says in one.rejected.items():
        assert says in reasons[place]
    assert len(sheet.rejected) == len(one.rejected)
    by_serial = {row.serial: row for row in sheet.rows}
    assert set(by_serial) == {*SERIALS} - {*one.left_out}
    for unit, serial in enumerate(SERIALS):
        if serial in one.left_out:
            continue
        row = by_serial[serial]
        assert row.build == one.builds.get(serial, "B-7")
        read = {r.range: (r.reference, r.output) for r in row.readings}
        assert set(read) == set(one.ranges)
        for key in one.ranges:
            assert read[key] == pytest.approx(truth(unit)[key], rel=1e-9)
    if one.measured_at is not None:
        when = by_serial[SERIALS[0]].measured_at
        assert when is not None
        assert when.astimezone().replace(tzinfo=None) == one.measured_at
        assert when.astimezone(UTC).tzinfo is UTC
    if one.remark is not None:
        assert any(one.remark in said for said in sheet.remarks)


def _places(rejected: object) -> tuple[str, str]:
    return (
        str(getattr(rejected, "cell", None)),
        f"row {getattr(rejected, 'line', None)}",
    )


@pytest.mark.parametrize(
    ("serial", "into", "out", "when"),
    [
        ("Nr.", "Ein 1 µA", "Aus 1 µA [mV]", "Messdatum"),
        ("Gerät Nr.", "Eingang 1 µA", "Anzeige 1 µA [mV]", "Prüfdatum"),
        ("N° de série", "Référence 1 µA", "Sortie 1 µA [mV]", "Date de mesure"),
        ("Nº de serie", "Entrada 1 µA", "Salida 1 µA [mV]", "Fecha de medición"),
        ("Matricola", "Ingresso 1 µA", "Uscita 1 µA [mV]", "Data di misura"),
    ],
    ids=["German", "German in full", "French", "Spanish", "Italian"],
)
def test_headings_of_other_languages_are_understood(
    serial: str, into: str, out: str, when: str, tmp_path: Path
) -> None:
    path = tmp_path / "sheet.csv"
    rows = f"{serial};{into};{out};{when}\nPA-1;900 nA;900,1;2026-03-02 09:00\n"
    path.write_text(rows, encoding="utf-8")
    (row,) = understood(path, PRODUCT, default_build="B-1").rows
    assert row.serial == "PA-1"
    assert row.readings[0].output == pytest.approx(0.9001)
    assert row.measured_at is not None


def test_rejected_rows_of_before_go_once_none_is_left(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text("serial,1uA in,1uA out\nPA-1,900 nA,\n")
    sheet = understood(path, PRODUCT, default_build="B-1")
    assert "rejected rows are in" in (beside(path, sheet, sheet.rejected) or "")
    (kept,) = tmp_path.glob("*rejected*")
    assert "PA-1" in kept.read_text()
    assert beside(path, sheet, ()) == (
        f"No row is rejected any more: {kept.name} of before is removed."
    )
    assert not kept.exists()
    assert beside(path, sheet, ()) is None


def test_a_running_number_is_no_serial_where_serials_are_there(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text("Nr.;Seriennummer;Ein 1uA;Aus 1uA\n1;PA-7;900 nA;0.9\n")
    (row,) = understood(path, PRODUCT, default_build="B-1").rows
    assert row.serial == "PA-7"


def test_a_refusal_names_each_heading_and_the_mapping_that_it_shows_is_taken(
    tmp_path: Path,
) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text('serial,Ein 1uA,"Kanal ""A"""\nPA-1,900 nA,0.9\n')
    with pytest.raises(SheetError) as refused:
        understood(path, PRODUCT)
    said = str(refused.value)
    assert """Not understood: 'Kanal "A"'.""" in said
    found = re.search(r"such as: (columns = \{.*\})\. Then add to the command", said)
    assert found is not None
    (tmp_path / "columns.toml").write_text(found[1])
    mapping = load_mapping(tmp_path / "columns.toml")
    (row,) = understood(path, PRODUCT, mapping=mapping, default_build="B-1").rows
    assert row.readings[0].output == 0.9


def test_rows_without_a_build_are_of_the_only_one_that_it_can_be(
    tmp_path: Path,
) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text("serial,1uA in,1uA out\nPA-1,900 nA,0.9\n")
    sheet = understood(path, PRODUCT, only_build="B-1")
    assert sheet.rows[0].build == "B-1"
    assert any(
        one.startswith("1 row names no build: build B-1 is taken, the only open one.")
        for one in sheet.remarks
    )
    assert (
        understood(path, PRODUCT, only_build="B-1", default_build="B-2").rows[0].build
        == "B-2"
    )
    assert understood(path, PRODUCT).rejected[0].reason.startswith("the build is not")
    named = "serial,build,1uA in,1uA out\nPA-1,B-9,900 nA,0.9\nPA-2,,900 nA,0.9\n"
    path.write_text(named)
    assert [one.build for one in understood(path, PRODUCT, only_build="B-1").rows] == [
        "B-9", "B-9"
    ]  # fmt: skip
    path.write_text(f"{named}PA-3,B-8,900 nA,0.9\n")
    (no,) = understood(path, PRODUCT, only_build="B-1").rejected
    assert no.line == 3
