"""What limits from a short baseline really give."""

from math import inf, sqrt

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import norm, t

from daemon.spc.chart_factors import c4
from daemon.spc.control_limits import (
    Limits,
    Provenance,
    SigmaMethod,
    honest_width,
    limits_from_baseline,
    rate_per_chart,
    width_for_rate,
)
from daemon.spc.errors import OutOfRangeError
from daemon.spc.false_alarms import (
    chance_of_false_alarm,
    false_alarms,
)
from daemon.spc.rules import ISO_7870_2, ONE_BEYOND_3
from tests.chart_checks import Watched
from tests.reference_values import Entry

METHODS = [SigmaMethod.STANDARD_DEVIATION, SigmaMethod.MEAN_MOVING_RANGE]


def estimated(n: int, method: SigmaMethod) -> Limits:
    rng = np.random.default_rng(n)
    return limits_from_baseline(rng.normal(size=n), method=method)


@pytest.mark.source("Student's t: a new value against mean and s of n earlier ones")
@pytest.mark.parametrize("n", [5, 20, 200])
def test_rate_and_honest_width_are_those_of_student(n: int) -> None:
    limits = estimated(n, SigmaMethod.STANDARD_DEVIATION)
    reach = 3 / c4(n) / sqrt(1 + 1 / n)
    assert false_alarms(limits).rate == pytest.approx(2 * t.sf(reach, n - 1))
    width = honest_width(limits.provenance, rate=0.05)
    assert width == pytest.approx(t.isf(0.025, n - 1) * sqrt(1 + 1 / n) * c4(n))


@pytest.mark.source("from memory: two-sided 95 % prediction factor, n = 10, 2.373")
def test_prediction_factor_of_ten_values() -> None:
    limits = estimated(10, SigmaMethod.STANDARD_DEVIATION)
    factor = honest_width(limits.provenance, rate=0.05) / c4(10)
    assert factor == pytest.approx(2.373, abs=0.0005)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("n", [10, 30])
def test_figures_are_those_of_simulated_baselines(method: SigmaMethod, n: int) -> None:
    rng = np.random.default_rng(95)
    baselines = [
        limits_from_baseline(run, method=method) for run in rng.normal(size=(3000, n))
    ]
    rates = np.array([norm.cdf(each.lower) + norm.sf(each.upper) for each in baselines])
    told = false_alarms(baselines[0], units=100)
    assert_allclose(told.rate, rates.mean(), rtol=0.12)
    assert_allclose(told.unlucky_rate, np.quantile(rates, 0.9), rtol=0.15)
    assert_allclose(told.chance, np.mean(1 - (1 - rates) ** 100), atol=0.025)
    assert told.expected == 100 * told.rate
    assert told.nominal_rate == pytest.approx(2 * norm.sf(3))


def test_chance_with_rules_is_that_of_simulated_charts() -> None:
    rng = np.random.default_rng(2013)
    fired = []
    for run in rng.normal(size=(1500, 15)):
        limits = limits_from_baseline(run, method=SigmaMethod.STANDARD_DEVIATION)
        z = (rng.normal(size=40) - limits.centre) / limits.sigma
        fired.append(Watched(ISO_7870_2, z).signal.any())
    limits = estimated(15, SigmaMethod.STANDARD_DEVIATION)
    told = chance_of_false_alarm(limits, ISO_7870_2, units=40)
    assert told == pytest.approx(np.mean(fired), abs=0.04)


def test_the_rule_on_the_limits_alone_is_the_chart_itself() -> None:
    limits = estimated(20, SigmaMethod.MEAN_MOVING_RANGE)
    alone = chance_of_false_alarm(limits, [ONE_BEYOND_3], units=100)
    assert alone == pytest.approx(false_alarms(limits, units=100).chance, abs=2e-3)


def test_known_parameters_give_the_nominal_figures() -> None:
    known = Limits(centre=4.0, sigma=2.0)
    told = false_alarms(known, units=50)
    assert told.rate == told.unlucky_rate == told.nominal_rate
    assert told.chance == pytest.approx(1 - (1 - told.nominal_rate) ** 50)
    assert honest_width(known.provenance, rate=2 * norm.sf(3)) == pytest.approx(3.0)
    chance = chance_of_false_alarm(known, [ONE_BEYOND_3], units=50)
    assert chance == pytest.approx(told.chance)


def test_long_baselines_come_close_to_known_parameters() -> None:
    long = Provenance(
        method=SigmaMethod.STANDARD_DEVIATION, used=10**7, degrees_of_freedom=10**7 - 1
    )
    told = false_alarms(Limits(centre=0.0, sigma=1.0, provenance=long), units=100)
    assert told.rate == pytest.approx(told.nominal_rate, rel=1e-4)
    assert told.chance == pytest.approx(1 - (1 - told.nominal_rate) ** 100, rel=1e-3)


@pytest.mark.reference("16_multiple_testing", "familywise")
def test_many_charts(entry: Entry) -> None:
    rate, charts = entry.inputs["alpha"], entry.inputs["m"]
    single = rate_per_chart(any_alarm=rate, charts=100)
    entry.check("sidak_alpha_for_familywise_0.0027_m100", single)
    entry.check("sidak_limit_sigma", width_for_rate(single))
    # Back again: so many charts of one rate have any alarm as often as published.
    any_alarm = dict(zip(charts, entry.published("prob"), strict=True))
    back = [rate_per_chart(any_alarm=any_alarm[m], charts=m) for m in charts]
    assert_allclose(back, rate, rtol=1e-4)


@pytest.mark.parametrize("rate", [0.0, 1.0, -0.1])
def test_a_rate_is_between_0_and_1(rate: float) -> None:
    with pytest.raises(OutOfRangeError, match=r"rate = .*> 0 and < 1"):
        honest_width(estimated(5, METHODS[0]).provenance, rate=rate)
    with pytest.raises(OutOfRangeError, match=r"rate = .*> 0 and < 1"):
        width_for_rate(rate)
    with pytest.raises(OutOfRangeError, match=r"any_alarm = .*> 0 and < 1"):
        rate_per_chart(any_alarm=rate, charts=3)


def test_no_units_are_refused() -> None:
    with pytest.raises(OutOfRangeError, match="units = 0"):
        false_alarms(Limits(centre=0.0, sigma=1.0), units=0)
    with pytest.raises(OutOfRangeError, match="units = 0"):
        chance_of_false_alarm(Limits(centre=0.0, sigma=1.0), [ONE_BEYOND_3], units=0)
    assert Limits(centre=0.0, sigma=1.0).provenance.degrees_of_freedom == inf


def test_limits_that_rest_on_no_unit_have_no_honest_width() -> None:
    on_none = Provenance(
        method=SigmaMethod.MEAN_MOVING_RANGE, used=0, degrees_of_freedom=12.0
    )
    with pytest.raises(OutOfRangeError, match="units that the limits rest on"):
        honest_width(on_none)


def test_limits_next_to_no_width_alarm_for_sure() -> None:
    on_ten = limits_from_baseline(
        [0.3, -1.1, 0.8, 0.1, -0.4, 1.3, -0.7, 0.2]
    ).provenance
    told = false_alarms(
        Limits(centre=0.0, sigma=1.0, width=1e-300, provenance=on_ten), units=1
    )
    assert told.chance == pytest.approx(1.0)
