"""The individuals and moving-range chart."""

from math import inf, nan

import numpy as np
import pytest
from hypothesis import given, strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from daemon.spc.charts.individuals import IndividualsChart
from daemon.spc.control_limits import Limits, limits_from_baseline
from daemon.spc.errors import NotFiniteError
from tests.chart_checks import history as history_of, refuses
from tests.reference_values import Entry

values = st.lists(st.floats(-1e3, 1e3), max_size=40)
LIMITS = Limits(centre=3.0, sigma=70.0)


@pytest.mark.reference("02_shewhart_charts", "imr.nist.flowrate")
def test_flow_rates_are_in_control(entry: Entry) -> None:
    x = entry.inputs["x"]
    history = history_of(IndividualsChart(limits=limits_from_baseline(x)), x)
    entry.check("moving_ranges", history.moving_range[1:])
    entry.check("UCL_MR_D4", history.moving_range_upper[0])
    quiet = not (history.signal.any() or history.moving_range_signal.any())
    entry.check("all_points_in_control", quiet)


@given(values, st.floats(-1e3, 1e3), st.floats(0.01, 100.0))
def test_points_shift_and_scale(x: list[float], shift: float, scale: float) -> None:
    moved = Limits(centre=3.0 * scale + shift, sigma=70.0 * scale)
    plain = history_of(IndividualsChart(limits=LIMITS), x)
    told = history_of(IndividualsChart(limits=moved), np.multiply(x, scale) + shift)
    tolerance = 1e-9 * (1 + abs(shift) / scale)
    assert_allclose(told.z, plain.z, atol=tolerance)
    assert_allclose(told.moving_range / scale, plain.moving_range, atol=70 * tolerance)


def test_a_value_on_a_limit_is_not_beyond_it() -> None:
    chart = IndividualsChart(limits=Limits.between(lower=-120.0, upper=60.0))
    history = history_of(chart, [60.0, -120.0, np.nextafter(60.0, 61.0), -120.1])
    assert history.signal.tolist() == [False, False, True, True]


def test_a_boundary_breaks_the_moving_range_and_nothing_else() -> None:
    chart = IndividualsChart(limits=LIMITS)
    chart.update(0.0)
    chart.boundary()
    point = chart.update(900.0)
    assert (point.n, point.moving_range, point.moving_range_signal) == (2, None, False)
    assert point.signal
    chart.boundary()
    history = history_of(chart, [-900.0, 0.0])
    assert_array_equal(history.moving_range, [nan, 900.0])
    assert history.moving_range_signal.tolist() == [False, True]


def test_bad_input_is_named() -> None:
    chart = IndividualsChart(limits=LIMITS)
    refuses(chart, NotFiniteError, "x = nan", nan)
    refuses(chart, NotFiniteError, "x = inf", inf)
    assert (chart.n, chart.previous) == (0, None)
