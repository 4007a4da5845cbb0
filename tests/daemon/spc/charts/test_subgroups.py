"""Mean and range, mean and standard deviation."""

from math import nan, sqrt

import numpy as np
import pytest
from hypothesis import given, strategies as st
from numpy.testing import assert_allclose
from scipy.stats import norm

from daemon.spc.chart_factors import c4, d2
from daemon.spc.charts.subgroups import Scatter, SubgroupChart, subgroup_limits
from daemon.spc.control_limits import (
    Exclusion,
    Limits,
    SigmaMethod,
    equivalent_degrees_of_freedom,
)
from daemon.spc.errors import (
    NoSpreadError,
    NotFiniteError,
    OutOfRangeError,
    TooFewError,
)
from tests.chart_checks import history as history_of, refuses
from tests.reference_values import Entry, entry

FILE = "02_shewhart_charts"
METHODS = [SigmaMethod.MEAN_RANGE, SigmaMethod.MEAN_S, SigmaMethod.POOLED]

subgroup = st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=7)
many = st.lists(subgroup, min_size=1, max_size=8)


@pytest.mark.reference(FILE, "xbar_r.flow_width")
def test_flow_width_mean_and_range(entry: Entry) -> None:
    data = np.array(entry.inputs["subgroups"])
    limits = subgroup_limits(data)
    history = history_of(SubgroupChart(limits=limits), data)
    entry.check("xbarbar", limits.centre)
    entry.check("Rbar", history.scatter.value.mean())
    entry.check("UCL_xbar", history.upper[0])
    entry.check("LCL_xbar", history.lower[0])
    entry.check("UCL_R", history.scatter.upper[0])
    entry.check("LCL_R", history.scatter.lower[0])
    entry.check("sigma_hat", limits.sigma)
    low, high = entry.inputs["LSL"], entry.inputs["USL"]
    share = norm.cdf(low, limits.centre, limits.sigma) + norm.sf(
        high, limits.centre, limits.sigma
    )
    entry.check("fraction_nonconforming", share)
    entry.check("Cp", (high - low) / (6 * limits.sigma))
    entry.check("any_out", bool(history.signal.any() or history.scatter.signal.any()))


@pytest.mark.reference(FILE, "xbar_s.flow_width")
def test_flow_width_mean_and_s(entry: Entry) -> None:
    data = np.array(same_data(entry))
    limits = subgroup_limits(data, method=SigmaMethod.MEAN_S)
    history = history_of(SubgroupChart(limits=limits, scatter=Scatter.S), data)
    entry.check("sbar", history.scatter.value.mean())
    entry.check("UCL_xbar", history.upper[0])
    entry.check("LCL_xbar", history.lower[0])
    entry.check("UCL_s", history.scatter.upper[0])
    entry.check("sigma_hat_sbar_over_c4", limits.sigma)
    entry.check("pooled_sd", subgroup_limits(data, method=SigmaMethod.POOLED).sigma)


def same_data(of: Entry) -> list[list[float]]:
    """Return the subgroups of the entry that this one refers to."""
    subgroups: list[list[float]] = entry(FILE, of.inputs["subgroups_from"]).inputs[
        "subgroups"
    ]
    return subgroups


@given(many, st.floats(-1e3, 1e3), st.floats(0.01, 100), st.sampled_from(METHODS))
def test_limits_shift_and_scale(
    data: list[list[float]], shift: float, scale: float, method: SigmaMethod
) -> None:
    if max(np.ptp(row) for row in data) < 1e-3:
        return
    limits = subgroup_limits(data, method=method)
    moved = subgroup_limits(
        [np.multiply(row, scale) + shift for row in data], method=method
    )
    tolerance = 1e-9 * (abs(shift) + 1e3 * scale)
    assert moved.sigma == pytest.approx(limits.sigma * scale, abs=tolerance)
    assert moved.centre == pytest.approx(limits.centre * scale + shift, abs=tolerance)


@pytest.mark.source("definition: each subgroup against the factors of its own size")
def test_unequal_subgroups_have_limits_of_their_own() -> None:
    data = [[1.0, 4.0], [2.0, 3.0, 7.0, 0.0], [5.0, 5.0, 2.0]]
    limits = subgroup_limits(data, method=SigmaMethod.MEAN_RANGE)
    by_hand = (3 / d2(2) + 7 / d2(4) + 3 / d2(3)) / 3
    assert limits.sigma == pytest.approx(by_hand, rel=1e-14)
    s = subgroup_limits(data, method=SigmaMethod.MEAN_S).sigma
    spreads = [np.std(row, ddof=1) / c4(len(row)) for row in data]
    assert s == pytest.approx(np.mean(spreads), rel=1e-14)
    history = history_of(SubgroupChart(limits=limits), data)
    assert_allclose(
        history.upper, limits.centre + 3 * by_hand / np.sqrt([2, 4, 3]), rtol=1e-14
    )
    assert_allclose(history.scatter.centre, [by_hand * d2(n) for n in (2, 4, 3)])


@pytest.mark.parametrize("method", METHODS)
def test_sigma_is_as_uncertain_as_told(method: SigmaMethod) -> None:
    rng = np.random.default_rng(7)
    told = [
        subgroup_limits([run[:4], run[4:10], run[10:13]], method=method)
        for run in rng.normal(size=(3000, 13))
    ]
    sigmas = np.array([limits.sigma for limits in told])
    seen = equivalent_degrees_of_freedom(sigmas.var() / sigmas.mean() ** 2)
    assert told[0].provenance.degrees_of_freedom == pytest.approx(seen, rel=0.08)


def test_an_excluded_subgroup_does_not_count() -> None:
    data = [[1.0, 2.0], [500.0, 900.0], [3.0, 5.0]]
    cause = Exclusion(index=1, cause="wrong range switched on")
    limits = subgroup_limits(data, exclude=[cause])
    assert limits == subgroup_limits(data, exclude=[cause])
    assert limits.centre == pytest.approx(2.75)
    assert limits.provenance.used == 4
    with pytest.raises(TooFewError, match="subgroups left = 0"):
        subgroup_limits(data[:1], exclude=[Exclusion(index=0, cause="x")])


def test_limits_are_of_means() -> None:
    chart = SubgroupChart(limits=Limits(centre=0.0, sigma=1.0, width=3.0))
    assert chart.update([0.0] * 9).upper == pytest.approx(1.0)
    assert chart.update([0.0, 1.0]).upper == pytest.approx(3 / sqrt(2))
    # Nine equal values: their range is below its lower limit.
    assert SubgroupChart(limits=chart.limits).update([0.0] * 9).scatter.signal


def test_bad_subgroups_are_named() -> None:
    chart = SubgroupChart(limits=Limits(centre=0.0, sigma=1.0))
    refuses(chart, TooFewError, "len(values) = 1: must be >= 2", [1.0])
    refuses(chart, TooFewError, "len(values) = 0", [])
    refuses(chart, NotFiniteError, "values[1] = nan", [1.0, nan])
    with pytest.raises(TooFewError, match=r"len\(subgroups\[1\]\) = 1"):
        subgroup_limits([[1.0, 2.0], [1.0]])
    with pytest.raises(TooFewError, match=r"len\(subgroups\[0\]\) = 1"):
        subgroup_limits(np.zeros((3, 1)))
    with pytest.raises(TooFewError, match="subgroups left = 0"):
        subgroup_limits([])
    with pytest.raises(NotFiniteError, match=r"subgroups\[1\]\[0\] = inf"):
        subgroup_limits(np.array([[1.0, 2.0], [np.inf, 0.0]]))
    for method in METHODS:
        with pytest.raises(NoSpreadError, match="spread of subgroups = 0"):
            subgroup_limits([[0.1] * 3, [0.7] * 3], method=method)
    with pytest.raises(NoSpreadError, match="spread of subgroups = 0"):
        subgroup_limits([[2.0, 2.0], [3.0, 3.0]])
    with pytest.raises(OutOfRangeError, match="method = median moving range"):
        subgroup_limits([[2.0, 1.0]], method=SigmaMethod.MEDIAN_MOVING_RANGE)
    assert chart.n == 0
