"""Limits from a baseline, and what they rest on."""

from math import inf, nan, sqrt

import numpy as np
import pytest
from hypothesis import given, reject, strategies as st
from numpy.testing import assert_allclose

from daemon.spc.chart_factors import c4, d2, d3
from daemon.spc.control_limits import (
    Exclusion,
    Limits,
    SigmaMethod,
    equivalent_degrees_of_freedom,
    limits_from_baseline,
)
from daemon.spc.errors import NoSpreadError, OutOfRangeError, SpcError, TooFewError
from tests.reference_values import Entry

SINGLE = [
    SigmaMethod.MEAN_MOVING_RANGE,
    SigmaMethod.MEDIAN_MOVING_RANGE,
    SigmaMethod.STANDARD_DEVIATION,
]


@pytest.mark.reference("02_shewhart_charts", "imr.nist.flowrate")
def test_flow_rates(entry: Entry) -> None:
    x = np.array(entry.inputs["x"])
    limits = limits_from_baseline(x)
    entry.check("mean", limits.centre)
    entry.check("moving_ranges", np.abs(np.diff(x)))
    mean_range = limits.sigma * d2(2)
    entry.check("MRbar", mean_range)
    # Printed limits divide by 1.128, three decimals of the exact 1.12838.
    printed = Limits(centre=limits.centre, sigma=mean_range / round(d2(2), 3))
    entry.check("UCL_x", printed.upper)
    entry.check("LCL_x", printed.lower)
    assert limits.upper == pytest.approx(printed.upper, abs=0.002)
    entry.check("UCL_MR_D4", (d2(2) + 3 * d3(2)) * limits.sigma)
    inside = (x >= limits.lower) & (x <= limits.upper)
    entry.check("all_points_in_control", bool(inside.all()))


def test_neither_a_boundary_nor_an_exclusion_is_bridged() -> None:
    x = [1.0, 2.0, 100.0, 101.0, 500.0, 102.0, 103.0]
    off = Exclusion(index=4, cause="lead fell off")
    limits = limits_from_baseline(x, segment_starts=[2], exclude=[off])
    assert limits.sigma == pytest.approx(1 / d2(2))
    assert limits.centre == pytest.approx(np.mean([1, 2, 100, 101, 102, 103]))
    assert limits.provenance.used == 6
    assert limits.provenance.segments == 2
    assert limits.provenance.excluded == (off,)
    # Three ranges that share no value are as good as three pairs.
    assert limits.provenance.degrees_of_freedom == pytest.approx(
        equivalent_degrees_of_freedom((d3(2) / d2(2)) ** 2 / 3)
    )


@pytest.mark.source("chi distribution: one pair of values has one degree of freedom")
def test_one_moving_range_is_half_normal() -> None:
    limits = limits_from_baseline([3.0, 5.0])
    assert limits.provenance.degrees_of_freedom == pytest.approx(1.0)


@pytest.mark.source("chi distribution: variance of a standard deviation")
@given(st.integers(2, 3000))
def test_a_standard_deviation_keeps_its_degrees_of_freedom(n: int) -> None:
    relative_variance = (1 - c4(n) ** 2) / c4(n) ** 2
    assert equivalent_degrees_of_freedom(relative_variance) == pytest.approx(n - 1)


@pytest.mark.parametrize("method", SINGLE)
@pytest.mark.parametrize("n", [8, 40])
def test_sigma_is_right_on_average_and_as_uncertain_as_told(
    method: SigmaMethod, n: int
) -> None:
    rng = np.random.default_rng(20_240)
    runs = rng.normal(7.0, 2.0, size=(3000, n))
    told = [limits_from_baseline(run, method=method) for run in runs]
    sigmas = np.array([limits.sigma for limits in told])
    median_bias = 0.1 if method is SigmaMethod.MEDIAN_MOVING_RANGE else 0.03
    assert_allclose(sigmas.mean(), 2.0, rtol=median_bias)
    freedom = told[0].provenance.degrees_of_freedom
    seen = equivalent_degrees_of_freedom(sigmas.var() / sigmas.mean() ** 2)
    assert_allclose(freedom, seen, rtol=0.17)


thousandths = st.integers(-100_000, 100_000).map(lambda number: number / 1000)
baselines = st.lists(thousandths, min_size=3, max_size=30).filter(
    lambda x: np.ptp(x) > 0
)


@given(baselines, st.floats(-1e3, 1e3), st.floats(1e-3, 1e3), st.sampled_from(SINGLE))
def test_limits_shift_and_scale_with_the_values(
    x: list[float], shift: float, scale: float, method: SigmaMethod
) -> None:
    try:
        limits = limits_from_baseline(x, method=method)
    except NoSpreadError:
        reject()  # the median of many equal neighbours
    moved = limits_from_baseline(np.multiply(x, scale) + shift, method=method)
    tolerance = 1e-9 * (abs(shift) + 100 * scale)
    assert moved.centre == pytest.approx(limits.centre * scale + shift, abs=tolerance)
    assert moved.sigma == pytest.approx(limits.sigma * scale, abs=tolerance)


def test_limits_between_two_values_are_those_values() -> None:
    limits = Limits.between(lower=-120.0, upper=60.0, width=2.0)
    assert (limits.lower, limits.upper, limits.centre) == (-120.0, 60.0, -30.0)
    assert limits.provenance.degrees_of_freedom == inf


@pytest.mark.parametrize(
    ("call", "kind", "message"),
    [
        (lambda: limits_from_baseline([]), TooFewError, r"len\(x\) = 0: must be >= 2"),
        (lambda: limits_from_baseline([1.0]), TooFewError, r"len\(x\) = 1: must be"),
        (lambda: limits_from_baseline([2.0] * 9), NoSpreadError, "spread of x = 0.0"),
        (
            lambda: limits_from_baseline(
                [0.1] * 10, method=SigmaMethod.STANDARD_DEVIATION
            ),
            NoSpreadError,
            "spread of x = 0.0: must be > 0 for limits",
        ),
        (lambda: limits_from_baseline([1.0, nan]), SpcError, r"x\[1\] = nan"),
        (lambda: limits_from_baseline([[1.0, 2.0]]), SpcError, r"shape \(1, 2\)"),
        (lambda: limits_from_baseline(["a", "b"]), SpcError, "x = list: must be num"),
        (
            lambda: limits_from_baseline([1.0, 2.0], segment_starts=[2]),
            OutOfRangeError,
            "segment_starts = 2: must be >= 0 and < 2",
        ),
        (
            lambda: limits_from_baseline([1.0, 2.0, 3.0], segment_starts=[1, 2]),
            TooFewError,
            "neighbours inside one stretch of x = 0",
        ),
        (
            lambda: limits_from_baseline(
                [1.0, 2.0, 4.0], exclude=[Exclusion(index=3, cause="dropped")]
            ),
            OutOfRangeError,
            "index excluded from x = 3: must be >= 0 and < 3",
        ),
        (
            lambda: limits_from_baseline(
                [1.0, 2.0, 4.0], exclude=[Exclusion(index=1, cause="dropped")] * 2
            ),
            OutOfRangeError,
            "each once",
        ),
        (
            lambda: limits_from_baseline(
                [1.0, 2.0], exclude=[Exclusion(index=1, cause="dropped")]
            ),
            TooFewError,
            "values left in x = 1",
        ),
        (
            lambda: limits_from_baseline([1.0, 2.0], method=SigmaMethod.POOLED),
            OutOfRangeError,
            "method = pooled",
        ),
        (lambda: Exclusion(index=0, cause=" "), OutOfRangeError, "a recorded cause"),
        (lambda: Limits(centre=0.0, sigma=-1.0), OutOfRangeError, "sigma = -1.0"),
        (lambda: Limits(centre=0.0, sigma=0.0), OutOfRangeError, "sigma = 0.0"),
        (lambda: Limits(centre=nan, sigma=1.0), SpcError, "centre = nan"),
        (
            lambda: Limits(centre=0.0, sigma=1.0, width=0.0),
            OutOfRangeError,
            "width = 0.0: must be > 0",
        ),
        (
            lambda: Limits.between(lower=3.0, upper=1.0),
            OutOfRangeError,
            "upper = 1.0: must be > lower = 3.0",
        ),
        (
            lambda: equivalent_degrees_of_freedom(0.0),
            OutOfRangeError,
            "relative_variance = 0.0",
        ),
    ],
)
def test_bad_input_is_named(call, kind, message) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(kind, match=message) as caught:
        call()
    assert caught.value.allowed


@pytest.mark.source("definition: root of the mean squared deviation over c4")
def test_standard_deviation_method() -> None:
    x = [1.0, 2.0, 4.0, 8.0]
    limits = limits_from_baseline(x, method=SigmaMethod.STANDARD_DEVIATION)
    mean = sum(x) / 4
    by_hand = sqrt(sum((value - mean) ** 2 for value in x) / 3) / c4(4)
    assert limits.sigma == pytest.approx(by_hand, rel=1e-14)
