"""Budgets and drawn distributions: properties and refusals."""

from math import inf, sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import given, strategies as st
from uncertainties import umath

from daemon.metrology.errors import ArgumentError, UnknownQuantityError
from daemon.metrology.monte_carlo import (
    framework_holds,
    monte_carlo,
    numerical_tolerance,
)
from daemon.metrology.propagation import (
    Input,
    propagate,
    propagate_jointly,
    second_order_variances,
)
from daemon.metrology.uncertainty import (
    Component,
    Distribution,
    combined,
    correlation,
    coverage_factor,
    effective_degrees_of_freedom,
    of_expanded,
    of_half_width,
    of_trapezoid,
    type_a,
)

finite = st.floats(-1e6, 1e6)
spread = st.floats(1e-3, 1e3)


def pair(ux: float = 1.0, uy: float = 1.0) -> list[Input]:
    return [
        Input(name="x", estimate=3.0, standard=ux),
        Input(name="y", estimate=2.0, standard=uy),
    ]


@given(spread, spread, st.floats(-1, 1))
def test_a_difference_of_correlated_inputs(ux: float, uy: float, r: float) -> None:
    budget = propagate(lambda x, y: x - y, pair(ux, uy), {("x", "y"): r})
    expected = sqrt(max(ux**2 + uy**2 - 2 * r * ux * uy, 0.0))
    assert budget.standard == pytest.approx(expected, rel=1e-6, abs=1e-6)


def test_a_common_error_cancels_in_a_ratio() -> None:
    """The same voltmeter twice: relative errors equal, correlation 1."""
    budget = propagate(lambda x, y: x / y, pair(3e-3, 2e-3), {("x", "y"): 1.0})
    assert budget.standard == pytest.approx(0.0, abs=1e-9)


@given(spread, spread)
def test_joint_results_agree_with_single_ones(ux: float, uy: float) -> None:
    both = propagate_jointly(lambda x, y: (x * y, x / y), pair(ux, uy))
    for place, model in enumerate((lambda x, y: x * y, lambda x, y: x / y)):
        single = propagate(model, pair(ux, uy))
        assert both.estimates[place] == pytest.approx(single.estimate)
        assert both.standard[place] == pytest.approx(single.standard)


def test_a_result_that_no_input_moves_is_certain() -> None:
    budget = propagate(lambda x, y: 4.0, pair())  # noqa: ARG005
    assert (budget.estimate, budget.standard) == (4.0, 0.0)
    assert budget.degrees_of_freedom == inf


def test_degrees_of_freedom_of_correlated_series_are_the_smallest() -> None:
    inputs = [Input.of_readings(n, [1.0, 2.0, 4.0]) for n in "xy"]
    together = propagate(lambda x, y: x + y, inputs, {("x", "y"): 0.5})
    assert together.degrees_of_freedom == 2
    apart = propagate(lambda x, y: x + y, inputs)
    assert apart.degrees_of_freedom == pytest.approx(4.0)


def test_second_order_terms_of_a_product_are_exact() -> None:
    """var(xy) about 0 is u(x)^2 u(y)^2, where first order says nothing."""
    inputs = [
        Input(name=n, estimate=0.0, standard=u)
        for n, u in zip("xy", (2, 3), strict=True)
    ]
    first = propagate(lambda x, y: x * y, inputs)
    second = propagate(lambda x, y: x * y, inputs, second_order=True)
    assert first.standard == 0.0
    assert second.standard == pytest.approx(6.0)


def test_second_order_terms_of_a_square() -> None:
    """Of x^2 about 0 it is 2 u^4, the variance of a chi-squared times u^4."""
    (one,) = [Input(name="x", estimate=0.0, standard=3.0)]
    assert second_order_variances(lambda x: x**2, [one])["x", "x"] == pytest.approx(
        2 * 3.0**4
    )


@given(st.lists(finite, min_size=2, max_size=30), finite, st.floats(0.1, 10))
def test_shift_moves_the_mean_alone_and_scale_both(
    readings: list[float], shift: float, scale: float
) -> None:
    series = type_a(readings)
    moved = type_a([x * scale + shift for x in readings])
    size = 1e-9 * (max(map(abs, readings)) * scale + abs(shift) + 1)
    assert moved.mean == pytest.approx(series.mean * scale + shift, abs=size)
    assert moved.deviation == pytest.approx(series.deviation * scale, abs=size)


@given(st.lists(st.tuples(finite, finite), min_size=3, max_size=20))
def test_correlation_is_that_of_numpy(points: list[tuple[float, float]]) -> None:
    a, b = (list(values) for values in zip(*points, strict=True))
    if np.std(a) < 1e-3 or np.std(b) < 1e-3:
        return
    assert correlation(a, b) == pytest.approx(np.corrcoef(a, b)[0, 1], abs=1e-8)


def test_degrees_of_freedom_lie_between_the_smallest_and_the_sum() -> None:
    lines = [
        Component(
            name=str(n),
            standard=1.0,
            distribution=Distribution.STUDENT,
            degrees_of_freedom=n,
        )
        for n in (2, 5, 9)
    ]
    assert 2 <= effective_degrees_of_freedom(lines) <= 16
    assert effective_degrees_of_freedom([]) == inf
    assert combined([]) == 0.0


def test_drawing_is_the_same_for_the_same_seed() -> None:
    one, again, other = (
        monte_carlo(lambda x, y: x * y, pair(), seed=seed) for seed in (1, 1, 2)
    )
    assert one == again
    assert one != other


@pytest.mark.parametrize(
    ("distribution", "degrees", "expected"),
    [
        (Distribution.NORMAL, inf, 1.0),
        (Distribution.RECTANGULAR, inf, 1.0),
        (Distribution.TRIANGULAR, inf, 1.0),
        (Distribution.ARCSINE, inf, 1.0),
        (Distribution.STUDENT, inf, 1.0),
        # The variance of Student's t is degrees / (degrees - 2).
        (Distribution.STUDENT, 10.0, sqrt(10 / 8)),
    ],
)
def test_each_distribution_is_drawn_with_its_deviation(
    distribution: Distribution, degrees: float, expected: float
) -> None:
    one = Input(
        name="x",
        estimate=5.0,
        standard=1.0,
        distribution=distribution,
        degrees_of_freedom=degrees,
    )
    drawn = monte_carlo(lambda x: x, [one], seed=3)
    assert drawn.stable
    assert drawn.estimate == pytest.approx(5.0, abs=0.02)
    assert drawn.standard == pytest.approx(expected, abs=0.02)


def test_a_skewed_result_has_its_shortest_interval_off_centre() -> None:
    """Exp of a standard normal: the mode is at exp(-1), low is below 0.14."""
    one = Input(name="x", estimate=0.0, standard=1.0)
    drawn = monte_carlo(lambda x: np.e**x, [one], seed=4, most_trials=1_000_000)
    low, high = drawn.symmetric
    assert low == pytest.approx(np.exp(-1.959964), rel=0.02)
    assert high == pytest.approx(np.exp(1.959964), rel=0.02)
    width = drawn.shortest[1] - drawn.shortest[0]
    assert width < 0.9 * (high - low)
    first_order = propagate(lambda x: np.e**x, [one])
    half_width = first_order.expanded(0.95)
    assert not framework_holds((1 - half_width, 1 + half_width), drawn)


def test_trials_end_where_they_are_told_to() -> None:
    drawn = monte_carlo(
        lambda x, y: x * y, pair(), seed=5, significant_digits=4, most_trials=200_000
    )
    assert drawn.trials == 200_000
    assert not drawn.stable


@pytest.mark.source("JCGM 101:2008, clause 7.9.2, examples; from memory")
@pytest.mark.parametrize(
    ("standard", "digits", "expected"),
    [(0.000_35, 2, 0.000_005), (2.0, 1, 0.5)],
)
def test_numerical_tolerance(standard: float, digits: int, expected: float) -> None:
    """U = 0.35e-4 g is 35 times 10^-5 g with two digits: half of 10^-5."""
    assert numerical_tolerance(standard, digits) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("standard", "digits", "named"),
    [(-1.0, 2, "standard"), (inf, 2, "standard"), (1.0, 0, "significant_digits")],
)
def test_no_uncertainty_and_no_digit_are_refused(
    standard: float, digits: int, named: str
) -> None:
    with pytest.raises(ArgumentError, match=f"{named} = "):
        numerical_tolerance(standard, digits)


def test_a_certain_result_is_stable_at_once() -> None:
    one = Input(name="x", estimate=2.0, standard=0.0)
    drawn = monte_carlo(lambda x: x, [one], seed=6)
    assert drawn.stable
    assert (drawn.estimate, drawn.standard, drawn.tolerance) == (2.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("inputs", "correlations", "sentence"),
    [
        ([], None, "number of inputs = 0"),
        ([*pair(), *pair()], None, "names of inputs = .*distinct"),
        (pair(), {("x", "y"): 1.5}, "correlation of x and y = 1.5"),
        (pair(), {("x", "x"): 1.0}, "correlation of x and x = 1.0"),
        (
            [Input(name=n, estimate=0.0, standard=1.0) for n in "xyz"],
            {("x", "y"): 0.9, ("y", "z"): 0.9, ("x", "z"): -0.9},
            "smallest eigenvalue",
        ),
    ],
)
def test_impossible_inputs_are_refused(
    inputs: list[Input], correlations: dict[tuple[str, str], float], sentence: str
) -> None:
    with pytest.raises(ArgumentError, match=sentence):
        propagate(lambda **x: sum(x.values()), inputs, correlations)


def test_a_correlation_with_nothing_is_refused() -> None:
    with pytest.raises(UnknownQuantityError, match="unknown input 'z'; known: x, y"):
        propagate(lambda x, y: x + y, pair(), {("x", "z"): 0.1})


def test_second_order_needs_uncorrelated_inputs() -> None:
    with pytest.raises(ArgumentError, match="second_order"):
        propagate(lambda x, y: x * y, pair(), {("x", "y"): 0.1}, second_order=True)


def test_only_normal_inputs_are_drawn_correlated() -> None:
    inputs = [Input.of_bounds("x", 0.0, 1.0), Input.of_bounds("y", 0.0, 1.0)]
    with pytest.raises(ArgumentError, match="normal, because it is correlated"):
        monte_carlo(lambda x, y: x + y, inputs, seed=1, correlations={("x", "y"): 0.5})


def test_a_model_without_a_number_is_refused() -> None:
    with pytest.raises(ArgumentError, match="result of the model"):
        monte_carlo(lambda x, y: np.log(-np.abs(x + y) - 1), pair(), seed=1)
    with pytest.raises(ArgumentError, match="number of readings = 1"):
        type_a([1.0])


def test_arguments_outside_their_bounds_are_refused() -> None:
    with pytest.raises(ArgumentError, match="standard uncertainty of x = -1"):
        Input(name="x", estimate=0.0, standard=-1)
    with pytest.raises(ArgumentError, match="degrees of freedom of x = 0"):
        Input(name="x", estimate=0.0, standard=1, degrees_of_freedom=0)
    with pytest.raises(ArgumentError, match="x = nan"):
        Input(name="x", estimate=float("nan"), standard=1)
    with pytest.raises(ArgumentError, match="scatter = -1"):
        Component(name="scatter", standard=-1, distribution=Distribution.NORMAL)
    with pytest.raises(ArgumentError, match="distribution = 'normal'"):
        of_half_width(1.0, Distribution.NORMAL)
    with pytest.raises(ArgumentError, match="half_width = -1"):
        of_half_width(-1.0, Distribution.RECTANGULAR)
    with pytest.raises(ArgumentError, match=r"top_ratio = 1.5"):
        of_trapezoid(1.0, 1.5)
    with pytest.raises(ArgumentError, match=r"coverage = 1.0"):
        of_expanded(1.0, 1.0)
    with pytest.raises(ArgumentError, match="degrees = 0"):
        coverage_factor(0.95, 0)
    with pytest.raises(ArgumentError, match="number of others = 1: must be 2"):
        correlation([1.0, 2.0], [1.0])
    with pytest.raises(ArgumentError, match=r"standard deviation of others = 0.0"):
        correlation([1.0, 2.0], [1.0, 1.0])
    with pytest.raises(ArgumentError, match="significant_digits = 5"):
        monte_carlo(lambda x, y: x + y, pair(), seed=1, significant_digits=5)
    with pytest.raises(ArgumentError, match="most_trials = 10"):
        monte_carlo(lambda x, y: x + y, pair(), seed=1, most_trials=10)
    drawn = monte_carlo(lambda x, y: x + y, pair(), seed=1)
    with pytest.raises(ArgumentError, match=r"low = 1.0: must be < high"):
        framework_holds((1.0, 0.0), drawn)


@pytest.mark.parametrize(
    "model",
    [
        lambda x: 1 / x,
        lambda x: umath.log(x + 0.0),
        lambda x: x**0.5,
        lambda x: x**-0.5,
    ],
    ids=["1/x", "log", "sqrt", "root"],
)
def test_a_model_that_has_no_value_or_slope_there_is_refused(model: Any) -> None:
    zero = [Input(name="x", estimate=0.0, standard=1.0)]
    with pytest.raises(ArgumentError, match="must be finite"):
        propagate(model, zero)


def test_what_is_too_large_to_square_is_refused_at_the_door() -> None:
    for estimate, standard in ((1e308, 1.0), (0.0, 1e308)):
        with pytest.raises(ArgumentError, match=r"x = 1e\+308: must be"):
            Input(name="x", estimate=estimate, standard=standard)
    with pytest.raises(ArgumentError, match=r"readings\[1\] = -1e\+200: must be"):
        type_a([1.0, -1e200])


def test_results_that_are_exactly_known_correlate_with_nothing() -> None:
    known = [Input(name="x", estimate=2.0, standard=0.0)]
    found = propagate_jointly(lambda x: (x, 3 * x), known)
    assert found.correlation.tolist() == [[1.0, 0.0], [0.0, 1.0]]


@pytest.mark.source("JCGM 100:2008, 5.1.2 note; derivatives by hand")
def test_second_order_terms_of_cubic_models() -> None:
    """Terms [f_ij^2 / 2 + f_i f_ijj] u_i^2 u_j^2, both orders of a pair together.

    x^3: f' = 3 x^2, f'' = 6 x, f''' = 6. x^2 y: f_x = 2 x y, f_y = x^2, f_xx = 2 y,
    f_xy = 2 x, f_xxy = 2, and the rest is 0.
    """
    x = Input(name="x", estimate=2.0, standard=0.1)
    y = Input(name="y", estimate=5.0, standard=0.3)
    cube = second_order_variances(lambda x: x**3, [x])
    assert cube["x", "x"] == pytest.approx((12.0**2 / 2 + 12.0 * 6.0) * 0.1**4)
    terms = second_order_variances(lambda x, y: x**2 * y, [x, y])
    assert terms == {
        ("x", "x"): pytest.approx(10.0**2 / 2 * 0.1**4),
        ("x", "y"): pytest.approx((4.0**2 + 4.0 * 2.0) * 0.1**2 * 0.3**2),
        ("y", "y"): pytest.approx(0.0, abs=1e-12),
    }
