"""How fast the detector finds what, how often it is right: simulated faults."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, partial
from math import ceil

import numpy as np
from numpy.typing import NDArray

from daemon.spc.bank import Bank
from daemon.spc.baseline import Baseline
from daemon.spc.calibrate import SIDE_BY_SIDE, baselines_of
from daemon.spc.finding import Finding, describe
from daemon.spc.hypotheses import Cause
from daemon.spc.layout import Layout
from daemon.spc.worlds import NOMINAL, Drawn, World, draw

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

GO_ON_WITH = 0.75
"""Builds that are done are left out once no more than this share goes on."""
MEMBERS_AFTER = 30
HALF = 0.5
MISSED = 40
"""Delay that counts for a fault that is not found."""
LATER = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What goes wrong, in the first range unless said otherwise, in tolerances.

    Attributes
    ----------
    name : str
    cause : str
        What a finding should name.
    first_unit : int
        First unit concerned, from 1.
    recorded : bool
        Whether a reel change is recorded there; the build's own boundary always is.
    shift, spread : float
        Shift of the range; factor on the spread of its parts.
    shared : float
        Shift of all ranges.
    mixed : float
        Difference of a second reel that half of the units carry, at random.
    step, slope : float
        Step of the bench in the range; its drift per unit.
    check_every : int or None
        Units between runs of the check standard; the first precedes the first unit.
    check_sigma, check_quantum : float
        Its noise and resolution. A step is then anywhere within one digit of `step`:
        one that is a whole number of digits is read better than any other.
    part : int
        Which part's reel it is, for a common one its index after the ranges.
    later : int
        Units after which a finding is looked at again.
    shown_by : int
        The first unit after which it can be seen.
    """

    name: str
    cause: str
    first_unit: int = 1
    recorded: bool = False
    shift: float = 0.0
    spread: float = 1.0
    shared: float = 0.0
    mixed: float = 0.0
    step: float = 0.0
    slope: float = 0.0
    check_every: int | None = None
    check_sigma: float = 0.0
    check_quantum: float = 0.0
    part: int = 0
    later: int = LATER
    shown_by: int = 1


FAULTS = (
    Fault(name="recorded reel +0.3 %", cause="reel", shift=3.0),
    Fault(name="recorded reel +0.15 %", cause="reel", shift=1.5),
    Fault(name="spread x5 from unit 1", cause="reel", spread=5.0),
    Fault(
        name="recorded in mid-build, +0.3 %, spread x4",
        cause="reel",
        first_unit=16,
        recorded=True,
        shift=3.0,
        spread=4.0,
    ),
    Fault(name="unrecorded +0.3 %", cause="reel", first_unit=16, shift=3.0),
    Fault(name="unrecorded spread x5", cause="reel", first_unit=16, spread=5.0),
    Fault(name="shared stage 0.2 %", cause="shared stage", shared=2.0),
    Fault(name="two reels mixed, +0.3 %", cause="reel", mixed=3.0),
    Fault(
        name="laboratory bench steps 300 ppm",
        cause="bench",
        step=0.3,
        later=10,
        check_every=10,
        check_sigma=0.005,
    ),
    Fault(
        name="handheld bench steps 300 ppm",
        cause="bench",
        step=0.3,
        later=10,
        check_every=10,
        check_sigma=0.03,
        check_quantum=0.1,
    ),
    Fault(
        name="laboratory bench drifts 20 ppm a unit",
        cause="bench",
        shown_by=11,
        slope=0.02,
        check_every=10,
        check_sigma=0.005,
    ),
    Fault(
        name="handheld bench drifts 20 ppm a unit",
        cause="bench",
        shown_by=21,  # at unit 11 its resolution still hides half of it
        slope=0.02,
        check_every=10,
        check_sigma=0.03,
        check_quantum=0.1,
    ),
)
"""Sizes in tolerances, their names for parts of 0.1 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one fault at one limit.

    Attributes
    ----------
    fault : str
    replicates : int
        Builds in which nothing was held before the fault.
    mean_delay : float
        Units to the finding, the first bad unit being 1; misses count as 40.
    held_by_2, held_by_3, held_in_time, missed : float
        Shares; in time is by the first unit after which the fault can be seen.
    named, named_later : float
        Share of findings that name the right cause and range, at once and 5 units
        later.
    covered, covered_later : float
        Share of their intervals that hold the true size; NaN where none is defined.
    """

    fault: str
    replicates: int
    mean_delay: float
    held_by_2: float
    held_by_3: float
    held_in_time: float
    missed: float
    named: float
    named_later: float
    covered: float
    covered_later: float
    members: float
    """Where two reels are mixed: share of the first 30 units whose reel is told right
    once they are in."""


def study_fault(
    fault: Fault,
    layout: Layout,
    *,
    limit: float,
    segment_units: Sequence[int],
    replicates: int = 2000,
    build_units: int = 60,
    seed: int = 1,
    world: World = NOMINAL,
) -> Outcome:
    """Return how a fault is found at a limit.

    Parameters
    ----------
    fault : Fault
    layout : Layout
    limit : float
        Log-odds limit.
    segment_units : sequence of int
        Units of the baseline's segments.
    replicates, build_units, seed : int
    world : World
    """
    seeds = np.random.SeedSequence(seed).spawn(ceil(replicates / SIDE_BY_SIDE))
    histories: list[History] = []
    for one in seeds:
        batch = study_batch(
            (fault,),
            layout,
            limits=(limit,),
            segment_units=segment_units,
            build_units=build_units,
            seed=one,
            world=world,
        )
        histories += batch[0][0]
    return outcome_of(fault, histories[:replicates])


def outcome_of(fault: Fault, histories: Sequence["History"]) -> Outcome:
    """Return what many replicates came to."""
    kept = [h for h in histories if not h.too_early]
    found = [h for h in kept if h.at_once is not None]
    later = [h for h in found if h.later is not None]
    delays = np.array([h.delay for h in kept], dtype=np.float64)
    return Outcome(
        fault=fault.name,
        replicates=len(kept),
        mean_delay=float(delays.mean()),
        held_by_2=float(np.mean(delays <= 2)),
        held_by_3=float(np.mean(delays <= 3)),
        held_in_time=float(np.mean(delays <= fault.shown_by)),
        missed=1.0 - len(found) / len(kept),
        named=_share([_named(h.at_once, fault) for h in found]),
        named_later=_share([_named(h.later, fault) for h in later]),
        covered=_share([_covered(h.at_once, h.truth_ppm) for h in found]),
        covered_later=_share([_covered(h.later, h.truth_ppm) for h in later]),
        members=_share([h.members for h in kept]),
    )


@dataclass(slots=True, kw_only=True)
class History:
    """One replicate: the finding when it came, and some units later."""

    truth_ppm: float
    too_early: bool = False
    delay: int = MISSED
    at_once: Finding | None = None
    later: Finding | None = None
    members: float = float("nan")

    def done(self, fault: Fault, delay: int) -> bool:
        """Whether nothing more is asked of it after so many units."""
        return (
            self.too_early
            or delay >= MISSED + fault.later
            or (self.at_once is not None and delay >= self.delay + fault.later)
        )


def study_batch(
    faults: Sequence[Fault],
    layout: Layout,
    *,
    limits: Sequence[float],
    segment_units: Sequence[int],
    build_units: int,
    seed: np.random.SeedSequence,
    world: World = NOMINAL,
    known: bool = False,
) -> list[list[list[History]]]:
    """Return 16 replicates of each fault at each limit, from the same good builds.

    Parameters
    ----------
    known : bool
        Whether the detector knows the world and the ranges' means.
    """
    rng = np.random.default_rng(seed)
    drawn = draw(
        world,
        layout,
        segment_units=segment_units,
        build_units=build_units,
        replicates=SIDE_BY_SIDE,
        rng=rng,
    )
    baselines = baselines_of(world, layout, drawn, known=known)
    return [
        _follow(
            fault,
            baselines,
            limits,
            *_with_fault(fault, layout, drawn, world, rng),
            rng,
        )
        for fault in faults
    ]


def _follow(
    fault: Fault,
    baselines: Sequence[Baseline],
    limits: Sequence[float],
    errors: Array,
    truth: Array,
    carries: Bools,
    rng: np.random.Generator,
) -> list[list[History]]:
    """Watch a batch of builds with the fault put in, at several limits at once."""
    builds, units, ranges = errors.shape
    layout = baselines[0].layout
    bank = Bank(baselines, [("",) * layout.parts] * builds, [""] * builds)
    histories = [[History(truth_ppm=float(t)) for t in truth] for _ in limits]
    unit, none = layout.unit_ppm, np.zeros((builds, ranges))
    step = truth / unit if fault.step else np.zeros(builds)
    checked_before = 0
    watched = np.arange(builds)
    for index in range(units):
        if fault.recorded and index == fault.first_unit - 1:
            bank.change_reels([fault.part])
        if fault.check_every is not None and index % fault.check_every == 0:
            readings, variances = _check(fault, index, step, (builds, ranges), rng)
            bank.check(readings[watched], variances[watched])
            checked_before = index + 1
        bank.take(errors[watched, index] / unit, none[watched])
        if fault.mixed and index + 1 == MEMBERS_AFTER:
            _members(bank, errors[:, : index + 1], carries, histories)
        delay = index + 2 - fault.first_unit
        log_odds = bank.log_odds()
        # at several limits a build is often told of after the same unit
        tell = cache(partial(describe, bank, checked_before=checked_before))
        for limit, row in zip(limits, histories, strict=True):
            for place, build in enumerate(watched):
                fresh = log_odds[place] > limit
                _note(row[build], fault, delay, fresh, partial(tell, place))
        if fault.mixed and index + 1 < MEMBERS_AFTER:
            continue
        going = np.array(
            [not all(row[b].done(fault, delay) for row in histories) for b in watched]
        )
        if not going.any():
            break
        if going.mean() <= GO_ON_WITH:
            bank.keep(np.flatnonzero(going))
            watched = watched[going]
    return histories


def _note(
    history: History,
    fault: Fault,
    delay: int,
    beyond: bool,
    tell: Callable[[], Finding],
) -> None:
    if history.too_early or delay >= MISSED + fault.later:
        return
    fresh = history.at_once is None and beyond
    if fresh and delay < 1:
        history.too_early = True
    elif fresh and delay < MISSED:
        history.delay = delay
        history.at_once = tell()
    elif history.at_once is not None and delay == history.delay + fault.later:
        history.later = tell()


def _members(
    bank: Bank,
    errors: Array,
    carries: Bools,
    histories: Sequence[Sequence[History]],
) -> None:
    """Compare which units carry the second reel with which are said to."""
    rows = bank.rows
    mixed = np.where(rows.cause == Cause.MIXED, rows.log_weight, -np.inf)
    none = np.zeros(errors.shape[1:])
    for build, column in enumerate(mixed.argmax(axis=1)):
        if not np.isfinite(mixed[build, column]):
            continue
        scaled = errors[build] / bank.layout.unit_ppm
        second = bank.second_reel(int(column), scaled, none, build=build) > HALF
        # of two mixed reels either may be called the second
        if rows.mean[build, bank.layout.ranges, column] < 0:
            second = ~second
        right = float(np.mean(second == carries[build, : len(second)]))
        for row in histories:
            row[build].members = right


def _with_fault(
    fault: Fault,
    layout: Layout,
    drawn: Drawn,
    world: World,
    rng: np.random.Generator,
) -> tuple[Array, Array, Bools]:
    """Return errors (B, n, R) with the fault, its true size (B,), both in ppm.

    Last, which units (B, n) carry the second of two mixed reels.
    """
    errors = drawn.errors_ppm.copy()
    builds, units, _ = errors.shape
    first = fault.first_unit - 1
    part = fault.part
    tolerance = float(layout.tolerance_ppm[part])
    along = layout.sensitivity[part]
    truth = np.full(builds, np.nan)
    if fault.recorded:
        errors[:, first:] -= drawn.reel_ppm[:, part, None, None] * along
    if fault.shift or fault.spread > 1.0:
        errors[:, first:] += fault.shift * tolerance * along
        kept = 0.0 if fault.recorded else 1.0
        truth = kept * drawn.reel_ppm[:, part] + fault.shift * tolerance
        # variances add, whatever the tails of the rest
        more = world.own * tolerance * (fault.spread**2 - 1.0) ** 0.5
        wider = rng.normal(0.0, more, (builds, units - first, 1))
        errors[:, first:] += wider * along
    if fault.shared:
        errors[:, first:] += fault.shared * layout.unit_ppm
        truth = drawn.build_ppm + fault.shared * layout.unit_ppm
    carries = rng.random((builds, units)) < HALF
    if fault.mixed:
        errors[..., 0] += carries * fault.mixed * tolerance
    if fault.step:
        within = rng.uniform(-0.5, 0.5, (builds,))
        step = fault.step + fault.check_quantum * within
        truth = step * layout.unit_ppm
        errors[..., 0] += truth[:, None]
    errors[..., 0] += fault.slope * layout.unit_ppm * np.arange(units)
    return errors, truth, carries


def _check(
    fault: Fault,
    index: int,
    step: Array,
    shape: tuple[int, int],
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Return readings of the check standard and their variances, in tolerances."""
    readings = rng.normal(0.0, fault.check_sigma, shape)
    readings[:, 0] += step + fault.slope * index
    if fault.check_quantum:
        readings = np.round(readings / fault.check_quantum) * fault.check_quantum
    variance = fault.check_sigma**2 + fault.check_quantum**2 / 12.0
    return readings, np.full(shape, variance)


def _named(finding: Finding | None, fault: Fault) -> bool:
    if finding is None or finding.cause != fault.cause:
        return False
    if fault.shared:
        return finding.range_index is None
    if fault.cause == "bench":
        return finding.range_index == 0
    return finding.part_index == fault.part


def _covered(finding: Finding | None, truth_ppm: float) -> float:
    if finding is None or np.isnan(truth_ppm):
        return float("nan")
    return float(finding.low_ppm <= truth_ppm <= finding.high_ppm)


def _share(values: Sequence[float]) -> float:
    known = [v for v in values if not np.isnan(v)]
    return float(np.mean(known)) if known else float("nan")
