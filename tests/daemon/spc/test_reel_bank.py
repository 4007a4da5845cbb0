"""The bank of hypotheses, against one large Gaussian written out in full."""

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.spc import bank as bank_module
from daemon.spc.bank import Bank
from daemon.spc.baseline import Segment, fit_baseline
from daemon.spc.hypotheses import (
    Cause,
    good_hypotheses,
    opening_table,
    unrecorded_table,
)
from daemon.spc.layout import layout_of

Array = NDArray[np.float64]

RANGES = 3
TOLERANCE = [1000.0] * RANGES


def history(seed: int) -> list[Segment]:
    """Return two builds of good units."""
    rng = np.random.default_rng(seed)
    return [
        Segment(
            errors_ppm=rng.normal(0, 150, (20, RANGES)) + rng.normal(0, 100, (20, 1)),
            build=str(b),
            reels=("a", "b", f"c{b}"),
        )
        for b in range(2)
    ]


class Dense:
    """Everything unknown in one vector; every reading a row."""

    def __init__(self, mean: Array, covariance: Array) -> None:
        self.mean, self.covariance = mean, covariance

    def grow(self, variance: float) -> int:
        """Add an independent unknown with mean 0; return its place."""
        size = self.mean.size
        self.mean = np.append(self.mean, 0.0)
        grown = np.zeros((size + 1, size + 1))
        grown[:size, :size] = self.covariance
        grown[size, size] = variance
        self.covariance = grown
        return size

    def see(self, places: list[int], value: float, variance: float) -> None:
        """Take a reading of a sum of unknowns."""
        row = np.zeros(self.mean.size)
        row[places] = 1.0
        gain = self.covariance @ row / (row @ self.covariance @ row + variance)
        self.mean = self.mean + gain * (value - row @ self.mean)
        self.covariance = self.covariance - np.outer(gain, row @ self.covariance)


def test_reels_build_and_bench_are_inferred_exactly(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Units, a check, a session, two reel changes; without the mixture it is exact."""
    monkeypatch.setattr(bank_module, "MIXTURE_SCALES", np.ones(4))
    monkeypatch.setattr(bank_module, "mixture_wide", lambda _: np.zeros(4))
    rng = np.random.default_rng(3)
    baseline = fit_baseline(history(4), TOLERANCE)
    walk2 = baseline.layout.assumed.bench_walk**2
    watched = Bank([baseline], [("a", "b", "new")], [""])
    # unknowns: mean of each range, reels and builds of the baseline; then ours
    dense = Dense(baseline.mean / 1e3, baseline.covariance / 1e6)
    at = {key: RANGES + i for i, key in enumerate(baseline.reels)}
    tau2 = (baseline.reel_sigma_ppm / 1e3) ** 2
    reels = [at[0, "a"], at[1, "b"], dense.grow(tau2[2])]
    build = dense.grow((baseline.build_sigma_ppm / 1e3) ** 2)
    benches = [[dense.grow(walk2)] for _ in range(RANGES)]

    def units(n: int) -> None:
        for error in rng.normal(0.0, 0.14, (n, RANGES)) + rng.normal(0, 0.1, (n, 1)):
            watched.take(error[None], np.zeros((1, RANGES)))
            shared = dense.grow((baseline.shared_sigma_ppm / 1e3) ** 2)
            for r in range(RANGES):
                unknown = [r, reels[r], build, *benches[r], shared]
                own2 = (baseline.sigma_ppm[r] / 1e3) ** 2
                dense.see(unknown, error[r], own2)

    units(4)
    watched.change_reels([0])
    reels[0] = dense.grow(tau2[0])
    units(3)
    readings = np.array([[0.03, -0.02, 0.01]])
    watched.check(readings, np.full((1, RANGES), 1e-4))
    for r in range(RANGES):
        dense.see(benches[r], readings[0, r], 1e-4)
    watched.start_session()
    for r in range(RANGES):
        benches[r].append(dense.grow(walk2))
    units(2)
    watched.change_reels([0, 2])
    reels[0], reels[2] = dense.grow(tau2[0]), dense.grow(tau2[2])
    units(3)

    # the opening's first hypothesis is still where it was: all as expected
    assert watched.rows.cause[0, 0] == Cause.GOOD
    assert watched.rows.first[0, 0] == 1
    row = watched.rows.picked(np.array([[0]]))
    mean, covariance = watched.posterior(row)
    wanted = np.zeros((2 * RANGES + 1, dense.mean.size))
    for r in range(RANGES):
        wanted[r, reels[r]] = 1.0
        wanted[RANGES + 1 + r, benches[r]] = 1.0
    wanted[RANGES, build] = 1.0
    size = len(wanted)
    np.testing.assert_allclose(mean[0, :size, 0], wanted @ dense.mean, atol=1e-7)
    np.testing.assert_allclose(
        covariance[0, :size, :size, 0],
        wanted @ dense.covariance @ wanted.T,
        atol=1e-8,
    )


def test_builds_side_by_side_do_not_touch_each_other() -> None:
    baselines = [fit_baseline(history(seed), TOLERANCE) for seed in (1, 2, 3)]
    rng = np.random.default_rng(8)
    errors = rng.normal(0, 0.2, (3, 12, RANGES))
    errors[1, 5:, 0] += 2.0
    errors[2, 3, 1] = np.nan

    def fold(which: list[int]) -> Array:
        watched = Bank(
            [baselines[i] for i in which],
            [("",) * RANGES] * len(which),
            [""] * len(which),
        )
        log_odds = []
        for index in range(12):
            if index == 6:
                watched.change_reels([1])
            watched.take(errors[which, index], np.zeros((len(which), RANGES)))
            log_odds.append(watched.log_odds())
        return np.array(log_odds)

    together = fold([0, 1, 2])
    for i in range(3):
        np.testing.assert_allclose(together[:, i], fold([i])[:, 0], atol=1e-9)


@pytest.mark.parametrize("ranges", [1, 2, 4, 7])
def test_bad_hypotheses_weigh_twice_as_much_as_good_ones(ranges: int) -> None:
    layout = layout_of([1000.0] * ranges)
    good = sum(h.weight for h in good_hypotheses(ranges))
    table = opening_table(layout, scatter_known=True)
    bad = np.exp(table.log_weight)[table.cause != Cause.GOOD].sum()
    assert good == pytest.approx(1.0)
    # With one range there is no shared stage and no bench in common.
    assert bad == pytest.approx(2.0) if ranges > 1 else bad < 2.0
    assert unrecorded_table(layout).cause.size < table.cause.size


def test_the_mass_of_bad_hypotheses_is_what_log_odds_says() -> None:
    watched = Bank([fit_baseline([], TOLERANCE)], [("",) * RANGES], [""])
    rows = watched.rows
    weight = np.exp(rows.log_weight[0])
    good = weight[rows.cause[0] == Cause.GOOD].sum()
    bad = weight[rows.cause[0] != Cause.GOOD].sum()
    assert watched.log_odds()[0] == pytest.approx(np.log(bad / good), abs=1e-9)
