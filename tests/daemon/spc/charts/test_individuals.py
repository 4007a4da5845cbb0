"""The individuals and moving-range chart."""

import pickle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.spc.charts.individuals import IndividualsChart
from daemon.spc.errors import NotFiniteError
from daemon.spc.limits import Limits, limits_from_baseline

values = st.lists(st.floats(-1e6, 1e6), min_size=0, max_size=40)


@pytest.mark.source("NIST/SEMATECH e-Handbook 6.3.2.2, flow rates of ten batches")
def test_flow_rates_have_the_published_limits() -> None:
    x = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    limits = limits_from_baseline(x)
    history = IndividualsChart(limits=limits).extend(x)
    assert limits.centre == pytest.approx(50.81, abs=1e-9)
    assert limits.upper == pytest.approx(55.8041, abs=2e-3)
    assert history.moving_range_upper[0] == pytest.approx(6.1338, abs=2e-3)
    assert not history.signal.any()


@given(values, values)
def test_one_by_one_equals_whole(first: list[float], second: list[float]) -> None:
    limits = Limits.given(centre=3.0, sigma=7.0)
    one, whole = IndividualsChart(limits=limits), IndividualsChart(limits=limits)
    one = pickle.loads(pickle.dumps(one))  # noqa: S301 - our own bytes
    whole.extend(first)
    points = [one.update(x) for x in [*first, *second]][len(first) :]
    history = whole.extend(second)
    assert one == whole
    for name in ("n", "value", "z", "signal", "moving_range", "moving_range_signal"):
        ours = np.array([getattr(each, name) for each in points], dtype=float)
        np.testing.assert_array_equal(ours, getattr(history, name))


def test_nan_leaves_the_chart_as_it_was() -> None:
    chart = IndividualsChart(limits=Limits.given(centre=0.0, sigma=1.0))
    with pytest.raises(NotFiniteError, match="x = nan"):
        chart.update(float("nan"))
    with pytest.raises(NotFiniteError, match=r"x\[1\] = inf"):
        chart.extend([1.0, np.inf])
    assert chart.n == 0
