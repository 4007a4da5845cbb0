"""What limits from a short baseline really give."""

from math import inf, sqrt

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import norm, t

from daemon.spc.constants import c4
from daemon.spc.errors import OutOfRangeError
from daemon.spc.limits import Limits, Provenance, SigmaMethod, limits_from_baseline
from daemon.spc.rules import ISO_7870_2, ONE_BEYOND_3
from daemon.spc.run_rules import RunRules
from daemon.spc.small_sample import (
    chance_of_false_alarm,
    false_alarms,
    honest_width,
)

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
        fired.append(RunRules(rules=ISO_7870_2).extend(z).signal.any())
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


@pytest.mark.parametrize("rate", [0.0, 1.0, -0.1])
def test_a_rate_is_between_0_and_1(rate: float) -> None:
    with pytest.raises(OutOfRangeError, match=r"rate = .*> 0 and < 1"):
        honest_width(estimated(5, METHODS[0]).provenance, rate=rate)


def test_no_units_are_refused() -> None:
    with pytest.raises(OutOfRangeError, match="units = 0"):
        false_alarms(Limits(centre=0.0, sigma=1.0), units=0)
    with pytest.raises(OutOfRangeError, match="units = 0"):
        chance_of_false_alarm(Limits(centre=0.0, sigma=1.0), [ONE_BEYOND_3], units=0)
    assert Limits(centre=0.0, sigma=1.0).provenance.degrees_of_freedom == inf
