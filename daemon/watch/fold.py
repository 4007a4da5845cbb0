"""The one fold: events in the order of run numbers into segments of the line.

Live and again from rows is the same code over the same list. What changes the past (a
unit measured again, a reel recorded late, a hold placed by hand) takes the fold back to
the checkpoint before it and goes on from there.
"""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.judging import ProductModel
from daemon.spc.detector import (
    BENCH,
    REEL,
    SHARED_STAGE,
    TWO_SIDED_95,
    WALK_OF_NOISE,
    Boundary,
    KnownReel,
    Layout,
    Line,
    state as st,
)
from daemon.watch.events import (
    Accepted,
    CheckErrors,
    Errors,
    UnitErrors,
    in_force,
    reels_of,
)
from daemon.watch.segment import (
    BenchEvent,
    Checked,
    Kept,
    Segment,
    SetUp,
)
from storage import Fitting, serial_order

Event = UnitErrors | CheckErrors | Accepted

EVERY = 25
"""Events from one checkpoint to the next."""
MOST_CHECKPOINTS = 16
HAZE_K = 2.0
"""Standard deviation of a room from day to day where nobody reads it."""
ODD = 0.9
"""How likely a unit must be odd by itself to be said so."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OddUnit:
    """A unit that alone is far off on one range: by `size_ppm`, +- `reach_ppm`."""

    unit: UnitErrors
    place: int
    probability: float
    size_ppm: float
    reach_ppm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Checkpoint:
    """The fold after its first `events` events."""

    events: int
    segments: tuple[tuple[tuple[str, tuple[str, ...]], Kept], ...]
    active: Segment | None
    bench: int
    session: str
    standard: str | None
    walk_ppm: Errors | None
    odd: int
    accepted: int


def order_of(event: Event) -> tuple[int, int]:
    """Return where an event stands: a decision comes after the run it follows."""
    return event.number, 1 if isinstance(event, Accepted) else 0


class Fold:
    """All events of one product.

    Parameters
    ----------
    product
        Ranges, parts and their tolerances.
    """

    def __init__(self, product: ProductModel) -> None:
        self._product = product
        self.parts = product.watched_parts
        self.layout: Layout = product.layout
        self._haze = haze_of(product)
        self._events: list[Event] = []
        self._orders: list[tuple[int, int]] = []
        self._struck: dict[int, NDArray[np.bool_]] = {}
        self._runs: dict[str, list[UnitErrors]] = {}
        self._repeats: set[int] = set()
        self._fittings: dict[str, tuple[Fitting, ...]] = {}
        self._known_fittings: frozenset[str] = frozenset()
        self._found_bad: frozenset[tuple[str, str]] = frozenset()
        self._checkpoints: list[Checkpoint] = []
        self.segments: dict[tuple[str, tuple[str, ...]], Segment] = {}
        self._of_build: dict[str, list[Segment]] = {}
        self._accepted: list[Accepted] = []
        self.active: Segment | None = None
        self._bench: list[BenchEvent] = []
        self._session = ""
        self._standard: str | None = None
        self._walk_ppm: Errors | None = None
        self.odd: list[OddUnit] = []
        self._done = 0
        self.changed_from: int | None = None
        """The run from which on the past was changed, since this was last reset."""
        self._saved: dict[int, tuple[tuple[int, int], Kept]] = {}

    # ---- what comes in

    def take(self, event: Event) -> None:
        """Take one event, wherever it stands among the others."""
        back = None
        if isinstance(event, UnitErrors):
            back = self._strike(event)
        self._insert(event)
        self._go_back(back)
        self._go_on()

    def take_all(self, events: Iterable[Event]) -> None:
        """Take many events at once: each run as it counts after all of them."""
        back = None
        for event in sorted(events, key=order_of):
            if isinstance(event, UnitErrors):
                struck = self._strike(event)
                back = struck if back is None else min(back, struck or back)
            self._insert(event)
        self._go_back(back)
        self._go_on()

    def pass_over(self, unit: UnitErrors) -> None:
        """Note a run that a later one, already there, measures again on all ranges."""
        self._strike(unit)
        self._struck[unit.number] = np.ones(unit.errors_ppm.size, np.bool_)
        self._insert(unit)
        self._go_on()

    def refit(self, fittings: Sequence[Fitting]) -> bool:
        """Go by these fittings; say whether a unit that was taken has other reels."""
        known = frozenset(one.fitting for one in fittings)
        if known == self._known_fittings:
            return False
        changed = {
            one.build for one in fittings if one.fitting not in self._known_fittings
        }
        self._known_fittings = known
        before = self._fittings
        self._fittings = before | {
            build: in_force(one for one in fittings if one.build == build)
            for build in changed
        }
        for event in self._events[: self._done]:
            if not isinstance(event, UnitErrors) or event.build not in changed:
                continue
            was = reels_of(event.serial, self.parts, before.get(event.build, ()))
            if was != self.reels_of(event):
                self._go_back(event.number)
                self._go_on()
                return True
        return False

    def holds_by_hand(self, what: str, name: str) -> bool:
        """Say whether a person holds a "reel" or a "build" as bad by hand."""
        return (what, name) in self._found_bad

    def found_bad(self, subjects: Iterable[tuple[str, str]]) -> bool:
        """Take reels and builds that a person holds as bad; say whether that is new.

        Parameters
        ----------
        subjects
            Pairs of "reel" or "build" and its name.
        """
        now = frozenset(subjects)
        if now == self._found_bad:
            return False
        changed = now ^ self._found_bad
        self._found_bad = now
        for event in self._events[: self._done]:
            if isinstance(event, UnitErrors) and self._concerned(event, changed):
                self._go_back(event.number)
                self._go_on()
                return True
        return False

    def tentative(self, unit: UnitErrors) -> tuple[Line | None, Line]:
        """Return the line before and after a unit that is not to be kept yet."""
        bench = list(self._bench)
        if unit.set_up and unit.session != self._session:
            bench.append(
                SetUp(number=unit.number, session=unit.session, walk_ppm=self._walk_ppm)
            )
        segment, boundary = self._segment_for(unit, register=False)
        before = segment.line.copy() if boundary is None else None
        trial = Segment(
            build=segment.build,
            reels=segment.reels,
            line=segment.line.copy(),
            first=segment.first,
            source=segment.source,
            bench_taken=segment.bench_taken,
            build_first=segment.build_first,
        )
        trial.take_bench(bench)
        self._pass_days(segment, unit, trial.line)
        self._fold(trial.line, unit, boundary, again=self._measured_before(unit))
        return before, trial.line

    # ---- what is asked

    def reels_of(self, unit: UnitErrors) -> tuple[str, ...]:
        """Return the reel of each watched part in a unit, "" unknown."""
        return reels_of(unit.serial, self.parts, self._fittings.get(unit.build, ()))

    def reels_in(self, build: str, serial: str) -> tuple[str, ...]:
        """Return the reels of a unit that need not have been measured."""
        return reels_of(serial, self.parts, self._fittings.get(build, ()))

    def segments_of(self, build: str) -> list[Segment]:
        """Return a build's segments, the latest last."""
        return self._of_build.get(build, [])

    def is_struck(self, number: int) -> bool:
        """Whether a run was measured again on every range that it had."""
        struck = self._struck.get(number)
        return struck is not None and bool(struck.all())

    def is_repeat(self, number: int) -> bool:
        """Whether a run measured again what an earlier one of the unit had."""
        return number in self._repeats

    def odd_since(self, event: Event | None) -> list[OddUnit]:
        """Return the odd units from an event on; all of them for None."""
        if event is None:
            return list(self.odd)
        return [one for one in self.odd if one.unit.number >= event.number]

    def count_of(self, build: str) -> int:
        """Return how many units of a build count."""
        return sum(len(one.units) for one in self.segments_of(build))

    def concerned(
        self, segment: Segment, first: int, part: int | None = None
    ) -> tuple[UnitErrors, int]:
        """Return the first unit of a build that something concerns, and how many.

        Parameters
        ----------
        segment, first
            Where it was found, and the place of its first unit among all units of the
            line. From an earlier build on, it concerns all of this one.
        part
            Of whose reel it is: only units with the same one are concerned, and of
            a recorded reel that is concerned as a whole the lowest serial is the first.
        """
        mine = [
            one
            for one in self.segments_of(segment.build)
            if part is None or one.reels[part] == segment.reels[part]
        ]
        own = segment.build_first <= first
        unit = segment.unit_at(first) if own else None
        if unit is not None and unit.build != segment.build:
            unit = None
        begin = mine[0].units[0]
        if unit is None or unit.number <= begin.number:
            if part is not None and segment.reels[part]:
                lowest = (one.lowest for one in mine)
                begin = min(lowest, key=lambda one: serial_order(one.serial))
            return begin, sum(len(one.units) for one in mine)
        count = sum(
            len(one.units)
            - bisect_left(one.units, unit.number, key=lambda each: each.number)
            for one in mine
        )
        return unit, count

    def units_of(self, build: str) -> list[UnitErrors]:
        """Return a build's units as they count, in the order of their run numbers."""
        units = [u for one in self.segments_of(build) for u in one.units]
        return sorted(units, key=lambda one: one.number)

    @property
    def builds(self) -> list[str]:
        """Builds in the order of their first units."""
        return list(self._of_build)

    # ---- the past

    def _strike(self, unit: UnitErrors) -> int | None:
        """Strike from earlier runs what this one measures again; return the first."""
        if self._measured_before(unit):
            self._repeats.add(unit.number)
        runs = self._runs.setdefault(unit.serial, [])
        first = None
        for run in runs:
            if run.number >= unit.number:
                continue
            none = np.zeros(run.errors_ppm.size, np.bool_)
            before = self._struck.get(run.number, none)
            now = before | (unit.measured & run.measured)
            if (now != before).any():
                self._struck[run.number] = now | ~run.measured
                first = run.number if first is None else min(first, run.number)
        runs.append(unit)
        return first

    def _insert(self, event: Event) -> None:
        order = order_of(event)
        place = bisect_left(self._orders, order)
        while place < len(self._orders) and self._orders[place] == order:
            place += 1
        self._orders.insert(place, order)
        self._events.insert(place, event)
        if place < self._done:
            self._go_back_to(place)

    def _go_back(self, number: int | None) -> None:
        """Undo everything from a run on, if it was taken."""
        if number is None:
            return
        place = bisect_left(self._orders, (number, 0))
        if place < self._done:
            self._go_back_to(place)

    def _go_back_to(self, place: int) -> None:
        number = self._orders[place][0]
        before = self.changed_from
        self.changed_from = number if before is None else min(before, number)
        while self._checkpoints and self._checkpoints[-1].events > place:
            self._checkpoints.pop()
        self._saved.clear()
        if not self._checkpoints:
            self.segments, self._of_build = {}, {}
            self._accepted = []
            self.active = None
            self._bench, self._session, self._standard = [], "", None
            self._walk_ppm, self.odd, self._done = None, [], 0
            return
        last = self._checkpoints[-1]
        self.segments = {key: kept.restored() for key, kept in last.segments}
        self._of_build = {}
        for (build, _), segment in self.segments.items():
            self._of_build.setdefault(build, []).append(segment)
        self._accepted = self._accepted[: last.accepted]
        self.active = last.active
        self._bench = self._bench[: last.bench]
        self._session, self._standard = last.session, last.standard
        self._walk_ppm = last.walk_ppm
        self.odd = self.odd[: last.odd]
        self._done = last.events

    def _go_on(self) -> None:
        while self._done < len(self._events):
            self._dispatch(self._events[self._done])
            self._done += 1
            if self._done % EVERY == 0:
                self._mark()

    def _mark(self) -> None:
        """Keep the fold as it is; of many checkpoints, fewer of the older ones."""
        kept = []
        for key, segment in self.segments.items():
            known = self._saved.get(id(segment))
            at = segment.line.units, segment.bench_taken
            if known is None or known[0] != at or segment is self.active:
                known = at, segment.snapshot()
                self._saved[id(segment)] = known
            kept.append((key, known[1]))
        self._checkpoints.append(
            Checkpoint(
                events=self._done,
                segments=tuple(kept),
                active=self.active,
                bench=len(self._bench),
                session=self._session,
                standard=self._standard,
                walk_ppm=self._walk_ppm,
                odd=len(self.odd),
                accepted=len(self._accepted),
            )
        )
        if len(self._checkpoints) > MOST_CHECKPOINTS:
            half = MOST_CHECKPOINTS // 2
            self._checkpoints[:half] = self._checkpoints[:half:2]

    # ---- one event

    def _dispatch(self, event: Event) -> None:
        if isinstance(event, UnitErrors):
            struck = self._struck.get(event.number)
            unit = event if struck is None else event.without(struck)
            if unit.measured.any():
                self._take_unit(unit)
        elif isinstance(event, CheckErrors):
            self._take_check(event)
        elif event.taught:
            self._accept(event)

    def _take_unit(self, unit: UnitErrors) -> None:
        if unit.set_up:
            self._enter(unit.session, unit.number)
        segment, boundary = self._segment_for(unit, register=True)
        segment.take_bench(self._bench)
        self._pass_days(segment, unit)
        expected = segment.line.expected_ppm()
        self._fold(segment.line, unit, boundary, again=unit.number in self._repeats)
        segment.units.append(unit)
        if unit.seatable and unit.variance_ppm2 is not None:
            self._walks(unit.measured, unit.variance_ppm2)
        if not unit.seatable and unit.number not in self._repeats:
            segment.unseated = segment.line.units
        if self.active is not None and self.active is not segment:
            self.active.line.rest()
        self.active = segment
        odd = segment.line.odd()
        place = int(odd.argmax())
        if odd[place] > ODD:
            self.odd.append(
                OddUnit(
                    unit=unit,
                    place=place,
                    probability=float(odd[place]),
                    size_ppm=float(unit.errors_ppm[place] - expected[place]),
                    reach_ppm=TWO_SIDED_95 * segment.line.scatter_ppm(place),
                )
            )

    def _measured_before(self, unit: UnitErrors) -> bool:
        """Whether a unit had some of these ranges measured in an earlier run."""
        return any(
            run.number < unit.number and bool((unit.measured & run.measured).any())
            for run in self._runs.get(unit.serial, ())
        )

    def _fold(
        self, line: Line, unit: UnitErrors, boundary: Boundary | None, *, again: bool
    ) -> None:
        line.unit(
            unit.errors_ppm,
            unit.variance_ppm2,
            boundary=boundary,
            ambient_c=unit.ambient_c,
            seated_again=again,
        )

    def _pass_days(
        self, segment: Segment, unit: UnitErrors, line: Line | None = None
    ) -> None:
        """Let a room that nobody reads be another one on another day."""
        last = segment.units[-1] if segment.units else None
        if last is None or unit.ambient_c is not None:
            return
        if last.at.date() != unit.at.date():
            (line or segment.line).haze(*self._haze)

    def _take_check(self, check: CheckErrors) -> None:
        self._enter(check.session, check.number)
        first = self._standard != check.standard
        self._standard = check.standard
        self._bench.append(Checked(check=check, first=first))
        self._walks(~np.isnan(check.errors_minus_known_ppm), check.variance_ppm2)
        # A check that opens a session belongs to it, whichever build comes next.
        active = self.active
        if active is not None and active.units[-1].session == check.session:
            active.take_bench(self._bench)

    def _walks(self, measured: NDArray[np.bool_], variance_ppm2: Errors) -> None:
        """Take a bench to walk by a share of what its own latest run scatters by.

        A single reading tells nothing of that.
        """
        walk = WALK_OF_NOISE * np.sqrt(variance_ppm2)
        before = np.zeros_like(walk) if self._walk_ppm is None else self._walk_ppm
        self._walk_ppm = np.where(measured & (variance_ppm2 > 0.0), walk, before)

    def _enter(self, session: str, number: int) -> None:
        if session == self._session:
            return
        self._session = session
        self._bench.append(
            SetUp(number=number, session=session, walk_ppm=self._walk_ppm)
        )

    def _segment_for(
        self, unit: UnitErrors, *, register: bool
    ) -> tuple[Segment, Boundary | None]:
        """Return the segment of a unit; a new one with what is new in it."""
        reels = self.reels_of(unit)
        key = unit.build, reels
        if key in self.segments:
            return self.segments[key], None
        mine = self.segments_of(unit.build)
        source = mine[-1] if mine else self.active
        boundary = self._boundary(unit.build, reels, source, new_build=not mine)
        line = Line(self.layout) if source is None else source.line.copy()
        segment = Segment(
            build=unit.build,
            reels=reels,
            line=line,
            first=line.units,
            source=source,
            bench_taken=0 if source is None else source.bench_taken,
            unseated=-1 if source is None else source.unseated,
            build_first=mine[0].first if mine else line.units,
        )
        if register:
            self.segments[key] = segment
            self._of_build.setdefault(unit.build, []).append(segment)
        return segment, boundary

    def _boundary(
        self,
        build: str,
        reels: tuple[str, ...],
        source: Segment | None,
        *,
        new_build: bool,
    ) -> Boundary:
        changed: dict[int, KnownReel | None] = {}
        bad = set()
        # Where nobody records reels, what was accepted is taken to go on.
        trusted = {self._place_of(one) for one in self._accepted if not one.reel}
        # What a build that is held by hand tells of its reels is not gone by.
        builds = {build} if source is None else {build, source.build}
        doubted = new_build and any(("build", one) in self._found_bad for one in builds)
        for part, reel in enumerate(reels):
            same = source is not None and source.reels[part] == reel
            if same and not doubted and (reel or not new_build or part in trusted):
                continue
            changed[part] = self._known(part, reel)
            if {("build", build), ("reel", reel)} & self._found_bad:
                bad.add(part)
        return Boundary(new_build=new_build, reels=changed, found_bad=frozenset(bad))

    def _known(self, part: int, reel: str) -> KnownReel | None:
        """Return what is known of a reel that comes back."""
        if not reel or ("reel", reel) in self._found_bad:
            return None
        for segment in reversed(list(self.segments.values())):
            held = ("build", segment.build) in self._found_bad
            if segment.reels[part] == reel and not held:
                return segment.known(part)
        return None

    def _accept(self, accepted: Accepted) -> None:
        """Take what a person accepted as known, wherever the same reel is fitted."""
        if accepted.cause == REEL:
            self._accepted.append(accepted)
        kinds: tuple[int, ...]
        places: Iterable[int]
        place = self._place_of(accepted)
        if accepted.cause == REEL:
            if place is None:
                return
            kinds = (st.OFF, st.WIDE, st.UNRECORDED, st.MIXED, st.DRIFT)
            places = (place,)
        elif accepted.cause == SHARED_STAGE:
            kinds, places = (st.SHARED,), (0,)
        elif accepted.cause == BENCH:
            kinds = (st.BENCH, st.SLOPE)
            places = (self.layout.ranges,) if place is None else (place,)
        else:
            return
        for segment in self.segments.values():
            same_reel = (
                accepted.cause == REEL
                and place is not None
                and accepted.reel is not None
                and segment.reels[place] == accepted.reel
            )
            if same_reel or segment.build == accepted.build:
                segment.line.excuse(kinds, places)
                if segment is not self.active:
                    segment.line.rest()
        self._saved.clear()

    def _place_of(self, accepted: Accepted) -> int | None:
        if accepted.range is not None:
            return self._product.keys.index(accepted.range)
        if accepted.part is not None and accepted.part in self.parts:
            return self.parts.index(accepted.part)
        return None

    def _concerned(self, unit: UnitErrors, changed: frozenset[tuple[str, str]]) -> bool:
        if ("build", unit.build) in changed:
            return True
        return any(("reel", reel) in changed for reel in self.reels_of(unit) if reel)


def haze_of(product: ProductModel) -> tuple[Errors, float]:
    """Return what a room that nobody reads may move levels by from day to day.

    (P,) each part for itself, and all ranges alike; standard deviations, ppm.
    """
    bounds = [list(one.tempco_ppm_per_k.values()) for one in product.ranges]
    of_range = np.array([float(np.linalg.norm(one)) for one in bounds]) / 3.0**0.5
    parts = np.zeros(product.layout.parts)
    parts[: len(of_range)] = HAZE_K * of_range
    return parts, HAZE_K * float(np.median(of_range))
