"""Drift between checks: against the walk it is taken for, simulated."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.metrology.drift import (
    CheckPoint,
    carried_ppm,
    interpolated,
    walk_rate,
)
from daemon.metrology.errors import ArgumentError


def point(at_s: float, ppm: float, uncertainty_ppm: float = 0.0) -> CheckPoint:
    return CheckPoint(at_s=at_s, difference_ppm=ppm, uncertainty_ppm=uncertainty_ppm)


def test_the_rate_of_a_simulated_walk_is_found() -> None:
    """Ten thousand checks of a walk of 0.5 ppm^2/s, read with 2 ppm of scatter."""
    chance = np.random.default_rng(1)
    walk = np.cumsum(chance.normal(0.0, np.sqrt(0.5 * 60.0), 10_000))
    read = walk + chance.normal(0.0, 2.0, 10_000)
    points = [point(60.0 * i, ppm, 2.0) for i, ppm in enumerate(read.tolist())]
    assert walk_rate(points) == pytest.approx(0.5, rel=0.05)


@pytest.mark.source("Brownian bridge: variance t(T - t)/T; common practice, no source")
def test_the_bridge_s_uncertainty_is_that_of_simulated_walks() -> None:
    """Walks of 1 ppm^2/s over 100 s, seen at 30 s, about the line between the ends."""
    chance = np.random.default_rng(2)
    steps = chance.normal(0.0, 1.0, (20_000, 100))
    walks = np.cumsum(steps, axis=1)
    off_line = walks[:, 29] - 0.3 * walks[:, 99]
    said = interpolated(point(0.0, 0.0), point(100.0, 10.0), 30.0)
    assert said.uncertainty_ppm == pytest.approx(float(off_line.std()), rel=0.02)


@given(
    st.floats(-1e3, 1e3),
    st.floats(-1e3, 1e3),
    st.floats(0.0, 50.0),
    st.floats(0.0, 1.0),
)
def test_at_a_check_the_check_itself_is_said(
    first: float, second: float, uncertainty: float, share: float
) -> None:
    before, after = point(5.0, first, uncertainty), point(25.0, second, 2 * uncertainty)
    for one in (before, after):
        said = interpolated(before, after, one.at_s)
        assert said.difference_ppm == pytest.approx(one.difference_ppm)
        assert said.uncertainty_ppm == pytest.approx(one.uncertainty_ppm)
    between = interpolated(before, after, 5.0 + 20.0 * share).difference_ppm
    assert min(first, second) - 1e-9 <= between <= max(first, second) + 1e-9


def test_checks_that_agree_within_their_scatter_carry_nothing() -> None:
    points = [point(0.0, 1.0, 3.0), point(60.0, 3.0, 3.0)]
    assert carried_ppm(points, 1000.0) == 0.0


def test_before_a_second_check_nothing_is_known_to_be_carried() -> None:
    assert carried_ppm([], 10.0) == carried_ppm([point(0.0, 1.0)], 10.0) == 0.0


def test_moments_outside_and_checks_out_of_order_are_refused() -> None:
    before, after = point(0.0, 0.0), point(10.0, 1.0)
    with pytest.raises(ArgumentError, match="at_s = 11"):
        interpolated(before, after, 11.0)
    with pytest.raises(ArgumentError, match="the one before"):
        walk_rate([after, before])
