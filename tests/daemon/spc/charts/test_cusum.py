"""Tabular cumulative sums."""

from math import log, nan

import numpy as np
import pytest
from hypothesis import given, strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from daemon.spc.charts.cusum import CusumChart
from daemon.spc.control_limits import Limits
from daemon.spc.errors import NotFiniteError, OutOfRangeError
from tests.chart_checks import history as history_of, refuses
from tests.reference_values import Entry

FILE = "03_ewma_cusum"
# Halves and quarters, so that sums meet zero and the interval exactly.
coarse = st.integers(-12, 12).map(lambda quarter: quarter / 4)
values = st.lists(st.one_of(coarse, st.floats(-9, 9)), max_size=60)


def chart_of(entry: Entry, *, head_start: float = 0.0) -> CusumChart:
    """Return the chart of an entry in its data's own unit, which is sigma 1."""
    given_ = entry.inputs
    return CusumChart(
        limits=Limits(centre=given_["target"], sigma=1.0),
        allowance=given_.get("k", given_.get("K")),
        interval=given_.get("h", given_.get("H")),
        head_start=head_start,
    )


def first(signals: np.ndarray) -> int | None:
    """Return the number of the first signal, counted from 1."""
    at = np.flatnonzero(signals)
    return int(at[0]) + 1 if len(at) else None


@pytest.mark.reference(FILE, "cusum.nist")
def test_twenty_means_of_four(entry: Entry) -> None:
    history = history_of(chart_of(entry), entry.inputs["x"])
    entry.check("deviation", history.z)
    entry.check("S_hi", history.above)
    entry.check("S_lo", history.below)
    entry.check("cusum", np.cumsum(history.z))
    entry.check("S_hi_printed", history.above)
    entry.check("S_lo_printed", history.below)
    entry.check("first_signal_1based", first(history.signal))
    at = np.flatnonzero(history.signal)[0]
    side = "upper" if history.signal_above[at] else "lower"
    entry.check("signal_side", side)
    # The sum last left zero at the thirteenth mean.
    assert history.since_above[at] == 13


@pytest.mark.reference(FILE, "cusum.nist.design")
def test_the_published_design_is_a_chart_of_ours(entry: Entry) -> None:
    sigma = entry.inputs["sigma_xbar"]
    h = -log(entry.inputs["alpha_two_sided"] / 2) / entry.inputs["delta_sd"]
    chart = CusumChart(
        limits=Limits(centre=325.0, sigma=sigma),
        allowance=entry.inputs["delta_sd"] / 2,
        interval=h,
    )
    entry.check("k", chart.allowance * sigma)
    entry.check("h_over_sd", chart.interval)
    entry.check("h", chart.interval * sigma)


@pytest.mark.reference(FILE, "cusum.fir.in_control", "cusum.fir.shifted")
def test_head_start(entry: Entry) -> None:
    chart = chart_of(entry, head_start=entry.inputs["headstart"])
    history = history_of(chart, entry.inputs["x"])
    entry.check("C_plus", history.above)
    entry.check("first_signal_1based", first(history.signal))
    if "C_minus" in entry.expected:
        entry.check("C_minus", history.below)
    else:
        plain = history_of(chart_of(entry), entry.inputs["x"])
        entry.check("first_signal_without_headstart_1based", first(plain.signal))


@given(values, st.floats(-1e3, 1e3), st.floats(0.01, 100.0))
def test_sums_do_not_change_with_shift_and_scale(
    x: list[float], shift: float, scale: float
) -> None:
    history = history_of(CusumChart(limits=Limits(centre=2.0, sigma=5.0)), x)
    limits = Limits(centre=2.0 * scale + shift, sigma=5.0 * scale)
    moved = history_of(CusumChart(limits=limits), np.multiply(x, scale) + shift)
    tolerance = 1e-9 * (1 + abs(shift) / scale)
    assert_allclose(moved.above, history.above, atol=tolerance)
    assert_allclose(moved.below, history.below, atol=tolerance)


@given(values)
def test_turning_the_values_over_swaps_the_sums(x: list[float]) -> None:
    history = history_of(CusumChart(limits=Limits(centre=0.0, sigma=1.0)), x)
    turned = history_of(
        CusumChart(limits=Limits(centre=0.0, sigma=1.0)), np.negative(x)
    )
    assert_array_equal(history.above, turned.below)
    assert_array_equal(history.since_above, turned.since_below)


def sum_by_hand(z: list[float], head: float) -> tuple[float, int]:
    """Return Page's sum after these values, and the first unit since it left zero."""
    total, since = head, 1
    for number, value in enumerate(z, start=1):
        total = max(0.0, total + value - 0.5)
        if total == 0.0:
            since = number + 1
    return total, since


@pytest.mark.source("Page 1954; definition: the mean of the units since the sum left 0")
@given(
    st.lists(coarse, max_size=30),
    st.sampled_from([-3.0, 3.0]),
    st.integers(2, 12),
    st.sampled_from([0.0, 2.0]),
)
def test_the_shift_is_the_mean_since_it_began(
    before: list[float], off: float, units: int, head: float
) -> None:
    """Values are quarters, so that sums by hand meet zero exactly as the chart's do."""
    limits = Limits(centre=1.0, sigma=2.0)
    chart = CusumChart(limits=limits, interval=3.0, head_start=head)
    z = [*before, *([off] * units)]
    points = [chart.update(limits.centre + limits.sigma * value) for value in z]
    for n, point in enumerate(points, start=1):
        above, since_above = sum_by_hand(z[:n], head)
        below, since_below = sum_by_hand([-value for value in z[:n]], head)
        shift = chart.shift(point)
        if max(above, below) <= chart.interval:
            assert shift is None
            continue
        since = since_above if above >= below else since_below
        expected = limits.sigma * np.mean(z[since - 1 : n])
        assert shift == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize("off", [-3.0, 3.0])
def test_a_shift_that_lasts_is_a_signal_with_its_size(off: float) -> None:
    """By hand: six standard deviations in two units are beyond an interval of three."""
    chart = CusumChart(limits=Limits(centre=1.0, sigma=2.0), interval=3.0)
    quiet, first, second = (chart.update(1.0 + 2.0 * z) for z in (0.0, off, off))
    assert [one.signal for one in (quiet, first, second)] == [False, False, True]
    assert [chart.shift(one) for one in (quiet, first, second)] == [None, None, 2 * off]


def test_the_time_of_a_shift_is_found() -> None:
    rng = np.random.default_rng(40)
    found = []
    for _ in range(200):
        x = rng.normal(size=120)
        x[60:] += 2.0
        history = history_of(CusumChart(limits=Limits(centre=0.0, sigma=1.0)), x)
        at = 60 + np.flatnonzero(history.signal[60:])[0]
        found.append(history.since_above[at])
    assert np.median(found) == pytest.approx(61, abs=1)


def test_bad_input_is_named() -> None:
    limits = Limits(centre=0.0, sigma=1.0)
    with pytest.raises(OutOfRangeError, match=r"allowance = -0.5: must be >= 0"):
        CusumChart(limits=limits, allowance=-0.5)
    with pytest.raises(OutOfRangeError, match=r"interval = 0.0: must be > 0"):
        CusumChart(limits=limits, interval=0.0)
    with pytest.raises(OutOfRangeError, match=r"head_start = 5.0: must be >= 0 and <"):
        CusumChart(limits=limits, head_start=5.0)
    refuses(CusumChart(limits=limits), NotFiniteError, "x = nan", nan)
