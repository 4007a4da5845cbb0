"""Build means beside unit scatter."""

from math import nan, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.spc.charts.builds import BuildChart, build_limits
from daemon.spc.charts.scatter import Scatter
from daemon.spc.charts.subgroups import SubgroupChart, subgroup_limits
from daemon.spc.constants import d2, d3
from daemon.spc.errors import NoSpreadError, NotFiniteError, TooFewError
from daemon.spc.limits import Exclusion, SigmaMethod
from tests.chart_checks import one_by_one_equals_whole, refuses
from tests.reference_values import Entry

build = st.lists(st.floats(-300, 300), min_size=2, max_size=6)
many = st.lists(build, min_size=1, max_size=6)


@pytest.mark.reference("12_variance_components", "chart.between_within")
def test_three_charts_of_eight_builds(entry: Entry) -> None:
    data = np.array(entry.inputs["data"])
    limits = build_limits(data, method=SigmaMethod.MEAN_RANGE)
    history = BuildChart.of(limits, Scatter.RANGE).extend(data)
    entry.check("xbar", history.mean.value)
    entry.check("MRbar", np.nanmean(history.mean.moving_range))
    entry.check("I_UCL", history.mean.upper[0])
    entry.check("I_LCL", history.mean.lower[0])
    entry.check("MR_UCL", (d2(2) + 3 * d3(2)) * limits.means.sigma)
    assert history.mean.moving_range_upper[0] == pytest.approx(
        entry.published("MR_UCL"), abs=1e-5
    )
    entry.check("Rbar", history.scatter.value.mean())
    entry.check("R_UCL", history.scatter.upper[0])
    entry.check("sigma_within", limits.sigma_inside)
    entry.check("sigma_between", limits.sigma_across)
    entry.check("sigma_between_within", limits.sigma_unit)
    subgroups = SubgroupChart(limits=subgroup_limits(data)).extend(data)
    entry.check("xbar_R_limits_would_be", [subgroups.lower[0], subgroups.upper[0]])
    entry.check("points_out_of_xbar_R_limits", int(subgroups.signal.sum()))


@given(st.sampled_from(Scatter), many, many)
def test_one_by_one_equals_whole(
    scatter: Scatter, first: list[list[float]], second: list[list[float]]
) -> None:
    limits = build_limits([[1.0, 40.0], [90.0, 70.0], [-30.0, 20.0]])
    one_by_one_equals_whole(BuildChart.of(limits, scatter), first, second, atol=3e-8)


@given(st.floats(-1e3, 1e3), st.floats(0.01, 100.0))
def test_limits_shift_and_scale(shift: float, scale: float) -> None:
    data = np.array([[1.0, 40.0], [90.0, 70.0], [-30.0, 20.0]])
    limits = build_limits(data)
    moved = build_limits(data * scale + shift)
    assert moved.sigma_inside == pytest.approx(limits.sigma_inside * scale)
    assert moved.sigma_across == pytest.approx(limits.sigma_across * scale)
    assert moved.means.upper == pytest.approx(limits.means.upper * scale + shift)


@pytest.mark.source("definition: variance of a mean of n units, at the harmonic mean n")
def test_both_scatters_are_told_apart() -> None:
    rng = np.random.default_rng(31)
    sizes = rng.integers(20, 60, size=400)
    builds = [rng.normal(rng.normal(0.0, 100.0), 150.0, size=size) for size in sizes]
    limits = build_limits(builds, method=SigmaMethod.POOLED)
    assert limits.sigma_inside == pytest.approx(150.0, rel=0.02)
    assert limits.sigma_across == pytest.approx(100.0, rel=0.1)
    expected = sqrt(limits.means.sigma**2 - limits.sigma_inside**2 * np.mean(1 / sizes))
    assert limits.sigma_across == pytest.approx(expected)


def test_builds_that_differ_no_more_than_units_have_no_scatter_across() -> None:
    limits = build_limits([[0.0, 10.0], [0.1, 10.1], [0.2, 10.0], [0.1, 9.9]])
    assert limits.sigma_across == 0.0
    assert limits.sigma_unit == limits.sigma_inside


def test_an_excluded_build_is_not_bridged() -> None:
    data = [[0.0, 4.0], [1.0, 5.0], [500.0, 900.0], [3.0, 6.0], [5.0, 7.5]]
    limits = build_limits(data, exclude=[Exclusion(index=2, cause="lead resistance")])
    assert limits.means.sigma == pytest.approx((1.0 + 1.75) / 2 / d2(2))
    assert limits.means.provenance.used == 4
    assert limits.sigma_inside < 4.0


def test_bad_builds_are_named() -> None:
    chart = BuildChart.of(build_limits([[1.0, 2.0], [3.0, 5.0]]))
    refuses(chart, TooFewError, "len(units) = 1: must be >= 2", [1.0])
    refuses(chart, NotFiniteError, "units[0] = nan", [nan, 1.0])
    with pytest.raises(TooFewError, match=r"len\(x\) = 1"):
        build_limits([[1.0, 2.0]])
    with pytest.raises(NoSpreadError, match="spread of units inside builds = 0"):
        build_limits([[1.0, 1.0], [2.0, 2.0]])
    with pytest.raises(NoSpreadError, match="spread of x = 0"):
        build_limits([[1.0, 3.0], [2.0, 2.0]])
