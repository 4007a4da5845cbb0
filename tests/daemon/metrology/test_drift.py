"""Drift between checks: against the walk it is taken for, simulated."""

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy.stats import t

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
    said = interpolated([point(0.0, 0.0), point(100.0, 10.0)], 30.0)
    assert said.uncertainty_ppm == pytest.approx(float(off_line.std()), rel=0.02)


@given(
    st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=6),
    st.floats(0.0, 1.0),
)
def test_between_two_checks_without_scatter_the_drift_is_the_straight_line(
    read: list[float], share: float
) -> None:
    points = [point(10.0 * place, ppm) for place, ppm in enumerate(read)]
    before, after = points[-2], points[-1]
    said = interpolated(points, before.at_s + 10.0 * share)
    line = (1 - share) * before.difference_ppm + share * after.difference_ppm
    assert said.difference_ppm == pytest.approx(line - read[0], abs=1e-6)
    at_the_check = interpolated(points, after.at_s)
    assert at_the_check.uncertainty_ppm == pytest.approx(0.0, abs=1e-4)


def test_a_step_far_beyond_the_scatter_is_taken_and_one_within_it_is_not() -> None:
    """Of one step, the share beyond the scatter's variance: 1 - 2 u^2 / step^2."""
    for step in (3.0, 4.0, 30.0, 300.0):
        points = [point(0.0, 0.0, 3.0), point(100.0, step, 3.0)]
        said = interpolated(points, 100.0)
        share = max(0.0, 1 - 18.0 / step**2)
        assert said.difference_ppm == pytest.approx(step * share)
        assert said.uncertainty_ppm == pytest.approx((18.0 * share) ** 0.5)


def test_drift_and_its_uncertainty_hold_on_simulated_sessions() -> None:
    """Sessions of 31 checks of 2 ppm, a walk of 0.5 ppm^2/s, seen between two checks.

    The walk's rate is found from the same checks.
    """
    chance = np.random.default_rng(3)
    off = []
    for _ in range(1000):
        walk = np.concatenate(
            [[0.0], np.cumsum(chance.normal(0.0, np.sqrt(0.5 * 30.0), 60))]
        )
        read = walk + chance.normal(0.0, 2.0, 61)
        points = [point(60.0 * i, float(read[2 * i]), 2.0) for i in range(31)]
        said = interpolated(points, 870.0)
        off.append((walk[29] - said.difference_ppm) / said.uncertainty_ppm)
    assert np.mean(off) == pytest.approx(0.0, abs=0.1)
    assert np.mean(np.abs(off) < 1.96) == pytest.approx(0.95, abs=0.02)


@pytest.mark.source("JCGM 100:2008, G.3: Student's t; the walks are simulated")
def test_few_checks_tell_little_of_a_walk_and_say_so() -> None:
    """Sessions of four checks of 2 ppm, 45 ppm apart by a walk, seen between them."""
    chance = np.random.default_rng(4)
    inside = []
    for _ in range(2000):
        walk = np.concatenate([[0.0], np.cumsum(chance.normal(0.0, 18.0, 18))])
        points = [
            point(60.0 * place, walk[place] + chance.normal(0.0, 2.0), 2.0)
            for place in (0, 6, 12, 18)
        ]
        said = interpolated(points, 60.0 * 15)
        half = t.ppf(0.975, said.degrees_of_freedom) * said.uncertainty_ppm
        inside.append(abs(walk[15] - said.difference_ppm) <= half)
    assert np.mean(inside) == pytest.approx(0.95, abs=0.015)


def test_checks_that_agree_within_their_scatter_carry_nothing() -> None:
    points = [point(0.0, 1.0, 3.0), point(60.0, 3.0, 3.0)]
    assert carried_ppm(points, 1000.0) == 0.0


def test_before_a_second_check_nothing_is_known_to_be_carried() -> None:
    assert carried_ppm([], 10.0) == carried_ppm([point(0.0, 1.0)], 10.0) == 0.0


def test_moments_outside_and_checks_out_of_order_are_refused() -> None:
    before, after = point(0.0, 0.0), point(10.0, 1.0)
    with pytest.raises(ArgumentError, match="at_s = 11"):
        interpolated([before, after], 11.0)
    with pytest.raises(ArgumentError, match="points = 1"):
        interpolated([before], 0.0)
    with pytest.raises(ArgumentError, match="the one before"):
        walk_rate([after, before])
