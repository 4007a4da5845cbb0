"""Products that share a chart."""

from math import nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from daemon.spc.charts.individuals import IndividualsChart
from daemon.spc.charts.short_run import DeviationChart, StandardisedChart
from daemon.spc.errors import NotFiniteError, OutOfRangeError, ShapeError
from daemon.spc.limits import Limits
from tests.chart_checks import one_by_one_equals_whole, refuses

number = st.floats(-300, 300)
rows = st.lists(st.tuples(number, number, st.floats(0.5, 20)), max_size=15)


def columns(
    data: list[tuple[float, float, float]], width: int
) -> tuple[np.ndarray, ...]:
    """Return the first columns of the rows as arrays."""
    return tuple(np.array(data, dtype=float).reshape(-1, 3).T[:width])


@given(rows, rows)
def test_deviations_one_by_one_equal_whole(
    first: list[tuple[float, float, float]], second: list[tuple[float, float, float]]
) -> None:
    limits = Limits(centre=1.0, sigma=50.0)
    chart = DeviationChart(chart=IndividualsChart(limits=limits))
    one_by_one_equals_whole(chart, columns(first, 2), columns(second, 2))


@given(rows, rows)
def test_standardised_one_by_one_equal_whole(
    first: list[tuple[float, float, float]], second: list[tuple[float, float, float]]
) -> None:
    chart = StandardisedChart.of_width(3.0)
    one_by_one_equals_whole(chart, columns(first, 3), columns(second, 3))


@given(rows, number, st.floats(0.01, 100))
def test_each_product_may_have_a_unit_of_its_own(
    data: list[tuple[float, float, float]], shift: float, scale: float
) -> None:
    x, nominal, sigma = columns(data, 3)
    plain = StandardisedChart.of_width(3.0).extend(x, nominal, sigma)
    moved = StandardisedChart.of_width(3.0).extend(
        x * scale + shift, nominal * scale + shift, sigma * scale
    )
    tolerance = 1e-9 * (1 + abs(shift) / scale)
    assert_allclose(moved.value, plain.value, atol=tolerance)


@pytest.mark.source("definition: (x - nominal) / sigma of the product")
def test_two_products_on_one_chart() -> None:
    x, nominal, sigma = [103.0, 9.5, 9.0], [100.0, 10.0, 10.0], [2.0, 0.25, 0.25]
    history = StandardisedChart.of_width(3.0).extend(x, nominal, sigma)
    assert history.value.tolist() == [1.5, -2.0, -4.0]
    assert history.signal.tolist() == [False, False, True]
    assert history.moving_range[1:].tolist() == [3.5, 2.0]


def test_bad_input_is_named() -> None:
    chart = StandardisedChart.of_width(3.0)
    refuses(chart, OutOfRangeError, "sigma = 0.0: must be > 0", 1.0, 1.0, 0.0)
    refuses(chart, NotFiniteError, "nominal = nan", 1.0, nan, 1.0)
    with pytest.raises(OutOfRangeError, match=r"sigma\[1\] = -2.0"):
        chart.extend([1.0, 2.0], [0.0, 0.0], [1.0, -2.0])
    with pytest.raises(ShapeError, match="all equal"):
        chart.extend([1.0], [0.0, 0.0], [1.0, 2.0])
    with pytest.raises(OutOfRangeError, match="width = -1"):
        StandardisedChart.of_width(-1.0)
    with pytest.raises(OutOfRangeError, match=r"centre, sigma = \(5.0, 1.0\)"):
        StandardisedChart(chart=IndividualsChart(limits=Limits(centre=5.0, sigma=1.0)))
    deviations = DeviationChart(
        chart=IndividualsChart(limits=Limits(centre=0.0, sigma=1.0))
    )
    refuses(deviations, NotFiniteError, "x = nan", nan, 1.0)
    with pytest.raises(ShapeError, match="all equal"):
        deviations.extend([1.0], [0.0, 0.0])
