"""Simulated lives of a maker's line, in which limits are calibrated and faults studied.

A life is what the daemon meets, in its order: sessions, runs of the check standard,
units with the reels that were changed before them. A world says how good products vary,
a habit how they are measured, a fault what goes wrong in the last build.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from daemon.spc.detector import state as st
from daemon.spc.detector.assumptions import WALK_OF_NOISE
from daemon.spc.detector.layout import Layout
from daemon.spc.detector.line import REFERENCE_C, Boundary

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

Tails = Literal["normal", "t5", "t3", "uniform"]

GROWING_BUILDS = 4
"""Builds over which reels grow more different, where they do."""
SLIP_TOLERANCES = (1.0, 6.0)
"""How far a poor contact takes a range, either way."""
MOST_KELVIN = 5.0
"""How far from the reference the room may be."""
KELVIN_BETWEEN = 2.0
"""Standard deviation of the room's walk from session to session."""
TEMPCO = 0.025
"""Standard deviation of a range's effect of temperature, tolerances a kelvin: 25 ppm a
kelvin where the tolerance is 0.1 %."""
NEXT_DAY = 0.6
"""Share of sessions that begin on another day."""
HAZE_KELVIN = 2.0
"""What a room is taken to change by from day to day where nobody records it."""
FIRST_CHECK_WALKS = 3.0
"""Standing offset that is allowed to a bench at its first check, in walks."""
MIDDLE = (8, 16)
"""Units of a build between which a fault of its middle begins."""


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """How good products vary; standard deviations as multiples of the tolerance.

    Attributes
    ----------
    name : str
    own, shared : float
        Parts inside a reel; shared stage from unit to unit.
    reel, build, mean : float
        Reel means; shared level from build to build; means of the ranges.
    growth : float
        Factor on `reel` with each of the first four builds.
    tails : {"normal", "t5", "t3", "uniform"}
        Distribution of parts inside a reel, at the same standard deviation.
    odd_share, odd_size : float
        Share of units with one bad part in one range, and its size.
    noise, walk : float
        Bench: noise of a measurement; change from one session to the next.
    """

    name: str
    own: float = 0.15
    shared: float = 0.12
    reel: float = 0.15
    build: float = 0.10
    mean: float = 0.20
    growth: float = 1.0
    tails: Tails = "normal"
    odd_share: float = 0.0
    odd_size: float = 4.0
    noise: float = 0.015
    walk: float = 0.02


NOMINAL = World(name="nominal")
FAMILY = (
    NOMINAL,
    World(name="reels twice as different", reel=0.30),
    World(name="reels grow more different", reel=0.105, growth=2.0**0.25),
    World(name="t tails, 5 degrees of freedom", tails="t5"),
    World(name="uniform parts", tails="uniform"),
    World(name="parts four times coarser", own=0.60),
)
"""The worlds that a limit is calibrated on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Habit:
    """How a maker measures.

    Attributes
    ----------
    name : str
    units : (int, int)
        Fewest and most units of a build.
    sessions : int
        Sessions of a build, cut at random; 0 for one a unit.
    opening, closing : bool
        Whether a check standard opens, or closes, a session.
    every : int or None
        Units after which it is run within a session.
    interrupted : float
        Share of sessions that are broken off: the bench is set up anew, unchecked.
    kept, changed : float
        Share of reels that a new build keeps; share of builds that take a new reel on
        their way.
    slips, slips_again : float
        Share of units with a poor contact; of these, the share that has one again once
        it was seated again.
    reruns : float
        Share of units that somebody seats and measures again unasked.
    missing : float
        Share of ranges that are not measured.
    temperature : {"steady", "recorded", "unrecorded"}
        Whether the room's temperature matters, and is known.
    """

    name: str
    units: tuple[int, int] = (100, 100)
    sessions: int = 5
    opening: bool = True
    closing: bool = False
    every: int | None = None
    interrupted: float = 0.05
    kept: float = 0.4
    changed: float = 0.3
    slips: float = 0.01
    slips_again: float = 0.02
    reruns: float = 0.01
    missing: float = 0.02
    temperature: Literal["steady", "recorded", "unrecorded"] = "steady"


HABITS = (
    Habit(name="one session", sessions=1),
    Habit(name="two sessions", sessions=2, closing=True),
    Habit(name="five sessions", sessions=5, every=10),
    Habit(name="five sessions, no checks", sessions=5, opening=False),
    Habit(name="eight sessions", sessions=8),
    Habit(name="one session a unit, no checks", sessions=0, opening=False),
    Habit(name="one session a unit", sessions=0),
)
"""The habits that a limit is calibrated on."""


REEL_KINDS = (st.OFF, st.WIDE, st.UNRECORDED, st.MIXED, st.DRIFT)
SLIP = 0
"""Kind of a fault that is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What goes wrong in the last build of a life, in tolerances.

    Attributes
    ----------
    name : str
    kind : int
        The event that a finding should name, a number of `state`; `SLIP` for a poor
        contact, of which no finding should stand in the end.
    places : tuple of int
        Parts, or ranges of the bench, that are concerned.
    sizes : tuple of float
        One for each place: of a reel's or the bench's shift, factor on the spread,
        difference of two mixed reels, drift a unit; one for the shared stage.
    middle : bool
        Whether it begins in the middle of the build, else with it.
    recorded : bool
        Whether a change of reel is recorded with it.
    session : int or None
        The session of the build that it begins with, from 0.
    """

    name: str
    kind: int
    places: tuple[int, ...] = (0,)
    sizes: tuple[float, ...] = (0.0,)
    middle: bool = False
    recorded: bool = True
    session: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Session:
    """The bench is set up.

    Attributes
    ----------
    build, day : int
        Counted from 0.
    """

    build: int
    day: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CheckRun:
    """The check standard is run.

    Attributes
    ----------
    build, before_unit : int
        Counted from 0.
    errors_ppm : (R,)
    first : bool
        First of this standard on this bench.
    """

    build: int
    before_unit: int
    errors_ppm: Array
    first: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UnitRun:
    """A unit is measured.

    Attributes
    ----------
    build, index : int
        Counted from 0, the index within its build.
    errors_ppm, again_ppm : (R,)
        What it reads, and reads once it was seated again; NaN where not measured.
    rerun : bool
        Somebody seats it again unasked: the second reading is what counts.
    boundary : Boundary or None
    ambient_c : float or None
    """

    build: int
    index: int
    errors_ppm: Array
    again_ppm: Array
    rerun: bool
    boundary: Boundary | None
    ambient_c: float | None


Event = Session | CheckRun | UnitRun


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Life:
    """What a line meets, in order.

    Attributes
    ----------
    events : tuple of Event
    builds : int
    variance_ppm2 : (R,)
        Of a measurement.
    walk_ppm : (R,)
        What the bench is taken to walk by between sessions.
    allowed_ppm2 : (R,)
        Variance of a bench's standing offset.
    haze_ppm : (P,)
        What a day's change of temperature that nobody records may move parts by; 0
        where it is steady or recorded.
    starts : int
        First unit of the last build that has the fault; 0 without one.
    size_ppm : float
        How far a shifted reel lies from an average one, or the shared stage from its
        mean; NaN for other faults.
    second : (n,) of bool
        Units of the last build with the second of two mixed reels.
    """

    events: tuple[Event, ...]
    builds: int
    variance_ppm2: Array
    walk_ppm: Array
    allowed_ppm2: Array
    haze_ppm: Array
    starts: int
    size_ppm: float
    second: Bools


def life_of(
    world: World,
    layout: Layout,
    habit: Habit,
    *,
    builds: int,
    rng: np.random.Generator,
    fault: Fault | None = None,
    last_units: int | None = None,
) -> Life:
    """Draw the life of a line from its first unit.

    Parameters
    ----------
    world : World
    layout : Layout
    habit : Habit
    builds : int
    rng : numpy.random.Generator
    fault : Fault, optional
        Of the last build; left out, everything is good.
    last_units : int, optional
        Units of the last build; left out, as many as the habit says.
    """
    maker = _Maker(world, layout, habit, rng)
    events: list[Event] = []
    for number in range(builds):
        last = number == builds - 1
        units = int(rng.integers(habit.units[0], habit.units[1] + 1))
        if last and last_units is not None:
            units = last_units
        events += maker.build(number, units, fault if last else None)
    unit, ranges = layout.unit_ppm, layout.ranges
    haze = np.zeros(layout.parts)
    if habit.temperature == "unrecorded":
        haze[:ranges] = TEMPCO * HAZE_KELVIN * maker.scale[:ranges]
    return Life(
        events=tuple(events),
        builds=builds,
        variance_ppm2=np.full(ranges, (world.noise * unit) ** 2),
        walk_ppm=np.full(ranges, WALK_OF_NOISE * world.noise * unit),
        allowed_ppm2=np.full(ranges, (FIRST_CHECK_WALKS * world.walk * unit) ** 2),
        haze_ppm=haze,
        starts=maker.starts,
        size_ppm=maker.size_ppm,
        second=maker.second,
    )


def standard(tails: Tails, shape: tuple[int, ...], rng: np.random.Generator) -> Array:
    """Draw with mean 0 and standard deviation 1."""
    if tails == "uniform":
        return np.asarray(rng.uniform(-(3.0**0.5), 3.0**0.5, shape))
    if tails == "normal":
        return np.asarray(rng.standard_normal(shape))
    freedom = 5.0 if tails == "t5" else 3.0
    values = rng.standard_t(freedom, shape) * ((freedom - 2.0) / freedom) ** 0.5
    return np.asarray(values)


class _Maker:
    """What lives on from build to build: reels, the bench, the room."""

    def __init__(
        self, world: World, layout: Layout, habit: Habit, rng: np.random.Generator
    ) -> None:
        self.world, self.layout, self.habit, self.rng = world, layout, habit, rng
        self.scale = layout.ratio * layout.unit_ppm
        ranges = layout.ranges
        own = self.scale[:ranges]
        self.mean = rng.normal(0.0, world.mean, ranges) * own
        self.tempco = rng.normal(0.0, TEMPCO, ranges) * own
        self.bench = rng.normal(0.0, world.walk, ranges) * layout.unit_ppm
        self.level = np.zeros(layout.parts)
        self.kelvin = 0.0
        self.day = 0
        self.checked = False
        self.starts = 0
        self.size_ppm = float("nan")
        self.second = np.zeros(0, np.bool_)

    def build(self, number: int, units: int, fault: Fault | None) -> list[Event]:
        """Draw one build and what happens in it."""
        begins, planned = self._sessions(units)
        start = self._start_of(fault, begins)
        reels, bounds = self._reels(number, units, fault, start)
        bench, kelvin, days = self._bench(begins, fault, start)
        errors = reels @ self.layout.sensitivity + bench + self.mean
        shared = self.rng.normal(0.0, self.world.build) * self.layout.unit_ppm
        common = np.full(units, shared)
        if fault is not None and fault.kind == st.SHARED:
            common[start:] += fault.sizes[0] * self.layout.unit_ppm
            self.size_ppm = float(common[start])
        errors += common[:, None] + self._scatter(units, fault, start)
        errors += kelvin[:, None] * self.tempco
        readings, again, reruns = self._readings(errors)
        if fault is not None and fault.kind == SLIP:
            for place, size in zip(fault.places, fault.sizes, strict=True):
                readings[start, place] += size * self.scale[place]
        checks = self._checks(begins, planned)
        ambient = None if self.habit.temperature != "recorded" else kelvin + REFERENCE_C
        events: list[Event] = []
        for index in range(units):
            if begins[index]:
                events.append(Session(build=number, day=int(days[index])))
            if checks[index]:
                events.append(self._check(number, index, bench[index]))
            events.append(
                UnitRun(
                    build=number,
                    index=index,
                    errors_ppm=readings[index],
                    again_ppm=again[index],
                    rerun=bool(reruns[index]),
                    boundary=bounds.get(index),
                    ambient_c=None if ambient is None else float(ambient[index]),
                )
            )
            ends = index + 1 == units or planned[index + 1]
            if self.habit.closing and ends:
                events.append(self._check(number, index + 1, bench[index]))
        return events

    def _sessions(self, units: int) -> tuple[Bools, Bools]:
        """Return where the bench is set up, and where that was planned, (n,) each."""
        planned = np.zeros(units, np.bool_)
        planned[0] = True
        if self.habit.sessions == 0:
            planned[:] = True
        else:
            cuts = min(self.habit.sessions, units) - 1
            planned[1 + self.rng.permutation(units - 1)[:cuts]] = True
        begins = planned.copy()
        for first in np.flatnonzero(planned).tolist():
            if self.rng.random() < self.habit.interrupted:
                broken = first + int(self.rng.integers(1, 20))
                begins[min(broken, units - 1)] = True
        return begins, planned

    def _start_of(self, fault: Fault | None, begins: Bools) -> int:
        if fault is None:
            return 0
        if fault.session is not None:
            sessions = np.flatnonzero(begins)
            self.starts = int(sessions[min(fault.session, len(sessions) - 1)])
        elif fault.middle:
            self.starts = int(self.rng.integers(*MIDDLE))
        return self.starts

    def _draw_reels(self, number: int, places: Bools) -> None:
        grown = self.world.growth ** min(number, GROWING_BUILDS)
        fresh = self.rng.normal(0.0, self.world.reel * grown, len(places)) * self.scale
        self.level[places] = fresh[places]

    def _reels(
        self, number: int, units: int, fault: Fault | None, start: int
    ) -> tuple[Array, dict[int, Boundary]]:
        """Return levels of the reels, (n, P), and what was recorded of them."""
        parts = self.layout.parts
        new = np.ones(parts, np.bool_)
        if number > 0:
            new = self.rng.random(parts) >= self.habit.kept
        reel_fault = fault is not None and fault.kind in REEL_KINDS
        if fault is not None and reel_fault and fault.recorded and not fault.middle:
            new[list(fault.places)] = True
        self._draw_reels(number, new)
        levels = np.empty((units, parts))
        levels[:] = self.level
        changes: dict[int, list[int]] = {}
        if fault is None and units > 1 and self.rng.random() < self.habit.changed:
            at = int(self.rng.integers(1, units))
            place = int(self.rng.integers(parts))
            self._draw_reels(number, np.arange(parts) == place)
            levels[at:, place] = self.level[place]
            changes[at] = [place]
        if fault is not None and reel_fault:
            self._bad_reels(number, levels, fault, start)
            if fault.middle and fault.recorded:
                changes[start] = list(fault.places)
        self.level = levels[-1].copy()
        bounds = {
            at: Boundary(new_build=False, reels=dict.fromkeys(places))
            for at, places in changes.items()
        }
        bounds[0] = Boundary(
            new_build=True, reels=dict.fromkeys(np.flatnonzero(new).tolist())
        )
        return levels, bounds

    def _bad_reels(self, number: int, levels: Array, fault: Fault, start: int) -> None:
        units = len(levels)
        after = np.arange(units - start)
        for place, size in zip(fault.places, fault.sizes, strict=True):
            if fault.middle:
                self._draw_reels(number, np.arange(self.layout.parts) == place)
                levels[start:, place] = self.level[place]
            if fault.kind in (st.OFF, st.UNRECORDED):
                levels[start:, place] += size * self.scale[place]
                self.size_ppm = float(levels[start, place])
            elif fault.kind == st.DRIFT:
                levels[start:, place] += size * self.scale[place] * after
            elif fault.kind == st.MIXED:
                self.second = self.rng.random(units) < 0.5
                self.second[:start] = False
                levels[self.second, place] += size * self.scale[place]

    def _bench(
        self, begins: Bools, fault: Fault | None, start: int
    ) -> tuple[Array, Array, NDArray[np.int64]]:
        """Return what the bench reads off, (n, R); kelvin, (n,); days, (n,)."""
        units, ranges = len(begins), self.layout.ranges
        bench, kelvin = np.empty((units, ranges)), np.zeros(units)
        days = np.empty(units, np.int64)
        for index in range(units):
            if begins[index]:
                walk = self.rng.normal(0.0, self.world.walk, ranges)
                self.bench = self.bench + walk * self.layout.unit_ppm
                self.day += int(self.rng.random() < NEXT_DAY)
                if self.habit.temperature != "steady":
                    moved = self.kelvin + self.rng.normal(0.0, KELVIN_BETWEEN)
                    self.kelvin = float(np.clip(moved, -MOST_KELVIN, MOST_KELVIN))
            if fault is not None and fault.kind in (st.BENCH, st.SLOPE):
                self._bad_bench(index - start, fault)
            bench[index], kelvin[index], days[index] = self.bench, self.kelvin, self.day
        return bench, kelvin, days

    def _bad_bench(self, since: int, fault: Fault) -> None:
        for place, size in zip(fault.places, fault.sizes, strict=True):
            if since == 0 or (since > 0 and fault.kind == st.SLOPE):
                self.bench[place] += size * self.layout.unit_ppm

    def _scatter(self, units: int, fault: Fault | None, start: int) -> Array:
        """Return what units add to their levels, (n, R)."""
        world, layout, rng = self.world, self.layout, self.rng
        parts = standard(world.tails, (units, layout.parts), rng) * world.own
        if fault is not None and fault.kind == st.WIDE:
            for place, size in zip(fault.places, fault.sizes, strict=True):
                parts[start:, place] *= size
        if world.odd_share:
            odd = np.flatnonzero(rng.random(units) < world.odd_share)
            where = rng.integers(layout.ranges, size=odd.size)
            parts[odd, where] += world.odd_size * rng.choice([-1.0, 1.0], size=odd.size)
        shared = rng.normal(0.0, world.shared * layout.unit_ppm, (units, 1))
        return np.asarray((parts * self.scale) @ layout.sensitivity + shared)

    def _readings(self, errors: Array) -> tuple[Array, Array, Bools]:
        """Return what is read at first, and seated again, and who is run again."""
        habit, rng = self.habit, self.rng
        units, ranges = errors.shape
        noise = self.world.noise * self.layout.unit_ppm
        first = errors + rng.normal(0.0, noise, errors.shape)
        again = errors + rng.normal(0.0, noise, errors.shape)
        slips: Bools = np.asarray(rng.random(units) < habit.slips)
        twice: Bools = slips & (rng.random(units) < habit.slips_again)
        reruns: Bools = np.asarray(rng.random(units) < habit.reruns)
        self._slip(first, slips)
        self._slip(again, twice)
        missing = rng.random((units, ranges)) < habit.missing
        first[missing] = np.nan
        again[missing] = np.nan
        return first, again, reruns

    def _slip(self, readings: Array, which: Bools) -> None:
        units = np.flatnonzero(which)
        place = self.rng.integers(self.layout.ranges, size=units.size)
        size = self.rng.uniform(*SLIP_TOLERANCES, units.size)
        way = self.rng.choice([-1.0, 1.0], size=units.size)
        readings[units, place] += way * size * self.scale[place]

    def _checks(self, begins: Bools, planned: Bools) -> Bools:
        """Return before which units the check standard is run, (n,)."""
        due = np.zeros(len(begins), np.bool_)
        since = 0
        for index in range(len(begins)):
            if planned[index]:
                due[index] = self.habit.opening
                since = 0
            elif self.habit.every is not None and since >= self.habit.every:
                due[index] = True
                since = 0
            since += 1
        return due

    def _check(self, build: int, before_unit: int, bench: Array) -> CheckRun:
        noise = self.world.noise * self.layout.unit_ppm
        errors = bench + self.rng.normal(0.0, noise, bench.shape)
        first, self.checked = not self.checked, True
        return CheckRun(
            build=build, before_unit=before_unit, errors_ppm=errors, first=first
        )


def units_of(events: Sequence[Event]) -> Iterator[UnitRun]:
    """Return the units among the events."""
    return (one for one in events if isinstance(one, UnitRun))
