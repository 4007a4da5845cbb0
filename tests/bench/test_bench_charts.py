"""Whole histories of five million values against plain numpy and rolling pandas.

Each chart is timed against the numpy passes that its points cannot do without,
written down plainly here, in the same run; a ratio stays where a second would depend
on the machine.
"""

import timeit
from collections.abc import Callable
from functools import cache

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter
from scipy.special import ndtri, stdtr

from daemon.spc.charts.counts import Count, CountChart, CountLimits
from daemon.spc.charts.cusum import CusumChart
from daemon.spc.charts.ewma import EwmaChart
from daemon.spc.charts.hotelling import T2Chart
from daemon.spc.charts.individuals import IndividualsChart
from daemon.spc.charts.moving_average import MovingAverageChart
from daemon.spc.charts.self_starting import QChart
from daemon.spc.charts.subgroups import SubgroupChart
from daemon.spc.charts.vectors import VectorLimits
from daemon.spc.limits import Limits
from daemon.spc.rules import NELSON
from daemon.spc.run_rules import RunRules

pytestmark = pytest.mark.bench

VALUES = 5_000_000
LIMITS = Limits(centre=0.1, sigma=1.05)
RANGES = 4
VECTORS = VectorLimits(
    names=("1 uA", "10 uA", "100 uA", "1 mA"),
    centre=np.zeros(RANGES),
    covariance=np.eye(RANGES) + 0.4,
)

Floats = NDArray[np.float64]


@cache
def values() -> Floats:
    """Return the values that all are timed on."""
    return np.random.default_rng(5).normal(size=VALUES)


def individuals_passes(x: Floats) -> object:
    """Standardise, step, compare three times, join, count."""
    z = (x - LIMITS.centre) / LIMITS.sigma
    step = np.abs(np.diff(x))
    signal = (x < LIMITS.lower) | (x > LIMITS.upper)
    return z, step, signal, step > 3.9, np.arange(len(x)), np.isfinite(x).all()


def rules_passes(z: Floats) -> object:
    """Ask each question once a unit, then join the answers of each window.

    Eight comparisons with lines, two of neighbours, two of the distance from the
    centre; the windows of 9, 5 twice, 12, 15 and 8 units by ands, those of 3 and 5
    by sums.
    """
    lines = {s: (z > s, z < -s) for s in (0.0, 1.0, 2.0, 3.0)}
    size = np.abs(z)
    within, outside = size < 1.0, size > 1.0
    rise, fall = z[1:] > z[:-1], z[1:] < z[:-1]
    turn = (rise[:-1] & fall[1:]) | (fall[:-1] & rise[1:])
    fired = [lines[3.0]]
    fired.append((every(lines[0.0][0], 9), every(lines[0.0][1], 9)))
    fired.append((every(rise, 5), every(fall, 5)))
    fired.append((every(turn, 12), every(within, 15)))
    fired.append((every(outside, 8), outside))
    fired.append((several(lines[2.0][0], 3, 2), several(lines[2.0][1], 3, 2)))
    fired.append((several(lines[1.0][0], 5, 4), several(lines[1.0][1], 5, 4)))
    return fired


def every(flags: NDArray[np.bool_], window: int) -> NDArray[np.bool_]:
    """Say of each window whether all of it is set."""
    joined = flags[window - 1 :].copy()
    for lag in range(1, window):
        joined &= flags[window - 1 - lag : len(flags) - lag]
    return joined


def several(flags: NDArray[np.bool_], window: int, needed: int) -> NDArray[np.bool_]:
    """Say of each window whether enough of it is set."""
    total = flags[window - 1 :].astype(np.uint8)
    for lag in range(1, window):
        total += flags[window - 1 - lag : len(flags) - lag]
    return total >= needed


def ewma_passes(x: Floats) -> object:
    """Centre, filter, give two limits, compare."""
    offset = lfilter([0.2], [1.0, -0.8], x - LIMITS.centre)
    reach = np.full(len(x), 0.7)
    signal = np.abs(offset) > reach
    level = LIMITS.centre + offset
    return level, LIMITS.centre - reach, LIMITS.centre + reach, signal


def moving_average_passes(x: Floats) -> object:
    """Add four neighbours, divide, give two limits, compare."""
    offset = x - LIMITS.centre
    size = np.full(len(x), 4)
    mean = (offset[3:] + offset[2:-1] + offset[1:-2] + offset[:-3]) / size[3:]
    reach = 3.0 / np.sqrt(size)
    signal = np.abs(mean) > reach[3:]
    return LIMITS.centre + mean, LIMITS.centre - reach, LIMITS.centre + reach, signal


def cusum_passes(x: Floats) -> object:
    """Standardise; for each side add up, take the minimum so far, compare, date."""
    z = (x - LIMITS.centre) / LIMITS.sigma
    n = np.arange(len(x))
    sides = []
    for side in (z - 0.5, -z - 0.5):
        plain = np.cumsum(side)
        total = plain - np.minimum.accumulate(plain)
        since = np.maximum.accumulate(np.where(total == 0.0, n, 0))
        sides.append((total, total > 5.0, since))
    return z, sides, sides[0][1] | sides[1][1]


def counts_passes(counts: Floats) -> object:
    """Expect, standardise, give two limits, compare."""
    size = np.ones(len(counts))
    expected = 4.0 * size
    sigma = np.sqrt(expected)
    lower, upper = np.maximum(0.0, expected - 3 * sigma), expected + 3 * sigma
    whole = (counts < 0) | (counts != np.floor(counts))
    z = (counts - expected) / sigma
    return z, lower, upper, (counts < lower) | (counts > upper), whole.any()


def subgroups_passes(x: Floats) -> object:
    """Mean, largest and smallest of each five, compare both charts."""
    rows = x.reshape(-1, 5)
    mean, width = rows.mean(axis=1), rows.max(axis=1) - rows.min(axis=1)
    z = (mean - LIMITS.centre) / 0.47
    return z, (mean < -1.3) | (mean > 1.5), (width < 0.0) | (width > 5.2)


def scores_passes(x: Floats) -> object:
    """Give running mean and sum of squares, Student's t, its tail, its score."""
    n = np.arange(1.0, len(x) + 1)
    before = np.cumsum(x) / n
    deviation = x[1:] - before[:-1]
    squares = np.cumsum(deviation**2 * (n[:-1] / n[1:]))
    s = np.sqrt(squares[1:] / n[1:-1])
    t = deviation[1:] / (s * np.sqrt(1.0 + 1.0 / n[1:-1]))
    return np.copysign(ndtri(stdtr(n[1:-1], -np.abs(t))), t)


def t2_passes(x: Floats) -> object:
    """Weigh deviations, add up the products, give each range's two parts."""
    rows = x.reshape(-1, RANGES)
    weighted = rows @ VECTORS.precision
    t2 = (rows * weighted).sum(axis=1)
    conditional = weighted**2 / np.diag(VECTORS.precision)
    alone = rows**2 / np.diag(VECTORS.covariance)
    return t2, t2 > 16.0, alone, conditional.argmax(axis=1)


def individuals_and_rules_in_pandas(x: Floats) -> list[pd.Series]:
    """Write the chart and Nelson's eight tests as one would with rolling windows.

    The last series is the chart of moving ranges.
    """
    series = pd.Series(x)
    z = (series - LIMITS.centre) / LIMITS.sigma
    moving_range = series.diff().abs()
    step = z.diff()
    turned = (step * step.shift()) < 0
    tests = [z.abs() > 3]
    for side in (z, -z):
        tests += [
            (side > 0).rolling(9).sum() == 9,
            (side.diff() > 0).rolling(5).sum() == 5,
            (side > 2).rolling(3).sum() >= 2,
            (side > 1).rolling(5).sum() >= 4,
        ]
    tests += [
        turned.rolling(12).sum() == 12,
        (z.abs() < 1).rolling(15).sum() == 15,
        (z.abs() > 1).rolling(8).sum() == 8,
    ]
    return [*tests, moving_range > 3.9]


def individuals_and_rules(x: Floats) -> object:
    """Do the same with ours."""
    history = IndividualsChart(limits=LIMITS).extend(x)
    return history, RunRules(rules=NELSON).extend(history.z)


Timed = Callable[[Floats], object]

CHARTS: dict[str, tuple[Timed, Timed]] = {
    "individuals": (
        IndividualsChart(limits=LIMITS).extend,
        individuals_passes,
    ),
    "eight rules": (lambda x: RunRules(rules=NELSON).extend(x), rules_passes),
    "ewma": (lambda x: EwmaChart(limits=LIMITS).extend(x), ewma_passes),
    "moving average": (
        lambda x: MovingAverageChart(limits=LIMITS).extend(x),
        moving_average_passes,
    ),
    "cusum": (lambda x: CusumChart(limits=LIMITS).extend(x), cusum_passes),
    "counts": (
        lambda x: CountChart(kind=Count.C, limits=CountLimits(rate=4.0)).extend(
            np.floor(np.abs(x))
        ),
        lambda x: counts_passes(np.floor(np.abs(x))),
    ),
    "subgroups of five": (
        lambda x: SubgroupChart(limits=LIMITS).extend(x.reshape(-1, 5)),
        subgroups_passes,
    ),
    "self-starting scores": (lambda x: QChart().extend(x), scores_passes),
    "t2 of four ranges": (
        lambda x: T2Chart.of(VECTORS).extend(x.reshape(-1, RANGES)),
        t2_passes,
    ),
}


def ratio(ours: Timed, other: Timed, repeat: int) -> float:
    """Return the shortest time of ours over the shortest of the other."""
    x = values()
    times = [
        (
            timeit.timeit(lambda: ours(x), number=1),
            timeit.timeit(lambda: other(x), number=1),
        )
        for _ in range(repeat)
    ]
    best = np.min(times, axis=0)
    return float(best[0] / best[1])


@pytest.mark.parametrize(("chart", "passes"), CHARTS.values(), ids=CHARTS)
def test_a_history_takes_at_most_three_times_its_numpy_passes(
    chart: Timed, passes: Timed, record_property: Callable[[str, object], None]
) -> None:
    found = ratio(chart, passes, repeat=4)
    record_property("ratio", round(found, 2))
    assert found <= 3.0


def test_individuals_with_all_rules_are_ten_times_faster_than_rolling_pandas(
    record_property: Callable[[str, object], None],
) -> None:
    found = 1 / ratio(individuals_and_rules, individuals_and_rules_in_pandas, repeat=6)
    record_property("times faster", round(found, 1))
    assert found >= 10.0


def test_the_pandas_rules_fire_where_ours_do() -> None:
    x = values()[:200_000]
    tests = individuals_and_rules_in_pandas(x)[:-1]
    z = (x - LIMITS.centre) / LIMITS.sigma
    theirs = np.any([fired.to_numpy() for fired in tests], axis=0)
    np.testing.assert_array_equal(RunRules(rules=NELSON).extend(z).signal, theirs)
