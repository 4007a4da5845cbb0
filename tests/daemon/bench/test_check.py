"""Whether a check standard reads as it is known to."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.bench.check import check_range, in_control

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
