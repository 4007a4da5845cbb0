"""The exponentially weighted moving average."""

from math import inf, nan, sqrt

import numpy as np
import pytest
from hypothesis import given, strategies as st
from numpy.testing import assert_allclose

from daemon.spc.charts.ewma import EwmaChart
from daemon.spc.charts.individuals import IndividualsChart
from daemon.spc.control_limits import Limits
from daemon.spc.errors import NotFiniteError, OutOfRangeError
from tests.chart_checks import history as history_of, refuses
from tests.reference_values import Entry

values = st.lists(st.floats(-300, 300), max_size=40)
weights = st.sampled_from([0.01, 0.1, 0.3, 0.9, 1.0])


@pytest.mark.reference("03_ewma_cusum", "ewma.nist")
def test_twenty_observations(entry: Entry) -> None:
    given_ = entry.inputs
    limits = Limits(centre=given_["z0"], sigma=given_["s"], width=given_["L"])
    chart = EwmaChart(limits=limits, weight=given_["lambda"])
    history = history_of(chart, given_["x"])
    entry.check("z_printed", history.value)
    entry.check("z_exact", history.value)
    root = sqrt(given_["lambda"] / (2 - given_["lambda"]))
    entry.check("sqrt_lambda_over_2_minus_lambda", root)
    entry.check("UCL", history_of(chart, np.full(400, 50.0)).upper[-1])
    # The printed lower limit is of the rounded root, 0.4201.
    lasting = given_["L"] * given_["s"] * root
    entry.check("LCL", 50.0 - lasting)
    entry.check("UCL_time_varying", history.upper)
    entry.check("any_out", bool(history.signal.any()))


@given(values, st.floats(-1e3, 1e3), st.floats(0.01, 100.0))
def test_points_shift_and_scale(x: list[float], shift: float, scale: float) -> None:
    limits = Limits(centre=2.0, sigma=50.0)
    history = history_of(EwmaChart(limits=limits), x)
    moved = EwmaChart(limits=Limits(centre=2.0 * scale + shift, sigma=50.0 * scale))
    told = history_of(moved, np.multiply(x, scale) + shift)
    tolerance = 1e-9 * (abs(shift) + 300 * scale)
    assert_allclose(told.value, history.value * scale + shift, atol=tolerance)
    assert_allclose(told.upper, history.upper * scale + shift, atol=tolerance)


@pytest.mark.source("definition: variance of a weighted sum of independent values")
@pytest.mark.parametrize("weight", [0.05, 0.4, 1.0])
def test_limits_are_exact(weight: float) -> None:
    chart = EwmaChart(limits=Limits(centre=0.0, sigma=1.0), weight=weight)
    upper = history_of(chart, np.zeros(60)).upper
    for n in (1, 2, 7, 60):
        shares = weight * (1 - weight) ** np.arange(n)
        assert upper[n - 1] == pytest.approx(3 * np.sqrt(np.sum(shares**2)))


@given(values)
def test_a_weight_of_one_is_a_chart_of_single_values(x: list[float]) -> None:
    limits = Limits(centre=1.0, sigma=80.0)
    history = history_of(EwmaChart(limits=limits, weight=1.0), x)
    single = history_of(IndividualsChart(limits=limits), x)
    assert_allclose(history.value, single.value, atol=1e-10)
    assert_allclose(history.upper, single.upper)


@pytest.mark.source("definition: the weighted sum, in differences from the centre")
def test_a_long_history_far_from_zero_keeps_its_digits() -> None:
    x = np.random.default_rng(1).integers(-40, 40, size=2000) / 8.0
    near = history_of(EwmaChart(limits=Limits(centre=0.0, sigma=1.0)), x).value
    limits = Limits(centre=2.0**30, sigma=1.0)
    far = history_of(EwmaChart(limits=limits), x + 2.0**30).value
    assert_allclose(far - 2.0**30, near, atol=1e-6)


def test_bad_input_is_named() -> None:
    limits = Limits(centre=0.0, sigma=1.0)
    for weight in (0.0, -0.1, 1.1):
        with pytest.raises(OutOfRangeError, match=f"weight = {weight}: must be > 0"):
            EwmaChart(limits=limits, weight=weight)
    refuses(EwmaChart(limits=limits), NotFiniteError, "x = nan", nan)
    refuses(EwmaChart(limits=limits), NotFiniteError, "x = inf", inf)
