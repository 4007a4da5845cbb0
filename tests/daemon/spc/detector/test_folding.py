"""The fold: mass is kept, driven anyhow it is the same, one filter by definition.

What is expected of weighing and lifting is a Kalman filter of one hypothesis with
Gaussian scatter, written from its definition in plain numpy.
"""

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings, strategies as some
from numpy.typing import NDArray

from daemon.spc.detector import folding, hypotheses, reading, state as st
from daemon.spc.detector.following import follow
from daemon.spc.detector.layout import CommonPart, Layout, layout_of
from daemon.spc.detector.line import Boundary, Line
from daemon.spc.detector.worlds import HABITS, NOMINAL, Fault, life_of

Array = NDArray[np.float64]

FOUR = layout_of([1000.0] * 4, limit_ppm=[5000.0] * 4)
TWO = layout_of([1000.0, 1000.0])
ROUNDING = 1e-9


def masses(line: Line) -> tuple[float, float]:
    line._wake()
    return (
        float(hypotheses.log_mass(line.state, False)),
        float(hypotheses.log_mass(line.state, True)),
    )


def grown(units: int, seed: int, layout: Layout = FOUR) -> Line:
    rng = np.random.default_rng(seed)
    line = Line(layout)
    line.session()
    for index in range(units):
        fresh = dict.fromkeys(range(layout.parts)) if index == 0 else None
        line.unit(
            rng.normal(0.0, 200.0, layout.ranges),
            np.full(layout.ranges, 225.0),
            boundary=None if fresh is None else Boundary(new_build=True, reels=fresh),
        )
    return line


class TestMass:
    @settings(max_examples=25, deadline=None)
    @given(
        seed=some.integers(0, 10_000),
        events=some.lists(
            some.sampled_from(
                ["session", "check", "settle", "unit", "boundary", "reel"]
            ),
            min_size=1,
            max_size=25,
        ),
    )
    def test_good_mass_is_never_lost_by_what_is_proposed_or_pruned(
        self, seed: int, events: Sequence[str]
    ) -> None:
        rng = np.random.default_rng(seed)
        line = grown(4, seed)
        for event in events:
            line._wake()
            good, _ = masses(line)
            top = line.state.log_weight[: line.hypotheses].max()
            if event == "session":
                line.session()
                # only suspicions are added: weights there were stay as they are
                now_good, _ = masses(line)
                assert now_good - good == pytest.approx(0.0, abs=ROUNDING) or (
                    line.state.log_weight[: line.hypotheses].max() == 0.0
                    and now_good == pytest.approx(good - top, abs=1e-6)
                )
            elif event == "check":
                line.check(rng.normal(0.0, 15.0, 4), np.full(4, 225.0))
            elif event == "settle":
                odds = line.log_odds
                line.settle()
                # a step that is known now is no suspicion: the odds never rise
                assert line.log_odds <= odds + ROUNDING
            else:
                reels = dict.fromkeys(
                    {"boundary": range(4), "reel": [1]}.get(event, [])
                )
                new = event != "unit"
                line.unit(
                    np.full(4, np.nan),
                    boundary=Boundary(new_build=event == "boundary", reels=reels)
                    if new
                    else None,
                )
                # a unit that reads nothing says nothing: what may have begun is bad
                assert line.log_odds < 2.0
            weights = line.weights()
            assert weights.sum() == pytest.approx(1.0, abs=1e-12)
            assert np.isfinite(weights).all()
            assert not line.bad().all()

    @pytest.mark.parametrize("seed", range(5))
    def test_pruning_and_merging_keep_both_masses(self, seed: int) -> None:
        line = grown(12, seed)
        for _ in range(2):
            line.session()
        line._wake()
        odds = line.log_odds
        folding.merge(line.state)
        assert line.log_odds == pytest.approx(odds, abs=ROUNDING)
        folding.prune(line.state, 40, True)
        assert line.hypotheses <= 40
        assert line.log_odds == pytest.approx(odds, abs=ROUNDING)

    def test_a_unit_that_reads_nothing_leaves_good_and_bad_but_for_what_may_begin(
        self,
    ) -> None:
        line = grown(10, 1)
        good, bad = masses(line)
        line.unit(np.full(4, np.nan))
        gained = np.exp(line.log_odds) - np.exp(bad - good)
        odds = st.ODDS
        begun = (
            odds[st.AT_UNIT_BAD] * (0.35 + 0.35 + 0.3)
            + odds[st.AT_UNIT_MIXED]
            + odds[st.AT_UNIT_SHARED]
            + odds[st.AT_UNIT_BENCH]
            + 6 * odds[st.AT_UNIT_BAD] * odds[st.PAIR_AT_UNIT]
        )
        # Relative to the good mass, which itself grows by changes that harm nobody.
        # What finds no place goes with its weight.
        lost = np.exp(bad - good) * odds[st.AT_UNIT_GOOD]
        assert -1.1 * lost <= gained <= 1.1 * begun

    @pytest.mark.parametrize("layout", [TWO, FOUR])
    def test_many_sessions_without_a_unit_hold_nothing(self, layout: Layout) -> None:
        line = grown(20, 3, layout)
        before = line.log_odds
        for _ in range(40):
            line.session()
        assert line.log_odds < max(before, -3.0) + 1.0

    def test_many_sessions_of_a_unit_each_do_not_add_up(self) -> None:
        rng = np.random.default_rng(5)
        line = grown(20, 4)
        odds = []
        for _ in range(120):
            line.session()
            line.unit(rng.normal(0.0, 150.0, 4), np.full(4, 225.0))
            odds.append(line.log_odds)
        # a hundred and twenty times 0.01 would be even odds
        assert max(odds[-40:]) < np.log(0.01 * 120) - 1.5


class TestSameness:
    def life(self, seed: int, layout: Layout = FOUR):  # type: ignore[no-untyped-def]
        fault = Fault(name="f", kind=st.OFF, sizes=(1.5,))
        return life_of(
            NOMINAL,
            layout,
            HABITS[2],
            builds=2,
            rng=np.random.default_rng(seed),
            fault=fault,
            last_units=30,
        )

    def test_saving_and_going_on_changes_nothing_bit_for_bit(self) -> None:
        life = self.life(1)
        plain, kept = Line(FOUR), Line(FOUR)
        points = zip(
            follow(life, plain, limit=0.0, seated=True),
            follow(life, kept, limit=0.0, seated=True),
            strict=True,
        )
        for one, other in points:
            assert one.log_odds == other.log_odds
            kept.restore(kept.saved())
        for mine, theirs in zip(plain.saved(), kept.saved(), strict=True):
            np.testing.assert_array_equal(mine, theirs)

    def test_a_copy_goes_its_own_way(self) -> None:
        line = grown(10, 2)
        before = line.saved()
        other = line.copy()
        other.session()
        other.unit([5000.0, 0.0, 0.0, 0.0])
        for mine, theirs in zip(line.saved(), before, strict=True):
            np.testing.assert_array_equal(mine, theirs)

    @pytest.mark.parametrize("factor", [10.0, 0.1])
    def test_scaling_everything_changes_no_decision(self, factor: float) -> None:
        scaled = layout_of([1000.0 * factor] * 4, limit_ppm=[5000.0 * factor] * 4)
        for seed in range(3):
            odds = [
                [
                    p.log_odds
                    for p in follow(
                        self.life(seed, layout), Line(layout), limit=0.0, seated=True
                    )
                ]
                for layout in (FOUR, scaled)
            ]
            np.testing.assert_allclose(odds[0], odds[1], atol=1e-6)

    def test_the_names_of_ranges_do_not_matter(self) -> None:
        """Ranges in another order: the same odds, causes in the other order."""
        rng = np.random.default_rng(7)
        order = np.array([2, 0, 3, 1])
        one, other = Line(FOUR), Line(FOUR)
        for index in range(25):
            errors = rng.normal(0.0, 150.0, 4)
            errors[0] += 3000.0 * (index > 15)
            boundary = (
                Boundary(new_build=True, reels=dict.fromkeys(range(4)))
                if index == 0
                else None
            )
            one.unit(errors, boundary=boundary)
            other.unit(errors[order], boundary=boundary)
        assert one.log_odds == pytest.approx(other.log_odds, abs=0.05)
        np.testing.assert_allclose(
            one.marginals()[:, order], other.marginals()[:, :4], atol=0.02
        )


class TestMissing:
    def test_a_range_that_is_never_measured_is_never_named(self) -> None:
        rng = np.random.default_rng(8)
        line = Line(FOUR)
        for index in range(40):
            errors = rng.normal(0.0, 150.0, 4)
            errors[1] += 3000.0 * (index > 20)
            errors[3] = np.nan
            line.unit(
                errors,
                boundary=Boundary(new_build=True, reels=dict.fromkeys(range(4)))
                if index == 0
                else None,
            )
        found = line.marginals()
        assert found[:, 1].sum() > 0.99
        assert found[:, 3].sum() < 0.2

    def test_what_is_not_measured_changes_nothing_of_its_own(self) -> None:
        line = grown(10, 9)
        state, at = line.state, line.places
        row = 0
        before = state.part_count[row, 3]
        line.unit([100.0, -50.0, 20.0, np.nan])
        counts = line.state.part_count[: line.hypotheses, 3]
        assert counts.min() >= 4.0
        assert np.isclose(counts, before, atol=1.0).any()
        assert at[0] == 4


def test_a_check_sees_the_bench_alone() -> None:
    line = grown(15, 10)
    parts = slice(line.places[0], line.places[0] + 4)
    bench = slice(line.places[2], line.places[2] + 4)
    line.session()
    line.check([0.0, 900.0, 0.0, 0.0], np.full(4, 225.0))
    found = line.marginals()
    assert found[st.BENCH, 1] > 0.9
    weight = line.weights()
    means = weight @ line.state.mean[: line.hypotheses]
    assert means[bench][1] * 1000.0 == pytest.approx(900.0, rel=0.05)
    assert np.abs(means[parts]).max() < 1.0


# ---- one hypothesis, by definition


def single(layout: Layout) -> Line:
    """Return a line with one good hypothesis, some bench, and known scatter."""
    line = Line(layout)
    state = line.state
    state.counters[st.COUNT] = 1
    state.log_weight[0] = 0.0
    state.part_count[0] = 50.0
    state.part_sum[0] = 50.0 * 0.15**2
    state.shared_count[0] = 50.0
    state.shared_sum[0] = 50.0 * 0.12**2
    state.covariance[0, layout.ranges, layout.ranges] = 0.2**2
    return line


COMMON = layout_of(
    [1000.0, 1000.0], [CommonPart(tolerance_ppm=1000.0, sensitivity=(1.0, -0.5))]
)


@pytest.mark.parametrize("layout", [TWO, COMMON])
def test_one_hypothesis_is_a_kalman_filter(layout: Layout) -> None:  # noqa: PLR0915 -- one calculation, from the definition
    """R = 2, no events: mean, covariance, density of a mixture of Kalman filters."""
    line = single(layout)
    st0 = line.state
    ranges, parts = layout.ranges, layout.parts
    at = line.places
    size = st0.mean.shape[1]
    rng = np.random.default_rng(11)
    root = rng.normal(0.0, 0.2, (at[4], at[4]))
    st0.covariance[0, : at[4], : at[4]] = root @ root.T + 0.01 * np.eye(at[4])
    st0.mean[0, : at[4]] = rng.normal(0.0, 0.1, at[4])
    y, noise2 = np.array([0.12, -0.21]), np.array([0.0004, 0.0009])

    # what scatters afresh with each unit is part of the state here: g, common parts
    more = 1 + parts - ranges
    mean = np.concatenate([st0.mean[0], np.zeros(more)])
    covariance = np.zeros((size + more, size + more))
    covariance[:size, :size] = st0.covariance[0]
    covariance[size, size] = 0.12**2
    for p in range(1, more):
        covariance[size + p, size + p] = 0.15**2
    design = np.zeros((ranges, size + more))
    design[:, :ranges] = np.eye(ranges)
    design[:, at[0] : at[0] + parts] = layout.sensitivity.T
    design[:, at[1]] = 1.0
    design[:, at[2] : at[2] + ranges] = np.eye(ranges)
    design[:, size] = 1.0
    design[:, size + 1 :] = layout.sensitivity[ranges:].T
    own2, odd2, odd = 0.15**2 + noise2, np.array([9.0, 9.0]), 0.002
    density = 0.0
    for r in (1, 0):
        row = design[r]
        away = y[r] - row @ mean
        spread = row @ covariance @ row
        parts_of = [
            (1.0 - 0.05 - 0.005 - odd, own2[r]),
            (0.05, 6.25 * own2[r]),
            (0.005, 36.0 * own2[r]),
            (odd, own2[r] + odd2[r]),
        ]
        total = np.array([spread + scatter2 for _, scatter2 in parts_of])
        share = np.array([weight for weight, _ in parts_of])
        share = share * np.exp(-0.5 * away**2 / total) / np.sqrt(total)
        density += np.log(share.sum())
        share /= share.sum()
        # a Kalman update for each scatter; mean and covariance of their mixture
        gains = [covariance @ row / one for one in total]
        means = [mean + gain * away for gain in gains]
        mixed = sum(s * m for s, m in zip(share, means, strict=True))
        covariance = sum(
            s
            * (
                covariance
                - np.outer(gain, row @ covariance)
                + np.outer(m - mixed, m - mixed)
            )
            for s, gain, m in zip(share, gains, means, strict=True)
        )
        mean = mixed

    index, factor, count = reading.sees(line.shape, at, 0.0)
    rows = np.zeros((ranges + 1, size))
    small = np.zeros((ranges + 1, ranges + 1))
    expected = np.zeros(ranges + 1)
    reading.look(st0, line.shape, 0, index, factor, count, at[4], rows, small, expected)
    alpha, turned = np.zeros(ranges + 1), np.zeros((ranges + 1, ranges + 1))
    ordinary = np.zeros((ranges, 4))
    found, _ = reading.weigh(
        y,
        own2,
        odd2,
        odd,
        np.array([1, 0]),
        -1,
        0.5,
        small,
        expected,
        alpha,
        turned,
        ordinary,
        np.empty((ranges + 1, ranges + 1)),
        np.empty((5, ranges + 1)),
    )
    reading.lift(st0, 0, rows, alpha, turned, ranges)
    assert found == pytest.approx(density, abs=1e-9)
    np.testing.assert_allclose(st0.mean[0], mean[:size], atol=1e-12)
    np.testing.assert_allclose(st0.covariance[0], covariance[:size, :size], atol=1e-12)
