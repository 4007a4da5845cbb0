"""Calibration and study by simulation, small enough for every day."""

from multiprocessing import active_children
from multiprocessing.process import BaseProcess
from signal import SIGTERM

import numpy as np
import pytest

from daemon.spc.calibrate import (
    calibrate,
    exchangeable_limit,
    good_maxima,
    limit_of,
    shipped_limit,
)
from daemon.spc.errors import OutOfRangeError, SpcError, TooFewError
from daemon.spc.layout import layout_of
from daemon.spc.shipped import SHIPPED_LIMITS
from daemon.spc.study import FAULTS, Fault, study_fault
from daemon.spc.worlds import FAMILY, NOMINAL, World, draw, scatter

LAYOUT = layout_of([1000.0] * 4)


def test_a_limit_is_exceeded_no_oftener_than_accepted() -> None:
    shares: list[float] = []
    found = calibrate(
        LAYOUT,
        units_per_false_hold=100,
        segment_units=(10, 10),
        build_units=10,
        replicates=96,
        worlds=FAMILY[:2],
        progress=shares.append,
    )
    assert found.accepted_rate == pytest.approx(0.1)
    assert [one.world for one in found.rates] == [w.name for w in FAMILY[:2]]
    assert found.rates[0].rate <= 0.1
    assert found.rates[1].rate <= 0.14
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_few_builds_give_a_limit_that_is_sure_all_the_same() -> None:
    """By definition of 99.9 % confidence, over 4000 calibrations of known builds."""
    rng = np.random.default_rng(8)
    accepted, drawn = 0.05, 300
    true_shares = [
        float(np.exp(-limit_of(rng.exponential(size=(1, drawn)), accepted)))
        for _ in range(4000)
    ]
    # one in 1000 expected at most, 4 of 4000: 12 come once in 1000 times
    assert np.count_nonzero(np.array(true_shares) > accepted) <= 12
    many = limit_of(rng.exponential(size=(1, 1_000_000)), accepted)
    assert many == pytest.approx(-np.log(accepted), rel=0.01)


def test_the_same_seed_gives_the_same_limit() -> None:
    def once(seed: int) -> float:
        return float(
            good_maxima(
                LAYOUT,
                segment_units=(5,),
                build_units=4,
                replicates=64,
                seed=seed,
                worlds=(NOMINAL,),
            ).sum()
        )

    assert once(3) == once(3)
    assert once(3) != once(4)


class EnoughError(Exception):
    """Whoever waits has had enough."""


def test_the_processes_at_work_are_ended_in_the_midst_of_it() -> None:
    ended: list[BaseProcess] = []

    def enough(done: float) -> None:
        # Told before they have started up, let alone done a batch.
        assert done == 0.0
        ended.extend(active_children())
        raise EnoughError

    with pytest.raises(EnoughError):
        good_maxima(
            LAYOUT,
            segment_units=(5,),
            build_units=4,
            replicates=64,
            seed=1,
            workers=2,
            progress=enough,
        )
    assert [one.exitcode for one in ended] == [-SIGTERM, -SIGTERM]
    assert not active_children()


def test_a_rate_that_the_replicates_cannot_show_is_refused() -> None:
    with pytest.raises(OutOfRangeError, match=">= 7000"):
        calibrate(
            LAYOUT,
            units_per_false_hold=10_000,
            segment_units=(),
            build_units=10,
            replicates=1000,
        )
    with pytest.raises(SpcError, match="build_units / units_per_false_hold"):
        calibrate(LAYOUT, units_per_false_hold=50, segment_units=(), build_units=60)


def test_the_largest_of_earlier_maxima_is_exceeded_once_in_m_plus_one() -> None:
    """True of exchangeable builds whatever the distribution: here heavy tails."""
    rng = np.random.default_rng(2)
    exceeded = 0
    for _ in range(4000):
        maxima = rng.standard_t(2, 10)
        limit, rate = exchangeable_limit(maxima[:9].tolist())
        exceeded += maxima[9] > limit
        assert rate == pytest.approx(0.1)
    assert exceeded / 4000 == pytest.approx(0.1, abs=3 * (0.09 / 4000) ** 0.5)
    with pytest.raises(TooFewError):
        exchangeable_limit([])


def test_a_rarer_false_hold_raises_the_shipped_limit() -> None:
    for ranges in range(1, 12):
        for builds in range(5):
            limits = [
                shipped_limit(rate, ranges=ranges, builds=builds)
                for rate in (1, 100, 500, 2000, 5000, 50_000, 1e9)
            ]
            assert limits == sorted(limits)
            assert 0.0 <= limits[0] < limits[-1]


def test_between_tabled_numbers_of_ranges_the_more_careful_limit_serves() -> None:
    assert shipped_limit(5000, ranges=3, builds=2) == max(
        SHIPPED_LIMITS[5000][2][2], SHIPPED_LIMITS[5000][4][2]
    )
    many = shipped_limit(5000, ranges=20, builds=9)
    assert many == SHIPPED_LIMITS[5000][6][3]


def test_a_limit_for_nothing_is_refused() -> None:
    for rate, ranges, builds in ((0, 4, 2), (5000, 0, 2), (5000, 4, -1)):
        with pytest.raises(SpcError):
            shipped_limit(rate, ranges=ranges, builds=builds)


def test_a_recorded_bad_reel_is_held_at_once() -> None:
    outcome = study_fault(
        FAULTS[0],
        LAYOUT,
        limit=shipped_limit(5000, ranges=4, builds=2),
        segment_units=(10, 10),
        replicates=64,
        build_units=8,
    )
    assert outcome.replicates == 64
    assert outcome.held_by_2 == 1.0
    assert outcome.named == 1.0
    assert outcome.named_later == 1.0


def test_without_a_fault_hardly_anything_is_found() -> None:
    outcome = study_fault(
        Fault(name="none", cause="reel"),
        LAYOUT,
        limit=shipped_limit(5000, ranges=4, builds=2),
        segment_units=(10, 10),
        replicates=64,
        build_units=20,
    )
    assert outcome.missed >= 1 - 3 / 64
    assert outcome.mean_delay > 38


@pytest.mark.parametrize("tails", ["normal", "t5", "t3", "uniform"])
def test_worlds_scatter_as_they_say(tails: str) -> None:
    world = World(name="one", own=0.2, shared=0.1, tails=tails)  # type: ignore[arg-type]
    values = scatter(world, LAYOUT, (300, 300), np.random.default_rng(5))
    own = values - values.mean(axis=2, keepdims=True)
    assert own.std() == pytest.approx(200 * 0.75**0.5, rel=0.03)
    assert values.mean(axis=2).var() == pytest.approx(100**2 + 200**2 / 4, rel=0.05)


def test_worlds_draw_levels_as_they_say() -> None:
    world = World(name="one", mean=0.3, reel=0.2, build=0.1, own=0.0, shared=0.0)
    drawn = draw(
        world,
        LAYOUT,
        segment_units=(1,),
        build_units=1,
        replicates=4000,
        rng=np.random.default_rng(6),
    )
    earlier = np.array([one[0].errors_ppm[0] for one in drawn.segments])
    now = drawn.errors_ppm[:, 0]
    assert now.std() == pytest.approx(1000 * 0.14**0.5, rel=0.03)
    # what two builds have in common is the mean of the range
    common = (earlier * now).mean()
    assert common == pytest.approx(300.0**2, rel=0.1)
    assert drawn.reel_ppm.std() == pytest.approx(200, rel=0.03)


def test_one_odd_part_in_a_hundred_units_is_drawn() -> None:
    world = World(name="one", own=0.0, shared=0.0, odd_share=0.01, odd_size=4.0)
    values = scatter(world, LAYOUT, (200, 200), np.random.default_rng(7))
    odd = (np.abs(values) > 0).sum(axis=2)
    assert odd.max() == 1
    assert odd.mean() == pytest.approx(0.01, rel=0.2)
    assert np.abs(values).max() == pytest.approx(4000.0)
