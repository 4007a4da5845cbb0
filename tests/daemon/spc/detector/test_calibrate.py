"""Limits: from good lives, sure, never under what is held possible of a new build."""

from dataclasses import replace
from itertools import pairwise
from multiprocessing import active_children
from multiprocessing.process import BaseProcess
from signal import SIGTERM

import numpy as np
import pytest

from daemon.spc.detector.calibrate import (
    ABOVE_START,
    calibrate,
    good_maxima,
    least_limit,
    limit_of,
    maxima_of,
    shipped_limit,
)
from daemon.spc.detector.following import follow
from daemon.spc.detector.layout import layout_of
from daemon.spc.detector.limit import Limit
from daemon.spc.detector.line import Line
from daemon.spc.detector.shipped import SHIPPED_LIMITS
from daemon.spc.detector.worlds import (
    FAMILY,
    HABITS,
    NOMINAL,
    CheckRun,
    Habit,
    life_of,
)
from daemon.spc.errors import OutOfRangeError, SpcError

LAYOUT = layout_of([1000.0, 1000.0])
SHORT = Habit(name="short", units=(8, 8), sessions=2)
LIMIT = Limit(seated=0.0, unseated=0.5)


def test_a_limit_is_exceeded_no_oftener_than_accepted() -> None:
    shares: list[float] = []
    found = calibrate(
        LAYOUT,
        units_per_false_hold=400,
        builds=36,
        worlds=FAMILY[:2],
        habits=(SHORT,),
        progress=shares.append,
    )
    assert found.accepted_rate == pytest.approx(0.25)
    assert [one.world for one in found.rates] == [w.name for w in FAMILY[:2]]
    assert max(found.rates[0].seated, found.rates[0].unseated) <= 0.25
    assert max(found.rates[1].seated, found.rates[1].unseated) <= 0.35
    assert min(found.limit.seated, found.limit.unseated) >= least_limit(LAYOUT)
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


def test_other_worlds_may_be_held_more_often_than_the_first() -> None:
    """1.4 times the accepted share of a uniform variable, however many are drawn."""
    values = np.random.default_rng(9).random((2, 2_000_000))
    assert limit_of(values[:1], 0.1) == pytest.approx(0.9, abs=0.002)
    values[0] = 0.0
    assert limit_of(values, 0.1) == pytest.approx(0.86, abs=0.002)


def test_the_same_seed_gives_the_same_maxima() -> None:
    def once(seed: int) -> float:
        return float(
            good_maxima(
                LAYOUT,
                limit=LIMIT,
                builds=6,
                seed=seed,
                worlds=(NOMINAL,),
                habits=(SHORT,),
            ).sum()
        )

    assert once(3) == once(3)
    assert once(3) != once(4)


def test_what_was_shared_until_a_unit_was_seated_again_is_reckoned_once() -> None:
    """Both ways of a life are what following it from the start in each way gives."""
    habit = replace(HABITS[1], units=(30, 30), slips=0.1)
    for seed in range(3):
        life = life_of(
            NOMINAL, LAYOUT, habit, builds=3, rng=np.random.default_rng(seed)
        )
        found = maxima_of(life, LAYOUT, LIMIT)
        for way, (limit, seated) in enumerate(((0.0, True), (0.5, False))):
            line, expected = Line(LAYOUT), np.full(3, -np.inf)
            asked = 0
            for point in follow(life, line, limit=limit, seated=seated):
                build = point.event.build
                expected[build] = max(expected[build], point.log_odds)
                asked += point.asked
            assert (asked > 0) == seated
            np.testing.assert_array_equal(found[way], expected)


class EnoughError(Exception):
    """Whoever waits has had enough."""


def test_the_processes_at_work_are_ended_in_the_midst_of_it() -> None:
    ended: list[BaseProcess] = []

    def enough(done: float) -> None:
        # Told before they have started up, let alone lived a life.
        assert done == 0.0
        ended.extend(active_children())
        raise EnoughError

    with pytest.raises(EnoughError):
        good_maxima(LAYOUT, limit=LIMIT, builds=30, seed=1, workers=2, progress=enough)
    assert [one.exitcode for one in ended] == [-SIGTERM, -SIGTERM]
    assert not active_children()


def test_a_rate_that_the_builds_cannot_show_is_refused() -> None:
    with pytest.raises(OutOfRangeError, match=">= 700"):
        calibrate(LAYOUT, units_per_false_hold=10_000, builds=600)
    with pytest.raises(SpcError, match="100 / units_per_false_hold"):
        calibrate(LAYOUT, units_per_false_hold=90)


def test_a_rarer_false_hold_raises_the_shipped_limit() -> None:
    for ranges in range(1, 14):
        for way in ("seated", "unseated"):
            limits = [
                getattr(shipped_limit(rate, ranges=ranges), way)
                for rate in (1, 100, 500, 2000, 5000, 50_000, 1e9)
            ]
            assert limits == sorted(limits)
            assert limits[0] < limits[-1]


def test_between_tabled_numbers_of_ranges_the_more_careful_limit_serves() -> None:
    table = SHIPPED_LIMITS[5000]
    tabled = sorted(table)
    for fewer, more in pairwise(tabled):
        for ranges in range(fewer, more + 1):
            near = {one for one in (fewer, more) if ranges != fewer + more - one}
            assert shipped_limit(5000, ranges=ranges) == Limit(
                seated=max(table[one][0] for one in near),
                unseated=max(table[one][1] for one in near),
            )
    seated, unseated = table[tabled[-1]]
    assert shipped_limit(5000, ranges=20) == Limit(seated=seated, unseated=unseated)


def test_a_limit_for_nothing_is_refused() -> None:
    for rate, ranges in ((0, 4), (5000, 0)):
        with pytest.raises(SpcError):
            shipped_limit(rate, ranges=ranges)


@pytest.mark.parametrize("ranges", sorted(SHIPPED_LIMITS[500]))
def test_no_limit_lies_under_what_is_held_possible_of_a_new_build(ranges: int) -> None:
    layout = layout_of([1000.0] * ranges, limit_ppm=[5000.0] * ranges)
    least = least_limit(layout)
    for table in SHIPPED_LIMITS.values():
        assert min(table[ranges]) >= least
    # an opening check of a good build, and its first unit, hold nothing at the least
    line = Line(layout)
    habit = Habit(name="h", units=(30, 30), sessions=3, kept=0.0, slips=0.0)
    life = life_of(NOMINAL, layout, habit, builds=2, rng=np.random.default_rng(4))
    checks = [
        point.log_odds
        for point in follow(life, line, limit=0.0, seated=True)
        if isinstance(point.event, CheckRun)
    ]
    assert len(checks) == 6
    assert np.median(checks) < least - ABOVE_START
