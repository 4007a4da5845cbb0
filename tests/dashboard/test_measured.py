"""What the screens say of a unit as it was last measured."""

from pathlib import Path

from dashboard import measured
from tests.daemon.test_beside import (
    at_two_levels,
    header,
    stored,
    with_further_levels,
)


def test_the_unit_s_screen_shows_ranges_and_checks_of_its_latest_run(
    tmp_path: Path,
) -> None:
    one = with_further_levels()
    with stored(one, tmp_path) as cycle:
        cycle.record(at_two_levels(one, 90.0), header("PA-1"), {})
        cycle.record(at_two_levels(one, -10.0), header("PA-2"), {})
        errors = cycle.store.table("latest_errors", product=one.product.name)
        mine = [row for row in errors.to_pylist() if row["serial"] == "PA-1"]
        lines = measured.said(cycle.store, cycle.product, mine)
    assert len(lines) == 8
    assert lines[0].endswith(": conforming.")
    assert lines[4] == (
        "linearity of 1uA 90 ppm (from -50 ppm to 50 ppm): nonconforming."
    )
