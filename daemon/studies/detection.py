"""What the detector reaches, over simulated worlds, beside the goals set for it."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from math import ceil
from multiprocessing import get_context
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from daemon.spc.calibrate import SIDE_BY_SIDE, good_maxima, limit_of
from daemon.spc.layout import CommonPart, Layout, layout_of
from daemon.spc.study import FAULTS, Fault, History, Outcome, outcome_of, study_batch
from daemon.spc.worlds import BEYOND, FAMILY, NOMINAL, World

Array = NDArray[np.float64]

RATES = (500, 5000)
"""One false hold in so many units."""
BUILD_UNITS = 100
FEWER = 4
"""The cases beside the three histories have so many times fewer replicates."""
LONGEST = 40
T = 1000.0
KNOWN = "parameters known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A product with a history, and what is put to the test on it."""

    name: str
    layout: Layout
    segment_units: tuple[int, ...]
    faults: tuple[Fault, ...]
    calibrated_on: tuple[World, ...] = FAMILY
    beyond: tuple[World, ...] = ()
    known: bool = False
    thinned: int = 1
    fault_world: World = NOMINAL
    limits_of: str = ""
    """The case whose limits serve; empty for its own."""


class Row(NamedTuple):
    """One fault of one case at one rate."""

    case: str
    rate: int
    limit: float
    outcome: Outcome


class FalseHolds(NamedTuple):
    """One world of one case at one rate: share of good builds that are held."""

    case: str
    rate: int
    world: str
    calibrated: bool
    share: float
    replicates: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """Everything that was counted."""

    rows: tuple[Row, ...]
    false_holds: tuple[FalseHolds, ...]


class _Task(NamedTuple):
    case: Case
    limits: tuple[float, ...]
    seed: np.random.SeedSequence


def _checked(fault: Fault) -> Fault:
    return replace(
        fault, name=f"{fault.name}, checked", check_every=BUILD_UNITS, check_sigma=0.005
    )


def cases() -> tuple[Case, ...]:
    """Return the histories in full, then other products and worlds in brief."""
    four = layout_of([T] * 4)
    by_name = {one.name: one for one in FAULTS}
    recorded = by_name["recorded reel +0.3 %"]
    unrecorded = by_name["unrecorded +0.3 %"]
    wider = by_name["spread x5 from unit 1"]
    brief = (recorded, unrecorded, wider)
    checked = tuple(
        _checked(one)
        for one in (
            recorded,
            unrecorded,
            wider,
            by_name["shared stage 0.2 %"],
            by_name["two reels mixed, +0.3 %"],
        )
    )
    two = "20 units in 2 segments"
    main = tuple(
        Case(
            name=name,
            layout=four,
            segment_units=units,
            faults=(*FAULTS, *checked) if name == two else FAULTS,
            beyond=BEYOND,
        )
        for name, units in (
            ("20 units in 1 segment", (20,)),
            (two, (10, 10)),
            ("100 units in 3 segments", (33, 33, 34)),
        )
    )
    known = Case(
        name=KNOWN,
        layout=four,
        segment_units=(),
        faults=FAULTS,
        calibrated_on=(NOMINAL,),
        known=True,
        thinned=FEWER,
    )
    others = tuple(
        Case(
            name=f"{ranges} {'range' if ranges == 1 else 'ranges'}",
            layout=layout_of([T] * ranges),
            segment_units=(10, 10),
            faults=brief,
            thinned=FEWER,
        )
        for ranges in (1, 2, 3, 6)
    )
    common = CommonPart(tolerance_ppm=T, sensitivity=(1.0, 1.0, 0.0, 0.0))
    shared_by_two = Case(
        name="a part shared by two ranges",
        layout=layout_of([T] * 4, [common]),
        segment_units=(10, 10),
        faults=(
            recorded,
            replace(recorded, name="its recorded reel +0.3 %", part=4),
            replace(unrecorded, name="its unrecorded reel +0.3 %", part=4),
        ),
        thinned=FEWER,
    )
    worlds = tuple(
        Case(
            name=world.name,
            layout=four,
            segment_units=(10, 10),
            faults=brief,
            fault_world=world,
            thinned=FEWER,
            limits_of=two,
        )
        for world in FAMILY[1:]
    )
    return (*main, known, *others, shared_by_two, *worlds)


def run(
    *,
    replicates: int,
    seed: int,
    workers: int,
    progress: Callable[[float, str], None],
    chosen: Sequence[Case] | None = None,
) -> Study:
    """Study every case.

    Parameters
    ----------
    replicates : int
        Good builds of each world and bad builds of each fault; other products and
        other worlds of bad builds are studied with a quarter, at least 64.
    seed : int
    workers : int
        Processes.
    progress : callable
        Told the share that is done and the case at work.
    chosen : sequence of Case, optional
        In place of all.
    """
    all_cases = cases() if chosen is None else tuple(chosen)
    works = [_work(one, replicates) for one in all_cases]
    total, before = sum(works), 0.0
    limits: dict[str, tuple[float, ...]] = {}
    rows: list[Row] = []
    false_holds: list[FalseHolds] = []
    # spawned, not forked: the caller may run threads
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        for case, work in zip(all_cases, works, strict=True):
            count = _count(case, replicates)

            def said(
                share: float,
                case: Case = case,
                before: float = before,
                work: float = work,
            ) -> None:
                progress((before + share * work) / total, case.name)

            good_share = 0.0 if case.limits_of else _good(case, count) / work
            if case.limits_of:
                limits[case.name] = limits[case.limits_of]
            else:
                good = partial(
                    good_maxima,
                    case.layout,
                    segment_units=case.segment_units,
                    build_units=BUILD_UNITS,
                    workers=workers,
                    known=case.known,
                    pool=pool,
                )
                family = good(
                    replicates=count,
                    seed=seed,
                    worlds=case.calibrated_on,
                    progress=partial(_part, said, good_share),
                )
                limits[case.name] = tuple(
                    limit_of(family, BUILD_UNITS / rate) for rate in RATES
                )
                beyond = [
                    good(replicates=count, seed=seed + 1 + index, worlds=(w,))
                    for index, w in enumerate(case.beyond)
                ]
                false_holds += _false_holds(case, family, beyond, limits[case.name])
            histories: list[list[list[History]]] = [
                [[] for _ in RATES] for _ in case.faults
            ]
            tasks = _tasks(case, limits[case.name], count, seed)
            for done, batch in enumerate(pool.map(_study, tasks), start=1):
                for fault, by_rate in zip(histories, batch, strict=True):
                    for mine, theirs in zip(fault, by_rate, strict=True):
                        mine.extend(theirs)
                said(good_share + (1.0 - good_share) * done / len(tasks))
            rows += [
                Row(case.name, rate, limit, outcome_of(fault, some[:count]))
                for fault, by_rate in zip(case.faults, histories, strict=True)
                for rate, limit, some in zip(
                    RATES, limits[case.name], by_rate, strict=True
                )
            ]
            before += work
    return Study(rows=tuple(rows), false_holds=tuple(false_holds))


def _part(said: Callable[[float], None], whole: float, share: float) -> None:
    said(share * whole)


def _count(case: Case, replicates: int) -> int:
    return max(64, replicates // case.thinned)


def _good(case: Case, count: int) -> float:
    builds = (len(case.calibrated_on) + len(case.beyond)) * count
    return float(builds * BUILD_UNITS * _size(case))


def _work(case: Case, replicates: int) -> float:
    """Return about how much a case costs, in any unit."""
    count = _count(case, replicates)
    good = 0.0 if case.limits_of else _good(case, count)
    return good + 20.0 * len(case.faults) * count * _size(case)


def _size(case: Case) -> float:
    return float(case.layout.parts**1.5)


def _tasks(case: Case, limits: tuple[float, ...], count: int, seed: int) -> list[_Task]:
    seeds = np.random.SeedSequence([seed, 1]).spawn(ceil(count / SIDE_BY_SIDE))
    return [_Task(case, limits, one) for one in seeds]


def _study(task: _Task) -> list[list[list[History]]]:
    case = task.case
    return study_batch(
        case.faults,
        case.layout,
        limits=task.limits,
        segment_units=case.segment_units,
        build_units=max(f.first_unit - 1 + LONGEST + f.later for f in case.faults),
        seed=task.seed,
        world=case.fault_world,
        known=case.known,
    )


def _false_holds(
    case: Case,
    family: Array,
    beyond: Sequence[Array],
    limits: tuple[float, ...],
) -> Iterator[FalseHolds]:
    """Count on each half of the family's builds with the limit of the other half."""
    halves = family[:, ::2], family[:, 1::2]
    for rate, limit in zip(RATES, limits, strict=True):
        accepted = BUILD_UNITS / rate
        drawn = family.shape[1]
        others = [limit_of(half, accepted, drawn=drawn) for half in halves[::-1]]
        for index, world in enumerate(case.calibrated_on):
            exceeding = np.concatenate(
                [
                    half[index] > other
                    for half, other in zip(halves, others, strict=True)
                ]
            )
            yield FalseHolds(
                case.name,
                rate,
                world.name,
                True,
                float(exceeding.mean()),
                exceeding.size,
            )
        for world, (maxima,) in zip(case.beyond, beyond, strict=True):
            share = float(np.mean(maxima > limit))
            yield FalseHolds(case.name, rate, world.name, False, share, maxima.size)
