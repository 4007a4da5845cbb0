"""Tolerance intervals against printed tables, and against their definition."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from scipy.stats import chi2, norm

from daemon.spc.numerics import smallest
from daemon.spc.tolerance import (
    Side,
    distribution_free_interval,
    distribution_free_size,
    howe_factor,
    normal_interval,
    one_sided_factor,
    two_sided_factor,
)
from tests.reference_values import Entry
from tests.refusals import Refusal, assert_refused, refusals

FILE = "07_tolerance_intervals"


@pytest.mark.reference(FILE, "tol.nist.two_sided.n43")
def test_two_sided_of_the_handbook(entry: Entry) -> None:
    n, mean, s = (entry.inputs[name] for name in ("n", "mean", "s"))
    wanted = {name: entry.inputs[name] for name in ("coverage", "confidence")}
    howe = howe_factor(n, **wanted)
    for name in ("k2_howe", "k2_howe_exact_digits"):
        entry.check(name, howe)
    entry.check("k2_exact", two_sided_factor(n, **wanted))
    entry.check("lower", mean - howe * s)
    entry.check("upper", mean + howe * s)


@pytest.mark.reference(FILE, "tol.nist.one_sided.n43")
def test_one_sided_of_the_handbook(entry: Entry) -> None:
    wanted = {name: entry.inputs[name] for name in ("coverage", "confidence")}
    exact = one_sided_factor(entry.inputs["n"], **wanted)
    for name in ("k1_exact", "k1_exact_printed"):
        entry.check(name, exact)


@pytest.mark.reference(
    FILE, "tol.table.p95c95", "tol.table.p99c95", "tol.table.p90c95", "tol.table.p95c99"
)
def test_tables_of_factors(entry: Entry) -> None:
    wanted = {name: entry.inputs[name] for name in ("coverage", "confidence")}
    sizes = entry.inputs["n"]
    entry.check("k2_exact", [two_sided_factor(n, **wanted) for n in sizes])
    entry.check("k2_howe", [howe_factor(n, **wanted) for n in sizes])
    entry.check("k1_exact", [one_sided_factor(n, **wanted) for n in sizes])


@pytest.mark.reference(FILE, "tol.iso16269.recalled")
def test_printed_three_decimals(entry: Entry) -> None:
    sizes = entry.inputs["n"]
    for name, factor in (("k2", two_sided_factor), ("k1", one_sided_factor)):
        entry.check(name, [factor(n, coverage=0.95, confidence=0.95) for n in sizes])


@pytest.mark.reference(FILE, "tol.distribution_free")
def test_sizes_for_the_extremes(entry: Entry) -> None:
    rows = [
        [
            coverage,
            confidence,
            distribution_free_size(
                side=Side.UPPER, coverage=coverage, confidence=confidence
            ),
            distribution_free_size(
                side=Side.BOTH, coverage=coverage, confidence=confidence
            ),
        ]
        for coverage, confidence, *_ in entry.published("rows")
    ]
    entry.check("rows", rows)


@pytest.mark.source("definition: coverage of the interval, simulated with a fixed seed")
@pytest.mark.parametrize("side", Side)
def test_normal_intervals_cover_as_often_as_said(side: Side) -> None:
    generator = np.random.default_rng(16269)
    n, covered = 6, 0
    for _ in range(1500):
        interval = normal_interval(
            generator.normal(5.0, 2.0, n), side=side, coverage=0.8, confidence=0.9
        )
        low = -np.inf if interval.lower is None else (interval.lower - 5.0) / 2.0
        high = np.inf if interval.upper is None else (interval.upper - 5.0) / 2.0
        covered += norm.cdf(high) - norm.cdf(low) >= 0.8
    assert covered / 1500 == pytest.approx(0.9, abs=4 * np.sqrt(0.09 / 1500))


@pytest.mark.source("definition: coverage of the interval, simulated with a fixed seed")
@pytest.mark.parametrize("side", Side)
def test_distribution_free_intervals_cover_at_least_as_often(side: Side) -> None:
    generator = np.random.default_rng(1941)
    covered, reached = 0, 0.0
    for _ in range(1500):
        interval = distribution_free_interval(
            generator.exponential(size=70), side=side, coverage=0.9, confidence=0.9
        )
        low = 0.0 if interval.lower is None else -np.expm1(-interval.lower)
        high = 1.0 if interval.upper is None else -np.expm1(-interval.upper)
        covered += high - low >= 0.9
        reached = interval.reached
    assert reached >= 0.9
    error = 4 * np.sqrt(0.09 / 1500)
    assert covered / 1500 == pytest.approx(reached, abs=error)


@pytest.mark.source("limit of many values: mean and sigma known")
def test_many_values_give_the_normal_quantiles() -> None:
    for factor, known in ((one_sided_factor, 0.99), (two_sided_factor, 0.995)):
        k = factor(10**7, coverage=0.99, confidence=0.9)
        assert k == pytest.approx(norm.ppf(known), abs=2e-3)


@pytest.mark.source("closed form: mean known, s with one degree of freedom")
def test_pooled_degrees_of_freedom() -> None:
    """With a mean of very many values only s is uncertain."""
    factor = two_sided_factor(10**9, coverage=0.9, confidence=0.95, degrees=4)
    expected = norm.ppf(0.95) * np.sqrt(4 / chi2.ppf(0.05, 4))
    assert factor == pytest.approx(expected, rel=1e-6)
    pooled = one_sided_factor(5, coverage=0.9, confidence=0.95, degrees=40)
    assert pooled < one_sided_factor(5, coverage=0.9, confidence=0.95)


@given(
    st.lists(st.floats(-100.0, 100.0), min_size=2, max_size=20),
    st.floats(-100.0, 100.0),
    st.floats(0.1, 10.0),
)
@settings(max_examples=25, deadline=None)
def test_shift_and_scale(x: list[float], shift: float, scale: float) -> None:
    plain = normal_interval(x)
    moved = normal_interval([scale * value + shift for value in x])
    assert plain.lower is not None
    assert moved.lower == pytest.approx(scale * plain.lower + shift, abs=1e-6)


@given(
    st.integers(2, 200),
    st.floats(0.05, 0.99),
    st.floats(0.05, 0.99),
    st.sampled_from([one_sided_factor, two_sided_factor]),
)
@settings(max_examples=40, deadline=None)
def test_more_coverage_or_confidence_needs_a_wider_interval(
    n: int, coverage: float, confidence: float, factor: Callable[..., float]
) -> None:
    k = factor(n, coverage=coverage, confidence=confidence)
    assert factor(n, coverage=coverage + 0.005, confidence=confidence) > k
    assert factor(n, coverage=coverage, confidence=confidence + 0.005) > k


@given(st.integers(0, 50), st.integers(0, 3000))
def test_smallest_is_the_first(at_least: int, threshold: int) -> None:
    found = smallest(lambda n: n >= threshold, at_least=at_least)
    assert found == max(at_least, threshold)


@pytest.mark.source("closed form: normal limit of the noncentral t")
@pytest.mark.parametrize("n", [10**6, 10**8, 10**9, 10**12])
@pytest.mark.parametrize("coverage", [0.2, 0.95])
def test_factors_of_very_many_values(n: int, coverage: float) -> None:
    z, sure = norm.ppf(coverage), norm.ppf(0.99)
    limit = z + sure * np.sqrt((1.0 + z * z / 2.0) / n)
    found = one_sided_factor(n, coverage=coverage, confidence=0.99)
    assert found == pytest.approx(limit, abs=1e-5)
    assert two_sided_factor(n, coverage=coverage, confidence=0.99) == pytest.approx(
        norm.ppf(0.5 + coverage / 2), rel=3e-3
    )


@pytest.mark.parametrize("n", [1, 45])
def test_too_few_values_are_a_value_that_says_how_many(n: int) -> None:
    interval = distribution_free_interval(range(n), coverage=0.9, confidence=0.95)
    assert interval.lower is interval.upper is interval.lower_rank is None
    assert (interval.n, interval.needed) == (n, 46)
    assert interval.reached < 0.95


@pytest.mark.parametrize(
    "refusal",
    refusals(
        Refusal("len(x)", lambda: normal_interval([1.0])),
        Refusal("x[0]", lambda: normal_interval([np.inf, 1.0])),
        Refusal("coverage", lambda: normal_interval([1.0, 2.0], coverage=1.0)),
        Refusal("confidence", lambda: normal_interval([1.0, 2.0], confidence=0.0)),
        Refusal("n", lambda: two_sided_factor(1, coverage=0.9, confidence=0.9)),
        Refusal(
            "degrees",
            lambda: one_sided_factor(5, coverage=0.9, confidence=0.9, degrees=0),
        ),
        Refusal("n", lambda: howe_factor(0, coverage=0.9, confidence=0.9)),
        Refusal("len(x)", lambda: distribution_free_interval([])),
        Refusal(
            "coverage",
            lambda: distribution_free_size(
                side=Side.BOTH, coverage=np.nan, confidence=0.9
            ),
        ),
    ),
)
def test_bad_arguments_are_named(refusal: Refusal) -> None:
    assert_refused(refusal)
