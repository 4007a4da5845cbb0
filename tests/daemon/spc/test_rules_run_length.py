"""How often a set of rules speaks by chance."""

from itertools import pairwise
from math import factorial

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from numpy.testing import assert_allclose
from scipy.stats import norm

from daemon.spc.errors import OutOfRangeError, SpcError
from daemon.spc.rules import (
    ISO_7870_2,
    NELSON,
    ONE_BEYOND_3,
    SEVEN_IN_A_TREND,
    SEVEN_ON_ONE_SIDE,
    WESTERN_ELECTRIC,
    Pattern,
    Rule,
)
from daemon.spc.run_length import first_firing
from tests.chart_checks import Watched
from tests.reference_values import Entry

SETS = {
    "1-8": NELSON,
    "1,2,5,6": (NELSON[0], NELSON[1], NELSON[4], NELSON[5]),
    "1,3": (NELSON[0], NELSON[2]),
    "3 alone": (NELSON[2],),
    "4 alone": (NELSON[3],),
    "WE 1-4 (8 in row)": WESTERN_ELECTRIC,
}


def by_chance(rule: Rule) -> float:
    """Return the probability that one rule fires at a unit with a full window."""
    # A fresh chart whose first complete window ends at unit `window`.
    return float(first_firing([rule], units=rule.window).within[-1])


@pytest.mark.reference("05_run_rules", "rules.nelson1984.false_alarm")
def test_each_test_of_nelson_has_its_false_alarm_probability(entry: Entry) -> None:
    entry.check("probability", [by_chance(rule) for rule in NELSON])


@pytest.mark.reference("05_run_rules", "rules.iso7870_2.definitions")
def test_the_tests_of_iso_7870_2_have_their_probability(entry: Entry) -> None:
    entry.check("false_alarm_run7", by_chance(SEVEN_ON_ONE_SIDE))
    entry.check("false_alarm_trend7", by_chance(SEVEN_IN_A_TREND))


@pytest.mark.reference("05_run_rules", "rules.western_electric1956.definitions")
def test_the_zone_tests_have_their_printed_probability(entry: Entry) -> None:
    # The handbook takes each half of the chart alone; it prints 0.00277 as 0.0027.
    ours = [by_chance(rule) / 2 for rule in WESTERN_ELECTRIC]
    printed = entry.published("probabilities_each_side")
    np.testing.assert_allclose(ours, printed, atol=1e-4)
    q1, q2, q3 = (float(norm.sf(line)) for line in (1.0, 2.0, 3.0))
    two, four = 3 * q2**2 * (1 - q2) + q2**3, 5 * q1**4 * (1 - q1) + q1**5
    np.testing.assert_allclose(ours, [q3, two, four, 0.5**8], rtol=1e-9)


@pytest.mark.reference("04_run_length", "arl.nelson.combinations")
def test_combined_sets_run_as_long_as_simulated(entry: Entry) -> None:
    ours = [first_firing(SETS[key]).mean for key in entry.inputs["combinations"]]
    entry.check("ARL", ours)


@pytest.mark.reference(
    "04_run_length",
    "arl.runrules.C1",
    "arl.runrules.C12",
    "arl.runrules.C13",
    "arl.runrules.C14",
    "arl.runrules.C123",
    "arl.runrules.C1234",
    "arl.runrules.1_nine",
)
def test_zone_rules_run_as_long_as_published(entry: Entry) -> None:
    if "rules" in entry.inputs:
        rules = [WESTERN_ELECTRIC[int(i) - 1] for i in entry.inputs["rules"].split(",")]
    else:
        rules = [NELSON[0], NELSON[1]]
    # The published chain fires as soon as enough points comply; with complete windows
    # only, as on a chart, the first units after a large shift differ a little.
    ours = [
        first_firing(rules, shift=shift, complete_windows=False).mean
        for shift in entry.inputs["shift"]
    ]
    entry.check("ARL", ours)
    assert first_firing(rules).mean == pytest.approx(ours[0], abs=0.02)


@pytest.mark.source("closed form: permutations without a falling step")
def test_a_trend_alone_fires_first_as_counted_from_permutations() -> None:
    first = first_firing([SEVEN_IN_A_TREND], units=8)
    # Eight values: 8! orders; rising over the first seven or the last seven.
    both = 2 * (2 * 8 - 1) / factorial(8)
    np.testing.assert_allclose(
        first.within, [0, 0, 0, 0, 0, 0, 2 / factorial(7), both], atol=1e-12
    )


def test_the_chain_agrees_with_the_rules_themselves() -> None:
    """A simulation with a shifted, widened process lies within its own error."""
    rng = np.random.default_rng(7870)
    rules, units, charts = ISO_7870_2, 30, 4000
    expected = first_firing(rules, units=units, shift=0.4, scale=1.2).within[-1]
    z = rng.normal(0.4, 1.2, size=(charts, units))
    fired = np.mean([Watched(rules, row).signal.any() for row in z])
    error = np.sqrt(expected * (1 - expected) / charts)
    assert abs(fired - expected) < 4 * error


@settings(max_examples=30, deadline=None)
@given(st.floats(0.0, 3.0), st.sampled_from([NELSON, ISO_7870_2, WESTERN_ELECTRIC]))
def test_both_directions_are_alike(shift: float, rules: tuple[Rule, ...]) -> None:
    up = first_firing(rules, units=20, shift=shift)
    down = first_firing(rules, units=20, shift=-shift)
    assert up.mean == pytest.approx(down.mean, rel=1e-8)
    np.testing.assert_allclose(up.within, down.within, atol=1e-9)
    assert np.all(np.diff(up.within) >= -1e-12)


def test_more_rules_speak_more_often() -> None:
    rates = [first_firing(NELSON[:k]).rate for k in range(1, 9)]
    assert all(later > earlier for earlier, later in pairwise(rates))


def test_wide_limits_run_very_long() -> None:
    far = Rule(pattern=Pattern.ONE_SIDE, window=1, sigmas=6.0)
    assert first_firing([far]).mean == pytest.approx(1 / (2 * norm.sf(6.0)), rel=1e-6)


@pytest.mark.parametrize(
    "settings_", [{"units": 0}, {"scale": 0.0}, {"scale": -1.0}, {"shift": np.nan}]
)
def test_bad_settings_are_refused(settings_: dict[str, float]) -> None:
    with pytest.raises(SpcError, match=f"{next(iter(settings_))} = "):
        first_firing([ONE_BEYOND_3], **settings_)  # type: ignore[arg-type]


def test_an_empty_set_is_refused() -> None:
    with pytest.raises(OutOfRangeError, match="at least one rule"):
        first_firing([])


def test_a_long_stretch_goes_on_as_the_short_one_settled() -> None:
    """One beyond three sigma fires at every unit alike: geometric, by hand."""
    within = first_firing([ONE_BEYOND_3], units=50_000).within
    alone = 2 * norm.sf(3.0)
    at = np.array([0, 999, 1_000, 1_001, 5_000, 49_999])
    assert within.shape == (50_000,)
    assert_allclose(within[at], -np.expm1((at + 1) * np.log1p(-alone)), rtol=1e-9)


def test_a_stretch_that_nobody_looks_at_is_refused() -> None:
    with pytest.raises(OutOfRangeError, match="units = 1000000000: must be <= 1000000"):
        first_firing([ONE_BEYOND_3], units=10**9)
