"""How fast the detector finds what, how often it is right: simulated faults.

Beside it the simplest test there is: the mean of the units since a recorded change of
reel, against how much earlier segments differ.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from daemon.spc.detector import state as st
from daemon.spc.detector.calibrate import maxima_of
from daemon.spc.detector.finding import BENCH, REEL, SHARED_STAGE, Culprit, find
from daemon.spc.detector.following import follow
from daemon.spc.detector.layout import Layout
from daemon.spc.detector.limit import Limit
from daemon.spc.detector.line import Line
from daemon.spc.detector.worlds import (
    NOMINAL,
    SLIP,
    CheckRun,
    Fault,
    Habit,
    Life,
    UnitRun,
    World,
    life_of,
    units_of,
)

Array = NDArray[np.float64]

MISSED = 40
"""Delay that counts for a fault that is not found."""
EARLIER_BUILDS = 3
LAST_UNITS = 60
PRIOR_COUNT = 4.0
"""Segments that what is expected of reels counts as."""
PRIOR_BETWEEN2, PRIOR_WITHIN2 = 0.15**2 + 0.12**2, 0.15**2 + 0.14**2

WATCHED = Habit(
    name="two sessions, checked",
    units=(20, 30),
    sessions=2,
    interrupted=0.0,
    changed=0.0,
    reruns=0.0,
)
FOUR = Habit(
    name="four sessions, checked",
    units=(20, 30),
    sessions=4,
    interrupted=0.0,
    changed=0.0,
    reruns=0.0,
)
UNCHECKED = Habit(
    name="four sessions, no checks",
    units=(20, 30),
    sessions=4,
    opening=False,
    interrupted=0.0,
    changed=0.0,
    reruns=0.0,
)
EVERY_TEN = Habit(
    name="one session, checked every ten units",
    units=(20, 30),
    sessions=1,
    every=10,
    interrupted=0.0,
    changed=0.0,
    reruns=0.0,
)
HANDHELD = World(name="handheld bench", noise=0.10, walk=0.06)
QUIET = World(name="parts three times finer", own=0.05, shared=0.04)
BEYOND = (
    World(name="t tails, 3 degrees of freedom", tails="t3"),
    World(name="2 % isolated bad parts", odd_share=0.02),
    World(name="t tails, 5 degrees, reels twice as different", tails="t5", reel=0.30),
    HANDHELD,
    QUIET,
)
"""Worlds that no limit is calibrated on, to see what lies outside the family."""

COARSE = World(name="parts four times coarser", own=0.60)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A fault in a world, with how it is measured."""

    fault: Fault
    world: World = NOMINAL
    habit: Habit = WATCHED

    @property
    def name(self) -> str:
        """The fault's name, and the world's where it is another than usual."""
        if self.world == NOMINAL:
            return self.fault.name
        return f"{self.fault.name} ({self.world.name})"


def _off(name: str, *sizes: float, places: tuple[int, ...] = (0,)) -> Fault:
    return Fault(name=name, kind=st.OFF, places=places, sizes=sizes)


RECORDED = _off("recorded +0.3 %", 3.0)
LITTLE = _off("recorded +0.15 %", 1.5)
UNRECORDED = Fault(
    name="unrecorded +0.3 %",
    kind=st.UNRECORDED,
    sizes=(3.0,),
    middle=True,
    recorded=False,
)
WIDER = Fault(name="spread x5", kind=st.WIDE, sizes=(5.0,))
STEP = Fault(
    name="bench step 300 ppm, opening check", kind=st.BENCH, sizes=(0.3,), session=1
)

CASES = (
    Case(fault=RECORDED),
    Case(fault=LITTLE),
    Case(fault=UNRECORDED),
    Case(fault=WIDER),
    Case(
        fault=Fault(
            name="unrecorded spread x5",
            kind=st.WIDE,
            sizes=(5.0,),
            middle=True,
            recorded=False,
        )
    ),
    Case(fault=Fault(name="shared stage 0.2 %", kind=st.SHARED, sizes=(2.0,))),
    Case(
        fault=Fault(
            name="shared stage 0.2 % in mid-build",
            kind=st.SHARED,
            sizes=(2.0,),
            middle=True,
        )
    ),
    Case(fault=Fault(name="two reels mixed, +0.3 %", kind=st.MIXED, sizes=(3.0,))),
    Case(
        fault=Fault(
            name="two reels mixed from mid-build, +0.3 %",
            kind=st.MIXED,
            sizes=(3.0,),
            middle=True,
            recorded=False,
        )
    ),
    Case(fault=_off("two reels, +0.3 and -0.3 %", 3.0, -3.0, places=(0, 1))),
    Case(fault=_off("two reels, +0.2 and +0.15 %", 2.0, 1.5, places=(0, 1))),
    Case(fault=Fault(name="tape drift 30 ppm a unit", kind=st.DRIFT, sizes=(0.03,))),
    Case(fault=STEP, habit=FOUR),
    Case(
        fault=Fault(
            name="bench step 0.1 %, no checks", kind=st.BENCH, sizes=(1.0,), session=1
        ),
        habit=UNCHECKED,
    ),
    Case(
        fault=Fault(
            name="bench step 0.1 % within a session",
            kind=st.BENCH,
            sizes=(1.0,),
            middle=True,
        ),
        habit=EVERY_TEN,
    ),
    Case(
        fault=Fault(
            name="bench drifts 20 ppm a unit", kind=st.SLOPE, sizes=(0.02,), middle=True
        ),
        habit=EVERY_TEN,
    ),
    Case(fault=STEP, world=HANDHELD, habit=FOUR),
    Case(fault=Fault(name="slip on a first unit", kind=SLIP, sizes=(4.0,))),
    Case(fault=RECORDED, world=COARSE),
    Case(fault=WIDER, world=QUIET),
    Case(fault=RECORDED, world=QUIET),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Arm:
    """One way to judge: a rate, and whether units can be seated again.

    Attributes
    ----------
    rate : int
        One false hold in so many units is accepted.
    seated : bool
    limit : Limit
    mean_limit : float
        Of the simplest test, at equal false holds.
    """

    rate: int
    seated: bool
    limit: Limit
    mean_limit: float = float("inf")

    @property
    def log_odds(self) -> float:
        """The log-odds limit."""
        return self.limit.seated if self.seated else self.limit.unseated


@dataclass(slots=True, kw_only=True)
class Story:
    """What became of one fault, judged in one way.

    Attributes
    ----------
    early : bool
        Something stood before the fault began.
    delay : int
        Units to the hold, the first bad unit being 1; 40 for none.
    named, place, covered : bool or float
        Whether exactly the right causes, and places, were named at the hold; whether
        the interval holds the true size, NaN where it has none.
    named_last, covered_last : bool or float
        At the end of the build.
    standing : bool
        Whether anything stands then.
    bench_at : int or None
        Which check since the fault began first named the bench, from 1.
    suspected : bool
        Whether one of the first two checks since then raised a suspicion of the bench.
    mean_delay : int
        Of the simplest test.
    """

    early: bool = False
    delay: int = MISSED
    named: bool = False
    place: bool = False
    covered: float = float("nan")
    named_last: bool = False
    covered_last: float = float("nan")
    standing: bool = False
    bench_at: int | None = None
    suspected: bool = False
    mean_delay: int = MISSED
    checks: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What many replicates of one fault came to, judged in one way; shares and means.

    Those in which something stood too early are left out.
    """

    name: str
    rate: int
    seated: bool
    replicates: int
    early: float
    mean_delay: float
    held_by_1: float
    held_by_2: float
    missed: float
    named: float
    place: float
    named_last: float
    standing_last: float
    covered: float
    covered_last: float
    bench_by_1: float
    bench_by_2: float
    suspected_by_2: float
    simplest_delay: float


def outcome_of(case: Case, arm: Arm, stories: Sequence[Story]) -> Outcome:
    """Return what replicates came to."""
    kept = [one for one in stories if not one.early]
    found = [one for one in kept if one.delay < MISSED]
    checks = [one.bench_at for one in kept]

    def part(values: Sequence[float | bool]) -> float:
        known = [float(v) for v in values if not np.isnan(v)]
        return float(np.mean(known)) if known else float("nan")

    return Outcome(
        name=case.name,
        rate=arm.rate,
        seated=arm.seated,
        replicates=len(kept),
        early=1.0 - len(kept) / max(len(stories), 1),
        mean_delay=part([one.delay for one in kept]),
        held_by_1=part([one.delay <= 1 for one in kept]),
        held_by_2=part([one.delay <= 2 for one in kept]),
        missed=part([one.delay >= MISSED for one in kept]),
        named=part([one.named for one in found]),
        place=part([one.place for one in found]),
        named_last=part([one.named_last for one in kept]),
        standing_last=part([one.standing for one in kept]),
        covered=part([one.covered for one in found]),
        covered_last=part([one.covered_last for one in kept]),
        bench_by_1=part([one is not None and one <= 1 for one in checks]),
        bench_by_2=part([one is not None and one <= 2 for one in checks]),
        suspected_by_2=part([one.suspected for one in kept]),
        simplest_delay=part([one.mean_delay for one in kept]),
    )


def stories_of(
    cases: Sequence[Case],
    layout: Layout,
    arms: Sequence[Arm],
    seed: np.random.SeedSequence,
) -> list[list[Story]]:
    """Return one replicate of each case, judged in each way, [case][arm].

    Cases of one world and habit share what was before the fault.
    """
    found: list[list[Story]] = [[] for _ in cases]
    groups: dict[tuple[str, str], list[int]] = {}
    for index, case in enumerate(cases):
        groups.setdefault((case.world.name, case.habit.name), []).append(index)
    for indices in groups.values():
        lives = [_life(cases[index], layout, seed) for index in indices]
        for arm in arms:
            line, since = _grown(lives[0], layout, arm)
            before = line.saved()
            for index, life in zip(indices, lives, strict=True):
                line.restore(before)
                found[index].append(_story(cases[index], life, line, since, arm))
    return found


def _life(case: Case, layout: Layout, seed: np.random.SeedSequence) -> Life:
    return life_of(
        case.world,
        layout,
        case.habit,
        builds=EARLIER_BUILDS + 1,
        rng=np.random.default_rng(seed),
        fault=case.fault,
        last_units=LAST_UNITS,
    )


def _grown(life: Life, layout: Layout, arm: Arm) -> tuple[Line, int]:
    """Return the line after all builds but the last, and the number of what follows."""
    line = Line(layout)
    since = next(
        number
        for number, event in enumerate(life.events)
        if event.build == life.builds - 1
    )
    for _ in follow(life, line, limit=arm.log_odds, seated=arm.seated, until=since):
        pass
    return line, since


def _wanted(fault: Fault) -> set[Culprit]:
    if fault.kind == SLIP:
        return set()
    if fault.kind == st.SHARED:
        return {Culprit(SHARED_STAGE, None)}
    cause = BENCH if fault.kind in (st.BENCH, st.SLOPE) else REEL
    return {Culprit(cause, place) for place in fault.places}


def _story(case: Case, life: Life, line: Line, since: int, arm: Arm) -> Story:
    """Follow the last build."""
    story = Story()
    wanted = _wanted(case.fault)
    held = False
    for point in follow(life, line, limit=arm.log_odds, seated=arm.seated, since=since):
        event = point.event
        at = event.before_unit if isinstance(event, CheckRun) else event.index
        delay = at - life.starts + 1
        over = point.log_odds > arm.log_odds
        if delay < 1:
            story.early = story.early or over
            continue
        if over and not held:
            held = True
            story.delay = min(delay, MISSED)
            story.named, story.place, story.covered = _judged(line, arm, wanted, life)
        if isinstance(event, CheckRun):
            _checked(story, line, arm, wanted)
    story.named_last, _, story.covered_last = _judged(line, arm, wanted, life)
    story.standing = bool(find(line, arm.log_odds))
    story.mean_delay = _simplest(life, line.layout, arm)
    return story


def _judged(
    line: Line, arm: Arm, wanted: set[Culprit], life: Life
) -> tuple[bool, bool, float]:
    """Return whether causes and places are right, and the size lies in its interval."""
    found = find(line, arm.log_odds)
    covered = float("nan")
    (first, *_) = (*wanted, None)
    if len(wanted) == 1 and first in found and not np.isnan(life.size_ppm):
        one = found[first]
        covered = float(one.low_ppm <= life.size_ppm <= one.high_ppm)
    places = {one.place for one in found} == {one.place for one in wanted}
    return set(found) == wanted, places, covered


def _checked(story: Story, line: Line, arm: Arm, wanted: set[Culprit]) -> None:
    story.checks += 1
    suspects = {Culprit(BENCH, place) for place, _ in line.suspected_bench()}
    story.suspected |= story.checks <= 2 and bool(wanted & suspects)
    if story.bench_at is None and wanted & set(find(line, arm.log_odds)):
        story.bench_at = story.checks


# ---- the simplest test


@dataclass(slots=True)
class CumulativeMean:
    """Mean of a range's units since its reel was changed, against earlier segments.

    Parameters
    ----------
    layout : Layout

    Notes
    -----
    z = (mean - m) / sqrt(b^2 (1 + 1/k) + w^2 / n): n units since the change, k earlier
    segments with mean m, b^2 between and w^2 within segments, pooled over ranges, each
    counted in with what is expected of reels as four segments.
    """

    layout: Layout
    sums: Array = field(init=False)
    counts: Array = field(init=False)
    squares: float = field(init=False, default=0.0)
    degrees: float = field(init=False, default=0.0)
    means: list[list[float]] = field(init=False)

    def __post_init__(self) -> None:
        self.sums = np.zeros(self.layout.ranges)
        self.counts = np.zeros(self.layout.ranges)
        self.means = [[] for _ in range(self.layout.ranges)]

    def update(self, event: UnitRun, *, seated: bool) -> float:
        """Return the largest absolute z over all ranges after a unit; 0 for none."""
        y = (event.again_ppm if seated else event.errors_ppm) / self.layout.unit_ppm
        if event.boundary is not None:
            new = np.zeros(self.layout.ranges, np.bool_)
            for part in event.boundary.reels:
                new |= self.layout.sensitivity[part] != 0.0
            new |= event.boundary.new_build
            for place in np.flatnonzero(new & (self.counts > 0)):
                self.means[place].append(self.sums[place] / self.counts[place])
            self.sums[new], self.counts[new] = 0.0, 0.0
        seen = ~np.isnan(y)
        known = seen & (self.counts > 0)
        n = self.counts[known]
        away = y[known] - self.sums[known] / n
        self.squares += float((away**2 * n / (n + 1.0)).sum())
        self.degrees += float(known.sum())
        self.sums[seen] += y[seen]
        self.counts[seen] += 1.0
        return self._largest()

    def _largest(self) -> float:
        within2 = (PRIOR_COUNT * PRIOR_WITHIN2 + self.squares) / (
            PRIOR_COUNT + self.degrees
        )
        spread, degrees = 0.0, 0.0
        for one in self.means:
            if len(one) > 1:
                spread += float(np.var(one)) * len(one)
                degrees += len(one) - 1.0
        between2 = (PRIOR_COUNT * PRIOR_BETWEEN2 + spread) / (PRIOR_COUNT + degrees)
        largest = 0.0
        for place, earlier in enumerate(self.means):
            n, k = self.counts[place], len(earlier)
            if n == 0 or k == 0:
                continue
            z = (self.sums[place] / n - float(np.mean(earlier))) / (
                between2 * (1.0 + 1.0 / k) + within2 / n
            ) ** 0.5
            largest = max(largest, abs(float(z)))
        return largest


def mean_maxima(life: Life, layout: Layout, *, seated: bool) -> Array:
    """Return the largest z of the simplest test in each build of a life, (builds,)."""
    test = CumulativeMean(layout)
    found = np.zeros(life.builds)
    for event in units_of(life.events):
        z = test.update(event, seated=seated)
        found[event.build] = max(found[event.build], z)
    return found


def _simplest(life: Life, layout: Layout, arm: Arm) -> int:
    test = CumulativeMean(layout)
    for event in units_of(life.events):
        z = test.update(event, seated=arm.seated)
        delay = event.index - life.starts + 1
        if event.build == life.builds - 1 and delay >= 1 and z > arm.mean_limit:
            return min(delay, MISSED)
    return MISSED


def good_life(
    world: World,
    habit: Habit,
    layout: Layout,
    limits: Mapping[int, Limit],
    builds: int,
    seed: np.random.SeedSequence,
) -> Array:
    """Return maxima of a good life: (rates + 1, 2, builds), the simplest test's last.

    The second index: odd units seated again, or not.
    """
    life = life_of(world, layout, habit, builds=builds, rng=np.random.default_rng(seed))
    maxima = [maxima_of(life, layout, limit) for limit in limits.values()]
    simplest = [mean_maxima(life, layout, seated=way) for way in (True, False)]
    return np.stack([*maxima, np.stack(simplest)])
