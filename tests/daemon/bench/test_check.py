"""Whether a check standard reads as it is known to."""

import pytest
from hypothesis import given, strategies as st

from daemon.bench.check_standard import (
    AgainstSource,
    check_range,
    hidden_between_ppm,
    in_control,
    moved_alike_ppm,
    reference_beside_ppm,
    reference_moved_ppm,
)

ppm = st.floats(min_value=-1e5, max_value=1e5)
uncertainty_ppm = st.floats(min_value=0.1, max_value=1e4)


@pytest.mark.source("ISO/IEC 17043:2010, B.3.1.3: E_n of at most 1")
@given(ppm, ppm, uncertainty_ppm, uncertainty_ppm)
def test_in_control_is_a_normalised_error_of_at_most_one(
    error: float, known: float, u_error: float, u_known: float
) -> None:
    expanded = (2 * u_error) ** 2 + (2 * u_known) ** 2
    e_n = (error - known) / expanded**0.5
    if abs(abs(e_n) - 1) < 1e-9:
        return
    assert in_control(
        error_ppm=error,
        uncertainty_ppm=u_error,
        known_ppm=known,
        known_uncertainty_ppm=u_known,
    ) == (abs(e_n) < 1)


def test_the_difference_is_measured_less_known() -> None:
    one = check_range(
        error_ppm=10.0, uncertainty_ppm=3.0, known_ppm=25.0, known_uncertainty_ppm=4.0
    )
    assert one.difference_ppm == -15.0
    assert one.limit_ppm == 10.0
    assert not one.in_control


def moved(reference_ppm: float, output_ppm: float, scatter_ppm: float) -> float | None:
    """Return what is said of meters that moved so, the source stable to 50 ppm."""
    return moved_alike_ppm(
        AgainstSource(reference=1.0, output=2.0, scatter_ppm=scatter_ppm),
        AgainstSource(
            reference=1 + reference_ppm * 1e-6,
            output=2 + 2 * output_ppm * 1e-6,
            scatter_ppm=scatter_ppm,
        ),
        source_stability_ppm=50.0,
    )


@given(ppm, ppm)
def test_both_meters_have_moved_alike_by_the_smaller_movement(
    reference: float, output: float
) -> None:
    found = moved(reference, output, 0.0)
    least, most = sorted((reference, output), key=abs)
    if abs(abs(least) - 50.0) < 1e-6:
        return
    if abs(least) < 50.0 or least * most < 0:
        assert found is None
    else:
        assert found == pytest.approx(least)


def test_scatter_widens_what_is_believed() -> None:
    assert moved(70.0, 70.0, 1.0) == pytest.approx(70.0)
    assert moved(70.0, 70.0, 10.0) is None


@given(st.floats(min_value=-500.0, max_value=500.0), uncertainty_ppm)
def test_what_a_reference_errs_by_is_noticed_or_uncertainty_however_it_scatters(
    errs: float, scatter: float
) -> None:
    """A step among a unit's readings scatters, and would hide itself."""
    check = AgainstSource(reference=1.0, output=1.0, scatter_ppm=4.0)
    unit = AgainstSource(reference=1 + errs * 1e-6, output=1.0, scatter_ppm=scatter)
    noticed = reference_moved_ppm(check, unit, source_stability_ppm=50.0)
    beside = reference_beside_ppm([check], unit, source_stability_ppm=50.0)
    of_check = 2 * 2**0.5 * 4.0
    assert (noticed is None) or abs(errs) > 50.0
    if abs(errs) > 50.0 + of_check + 1e-6:
        assert noticed == pytest.approx(errs)
    elif of_check + 1e-6 < abs(errs) < 50.0:
        assert beside == pytest.approx(errs)
    assert noticed or beside or abs(errs) <= of_check + 1e-6


@given(ppm, ppm, st.sampled_from((0.0, 0.1)))
def test_checks_hide_the_smaller_movement_of_two_meters_that_moved_alike(
    reference: float, output: float, setting: float
) -> None:
    def check(reference_ppm: float, output_ppm: float, setting: float) -> AgainstSource:
        return AgainstSource(
            reference=1 + reference_ppm * 1e-6,
            output=2 + 2 * output_ppm * 1e-6,
            scatter_ppm=4.0,
            setting=setting,
        )

    hidden = hidden_between_ppm(check(0.0, 0.0, 0.0), check(reference, output, setting))
    least = min(reference, output, key=abs)
    by_scatter = 2 * 2**0.5 * 4.0
    if abs(abs(least) - by_scatter) < 1e-6:
        return
    if setting or reference * output <= 0 or abs(least) < by_scatter:
        assert hidden == 0.0
    else:
        assert hidden == pytest.approx(least)
