"""A build against those before it."""

import numpy as np
import pytest
from scipy import stats

from daemon.spc import NoSpreadError, TooFewError, against_earlier

CHANCE = np.random.default_rng(17)
MINE = CHANCE.normal(300.0, 150.0, 25)
EARLIER = [CHANCE.normal(mean, 120.0, n) for mean, n in ((0, 20), (80, 25), (-60, 30))]


@pytest.mark.source("scipy.stats.ttest_ind(equal_var=False): Welch's interval")
def test_against_one_build_the_shift_is_welchs() -> None:
    found = against_earlier(MINE, EARLIER[:1])
    expected = stats.ttest_ind(MINE, EARLIER[0], equal_var=False).confidence_interval(
        0.95
    )
    assert (found.shift_low, found.shift_high) == pytest.approx(tuple(expected))
    assert found.usual is None


@pytest.mark.source("scipy.stats.ttest_ind(equal_var=False): Welch's interval")
def test_against_several_their_means_are_the_other_sample() -> None:
    found = against_earlier(MINE, EARLIER)
    means = [one.mean() for one in EARLIER]
    expected = stats.ttest_ind(MINE, means, equal_var=False).confidence_interval(0.95)
    assert (found.shift_low, found.shift_high) == pytest.approx(tuple(expected))
    reach = stats.t.ppf(0.975, 2) * np.std(means, ddof=1) * np.sqrt(1 + 1 / 3)
    assert found.usual == pytest.approx(reach)


def test_the_interval_of_the_spread_covers_as_often_as_it_says() -> None:
    """Simulated: 2000 builds that scatter 1.5 times as far as the two before them."""
    chance = np.random.default_rng(23)
    covered = 0
    for _ in range(2000):
        found = against_earlier(
            chance.normal(0.0, 1.5, 20),
            [chance.normal(0.0, 1.0, 15), chance.normal(0.4, 1.0, 15)],
        )
        covered += found.ratio_low <= 1.5 <= found.ratio_high
    assert covered / 2000 == pytest.approx(0.95, abs=0.02)


def test_what_builds_differ_by_is_no_shift() -> None:
    """Simulated: builds whose levels scatter; a false alarm in about one of twenty."""
    chance = np.random.default_rng(29)
    alarms = 0
    for _ in range(1000):
        levels = chance.normal(0.0, 300.0, 6)
        builds = [chance.normal(level, 100.0, 20) for level in levels]
        alarms += against_earlier(builds[-1], builds[:-1]).moved
    assert alarms / 1000 == pytest.approx(0.05, abs=0.02)


def test_one_unit_or_none_before_is_too_few() -> None:
    with pytest.raises(TooFewError):
        against_earlier([1.0], [[1.0, 2.0]])
    with pytest.raises(TooFewError):
        against_earlier([1.0, 2.0], [[1.0]])


def test_units_that_all_read_alike_say_nothing() -> None:
    with pytest.raises(NoSpreadError):
        against_earlier([1.0, 1.0], [[1.0, 2.0]])
