"""Facts of the trade that no standard states."""

import pytest

from daemon.metrology.correction import correction
from daemon.metrology.range_error import relative_error_ppm
from daemon.metrology.transfer import Transfer

pytestmark = pytest.mark.source("common practice, no source")


def test_99_76_in_and_101_21_indicated_is_plus_1_45_percent() -> None:
    assert relative_error_ppm(99.76e-6, 101.21e-6) == pytest.approx(14_500, abs=50)


def test_99_7_in_and_103_28_indicated_through_10_ohm_is_10_36_ohm() -> None:
    relative_error = relative_error_ppm(99.7, 103.28) * 1e-6
    implied_ohm = Transfer("RS").implied("RS", relative_error, {"RS": 10.0})
    assert implied_ohm == pytest.approx(10.36, abs=0.005)


def test_correction_is_a_division_not_a_subtraction() -> None:
    indicated = 101.21
    made = correction(relative_error_ppm(99.76, indicated), 0.0)
    assert indicated * made.factor == pytest.approx(99.76)
