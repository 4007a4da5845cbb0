"""Units and time between rare failures."""

from math import inf, nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.stats import expon, geom, norm

from daemon.spc.charts.gaps import Gap, GapChart, GapLimits, gap_bounds, gap_limits
from daemon.spc.errors import (
    NoSpreadError,
    NotFiniteError,
    OutOfRangeError,
    TooFewError,
)
from daemon.spc.limits import Exclusion
from tests.chart_checks import one_by_one_equals_whole, refuses

units = st.lists(st.integers(0, 3000), max_size=15)
means = st.floats(0.5, 1e5)


@pytest.mark.source("definition: tails of the geometric law (scipy.stats.geom)")
@given(means, st.floats(1e-4, 0.2))
def test_limits_of_units_leave_less_than_the_tail(mean: float, tail: float) -> None:
    lower, upper = gap_bounds(Gap.UNITS, GapLimits(mean=mean, tail=tail))
    law = geom(1 / (1 + mean), loc=-1)
    slack = 1 + 1e-9
    assert law.cdf(lower - 1) < tail * slack
    assert law.cdf(lower) >= tail / slack
    assert law.sf(upper) < tail * slack
    assert upper == 0 or law.sf(upper - 1) >= tail / slack


@pytest.mark.source("definition: tails of the exponential law (scipy.stats.expon)")
@given(means, st.floats(1e-4, 0.2))
def test_limits_of_time_leave_the_tail(mean: float, tail: float) -> None:
    lower, upper = gap_bounds(Gap.TIME, GapLimits(mean=mean, tail=tail))
    law = expon(scale=mean)
    assert_allclose([law.cdf(lower), law.sf(upper)], tail, rtol=1e-9)


@pytest.mark.source("definition: normal score of a probability (scipy.stats)")
def test_z_is_the_normal_score() -> None:
    times = np.array([0.01, 3.0, 90.0, 200.0, 2500.0])
    chart = GapChart(kind=Gap.TIME, limits=GapLimits(mean=130.0))
    expected = norm.ppf(expon(scale=130.0).cdf(times))
    assert_allclose(chart.extend(times).z, expected, rtol=1e-6)
    gaps = np.array([0, 1, 40, 130, 900])
    chart = GapChart(kind=Gap.UNITS, limits=GapLimits(mean=130.0))
    law = geom(1 / 131, loc=-1)
    middle = law.cdf(gaps - 1) + law.pmf(gaps) / 2
    assert_allclose(chart.extend(gaps).z, norm.ppf(middle), rtol=1e-6)


def test_z_of_good_gaps_is_nearly_standard_normal() -> None:
    rng = np.random.default_rng(9)
    gaps = rng.geometric(0.002, size=20_000) - 1
    chart = GapChart(kind=Gap.UNITS, limits=gap_limits(Gap.UNITS, gaps))
    z = chart.extend(gaps).z
    assert_allclose([z.mean(), z.std()], [0.0, 1.0], atol=0.03)


def test_z_stays_finite_at_the_ends() -> None:
    chart = GapChart(kind=Gap.TIME, limits=GapLimits(mean=1.0))
    z = chart.extend([1e-320, 1e-9, 800.0, 1e100]).z
    assert np.all(np.isfinite(z))
    assert np.all(np.diff(z) > 0) or z[2] == z[3]


@given(st.sampled_from(Gap), units, units)
def test_one_by_one_equals_whole(
    kind: Gap, first: list[int], second: list[int]
) -> None:
    extra = 0.5 if kind is Gap.TIME else 0.0
    chart = GapChart(kind=kind, limits=GapLimits(mean=150.0, tail=0.02))
    one_by_one_equals_whole(chart, np.array(first) + extra, np.array(second) + extra)


@given(units, st.floats(0.01, 100.0))
def test_another_unit_of_time_changes_nothing(x: list[int], scale: float) -> None:
    times = np.array(x) + 0.5
    plain = GapChart(kind=Gap.TIME, limits=GapLimits(mean=150.0)).extend(times)
    scaled = GapChart(kind=Gap.TIME, limits=GapLimits(mean=150.0 * scale))
    told = scaled.extend(times * scale)
    assert_allclose(told.z, plain.z, rtol=1e-9)
    assert_allclose(told.upper, plain.upper * scale)


def test_rare_failures_become_frequent_and_are_seen() -> None:
    chart = GapChart(kind=Gap.UNITS, limits=GapLimits(mean=1999.0))
    assert chart.update(1).signal
    assert not chart.update(1500).signal
    assert chart.update(14_000).signal


def test_a_baseline_leaves_out_what_has_a_cause() -> None:
    lamp = Exclusion(index=1, cause="lamp of the checking jig failed")
    limits = gap_limits(Gap.TIME, [10.0, 500.0, 20.0], exclude=[lamp])
    assert limits.mean == 15.0
    assert limits.provenance.excluded == (lamp,)


def test_bad_input_is_named() -> None:
    number = GapChart(kind=Gap.UNITS, limits=GapLimits(mean=50.0))
    time = GapChart(kind=Gap.TIME, limits=GapLimits(mean=50.0))
    refuses(number, OutOfRangeError, "gap[0] = 2.5: must be 0, 1, ...", 2.5)
    refuses(number, OutOfRangeError, "gap[0] = -1.0: must be 0, 1, ...", -1)
    refuses(time, OutOfRangeError, "gap[0] = 0.0: must be > 0", 0.0)
    refuses(time, NotFiniteError, "gap[0] = nan", nan)
    with pytest.raises(NotFiniteError, match="mean = inf"):
        GapLimits(mean=inf)
    with pytest.raises(OutOfRangeError, match=r"tail = 1.0: must be > 0 and < 1"):
        GapLimits(mean=5.0, tail=1.0)
    with pytest.raises(NoSpreadError, match=r"mean of gap = 0.0"):
        gap_limits(Gap.UNITS, [0, 0])
    with pytest.raises(TooFewError, match="gaps left = 0"):
        gap_limits(Gap.UNITS, [])
