"""Simulated lives are what they say they are: moments and order by definition."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from daemon.spc.detector import state as st
from daemon.spc.detector.layout import CommonPart, layout_of
from daemon.spc.detector.worlds import (
    FAMILY,
    HABITS,
    NOMINAL,
    CheckRun,
    Fault,
    Habit,
    Life,
    Session,
    World,
    life_of,
    standard,
    units_of,
)
from tests.studies.faults import BEYOND

LAYOUT = layout_of([1000.0] * 4)
CALM = Habit(
    name="calm",
    units=(50, 50),
    sessions=1,
    opening=False,
    interrupted=0.0,
    changed=0.0,
    slips=0.0,
    reruns=0.0,
    missing=0.0,
)
SILENT = World(
    name="silent",
    own=0.0,
    shared=0.0,
    reel=0.0,
    build=0.0,
    mean=0.0,
    noise=0.0,
    walk=0.0,
)


def life(
    world: World, habit: Habit, seed: int = 1, builds: int = 2, **more: object
) -> Life:
    return life_of(
        world,
        LAYOUT,
        habit,
        builds=builds,
        rng=np.random.default_rng(seed),
        **more,  # type: ignore[arg-type]
    )


def readings(one: Life, build: int | None = None) -> np.ndarray:
    return np.array(
        [u.errors_ppm for u in units_of(one.events) if build in (None, u.build)]
    )


@pytest.mark.parametrize("tails", ["normal", "t5", "t3", "uniform"])
def test_parts_have_the_standard_deviation_of_their_world(tails: str) -> None:
    drawn = standard(tails, (400_000,), np.random.default_rng(3))  # type: ignore[arg-type]
    assert drawn.mean() == pytest.approx(0.0, abs=0.01)
    # the fourth moment of t3 is infinite: its standard deviation comes slowly
    assert drawn.std() == pytest.approx(1.0, rel=0.05 if tails == "t3" else 0.01)


def test_units_scatter_and_share_as_the_world_says() -> None:
    world = World(
        name="w",
        own=0.2,
        shared=0.1,
        reel=0.0,
        build=0.0,
        mean=0.0,
        noise=0.0,
        walk=0.0,
    )
    values = np.concatenate([readings(life(world, CALM, seed)) for seed in range(40)])
    covariance = np.cov(values.T)
    assert np.diag(covariance) == pytest.approx(np.full(4, 200**2 + 100**2), rel=0.08)
    off = covariance[~np.eye(4, dtype=bool)]
    assert off == pytest.approx(np.full(12, 100**2), rel=0.2)


def test_levels_differ_as_the_world_says() -> None:
    world = World(
        name="w",
        own=0.0,
        shared=0.0,
        reel=0.2,
        build=0.1,
        mean=0.3,
        noise=0.0,
        walk=0.0,
    )
    firsts, seconds = [], []
    for seed in range(1500):
        one = life(world, replace(CALM, units=(1, 1), kept=0.0), seed)
        first, second = readings(one)
        firsts.append(first)
        seconds.append(second)
    now, then = np.array(seconds), np.array(firsts)
    assert now.std() == pytest.approx(1000 * 0.14**0.5, rel=0.05)
    # what two builds have in common is the mean of the range
    assert (now * then).mean() == pytest.approx(300.0**2, rel=0.1)
    # what ranges have in common in one build is its shared level
    assert np.mean(now[:, 0] * now[:, 1]) == pytest.approx(100.0**2, rel=0.5)


def test_reels_that_are_kept_keep_their_level() -> None:
    world = World(
        name="w",
        own=0.0,
        shared=0.0,
        reel=0.2,
        build=0.0,
        mean=0.0,
        noise=0.0,
        walk=0.0,
    )
    one = life(world, CALM, builds=6)
    level = readings(one)[0]
    for unit in units_of(one.events):
        for place in () if unit.boundary is None else unit.boundary.reels:
            level[place] = unit.errors_ppm[place]
        assert unit.errors_ppm == pytest.approx(level)
    changed = [len(u.boundary.reels) for u in units_of(one.events) if u.boundary]
    assert changed[0] == 4
    assert 0 < sum(changed[1:]) < 20


def test_reels_grow_more_different() -> None:
    growing = next(world for world in FAMILY if world.growth > 1.0)
    calm = World(
        name="w",
        own=0.0,
        shared=0.0,
        reel=growing.reel,
        growth=growing.growth,
        build=0.0,
        mean=0.0,
        noise=0.0,
        walk=0.0,
    )
    habit = replace(CALM, units=(1, 1), kept=0.0)
    values = np.array(
        [readings(life(calm, habit, seed, builds=6)) for seed in range(800)]
    )
    by_build = values.std(axis=(0, 2))
    assert by_build[0] == pytest.approx(105, rel=0.06)
    assert by_build[4:] == pytest.approx([210, 210], rel=0.06)


def test_events_come_in_the_order_in_which_they_are_met() -> None:
    habit = Habit(name="h", units=(30, 30), sessions=3, every=5, closing=True)
    one = life(NOMINAL, habit, builds=3)
    assert isinstance(one.events[0], Session)
    assert isinstance(one.events[1], CheckRun)
    assert [e.first for e in one.events if isinstance(e, CheckRun)].count(True) == 1
    units = list(units_of(one.events))
    assert [u.index for u in units] == list(range(30)) * 3
    assert [u.build for u in units] == [0] * 30 + [1] * 30 + [2] * 30
    assert all(
        (u.index == 0) == bool(u.boundary and u.boundary.new_build) for u in units
    )
    days = [e.day for e in one.events if isinstance(e, Session)]
    assert days == sorted(days)
    planned = [
        number
        for number, (a, b) in enumerate(pairwise(one.events))
        if isinstance(a, Session) and isinstance(b, CheckRun)
    ]
    assert len(planned) == 9


def test_one_session_a_unit() -> None:
    habit = Habit(name="h", units=(20, 20), sessions=0, interrupted=0.0)
    events = life(NOMINAL, habit, builds=1).events
    assert sum(isinstance(e, Session) for e in events) == 20
    assert sum(isinstance(e, CheckRun) for e in events) == 20


def test_what_is_missing_is_missing_again_and_a_slip_is_gone() -> None:
    habit = Habit(
        name="h", units=(3000, 3000), missing=0.02, slips=0.05, slips_again=0.0
    )
    units = list(units_of(life(SILENT, habit, builds=1).events))
    first = np.array([u.errors_ppm for u in units])
    again = np.array([u.again_ppm for u in units])
    assert np.isnan(first).mean() == pytest.approx(0.02, abs=0.004)
    assert np.array_equal(np.isnan(first), np.isnan(again))
    assert np.nanmax(np.abs(again)) == 0.0
    slipped = (np.nan_to_num(np.abs(first)) > 0.0).sum(axis=1)
    assert slipped.max() == 1
    assert slipped.mean() == pytest.approx(0.05 * 0.98, abs=0.015)
    sizes = np.abs(first[np.nan_to_num(np.abs(first)) > 0.0])
    assert sizes.min() >= 1000.0
    assert sizes.max() <= 6000.0


def test_two_in_a_hundred_units_have_a_bad_part() -> None:
    odd = next(world for world in BEYOND if world.odd_share)
    calm = World(
        name="w",
        own=0.0,
        shared=0.0,
        reel=0.0,
        build=0.0,
        mean=0.0,
        noise=0.0,
        walk=0.0,
        odd_share=odd.odd_share,
        odd_size=odd.odd_size,
    )
    habit = replace(CALM, units=(5000, 5000))
    values = np.abs(readings(life(calm, habit, builds=1)))
    # a world without scatter has parts all alike: the odd ones stand out whole
    assert (values > 0).sum(axis=1).max() == 1
    assert (values > 0).sum(axis=1).mean() == pytest.approx(0.02, abs=0.006)
    assert values.max() == pytest.approx(4000.0)


def test_a_check_reads_the_bench_alone() -> None:
    world = World(
        name="w",
        own=0.5,
        shared=0.5,
        reel=0.5,
        build=0.5,
        mean=0.5,
        noise=0.01,
        walk=0.1,
    )
    habit = replace(CALM, sessions=50, opening=True)
    runs = [
        e.errors_ppm
        for seed in range(20)
        for e in life(world, habit, seed, builds=1).events
        if isinstance(e, CheckRun)
    ]
    steps = np.array([b - a for n, (a, b) in enumerate(pairwise(runs)) if n % 50 != 49])
    assert steps.std() == pytest.approx((100**2 + 2 * 10**2) ** 0.5, rel=0.05)


def test_the_room_is_known_only_where_it_is_recorded() -> None:
    recorded = Habit(name="h", sessions=20, temperature="recorded", units=(60, 60))
    unknown = Habit(name="h", sessions=20, temperature="unrecorded", units=(60, 60))
    ambient = [u.ambient_c for u in units_of(life(SILENT, recorded).events)]
    assert all(one is not None and 18.0 <= one <= 28.0 for one in ambient)
    assert len(set(ambient)) > 5
    blind = life(SILENT, unknown)
    assert {u.ambient_c for u in units_of(blind.events)} == {None}
    assert blind.haze_ppm.tolist() == [50.0] * 4
    assert not life(SILENT, recorded).haze_ppm.any()
    assert np.nanmax(np.abs(readings(blind))) > 0.0


FAULTS = (
    (Fault(name="f", kind=st.OFF, places=(1,), sizes=(3.0,)), 0, {1: 3000.0}),
    (Fault(name="f", kind=st.SHARED, sizes=(2.0,)), 0, dict.fromkeys(range(4), 2000.0)),
    (
        Fault(name="f", kind=st.BENCH, places=(2,), sizes=(0.3,), session=1),
        None,
        {2: 300.0},
    ),
    (
        Fault(
            name="f",
            kind=st.UNRECORDED,
            places=(3,),
            sizes=(3.0,),
            middle=True,
            recorded=False,
        ),
        None,
        {3: 3000.0},
    ),
)


@pytest.mark.parametrize(("fault", "starts", "moved"), FAULTS)
def test_a_fault_moves_what_it_says_from_where_it_says(
    fault: Fault, starts: int | None, moved: dict[int, float]
) -> None:
    habit = replace(CALM, sessions=4, opening=True)
    one = life(SILENT, habit, fault=fault)
    last = readings(one, 1)
    if starts is not None:
        assert one.starts == starts
    else:
        assert one.starts > 0
    expected = np.zeros_like(last)
    for place, size in moved.items():
        expected[one.starts :, place] = size
    assert last == pytest.approx(expected)
    told = {
        index
        for u in units_of(one.events)
        if u.build == 1 and u.index > 0 and u.boundary
        for index in u.boundary.reels
    }
    assert told == set()
    if fault.kind == st.BENCH:
        checks = [e for e in one.events if isinstance(e, CheckRun) and e.build == 1]
        assert [e.errors_ppm[2] > 0 for e in checks] == [
            e.before_unit >= one.starts for e in checks
        ]


def test_half_of_the_units_carry_the_second_reel() -> None:
    fault = Fault(name="f", kind=st.MIXED, sizes=(3.0,))
    one = life(SILENT, CALM, fault=fault, last_units=2000)
    last = readings(one, 1)
    assert np.array_equal(last[:, 0] == 3000.0, one.second)
    assert one.second.mean() == pytest.approx(0.5, abs=0.05)


def test_a_common_part_is_felt_where_it_is_used() -> None:
    common = CommonPart(tolerance_ppm=1000.0, sensitivity=(1.0, -0.5, 0.0, 0.0))
    layout = layout_of([1000.0] * 4, [common])
    one = life_of(
        SILENT,
        layout,
        CALM,
        builds=1,
        rng=np.random.default_rng(1),
        fault=Fault(name="f", kind=st.OFF, places=(4,), sizes=(3.0,)),
    )
    assert readings(one)[0] == pytest.approx([3000.0, -1500.0, 0.0, 0.0])


def test_the_same_seed_is_the_same_life_and_a_fault_changes_the_last_build_only() -> (
    None
):
    fault = Fault(name="f", kind=st.OFF, sizes=(3.0,))
    good, bad = (
        life(NOMINAL, HABITS[2], builds=3),
        life(NOMINAL, HABITS[2], builds=3, fault=fault),
    )
    for build in (0, 1):
        assert np.array_equal(
            readings(good, build), readings(bad, build), equal_nan=True
        )
    assert not np.array_equal(readings(good, 2), readings(bad, 2), equal_nan=True)
