"""Tests of normality against published values and the general library."""

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy import stats

from daemon.spc.normality import anderson_darling, anderson_darling_p
from tests.reference_values import Entry, entry
from tests.refusals import Refusal, assert_refused, refusals

FILE = "17_normality"


@pytest.mark.reference(FILE, "ad.linear10", "ad.skewed", "ad.michelso")
def test_anderson_darling(entry: Entry) -> None:
    x = _values(entry)
    test = anderson_darling(x)
    entry.check("A2", test.squared)
    entry.check("A2_modified", test.modified)
    entry.check("p", test.p)


def _values(example: Entry) -> list[float]:
    if "x" in example.inputs:
        return list(example.inputs["x"])
    file, key = example.inputs["data_from"].split(".json ")
    return list(entry(file, key).inputs["x"])


@pytest.mark.reference(FILE, "ad.pvalue_formula")
def test_p_value(entry: Entry) -> None:
    entry.check("p", [anderson_darling_p(a) for a in entry.inputs["A_star"]])


@pytest.mark.reference(FILE, "ad.critical")
def test_critical_values(entry: Entry) -> None:
    p = [anderson_darling_p(a) for a in entry.published("modified_075_225")]
    # The published fit of p meets the published critical values to about 2 %.
    assert p == pytest.approx(entry.inputs["alpha"], rel=0.025)
    # The older row belongs to another small-sample factor: mixed with ours it would
    # reject too rarely.
    mixed = [anderson_darling_p(a) for a in entry.published("asymptotic_4_25")]
    assert np.all(np.array(mixed) < 0.93 * np.array(entry.inputs["alpha"]))


@pytest.mark.reference(FILE, "ad.nist.1.3.5.14")
def test_published_outcomes_for_a_thousand_numbers(entry: Entry) -> None:
    """The published statistics give the published verdicts at 5 %."""
    n = 1000
    p = {
        name: anderson_darling_p(entry.published(name) * (1 + 0.75 / n + 2.25 / n**2))
        for name in ("normal", "double_exponential", "cauchy", "lognormal")
    }
    assert p.pop("normal") > 0.05
    assert all(value < 0.001 for value in p.values())
    # Our own samples of those kinds fall where the published statistics do.
    generator = np.random.default_rng(1000)
    for draw, low, high in (
        (generator.normal, 0.1, 1.0),
        (generator.laplace, 3.0, 20.0),
        (generator.standard_cauchy, 100.0, 500.0),
        (generator.lognormal, 60.0, 150.0),
    ):
        assert low < anderson_darling(draw(size=n)).squared < high


@pytest.mark.source("scipy.stats: p-values of normal samples are uniform")
def test_p_values_of_normal_samples_are_uniform() -> None:
    generator = np.random.default_rng(5)
    p = [anderson_darling(generator.normal(size=30)).p for _ in range(1500)]
    assert stats.kstest(p, "uniform").pvalue > 0.01


@given(
    st.lists(st.integers(-1000, 1000), min_size=8, max_size=40).filter(
        lambda x: len(set(x)) > 1
    ),
    st.floats(-1e4, 1e4),
    st.floats(0.01, 100.0),
)
def test_unit_and_origin_do_not_matter(
    x: list[int], shift: float, scale: float
) -> None:
    plain, moved = x, [scale * value + shift for value in x]
    first, second = anderson_darling(plain), anderson_darling(moved)
    assert second.squared == pytest.approx(first.squared, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize(
    "refusal",
    refusals(
        Refusal("len(x)", lambda: anderson_darling([1.0] * 7)),
        Refusal("spread of x", lambda: anderson_darling([0.1] * 10)),
        Refusal("x[2]", lambda: anderson_darling([1.0, 2.0, np.nan, *range(9)])),
        Refusal("modified", lambda: anderson_darling_p(0.0)),
        Refusal("modified", lambda: anderson_darling_p(np.nan)),
    ),
)
def test_bad_arguments_are_named(refusal: Refusal) -> None:
    assert_refused(refusal)
