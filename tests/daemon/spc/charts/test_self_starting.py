"""Charts that start with the first units ever made."""

from math import nan

import numpy as np
import pytest
from hypothesis import given, strategies as st
from numpy.testing import assert_allclose
from scipy.stats import kstest, norm, t

from daemon.spc.charts.self_starting import QChart, SelfStartingCusum
from daemon.spc.errors import NotFiniteError, OutOfRangeError
from tests.chart_checks import history as history_of, refuses
from tests.reference_values import Entry, entry

FILE = "15_sequential_selfstarting"
# Thousandths, so that constant starts come up and nothing drowns in rounding.
number = st.integers(-300_000, 300_000).map(lambda x: x / 1000)
values = st.lists(st.one_of(number, st.sampled_from([1.0, 2.0])), max_size=30)


@pytest.mark.reference(FILE, "qchart.individuals")
def test_q_statistics(entry: Entry) -> None:
    history = history_of(QChart(), entry.inputs["x"])
    entry.check("t", history.t[2:])
    entry.check("Q", history.q[2:])
    entry.check("max_at_item_1based", int(np.nanargmax(history.q)) + 1)
    assert np.isnan(history.q[:2]).all()


@pytest.mark.reference(FILE, "selfstart.cusum")
def test_self_starting_cusum(entry: Entry) -> None:
    x = data_of(entry)
    history = history_of(SelfStartingCusum.of(allowance=entry.inputs["k"]), x)
    entry.check("sums", np.column_stack([history.above, history.below])[2:])


def data_of(of: Entry) -> list[float]:
    """Return the values of the entry that this one refers to."""
    x: list[float] = entry(FILE, of.inputs["data_from"]).inputs["x"]
    return x


@pytest.mark.source("definition: Student's t of a value against those before it")
@given(values)
def test_scores_are_those_of_the_plain_formula(x: list[float]) -> None:
    history = history_of(QChart(), x)
    for i in range(2, len(x)):
        s = np.std(x[:i], ddof=1)
        if len(set(x[:i])) == 1:
            assert np.isnan(history.q[i])
            continue
        plain = (x[i] - np.mean(x[:i])) / (s * np.sqrt(1 + 1 / i))
        assert history.t[i] == pytest.approx(plain, rel=1e-7, abs=1e-7)
        q = norm.isf(t.sf(abs(plain), i - 1)) * np.sign(plain)
        assert history.q[i] == pytest.approx(q, rel=1e-6, abs=1e-6)


@given(values, st.floats(-1e3, 1e3), st.floats(0.01, 100.0))
def test_scores_do_not_change_with_shift_and_scale(
    x: list[float], shift: float, scale: float
) -> None:
    moved = history_of(QChart(), np.multiply(x, scale) + shift).q
    tolerance = 1e-6 * (1 + abs(shift) / scale)
    assert_allclose(moved, history_of(QChart(), x).q, atol=tolerance)


def test_scores_of_good_units_are_standard_normal_from_the_third_on() -> None:
    rng = np.random.default_rng(1991)
    charts = rng.normal(-400.0, 35.0, size=(3000, 6))
    scores = np.array([history_of(QChart(), x).q[2:] for x in charts])
    for column in scores.T:
        assert kstest(column, "norm").pvalue > 0.001
    assert_allclose(np.corrcoef(scores.T), np.eye(4), atol=0.07)


def test_digits_in_common_are_not_lost() -> None:
    rng = np.random.default_rng(8)
    x = rng.integers(-40, 40, size=2000) / 8.0
    near, far = history_of(QChart(), x).q, history_of(QChart(), x + 2.0**40).q
    assert_allclose(far, near, rtol=1e-9, atol=1e-9, equal_nan=True)


def test_equal_units_are_not_enough_yet() -> None:
    chart = QChart()
    assert [chart.update(5.0).q for _ in range(4)] == [None] * 4
    assert chart.update(6.0).q is None
    assert chart.update(5.0).q is not None
    cusum = SelfStartingCusum.of()
    points = [cusum.update(x) for x in (5.0, 5.0, 5.0, 6.0, 5.0, 7.0)]
    assert [point.q is None for point in points] == [True] * 4 + [False] * 2
    assert points[-1].since_above == 6


def test_a_score_far_out_stays_finite() -> None:
    x = np.concatenate([np.random.default_rng(2).normal(size=400), [1e30]])
    last = history_of(QChart(), x)
    assert last.q[-1] > 38
    assert last.signal[-1]


def test_a_shift_among_the_first_units_is_found_and_dated() -> None:
    rng = np.random.default_rng(14)
    found, since = 0, []
    for _ in range(200):
        x = np.concatenate([rng.normal(size=12), rng.normal(3.0, 1.0, size=8)])
        history = history_of(SelfStartingCusum.of(interval=4.0), x)
        if history.signal.any():
            at = int(np.argmax(history.signal))
            found += at >= 12
            since.append(history.since_above[at])
    assert found > 170
    assert np.median(since) == 13


def test_bad_input_is_named() -> None:
    refuses(QChart(), NotFiniteError, "x = nan", nan)
    refuses(SelfStartingCusum.of(), NotFiniteError, "x = nan", nan)
    with pytest.raises(OutOfRangeError, match=r"width = 0.0"):
        QChart(width=0.0)
    with pytest.raises(OutOfRangeError, match=r"interval = -1.0"):
        SelfStartingCusum.of(interval=-1.0)
