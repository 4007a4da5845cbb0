"""Facts of the trade that no standard states."""

import pytest

from daemon.metrology.range_error import relative_error_ppm
from daemon.metrology.resistance import (
    correction_factor,
    lead_ohm,
    nulled_ohm,
    volt_ampere_ohm,
    voltage_ratio_ohm,
)
from daemon.metrology.transfer import Transfer

pytestmark = pytest.mark.source("common practice, no source")


def test_99_76_in_and_101_21_indicated_is_plus_1_45_percent() -> None:
    assert relative_error_ppm(99.76e-6, 101.21e-6) == pytest.approx(14_500, abs=50)


def test_99_7_in_and_103_28_indicated_through_10_ohm_is_10_36_ohm() -> None:
    relative_error = relative_error_ppm(99.7, 103.28) * 1e-6
    implied_ohm = Transfer("RS").implied("RS", relative_error, {"RS": 10.0})
    assert implied_ohm == pytest.approx(10.36, abs=0.005)


def test_100_43_millivolt_at_9_963_milliampere_is_10_080_ohm() -> None:
    assert volt_ampere_ohm(100.43e-3, 9.963e-3) == pytest.approx(10.080, abs=5e-4)


def test_two_wire_less_four_wire_is_lead_and_contact() -> None:
    assert lead_ohm(10.227, 10.081) == pytest.approx(0.146, abs=1e-9)


def test_unnulled_leads_of_0_29_ohm_are_29_tolerances_of_10_ohm() -> None:
    tolerance_ohm = 10.0 * 0.1e-2
    assert tolerance_ohm == pytest.approx(10e-3)
    leads_ohm = 10.29 - nulled_ohm(10.29, 0.29)
    assert leads_ohm / tolerance_ohm == pytest.approx(29.0)


def test_correction_is_a_division_not_a_subtraction() -> None:
    indicated = 101.21
    relative_error = relative_error_ppm(99.76, indicated) * 1e-6
    assert indicated * correction_factor(relative_error) == pytest.approx(99.76)


def test_the_ratio_to_a_standard_needs_no_current() -> None:
    for current_a in (1e-3, 2e-3):
        ratio = voltage_ratio_ohm(10.08 * current_a, 100.0 * current_a, 100.0)
        assert ratio == pytest.approx(10.08)
