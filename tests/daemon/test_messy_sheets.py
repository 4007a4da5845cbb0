"""Sheets as people have them are understood, or refused in one helpful sentence."""

from datetime import UTC
from pathlib import Path

import pytest

from config.mapping import load_mapping
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
