"""Means of readings that follow one another."""

from math import atan, inf, nan, pi, sqrt

import numpy as np
import pytest
import scipy
from numpy.typing import NDArray

from daemon.metrology.errors import ArgumentError
from daemon.metrology.following import (
    NEW_EACH_TIME,
    Following,
    _half_width,
    mean_of,
)
from daemon.metrology.range_error import (
    MeterSpecification,
    RangeError,
    Readings,
    range_error,
)
from daemon.metrology.uncertainty import coverage_factor, type_a

IDEAL = MeterSpecification(full_scale=1.0, of_reading_ppm=0.0)
Floats = NDArray[np.float64]


def drawn(
    draw: np.random.Generator, correlation: float, shape: tuple[int, int]
) -> Floats:
    """Return series of a stationary process of first order, a row each."""
    new = draw.standard_normal(shape)
    found = np.empty(shape)
    found[:, 0] = new[:, 0]
    for place in range(1, shape[1]):
        kept = correlation * found[:, place - 1]
        found[:, place] = kept + np.sqrt(1 - correlation**2) * new[:, place]
    return found


def covers(series: Floats, following: Following) -> bool:
    """Return whether a 95 % interval of a mean that is truly 0 holds it."""
    found = mean_of(series.tolist(), following)
    half = coverage_factor(0.95, found.degrees_of_freedom) * found.standard
    return abs(found.mean) <= half


@pytest.mark.parametrize("count", [2, 3, 10, 30])
@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.8])
def test_intervals_are_true_where_it_is_known_how_readings_follow(
    correlation: float, count: int
) -> None:
    """Taken as new each they would hold in 80 of 100 at 0.5, in 60 at 0.8."""
    draw = np.random.default_rng(count)
    known = Following.known(correlation)
    held = [covers(one, known) for one in drawn(draw, correlation, (3000, count))]
    # Three standard deviations of a share of so many.
    assert np.mean(held) == pytest.approx(0.95, abs=0.012)


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.8])
def test_what_a_run_tells_is_enough_for_a_true_interval(correlation: float) -> None:
    """Twelve series of ten: zero, level and zero of four ranges."""
    draw = np.random.default_rng(17)
    held = []
    for _ in range(300):
        run = drawn(draw, correlation, (12, 10))
        held.append(covers(run[0], Following().told(run.tolist())))
    assert np.mean(held) > 0.92


def test_three_readings_of_a_meter_that_filters_much_are_not_taken_for_more() -> None:
    """Were every correlation as likely beforehand, 91 of 100 would hold."""
    draw = np.random.default_rng(6)
    held = []
    for _ in range(1000):
        run = drawn(draw, 0.8, (12, 3))
        held.append(covers(run[0], Following().told(run.tolist())))
    assert np.mean(held) >= 0.93


@pytest.mark.source(
    "mean and difference of two readings are independent, so that their ratio is "
    "Cauchy's: P(|x| <= q) = 2 atan(q) / pi"
)
@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.7, 0.8])
def test_two_readings_of_a_meter_that_nobody_knows_are_not_taken_for_more(
    correlation: float,
) -> None:
    """They tell nothing of how they follow; by the mean over all 94 of 100 would hold.

    Beside zeros of two readings it was 91.5 of 100.
    """
    found = mean_of([-0.5, 0.5], Following())
    half = coverage_factor(0.95, found.degrees_of_freedom) * found.standard
    held = 2 / pi * atan(2 * half * sqrt((1 - correlation) / (1 + correlation)))
    assert held >= 0.95 - 1e-6


@pytest.mark.bench
@pytest.mark.parametrize("count", [3, 5, 10, 30])
@pytest.mark.parametrize("correlation", [0.0, 0.3, 0.5, 0.8])
def test_what_a_run_tells_is_never_too_sure(correlation: float, count: int) -> None:
    draw = np.random.default_rng(18)
    held = []
    for _ in range(2000):
        run = drawn(draw, correlation, (12, count))
        held.append(covers(run[0], Following().told(run.tolist())))
    # Two standard deviations of a share of so many.
    assert np.mean(held) > 0.93 - 0.0115


def error_of(draw: np.random.Generator, count: int) -> RangeError:
    """Return a range error of 0, both meters scattering alike."""

    def read(level: float) -> list[float]:
        return [level + 1e-5 * float(one) for one in draw.standard_normal(count)]

    def readings() -> Readings:
        return Readings(zero_before=read(0.0), level=read(1.0), zero_after=read(0.0))

    return range_error(
        reference=readings(),
        output=readings(),
        nominal_transfer=1.0,
        full_scale=1.0,
        reference_meter=IDEAL,
        output_meter=IDEAL,
    )


def test_one_reading_a_point_is_known_by_both_zeros_and_says_so() -> None:
    """Zero and level rest on one number: counted as two it held in 88 of 100."""
    draw = np.random.default_rng(5)
    held = []
    for _ in range(1500):
        error = error_of(draw, 1)
        scatter = [one for one in error.components if "scatter" in one.name]
        assert [one.degrees_of_freedom for one in scatter] == [1.0, 1.0]
        held.append(abs(error.error_ppm) <= error.expanded_ppm(0.95))
    assert np.mean(held) > 0.935


def test_readings_that_follow_make_the_range_error_less_sure() -> None:
    zeros, level = [1e-5, -1e-5, 1e-5, 0.0], [1.0, 1.00001, 1.0, 1.00001]

    def at(following: Following) -> float:
        one = Readings(
            zero_before=zeros, level=level, zero_after=zeros, following=following
        )
        return range_error(
            reference=one,
            output=Readings(zero_before=zeros, level=level[::-1], zero_after=zeros),
            nominal_transfer=1.0,
            full_scale=1.0,
            reference_meter=IDEAL,
            output_meter=IDEAL,
        ).uncertainty_ppm

    new, unknown, slow = (
        at(one) for one in (NEW_EACH_TIME, Following(), Following.known(0.8))
    )
    assert new < unknown < slow


def test_readings_all_alike_tell_nothing_of_how_they_follow() -> None:
    assert Following().told([[1.0] * 9, [0.0] * 9, [1.0, 2.0]]) == Following()
    assert mean_of([1.0] * 5, Following()) == type_a([1.0] * 5)


def test_scaling_and_shifting_change_nothing() -> None:
    series = drawn(np.random.default_rng(2), 0.5, (1, 12))[0]
    plain = mean_of(series.tolist(), Following().told([series.tolist()]))
    moved = (1e-9 * series + 5e-6).tolist()
    far = mean_of(moved, Following().told([moved]))
    assert far.standard == pytest.approx(1e-9 * plain.standard, rel=1e-4)


@pytest.mark.parametrize("wrong", [-0.1, 0.99, nan, inf])
def test_an_impossible_correlation_is_refused(wrong: float) -> None:
    with pytest.raises(ArgumentError, match="correlation"):
        Following.known(wrong)


@pytest.mark.parametrize(
    ("weights", "centres", "scales"),
    [
        ([0.5, 0.3, 0.2], [0.0, 0.1, -0.2], [1.0, 1.2, 1.5]),
        ([0.9, 0.1], [0.0, 0.0], [1.0, 100.0]),
        ([0.5, 0.5], [0.0, 1000.0], [1.0, 1.0]),
        ([0.96, 0.04], [0.0, 1000.0], [1.0, 1.0]),
        ([0.04, 0.96], [0.0, 1000.0], [1.0, 0.01]),
    ],
)
@pytest.mark.parametrize("degrees", [1, 2, 9, 30])
def test_the_half_width_of_a_mixture_covers_what_it_says(
    weights: list[float], centres: list[float], scales: list[float], degrees: int
) -> None:
    """However far apart what is mixed lies; by the distribution's own definition."""
    half = _half_width(np.array(weights), np.array(centres), np.array(scales), degrees)

    def covered(end: float) -> float:
        return sum(
            weight
            * float(
                scipy.stats.t.cdf(end, degrees, centre, scale)
                - scipy.stats.t.cdf(-end, degrees, centre, scale)
            )
            for weight, centre, scale in zip(weights, centres, scales, strict=True)
        )

    assert covered(half * (1 - 2e-6)) < 0.95 < covered(half * (1 + 2e-6))


@pytest.mark.parametrize(
    ("deviations", "correlations", "most"),
    [
        # The meter that follows makes a twelfth of the variance: taken for the ratio,
        # as the one that follows more, it made intervals three times as wide.
        ((1.0, 0.3), (0.0, 0.8), 1.8),
        ((0.3, 1.0), (0.0, 0.8), 1.8),
        ((1.0, 1.0), (0.5, 0.5), 1.8),
    ],
)
def test_ratios_of_two_meters_follow_as_far_as_each_makes_their_scatter(
    deviations: tuple[float, float], correlations: tuple[float, float], most: float
) -> None:
    """Of ten readings at six levels each; beside what is needed were all known."""
    draw = np.random.default_rng(6)
    share = deviations[0] ** 2 / (deviations[0] ** 2 + deviations[1] ** 2)
    known = [Following.known(one) for one in correlations]
    held, wider = [], []
    for _ in range(120):
        series = [
            deviation * drawn(draw, correlation, (6, 10))
            for deviation, correlation in zip(deviations, correlations, strict=True)
        ]
        one, other = (Following().told(each.tolist()) for each in series)
        ratios = series[0][0] - series[1][0]
        held.append(covers(ratios, one.beside(other, share)))
        wider.append(
            mean_of(ratios.tolist(), one.beside(other, share)).standard
            / mean_of(ratios.tolist(), known[0].beside(known[1], share)).standard
        )
    # Three standard deviations of a share of so many.
    assert np.mean(held) > 0.95 - 3 * sqrt(0.95 * 0.05 / len(held))
    assert 1.0 < np.median(wider) < most


def test_what_one_meter_alone_makes_follows_as_its_readings_do() -> None:
    quick, slow = Following.known(0.0), Following.known(0.8)
    assert quick.beside(slow, 1.0).expected == quick.expected
    assert quick.beside(slow, 0.0).expected == pytest.approx(slow.expected)
    assert slow.beside(slow, 0.3) is slow
    assert NEW_EACH_TIME.beside(NEW_EACH_TIME, 0.5) is NEW_EACH_TIME


@pytest.mark.parametrize("wrong", [-0.1, 1.1, nan])
def test_a_share_that_is_none_is_refused(wrong: float) -> None:
    with pytest.raises(ArgumentError, match="share"):
        NEW_EACH_TIME.beside(Following(), wrong)
