"""What the study counts, and the simplest test, by definition."""

import numpy as np
import pytest

from daemon.spc.detector import state as st
from daemon.spc.detector.following import follow
from daemon.spc.detector.layout import layout_of
from daemon.spc.detector.limit import Limit
from daemon.spc.detector.line import Boundary, Line
from daemon.spc.detector.worlds import NOMINAL, Fault, Habit, UnitRun, life_of
from tests.studies.faults import (
    CASES,
    MISSED,
    PRIOR_BETWEEN2,
    PRIOR_WITHIN2,
    Arm,
    Case,
    CumulativeMean,
    Story,
    outcome_of,
    stories_of,
)

ONE = layout_of([1000.0])
TWO = layout_of([1000.0, 1000.0], limit_ppm=[5000.0, 5000.0])
ARM = Arm(rate=5000, seated=True, limit=Limit(seated=0.0, unseated=0.5), mean_limit=4.0)


def event(value: float, *, new: bool = False) -> UnitRun:
    errors = np.array([value])
    return UnitRun(
        build=0,
        index=0,
        errors_ppm=errors,
        again_ppm=errors,
        rerun=False,
        boundary=Boundary(new_build=new, reels={0: None}) if new else None,
        ambient_c=None,
    )


def test_the_simplest_test_is_a_mean_against_earlier_segments() -> None:
    """By its formula, over three segments of known values."""
    segments = [[0.1, 0.3, 0.2], [-0.1, 0.1], [0.5, 0.7, 0.9]]
    test = CumulativeMean(ONE)
    found = [
        test.update(event(1000.0 * value, new=index == 0), seated=True)
        for segment in segments
        for index, value in enumerate(segment)
    ]
    earlier = [float(np.mean(one)) for one in segments[:2]]
    within = sum(((np.array(one) - np.mean(one)) ** 2).sum() for one in segments)
    within2 = (4.0 * PRIOR_WITHIN2 + within) / (4.0 + 2 + 1 + 2)
    between2 = (4.0 * PRIOR_BETWEEN2 + np.var(earlier) * 2) / (4.0 + 1.0)
    z = (np.mean(segments[2]) - np.mean(earlier)) / np.sqrt(
        between2 * (1 + 1 / 2) + within2 / 3
    )
    assert found[:3] == [0.0, 0.0, 0.0]
    assert found[-1] == pytest.approx(z)


def test_stories_that_were_held_too_early_are_left_out() -> None:
    stories = [
        Story(early=True, delay=1),
        Story(delay=2, named=True, place=True, covered=1.0, named_last=True),
        Story(delay=MISSED),
        Story(delay=4, place=True, covered=0.0, named_last=True, bench_at=2),
    ]
    found = outcome_of(CASES[0], ARM, stories)
    assert found.replicates == 3
    assert found.early == pytest.approx(0.25)
    assert found.mean_delay == pytest.approx((2 + MISSED + 4) / 3)
    assert found.held_by_2 == pytest.approx(1 / 3)
    assert found.missed == pytest.approx(1 / 3)
    assert (found.named, found.place, found.covered) == (0.5, 1.0, 0.5)
    assert found.named_last == pytest.approx(2 / 3)
    assert found.bench_by_1 == 0.0
    assert found.bench_by_2 == pytest.approx(1 / 3)


def test_a_bad_reel_is_held_at_once_and_a_good_build_is_not() -> None:
    bad = Case(fault=Fault(name="bad", kind=st.OFF, sizes=(3.0,)))
    none = Case(fault=Fault(name="none", kind=st.SHARED, sizes=(0.0,)))
    seeds = np.random.SeedSequence(5).spawn(6)
    stories = [stories_of((bad, none), TWO, (ARM,), seed) for seed in seeds]
    found = outcome_of(bad, ARM, [one[0][0] for one in stories])
    assert found.held_by_2 == 1.0
    assert found.named_last == 1.0
    assert found.simplest_delay < 3.0
    quiet = outcome_of(none, ARM, [one[1][0] for one in stories])
    assert quiet.missed >= 5 / 6


def test_judging_in_two_ways_does_not_disturb_either() -> None:
    other = Arm(rate=500, seated=False, limit=Limit(seated=-1.5, unseated=-1.5))
    seed = np.random.SeedSequence(6)
    cases = (CASES[0], CASES[2])
    both = stories_of(cases, TWO, (ARM, other), seed)
    alone = [
        stories_of((case,), TWO, (arm,), seed) for case in cases for arm in (ARM, other)
    ]
    flat = [story for case in both for story in case]
    for mine, (((theirs,),)) in zip(flat, alone, strict=True):
        assert (mine.delay, mine.named, mine.early) == (
            theirs.delay,
            theirs.named,
            theirs.early,
        )


def test_a_poor_contact_is_asked_for_again_and_a_good_unit_is_not() -> None:
    habit = Habit(name="h", units=(40, 40), sessions=1, slips=0.1, reruns=0.0)
    asked, slipped = 0, 0
    for seed in range(8):
        life = life_of(NOMINAL, TWO, habit, builds=2, rng=np.random.default_rng(seed))
        for point in follow(life, Line(TWO), limit=0.0, seated=True):
            if isinstance(point.event, UnitRun) and point.event.build == 1:
                away = np.nanmax(np.abs(point.event.errors_ppm - point.event.again_ppm))
                slipped += away > 1500.0
                asked += point.asked and away > 1500.0
                assert not point.asked or away > 500.0 or point.log_odds > -1.0
    assert slipped > 10
    assert asked / slipped > 0.9
