"""What the detector reaches, over simulated lives, beside the goals set for it."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from math import ceil
from multiprocessing import get_context
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from daemon.spc.detector.calibrate import (
    BUILD_UNITS,
    LIFE_BUILDS,
    limit_of,
    limit_until_own,
)
from daemon.spc.detector.layout import Layout, layout_of
from daemon.spc.detector.worlds import FAMILY, HABITS, Habit, World
from tests.studies.faults import (
    BEYOND,
    CASES,
    Arm,
    Case,
    Outcome,
    Story,
    good_life,
    outcome_of,
    stories_of,
)

Array = NDArray[np.float64]

RATES = (500, 5000)
"""One false hold in so many units."""
T_PPM, LIMIT_PPM = 1000.0, 5000.0
RANGES = 4
WAYS = ("seated", "unseated")
SIMPLEST = "simplest test"
ROOM = Habit(
    name="five sessions, temperature unrecorded", sessions=5, temperature="unrecorded"
)
RECORDED_ROOM = replace(
    ROOM, name="five sessions, temperature recorded", temperature="recorded"
)
SHOWN = (*HABITS, ROOM, RECORDED_ROOM)
"""Habits whose good builds are counted; limits are calibrated on the first of them."""


class FalseHolds(NamedTuple):
    """One world and habit at one rate: share of good builds that are held."""

    rate: int
    way: str
    world: str
    habit: str
    calibrated: bool
    share: float
    builds: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """Everything that was counted."""

    arms: tuple[Arm, ...]
    rows: tuple[Outcome, ...]
    false_holds: tuple[FalseHolds, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Good:
    """Maxima of good builds of a world and a habit, (rates + 1, 2, builds)."""

    world: World
    habit: Habit
    maxima: Array


def run(
    *,
    replicates: int,
    seed: int,
    workers: int,
    progress: Callable[[float, str], None],
    cases: Sequence[Case] = CASES,
    worlds: Sequence[World] = (*FAMILY, *BEYOND),
    habits: Sequence[Habit] = SHOWN,
    layout: Layout | None = None,
) -> Study:
    """Study good lives, then every fault.

    Parameters
    ----------
    replicates : int
        Good builds of each world and habit, and builds with each fault.
    seed : int
    workers : int
        Processes.
    progress : callable
        Told the share that is done and what is at work.
    cases, worlds, habits : sequence, optional
        In place of all. Those that limits are calibrated on calibrate the simplest
        test here; the detector goes by the limits that are shipped, so that good builds
        drawn here judge them.
    layout : Layout, optional
        In place of four ranges with 0.1 % parts and 0.5 % limits.
    """
    layout = layout or layout_of([T_PPM] * RANGES, limit_ppm=[LIMIT_PPM] * RANGES)
    # spawned, not forked: the caller may run threads
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        good = _good(layout, worlds, habits, replicates, seed, pool, progress)
        arms = _arms(layout, good)
        seeds = np.random.SeedSequence([seed, 2]).spawn(replicates)
        told = partial(stories_of, list(cases), layout, list(arms))
        stories: list[list[list[Story]]] = []
        for number, one in enumerate(pool.map(told, seeds), start=1):
            stories.append(one)
            progress(0.5 + 0.5 * number / replicates, "faults")
    rows = [
        outcome_of(case, arm, [one[index][way] for one in stories])
        for index, case in enumerate(cases)
        for way, arm in enumerate(arms)
    ]
    return Study(
        arms=arms, rows=tuple(rows), false_holds=tuple(_false_holds(arms, good))
    )


def _good(
    layout: Layout,
    worlds: Sequence[World],
    habits: Sequence[Habit],
    replicates: int,
    seed: int,
    pool: Executor,
    progress: Callable[[float, str], None],
) -> list[Good]:
    limits = {
        rate: limit_until_own(layout, units_per_false_hold=rate) for rate in RATES
    }
    lives = ceil(replicates / LIFE_BUILDS)
    pairs = [(world, habit) for world in worlds for habit in habits]
    seeds = np.random.SeedSequence([seed, 1]).spawn(len(pairs))
    waiting = [
        [
            pool.submit(good_life, world, habit, layout, limits, LIFE_BUILDS, one)
            for one in seed_of.spawn(lives)
        ]
        for (world, habit), seed_of in zip(pairs, seeds, strict=True)
    ]
    found = []
    for number, ((world, habit), mine) in enumerate(
        zip(pairs, waiting, strict=True), start=1
    ):
        maxima = np.concatenate([one.result() for one in mine], axis=2)
        found.append(Good(world=world, habit=habit, maxima=maxima))
        progress(0.5 * number / len(pairs), f"good builds, {world.name}")
    return found


def _mean_limit(good: Sequence[Good], way: int, rate: int) -> float:
    """Return the limit of the simplest test at the same rate of false holds."""
    names = [one.name for one in HABITS]
    pooled = []
    for world in FAMILY:
        mine = [
            one.maxima[len(RATES), way]
            for one in good
            if one.world == world and one.habit.name in names
        ]
        if mine:
            pooled.append(np.concatenate(mine))
    return limit_of(np.stack(pooled), BUILD_UNITS / rate)


def _arms(layout: Layout, good: Sequence[Good]) -> tuple[Arm, ...]:
    """Return the limits for each rate, seated and not."""
    arms = []
    for rate in RATES:
        limit = limit_until_own(layout, units_per_false_hold=rate)
        arms += [
            Arm(
                rate=rate,
                seated=way == 0,
                limit=limit,
                mean_limit=_mean_limit(good, way, rate),
            )
            for way in range(2)
        ]
    return tuple(arms)


def _false_holds(arms: Sequence[Arm], good: Sequence[Good]) -> Iterator[FalseHolds]:
    for arm in arms:
        which, way = RATES.index(arm.rate), 0 if arm.seated else 1
        for one in good:
            maxima = one.maxima[which, way]
            yield FalseHolds(
                rate=arm.rate,
                way=WAYS[way],
                world=one.world.name,
                habit=one.habit.name,
                calibrated=one.world in FAMILY and one.habit in HABITS,
                share=float(np.mean(maxima > arm.log_odds)),
                builds=maxima.size,
            )
            yield FalseHolds(
                rate=arm.rate,
                way=f"{SIMPLEST}, {WAYS[way]}",
                world=one.world.name,
                habit=one.habit.name,
                calibrated=one.world in FAMILY and one.habit in HABITS,
                share=float(np.mean(one.maxima[len(RATES), way] > arm.mean_limit)),
                builds=maxima.size,
            )
