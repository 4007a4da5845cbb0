"""The plain moving average."""

from math import nan, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from daemon.spc.charts.moving_average import MovingAverageChart
from daemon.spc.errors import NotFiniteError, OutOfRangeError, ShapeError
from daemon.spc.limits import Limits
from tests.chart_checks import one_by_one_equals_whole, refuses

values = st.lists(st.floats(-300, 300), max_size=40)
windows = st.integers(1, 19)


@given(windows, values, values)
def test_one_by_one_equals_whole(
    window: int, first: list[float], second: list[float]
) -> None:
    chart = MovingAverageChart(limits=Limits(centre=5.0, sigma=30.0), window=window)
    one_by_one_equals_whole(chart, first, second, atol=3e-8)


@pytest.mark.source("definition: mean of the last values, sigma over its root")
@given(windows, values)
def test_points_are_plain_means(window: int, x: list[float]) -> None:
    chart = MovingAverageChart(limits=Limits(centre=5.0, sigma=30.0), window=window)
    history = chart.extend(x)
    for i in range(len(x)):
        last = x[max(0, i + 1 - window) : i + 1]
        assert history.size[i] == len(last)
        assert history.value[i] == pytest.approx(np.mean(last), abs=1e-9)
        assert history.upper[i] == pytest.approx(5.0 + 90.0 / sqrt(len(last)))
        assert history.lower[i] == pytest.approx(5.0 - 90.0 / sqrt(len(last)))


@given(values, st.floats(-1e3, 1e3), st.floats(0.01, 100.0))
def test_points_shift_and_scale(x: list[float], shift: float, scale: float) -> None:
    history = MovingAverageChart(limits=Limits(centre=2.0, sigma=50.0)).extend(x)
    moved = MovingAverageChart(
        limits=Limits(centre=2.0 * scale + shift, sigma=50.0 * scale)
    ).extend(np.multiply(x, scale) + shift)
    tolerance = 1e-9 * (abs(shift) + 300 * scale)
    assert_allclose(moved.value, history.value * scale + shift, atol=tolerance)
    assert_allclose(moved.lower, history.lower * scale + shift, atol=tolerance)


def test_no_rounding_is_carried_along() -> None:
    x = np.zeros(200_000)
    x[10] = 1e9
    chart = MovingAverageChart(limits=Limits(centre=0.0, sigma=1.0), window=7)
    assert np.all(chart.extend(x).value[20:] == 0.0)


def test_bad_input_is_named() -> None:
    limits = Limits(centre=0.0, sigma=1.0)
    for window in (0, -2, 2.5):
        with pytest.raises(OutOfRangeError, match=f"window = {window}: must be a who"):
            MovingAverageChart(limits=limits, window=window)  # type: ignore[arg-type]
    refuses(MovingAverageChart(limits=limits), NotFiniteError, "x = nan", nan)
    with pytest.raises(ShapeError, match=r"x = shape \(1, 1\)"):
        MovingAverageChart(limits=limits).extend([[1.0]])
