"""Charts of counts."""

from math import nan, sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import given, strategies as st
from numpy.testing import assert_allclose
from scipy.stats import binom, poisson

from daemon.spc.charts.counts import (
    Count,
    CountChart,
    CountLimits,
    count_limits,
    exact_count_limits,
)
from daemon.spc.control_limits import Exclusion, SigmaMethod
from daemon.spc.errors import (
    NoSpreadError,
    NotFiniteError,
    OutOfRangeError,
    ShapeError,
    TooFewError,
)
from tests.chart_checks import history as history_of, refuses
from tests.reference_values import Entry, entry

FILE = "02_shewhart_charts"


@st.composite
def samples(draw: st.DrawFn) -> tuple[list[int], list[int]]:
    """Draw counts that do not exceed their sizes."""
    sizes = draw(st.lists(st.integers(1, 200), max_size=12))
    return [draw(st.integers(0, size)) for size in sizes], sizes


def numbers(signal: np.ndarray) -> list[int]:
    """Return the numbers of the samples that signal, counted from 1."""
    return (np.flatnonzero(signal) + 1).tolist()


def whole(kind: Count, of: Entry, key: str) -> tuple[CountLimits, Any]:
    """Return limits and points of an entry's own data."""
    counts = of.inputs[key]
    sizes = np.broadcast_to(of.inputs.get("n", 1), len(counts))
    limits = count_limits(kind, counts, sizes)
    return limits, history_of(CountChart(kind=kind, limits=limits), counts, sizes)


@pytest.mark.reference(FILE, "p.nist.wafers")
def test_shares_of_misregistered_chips(entry: Entry) -> None:
    limits, history = whole(Count.P, entry, "defectives")
    entry.check("pbar", limits.rate)
    entry.check("UCL", history.upper[0])
    entry.check("LCL", history.lower[0])
    entry.check("points_above_UCL_1based", numbers(history.value > history.upper))
    entry.check("points_below_LCL_1based", numbers(history.value < history.lower))
    assert numbers(history.signal) == [15, 23]


@pytest.mark.reference(FILE, "np.nist.wafers")
def test_numbers_of_misregistered_chips(entry: Entry) -> None:
    _, history = whole(Count.NP, entry, "defectives")
    entry.check("center", history.centre[0])
    entry.check("UCL", history.upper[0])
    entry.check("LCL", history.lower[0])


@pytest.mark.reference(FILE, "p.wafers.revised")
def test_limits_without_the_points_with_a_cause(entry: Entry) -> None:
    all_counts = entry_of("p.nist.wafers").inputs["defectives"]
    causes = [
        Exclusion(index=14, cause="new lot of material"),
        Exclusion(index=22, cause="temporary operator"),
    ]
    limits = count_limits(Count.P, all_counts, [50] * 30, exclude=causes)
    history = history_of(CountChart(kind=Count.P, limits=limits), all_counts, [50] * 30)
    entry.check("pbar", limits.rate)
    entry.check("UCL", history.upper[0])
    entry.check("LCL", history.lower[0])
    above = [n for n in numbers(history.signal) if n not in {15, 23}]
    entry.check("points_above_UCL_1based_original_numbering", above)
    assert limits.provenance.used == 28
    assert len(entry.inputs["defectives"]) == 28


def entry_of(key: str) -> Entry:
    """Return another entry of the same file."""
    return entry(FILE, key)


@pytest.mark.reference(FILE, "c.nist.wafers")
def test_defects_on_wafers(entry: Entry) -> None:
    limits, history = whole(Count.C, entry, "counts")
    entry.check("cbar", limits.rate)
    entry.check("UCL", history.upper[0])
    entry.check("LCL", history.lower[0])
    entry.check("points_above_UCL_1based", numbers(history.signal))
    entry.check("points_on_UCL_1based", numbers(history.value == history.upper))


@pytest.mark.reference(FILE, "u.constant.n5")
def test_nonconformities_per_unit(entry: Entry) -> None:
    limits, history = whole(Count.U, entry, "counts")
    entry.check("ubar", limits.rate)
    entry.check("UCL", history.upper[0])
    entry.check("LCL", history.lower[0])
    entry.check("any_out", bool(history.signal.any()))


@pytest.mark.reference(FILE, "p.variable_n")
def test_shares_of_unequal_samples(entry: Entry) -> None:
    limits, history = whole(Count.P, entry, "defectives")
    entry.check("sum_defectives", history.count.sum())
    entry.check("sum_n", history.size.sum())
    entry.check("pbar", limits.rate)
    entry.check("pbar_exact", limits.rate)
    entry.check("UCL", history.upper)
    entry.check("LCL", history.lower)
    entry.check("z", history.z)
    entry.check("points_out_1based", numbers(history.signal))


@pytest.mark.reference(FILE, "p.zero_lcl")
def test_no_share_is_below_zero(entry: Entry) -> None:
    chart = CountChart(kind=Count.P, limits=CountLimits(rate=entry.inputs["pbar"]))
    point = chart.update(0, entry.inputs["n"])
    entry.check("UCL", point.upper)
    entry.check("LCL", point.lower)
    assert not point.signal


@pytest.mark.reference(FILE, "probability_limits.c16")
def test_exact_limits_of_sixteen(entry: Entry) -> None:
    mean = entry.inputs["c"]
    lower, upper = exact_count_limits(Count.C, rate=mean)
    entry.check("upper_k", upper)
    entry.check("lower_k", lower)
    # What the three-sigma limits 28 and 4 leave beyond them.
    point = CountChart(kind=Count.C, limits=CountLimits(rate=mean)).update(16)
    entry.check("P_above_28", poisson.sf(point.upper, mean))
    entry.check("P_below_4", poisson.cdf(point.lower - 1, mean))


@pytest.mark.source("definition: tails of the binomial law (scipy.stats.binom)")
@given(st.floats(0.001, 0.999), st.integers(1, 400), st.floats(1e-5, 0.1))
def test_exact_limits_leave_less_than_the_tail(
    rate: float, size: int, tail: float
) -> None:
    lower, upper = exact_count_limits(Count.NP, rate=rate, size=size, tail=tail)
    law = binom(size, rate)
    slack = 1 + 1e-9
    assert law.cdf(lower - 1) < tail * slack
    assert law.cdf(lower) >= tail / slack
    assert law.sf(upper) < tail * slack
    assert upper == 0 or law.sf(upper - 1) >= tail / slack


@given(samples())
def test_shares_and_numbers_say_the_same(data: tuple[list[int], list[int]]) -> None:
    limits = CountLimits(rate=0.2)
    shares = history_of(CountChart(kind=Count.P, limits=limits), *data)
    number = history_of(CountChart(kind=Count.NP, limits=limits), *data)
    assert_allclose(shares.upper * data[1], number.upper)
    assert_allclose(shares.z, number.z)
    assert (shares.signal == number.signal).all()


@pytest.mark.source("Laney (2002): sigma of the standardised counts, MRbar / 1.128")
def test_overdispersed_limits_are_wider_by_the_scatter_of_z() -> None:
    rng = np.random.default_rng(12)
    sizes = rng.integers(2000, 4000, size=600)
    shares = np.clip(rng.normal(0.1, 0.02, size=600), 0.01, 0.3)
    counts = rng.binomial(sizes, shares)
    plain = count_limits(Count.P, counts, sizes)
    wide = count_limits(Count.P, counts, sizes, overdispersed=True)
    sigma = np.sqrt(plain.rate * (1 - plain.rate) / sizes)
    z = (counts / sizes - plain.rate) / sigma
    by_hand = np.abs(np.diff(z)).mean() / 1.128379167
    assert wide.overdispersion == pytest.approx(by_hand, rel=1e-8)
    # 0.02 between samples beside 0.0055 of the law.
    assert wide.overdispersion == pytest.approx(sqrt(1 + (0.02 / 0.0055) ** 2), rel=0.1)
    assert wide.provenance.method is SigmaMethod.OVERDISPERSED
    plain_chart = history_of(CountChart(kind=Count.P, limits=plain), counts, sizes)
    wide_chart = history_of(CountChart(kind=Count.P, limits=wide), counts, sizes)
    assert plain_chart.signal.mean() > 0.3
    assert wide_chart.signal.mean() < 0.05
    assert_allclose(
        wide_chart.upper - wide_chart.centre,
        by_hand * (plain_chart.upper - plain_chart.centre),
        rtol=1e-8,
    )


def test_counts_by_their_law_are_not_overdispersed() -> None:
    counts = np.random.default_rng(3).poisson(9.0, size=2000)
    limits = count_limits(Count.C, counts, overdispersed=True)
    assert limits.overdispersion == pytest.approx(1.0, abs=0.05)


def test_bad_input_is_named() -> None:
    shares = CountChart(kind=Count.P, limits=CountLimits(rate=0.1))
    rates = CountChart(kind=Count.U, limits=CountLimits(rate=4.0))
    refuses(shares, OutOfRangeError, "counted[0] = 5.0: must be <= size", 5, 4)
    refuses(shares, OutOfRangeError, "counted[0] = -1.0: must be 0, 1, ...", -1, 4)
    refuses(shares, OutOfRangeError, "counted[0] = 1.5: must be 0, 1, ...", 1.5, 4)
    refuses(shares, OutOfRangeError, "size[0] = 4.5: must be 1, 2, ...", 1, 4.5)
    refuses(rates, OutOfRangeError, "size[0] = 0.0: must be > 0", 1, 0)
    refuses(rates, NotFiniteError, "counted[0] = nan", nan, 1)
    with pytest.raises(ShapeError, match="all equal"):
        count_limits(Count.U, [1, 2], [1])
    with pytest.raises(OutOfRangeError, match=r"rate = 1.0: must be > 0 and < 1"):
        CountChart(kind=Count.NP, limits=CountLimits(rate=1.0))
    with pytest.raises(OutOfRangeError, match=r"rate = 0.0: must be > 0"):
        CountLimits(rate=0.0)
    with pytest.raises(OutOfRangeError, match=r"overdispersion = -1.0"):
        CountLimits(rate=0.1, overdispersion=-1.0)
    with pytest.raises(NoSpreadError, match=r"rate of counted = 0.0: must be > 0"):
        count_limits(Count.C, [0, 0, 0])
    with pytest.raises(NoSpreadError, match=r"rate of counted = 1.0: must be > 0 and"):
        count_limits(Count.P, [2, 2], [2, 2])
    with pytest.raises(TooFewError, match="samples left = 0"):
        count_limits(Count.C, [])
    with pytest.raises(TooFewError, match=r"len\(x\) = 1"):
        count_limits(Count.C, [3], overdispersed=True)
    with pytest.raises(OutOfRangeError, match="tail = 0"):
        exact_count_limits(Count.C, rate=2.0, tail=0.0)
    with pytest.raises(OutOfRangeError, match="size"):
        exact_count_limits(Count.P, rate=0.2, size=2.5)
