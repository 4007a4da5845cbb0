"""Drift between checks: against the walk it is taken for, simulated."""

import numpy as np
import pytest
from hypothesis import given, strategies as st

from daemon.metrology.drift import (
    NEWEST,
    PACES,
    STEADY,
    CheckPoint,
    _walk,
    between_checks_ppm,
    carried_ppm,
    held_between,
    interpolated,
)
from daemon.metrology.errors import ArgumentError


def point(at_s: float, ppm: float, uncertainty_ppm: float = 0.0) -> CheckPoint:
    return CheckPoint(at_s=at_s, difference_ppm=ppm, uncertainty_ppm=uncertainty_ppm)


def test_the_pace_of_a_simulated_walk_is_found() -> None:
    """Two hundred checks of a walk of 0.5 ppm^2/s, read with 2 ppm of scatter."""
    chance = np.random.default_rng(1)
    walk = np.cumsum(chance.normal(0.0, np.sqrt(0.5 * 60.0), 200))
    read = walk + chance.normal(0.0, 2.0, 200)
    points = [point(60.0 * i, ppm, 2.0) for i, ppm in enumerate(read.tolist())]
    said_ppm = carried_ppm(points, points[-1].at_s + 100.0)
    assert said_ppm == pytest.approx(np.sqrt(0.5 * 100.0), rel=0.3)


@pytest.mark.source("Brownian bridge: variance t(T - t)/T; common practice, no source")
def test_between_two_checks_the_uncertainty_has_the_shape_of_a_bridge() -> None:
    points = [point(0.0, 0.0), point(100.0, 10.0)]
    middle_ppm = interpolated(points, 50.0).uncertainty_ppm
    for at_s in (1.0, 10.0, 30.0, 80.0, 99.0):
        share = np.sqrt(at_s * (100.0 - at_s) / 2500.0)
        said_ppm = interpolated(points, at_s).uncertainty_ppm
        assert said_ppm == pytest.approx(share * middle_ppm, rel=1e-4)


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
    taken = []
    for step in (1.0, 3.0, 10.0, 30.0, 300.0, 3000.0):
        points = [point(0.0, 0.0, 3.0), point(100.0, step, 3.0)]
        taken.append(interpolated(points, 100.0).difference_ppm / step)
    assert taken == sorted(taken)
    assert taken[0] < 0.5
    assert taken[-1] > 0.99


@given(st.floats(-1e3, 1e3), st.floats(0.001, 0.999))
def test_a_step_at_any_moment_between_two_checks_is_held(
    step: float, share: float
) -> None:
    """By definition: before it nothing had drifted, after it all of it."""
    points = [point(0.0, 0.0, 2.0), point(3600.0, step, 2.0)]
    said = held_between(points, 3600.0 * share)
    walked = interpolated(points, 3600.0 * share)
    taken = interpolated(points, 3600.0).difference_ppm
    half = 1.96 * said.uncertainty_ppm * (1 + 1e-4) + 1e-9
    assert said.difference_ppm == walked.difference_ppm
    assert said.uncertainty_ppm >= walked.uncertainty_ppm
    assert said.difference_ppm - half <= min(0.0, taken)
    assert said.difference_ppm + half >= max(0.0, taken)
    assert held_between(points, 3600.0) == interpolated(points, 3600.0)


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


@pytest.mark.source("the walks are simulated: the truth is known")
@pytest.mark.parametrize("steps", [1, 2, 3, 6])
@pytest.mark.parametrize("pace", [0.0, 0.5, 1.0, 2.0, 4.0, 16.0])
def test_few_checks_tell_little_of_a_walk_and_say_so(steps: int, pace: float) -> None:
    """Sessions that walk so much from check to check, in units of the checks' scatter.

    Inside 95 %: what the bench drifted between the last two checks, and half as long
    after the last. Of 400 at least 360: 1 of 100 rows that cover 93 % does less
    (binomial). What two or three checks say of a far faster walk may be small by
    chance, and then covers less.
    """
    chance = np.random.default_rng(100 * steps + int(10 * pace))
    between = after = 0
    for _ in range(400):
        steps_ppm = chance.normal(0.0, pace / 2.0, 4 * (steps + 1))
        walk = np.concatenate([[0.0], np.cumsum(steps_ppm)])
        points = [
            point(3600.0 * place, float(walk[4 * place] + chance.normal()), 1.0)
            for place in range(steps + 1)
        ]
        said = interpolated(points, 3600.0 * (steps - 0.5))
        off = walk[4 * steps - 2] - said.difference_ppm
        between += abs(off) <= 1.96 * said.uncertainty_ppm
        since = walk[4 * steps + 2] - walk[4 * steps]
        after += abs(since) <= 1.96 * carried_ppm(points, 3600.0 * (steps + 0.5))
    least = 360 if pace <= 4 else {1: 315, 2: 345}.get(steps, 360)
    assert between >= least
    assert after >= least


def test_two_checks_that_agree_do_not_prove_a_bench_steady() -> None:
    points = [point(0.0, 1.0, 3.0), point(3600.0, 2.0, 3.0)]
    assert interpolated(points, 1800.0).uncertainty_ppm > 3.0
    assert carried_ppm(points, 5400.0) > 3.0
    many = [point(3600.0 * place, float(place % 2), 3.0) for place in range(30)]
    assert carried_ppm(many, many[-1].at_s + 1800.0) < 1.5


def test_a_check_repeated_at_once_does_not_make_hours_uncertain() -> None:
    """Two checks a minute apart say next to nothing of eight hours."""
    points = [point(0.0, 1.0, 3.0), point(60.0, 2.0, 3.0)]
    assert carried_ppm(points, 8 * 3600.0) < 12 * 3.0


def test_a_long_session_costs_no_more_than_its_newest_checks() -> None:
    chance = np.random.default_rng(6)
    ppm = chance.normal(0.0, 3.0, 400).tolist()
    points = [point(600.0 * place, one, 3.0) for place, one in enumerate(ppm)]
    said = interpolated(points, points[-1].at_s - 300.0)
    assert abs(said.difference_ppm) < 3 * 3.0
    assert _walk(tuple(points)).seen.shape == (PACES, NEWEST, NEWEST)  # type: ignore[union-attr]


def test_checks_that_cannot_differ_say_that_nothing_drifted() -> None:
    points = [point(0.0, 1.0), point(60.0, 1.0)]
    assert interpolated(points, 30.0) == STEADY
    assert carried_ppm(points, 90.0) == 0.0


def test_before_a_second_check_nothing_is_known_to_be_carried() -> None:
    assert carried_ppm([], 10.0) == carried_ppm([point(0.0, 1.0)], 10.0) == 0.0


def test_moments_outside_and_checks_out_of_order_are_refused() -> None:
    before, after = point(0.0, 0.0), point(10.0, 1.0)
    with pytest.raises(ArgumentError, match="at_s = 11"):
        interpolated([before, after], 11.0)
    with pytest.raises(ArgumentError, match="points = 1"):
        interpolated([before], 0.0)
    with pytest.raises(ArgumentError, match="the one before"):
        carried_ppm([after, before], 20.0)


def session(
    chance: np.random.Generator, pace_ppm: float, checks: int
) -> tuple[list[CheckPoint], float]:
    """Return a session's checks an hour apart, and what it walks until the next."""
    walk = np.cumsum(chance.normal(0.0, pace_ppm, checks + 1))
    read = walk + chance.normal(0.0, 2.0, checks + 1)
    points = [point(3600.0 * i, ppm, 2.0) for i, ppm in enumerate(read.tolist())]
    return points[:-1], float(walk[-1] - walk[-2])


@pytest.mark.source("random walks drawn, 200 benches each")
@pytest.mark.parametrize("pace_ppm", [1.0, 4.0, 16.0])
def test_what_is_expected_until_the_next_check_holds_as_often_as_stated(
    pace_ppm: float,
) -> None:
    """From six sessions of three checks; 95 % of a binomial of 200 is 0.91 at least."""
    chance = np.random.default_rng(int(pace_ppm))
    inside = 0
    for _ in range(200):
        days = [session(chance, pace_ppm, 3) for _ in range(6)]
        said_ppm = between_checks_ppm([points for points, _ in days])
        assert said_ppm is not None
        inside += abs(days[-1][1]) <= 1.96 * said_ppm
    assert inside >= 0.91 * 200


def test_more_sessions_tell_the_pace_better() -> None:
    """Forty sessions of a walk of 8 ppm from check to check, read with 2 ppm."""
    chance = np.random.default_rng(3)
    days = [session(chance, 8.0, 3)[0] for _ in range(40)]
    few, many = between_checks_ppm(days[:1]), between_checks_ppm(days)
    assert few is not None
    assert many is not None
    assert many == pytest.approx(8.0, rel=0.15)
    assert abs(few - 8.0) > abs(many - 8.0)


def test_a_single_session_expects_what_it_carries() -> None:
    points, _ = session(np.random.default_rng(9), 5.0, 6)
    assert between_checks_ppm([points]) == pytest.approx(
        carried_ppm(points, points[-1].at_s + 3600.0)
    )


def test_of_sessions_with_one_check_nothing_is_known() -> None:
    assert between_checks_ppm([]) is None
    assert between_checks_ppm([[point(0.0, 1.0)], [point(0.0, 3.0)]]) is None
    assert between_checks_ppm([[point(0.0, 1.0), point(1.0, 1.0)]]) == 0.0
    with pytest.raises(ArgumentError, match="at_s"):
        between_checks_ppm([[point(1.0, 1.0), point(1.0, 2.0)]])
