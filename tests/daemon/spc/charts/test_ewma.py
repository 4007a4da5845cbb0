"""The exponentially weighted moving average."""

from math import inf, nan, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from daemon.spc.charts.ewma import EwmaChart
from daemon.spc.charts.individuals import IndividualsChart
from daemon.spc.errors import NotFiniteError, OutOfRangeError
from daemon.spc.limits import Limits
from tests.chart_checks import one_by_one_equals_whole, refuses
from tests.reference_values import Entry

values = st.lists(st.floats(-300, 300), max_size=40)
weights = st.sampled_from([0.01, 0.1, 0.3, 0.9, 1.0])


@pytest.mark.reference("03_ewma_cusum", "ewma.nist")
def test_twenty_observations(entry: Entry) -> None:
    given_ = entry.inputs
    limits = Limits(centre=given_["z0"], sigma=given_["s"], width=given_["L"])
    chart = EwmaChart(limits=limits, weight=given_["lambda"])
    history = chart.extend(given_["x"])
    entry.check("z_printed", history.value)
    entry.check("z_exact", history.value)
    root = sqrt(given_["lambda"] / (2 - given_["lambda"]))
    entry.check("sqrt_lambda_over_2_minus_lambda", root)
    entry.check("UCL", chart.extend(np.full(400, 50.0)).upper[-1])
    # The printed lower limit is of the rounded root, 0.4201.
    lasting = given_["L"] * given_["s"] * root
    entry.check("LCL", 50.0 - lasting)
    entry.check("UCL_time_varying", history.upper)
    entry.check("any_out", bool(history.signal.any()))


@given(weights, values, values)
def test_one_by_one_equals_whole(
    weight: float, first: list[float], second: list[float]
) -> None:
    chart = EwmaChart(limits=Limits(centre=5.0, sigma=30.0), weight=weight)
    one_by_one_equals_whole(chart, first, second, atol=3e-8)


@given(values, st.floats(-1e3, 1e3), st.floats(0.01, 100.0))
def test_points_shift_and_scale(x: list[float], shift: float, scale: float) -> None:
    limits = Limits(centre=2.0, sigma=50.0)
    history = EwmaChart(limits=limits).extend(x)
    moved = EwmaChart(limits=Limits(centre=2.0 * scale + shift, sigma=50.0 * scale))
    told = moved.extend(np.multiply(x, scale) + shift)
    tolerance = 1e-9 * (abs(shift) + 300 * scale)
    assert_allclose(told.value, history.value * scale + shift, atol=tolerance)
    assert_allclose(told.upper, history.upper * scale + shift, atol=tolerance)


@pytest.mark.source("definition: variance of a weighted sum of independent values")
@pytest.mark.parametrize("weight", [0.05, 0.4, 1.0])
def test_limits_are_exact(weight: float) -> None:
    chart = EwmaChart(limits=Limits(centre=0.0, sigma=1.0), weight=weight)
    upper = chart.extend(np.zeros(60)).upper
    for n in (1, 2, 7, 60):
        shares = weight * (1 - weight) ** np.arange(n)
        assert upper[n - 1] == pytest.approx(3 * np.sqrt(np.sum(shares**2)))


@given(values)
def test_a_weight_of_one_is_a_chart_of_single_values(x: list[float]) -> None:
    limits = Limits(centre=1.0, sigma=80.0)
    history = EwmaChart(limits=limits, weight=1.0).extend(x)
    single = IndividualsChart(limits=limits).extend(x)
    assert_allclose(history.value, single.value, atol=1e-10)
    assert_allclose(history.upper, single.upper)


def test_a_long_history_far_from_zero_keeps_its_digits() -> None:
    x = np.random.default_rng(1).normal(1e9, 1e-3, size=20_000)
    chart = EwmaChart(limits=Limits(centre=1e9, sigma=1e-3), weight=0.1)
    one_by_one_equals_whole(chart, x[:10_000], x[10_000:], atol=1e-12)


def test_bad_input_is_named() -> None:
    limits = Limits(centre=0.0, sigma=1.0)
    for weight in (0.0, -0.1, 1.1):
        with pytest.raises(OutOfRangeError, match=f"weight = {weight}: must be > 0"):
            EwmaChart(limits=limits, weight=weight)
    refuses(EwmaChart(limits=limits), NotFiniteError, "x = nan", nan)
    with pytest.raises(NotFiniteError, match=r"x\[0\] = inf"):
        EwmaChart(limits=limits).extend([inf])
