"""The one fold: events in the order of run numbers into segments of the line.

Live and again from rows is the same code over the same list. What changes the past (a
unit measured again, a reel recorded late, a hold placed by hand) takes the fold back to
the checkpoint before it and goes on from there.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import islice, pairwise
from operator import attrgetter
from typing import Protocol

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
    MeasuredReel,
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
from daemon.watch.loose_parts import LooseParts, measured_reel
from daemon.watch.segment import (
    BenchEvent,
    Checked,
    Content,
    OddUnit,
    Segment,
    SetUp,
    Version,
)
from storage import Fitting, serial_order

Event = UnitErrors | CheckErrors | Accepted

EVERY = 25
"""Events from one checkpoint to the next."""
MOST_CHECKPOINTS = 16
AT_HAND = 4
"""Of these, the latest: what was touched since stays in memory."""
HAZE_K = 2.0
"""Standard deviation of a room from day to day where nobody reads it."""
ODD = 0.9
"""How likely a unit must be odd by itself to be said so."""


class Past(Protocol):
    """What the fold no longer has in memory, asked by what it is of."""

    def events(self, after: int, until: int) -> "list[Event]":
        """Return what came after a mark: runs above `after` up to `until`.

        Decisions from `after` on too, below `until`.
        """
        ...

    def runs_of(self, serial: str, before: int) -> list[UnitErrors]:
        """Return the runs of a unit below a number, in their order."""
        ...

    def fittings_of(self, build: str) -> Sequence[Fitting]:
        """Return a build's fittings."""
        ...

    def loose_parts(self, reel: str) -> LooseParts | None:
        """Return what was read of a reel before it was fitted."""
        ...

    def content(self, segment: Segment, number: int) -> Content:
        """Return what was in a segment at a mark."""
        ...

    def bench(self, place: int) -> tuple[int, list[BenchEvent]]:
        """Return what the bench did from an event on, and which is the first here."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Checkpoint:
    """The fold after run `number`, before what was decided then.

    `segments` and `bench` say how many there were, `active` which segment.
    """

    number: int
    segments: int
    active: int | None
    bench: int
    session: str
    standard: str | None
    walk_ppm: Errors | None
    trusted: frozenset[int | None]


BEGIN = Checkpoint(
    number=-1,
    segments=0,
    active=None,
    bench=0,
    session="",
    standard=None,
    walk_ppm=None,
    trusted=frozenset(),
)
"""Before the first run, and before what was decided then."""


def order_of(event: Event) -> tuple[int, int]:
    """Return where an event stands: a decision comes after the run it follows."""
    return event.number, 1 if isinstance(event, Accepted) else 0


class Fold:
    """All events of one product.

    Parameters
    ----------
    product
        Ranges, parts and their tolerances.
    past
        Where earlier events and segments at rest are found; left out, all of them stay
        in memory.
    """

    def __init__(self, product: ProductModel, past: Past | None = None) -> None:
        self._product = product
        self._past = past
        self.parts = product.watched_parts
        self.layout: Layout = product.layout
        self._haze = haze_of(product)
        self._base = BEGIN.number
        self._events: list[Event] = []
        self._orders: list[tuple[int, int]] = []
        self._done = 0
        self._since_mark = 0
        self._struck: dict[int, NDArray[np.bool_]] = {}
        self._runs: dict[str, list[UnitErrors]] = {}
        self._asked: set[str] = set()
        self._repeats: set[int] = set()
        self._fittings: dict[str, tuple[Fitting, ...]] = {}
        self._known_fittings: set[str] = set()
        self._book: Sequence[Fitting] | None = None
        self._found_bad: frozenset[tuple[str, str]] = frozenset()
        self._checkpoints: list[Checkpoint] = []
        self.segments: dict[tuple[str, tuple[str, ...]], Segment] = {}
        self._ordered: list[Segment] = []
        self._of_build: dict[str, list[Segment]] = {}
        self._of_reel: dict[tuple[int, str], list[Segment]] = {}
        self._dirty: set[int] = set()
        self._trusted: frozenset[int | None] = frozenset()
        self.active: Segment | None = None
        self.count = 0
        """How many units count, of all builds."""
        self._bench: list[BenchEvent] = []
        self._bench_base = 0
        self._session = ""
        self._standard: str | None = None
        self._walk_ppm: Errors | None = None
        self.changed_from: int | None = None
        """The run from which on the past was changed, since this was last reset."""
        self.on_mark: Callable[[int], None] = lambda _: None
        """Called after each new mark, with its run."""
        self._kept_to = BEGIN.number
        self._kept_bench = 0
        self._gone: list[int] = []
        self._unkept: set[int] = set()
        self._awake: set[int] = set()

    # ---- what comes in

    def take(self, event: Event) -> None:
        """Take one event, wherever it stands among the others."""
        back = None
        if isinstance(event, UnitErrors):
            back = self._strike(event)
        self._insert(event)
        self._go_back(None if back is None else (back, 0))
        self._go_on()

    def take_all(self, events: Iterable[Event]) -> None:
        """Take many events at once: each run as it counts after all of them."""
        back = None
        for event in sorted(events, key=order_of):
            if isinstance(event, UnitErrors):
                struck = self._strike(event)
                back = struck if back is None else min(back, struck or back)
            self._insert(event)
        self._go_back(None if back is None else (back, 0))
        self._go_on()

    def pass_over(self, unit: UnitErrors) -> None:
        """Note a run that a later one, already there, measures again on all ranges."""
        self._strike(unit)
        self._struck[unit.number] = np.ones(unit.errors_ppm.size, np.bool_)
        self._insert(unit)
        self._go_on()

    def refit(self, fittings: Sequence[Fitting]) -> bool:
        """Go by these fittings too; say whether a unit that was taken has other reels.

        Parameters
        ----------
        fittings
            All that are recorded, or those recorded since some time.
        """
        if isinstance(fittings, tuple) and fittings is self._book:
            return False
        self._book = fittings
        new: dict[str, list[Fitting]] = {}
        for one in fittings:
            if one.fitting not in self._known_fittings:
                new.setdefault(one.build, []).append(one)
        self._known_fittings.update(one.fitting for one in fittings)
        first: int | None = None
        for build, mine in new.items():
            known = {one.fitting: one for one in self.fittings_of(build)}
            known |= {one.fitting: one for one in mine}
            every = sorted(known.values(), key=lambda f: (f.fitted_at, f.fitting))
            self._fittings[build] = in_force(every)
            for segment in self.segments_of(build):
                for unit in segment.units:
                    if self.reels_of(unit) != segment.reels:
                        first = min(first or unit.number, unit.number)
                        break
        if first is None:
            return False
        self._go_back((first, 0))
        self._go_on()
        return True

    def goes_by(self, fittings: Sequence[Fitting]) -> bool:
        """Whether all of these fittings were taken into account."""
        return fittings is self._book or self._known_fittings.issuperset(
            one.fitting for one in fittings
        )

    def fittings_of(self, build: str) -> tuple[Fitting, ...]:
        """Return a build's fittings in the order in which they take over."""
        known = self._fittings.get(build)
        if known is None:
            rows = () if self._past is None else self._past.fittings_of(build)
            known = self._fittings[build] = in_force(rows)
        return known

    def with_fitting(self, part: str, reel: str) -> list[str]:
        """Return the builds, in order, in which a reel feeds a part."""
        return [
            build
            for build in self.builds
            if any((f.part, f.reel) == (part, reel) for f in self.fittings_of(build))
        ]

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
        concerned = [
            segment
            for what, name in changed
            for segment in (
                self.segments_of(name)
                if what == "build"
                else self.with_reel(range(len(self.parts)), name)
            )
        ]
        if not concerned:
            return False
        self._go_back((min(one.first_number for one in concerned), 0))
        self._go_on()
        return True

    def tentative(self, unit: UnitErrors) -> tuple[Line | None, Line]:
        """Return the line before and after a unit that is not to be kept yet."""
        segment, boundary = self._segment_for(unit, register=False)
        before = segment.line.copy() if boundary is None else None
        trial = Segment(
            index=segment.index,
            build=segment.build,
            reels=segment.reels,
            first=segment.first,
            build_first=segment.build_first,
            source=segment.source,
            content=segment.content.copy(segment.line.saved()),
        )
        bench = self._bench_from(trial.content.bench_taken)
        if unit.set_up and unit.session != self._session:
            bench.append(
                SetUp(number=unit.number, session=unit.session, walk_ppm=self._walk_ppm)
            )
        trial.take_bench(bench)
        self._pass_days(segment, unit, trial.line)
        self._fold(trial.line, unit, boundary, again=self._measured_before(unit))
        return before, trial.line

    # ---- what is asked

    def reels_of(self, unit: UnitErrors) -> tuple[str, ...]:
        """Return the reel of each watched part in a unit, "" unknown."""
        return reels_of(unit.serial, self.parts, self.fittings_of(unit.build))

    def reels_in(self, build: str, serial: str) -> tuple[str, ...]:
        """Return the reels of a unit that need not have been measured."""
        return reels_of(serial, self.parts, self.fittings_of(build))

    def segments_of(self, build: str) -> list[Segment]:
        """Return a build's segments, the latest last."""
        return self._of_build.get(build, [])

    def with_reel(self, parts: Iterable[int], reel: str) -> list[Segment]:
        """Return the segments in which any of these parts is of a reel."""
        found = {
            one.index: one
            for part in parts
            for one in self._of_reel.get((part, reel), ())
        }
        return [found[index] for index in sorted(found)]

    def changed_since(self, number: int) -> list[Segment]:
        """Return the segments of builds that had a unit from a run on."""
        builds: dict[str, None] = {}
        for segment in self._ordered:
            if segment.last_number >= number:
                builds[segment.build] = None
        return [one for build in builds for one in self._of_build[build]]

    def is_struck(self, number: int) -> bool:
        """Whether a run was measured again on every range that it had."""
        struck = self._struck.get(number)
        return struck is not None and bool(struck.all())

    def is_repeat(self, number: int) -> bool:
        """Whether a run measured again what an earlier one of the unit had."""
        return number in self._repeats

    def count_of(self, build: str) -> int:
        """Return how many units of a build count."""
        return sum(one.count for one in self.segments_of(build))

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
        return sorted(units, key=attrgetter("number"))

    @property
    def builds(self) -> list[str]:
        """Builds in the order of their first units."""
        return list(self._of_build)

    @property
    def first_build(self) -> str | None:
        """The first of the builds, None before it."""
        return next(iter(self._of_build), None)

    @property
    def latest_build(self) -> str | None:
        """The latest of the builds, None before the first."""
        return next(reversed(self._of_build), None)

    def before(self, build: str, most: int) -> tuple[int, int, list[str]]:
        """Return what came before a build.

        Parameters
        ----------
        build
            The nearer to the latest, the sooner this is told.
        most
            How many names are told.

        Returns
        -------
        tuple
            How many builds and units, and the names of the latest of these builds in
            their order.
        """
        latest_first = iter(reversed(self._of_build))
        since = [build]
        while (one := next(latest_first)) != build:
            since.append(one)
        names = list(islice(latest_first, most))
        units = self.count - sum(self.count_of(one) for one in since)
        return len(self._of_build) - len(since), units, names[::-1]

    # ---- the past

    def _strike(self, unit: UnitErrors) -> int | None:
        """Strike from earlier runs what this one measures again; return the first."""
        runs = self._runs_before(unit)
        if self._measured_before(unit):
            self._repeats.add(unit.number)
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

    def _runs_before(self, unit: UnitErrors) -> list[UnitErrors]:
        """Return the runs of a unit that are known, those of long ago too."""
        runs = self._runs.setdefault(unit.serial, [])
        if self._past is None or not unit.again or unit.serial in self._asked:
            return runs
        self._asked.add(unit.serial)
        known = {one.number for one in runs}
        earlier = self._past.runs_of(unit.serial, unit.number)
        runs += [one for one in earlier if one.number not in known]
        runs.sort(key=lambda one: one.number)
        # What these measured again of each other was struck in its time.
        for place, run in enumerate(runs):
            again = [one.measured for one in runs[place + 1 :]]
            struck = run.measured & np.any(again, axis=0) if again else None
            if struck is not None and struck.any():
                self._struck[run.number] = struck | ~run.measured
        return runs

    def _insert(self, event: Event) -> None:
        order = order_of(event)
        if order <= (self._base, 0):
            # It comes along with the others of its time.
            self._go_back_to(order)
            return
        place = bisect_right(self._orders, order)
        self._orders.insert(place, order)
        self._events.insert(place, event)
        if place < self._done:
            # What is there already stays before it; from it on, all is done again.
            self._go_back_to(order)

    def _go_back(self, order: tuple[int, int] | None) -> None:
        """Undo everything from a run on, if it was taken."""
        if order is None:
            return
        if order[0] <= self._base or bisect_left(self._orders, order) < self._done:
            self._go_back_to(order)

    def _go_back_to(self, order: tuple[int, int]) -> None:
        number = order[0]
        before = self.changed_from
        self.changed_from = number if before is None else min(before, number)
        while self._checkpoints and (self._checkpoints[-1].number, 0) >= order:
            self._gone.append(self._checkpoints.pop().number)
        last = self._checkpoints[-1] if self._checkpoints else BEGIN
        if last.number < self._base:
            self._widen(last.number)
        for segment in self._ordered[last.segments :]:
            self._take_out(segment)
        del self._ordered[last.segments :]
        for segment in self._ordered:
            if (
                segment.index in self._dirty
                or segment.versions[-1].number > last.number
            ):
                self.count -= segment.count
                segment.go_back(last.number)
                self.count += segment.count
        self._dirty.clear()
        self.active = None if last.active is None else self._ordered[last.active]
        if last.bench >= self._bench_base:
            del self._bench[last.bench - self._bench_base :]
        else:
            self._bench, self._bench_base = [], last.bench
        self._session, self._standard = last.session, last.standard
        self._walk_ppm, self._trusted = last.walk_ppm, last.trusted
        self._done = bisect_right(self._orders, (last.number, 0))
        self._since_mark = 0
        if last.number < self._kept_to:
            self._kept_to, self._kept_bench = last.number, last.bench

    def fetch(self, segment: Segment, number: int) -> Content:
        """Return what was in a segment at a mark, from where it is kept."""
        if self._past is None:
            raise LookupError(number)
        content = self._past.content(segment, number)
        self._awake.add(segment.index)
        return content

    def _take_out(self, segment: Segment) -> None:
        self._awake.discard(segment.index)
        self._unkept.discard(segment.index)
        self.count -= segment.count
        del self.segments[segment.build, segment.reels]
        mine = self._of_build[segment.build]
        mine.remove(segment)
        if not mine:
            del self._of_build[segment.build]
        for part, reel in enumerate(segment.reels):
            if reel:
                self._of_reel[part, reel].remove(segment)

    def _register(self, segment: Segment) -> None:
        self.count += segment.count
        self.segments[segment.build, segment.reels] = segment
        self._ordered.append(segment)
        self._awake.add(segment.index)
        self._of_build.setdefault(segment.build, []).append(segment)
        for part, reel in enumerate(segment.reels):
            if reel:
                self._of_reel.setdefault((part, reel), []).append(segment)

    def _widen(self, after: int) -> None:
        """Have all events after a mark in memory again."""
        if self._past is None:
            raise LookupError(after)
        earlier = self._past.events(after, self._base)
        self._events = [*sorted(earlier, key=order_of), *self._events]
        self._orders = [order_of(one) for one in self._events]
        self._base = after
        self._struck, self._repeats, self._runs = {}, set(), {}
        self._asked = set()
        for event in self._events:
            if isinstance(event, UnitErrors):
                self._strike(event)

    def _go_on(self) -> None:
        while self._done < len(self._events):
            event = self._events[self._done]
            self._dispatch(event)
            self._done += 1
            self._since_mark += 1
            if self._since_mark >= EVERY and not isinstance(event, Accepted):
                self._mark(event.number)
                self.on_mark(event.number)

    def _mark(self, number: int) -> None:
        """Keep the fold as it is; of many checkpoints, fewer of the older ones."""
        for index in sorted(self._dirty):
            self._ordered[index].mark(number)
        self._unkept |= self._dirty
        self._dirty.clear()
        self._since_mark = 0
        self._checkpoints.append(
            Checkpoint(
                number=number,
                segments=len(self._ordered),
                active=None if self.active is None else self.active.index,
                bench=self._bench_base + len(self._bench),
                session=self._session,
                standard=self._standard,
                walk_ppm=self._walk_ppm,
                trusted=self._trusted,
            )
        )
        if len(self._checkpoints) > MOST_CHECKPOINTS:
            half = MOST_CHECKPOINTS // 2
            self._gone += [one.number for one in self._checkpoints[1:half:2]]
            self._checkpoints[:half] = self._checkpoints[:half:2]
            self._thin()

    def _thin(self) -> None:
        """Drop what no checkpoint goes back to."""
        numbers = [one.number for one in self._checkpoints]
        for segment in self._ordered:
            versions = segment.versions
            if len(versions) > 1:
                segment.versions = [
                    one
                    for one, after in pairwise(versions)
                    if bisect_left(numbers, one.number)
                    < bisect_left(numbers, after.number)
                ] + [versions[-1]]

    # ---- what is kept of it

    @property
    def unkept(self) -> list[Checkpoint]:
        """Checkpoints that are not kept yet, the oldest first."""
        return [one for one in self._checkpoints if one.number > self._kept_to]

    def versions_unkept(self, until: int) -> list[tuple[Segment, Version]]:
        """Return segments as they were at marks after what is kept, up to one."""
        return [
            (segment, version)
            for segment in map(self._ordered.__getitem__, sorted(self._unkept))
            for version in segment.versions
            if self._kept_to < version.number <= until
        ]

    def bench_unkept(self) -> tuple[int, list[BenchEvent]]:
        """Return what the bench did after what is kept, and which is its first."""
        return self._kept_bench, self._bench_from(self._kept_bench)

    @property
    def kept_to(self) -> int:
        """The mark up to which it is kept and stands."""
        return self._kept_to

    @property
    def found_bad_now(self) -> frozenset[tuple[str, str]]:
        """What persons hold as bad by hand."""
        return self._found_bad

    def gone(self) -> list[int]:
        """Return marks that nobody goes back to any more."""
        return [one for one in self._gone if one <= self._kept_to]

    def was_kept(self) -> None:
        """Go on from the latest mark as kept."""
        if self._checkpoints:
            self._kept_to = self._checkpoints[-1].number
            self._kept_bench = self._checkpoints[-1].bench
        self._gone.clear()
        self._unkept.clear()

    def rest(self) -> None:
        """Let go of what is kept and has not been touched for long."""
        if self._past is None or len(self._checkpoints) <= AT_HAND:
            return
        since = min(self._checkpoints[-AT_HAND].number, self._kept_to)
        for index in list(self._awake):
            segment = self._ordered[index]
            for version in segment.versions:
                if version.number < since:
                    version.content = None
            idle = segment is not self.active and index not in self._dirty
            if idle and segment.versions[-1].number < since:
                segment.forget()
                self._awake.remove(index)

    def forget(self) -> None:
        """Let go of events of long ago, too."""
        self.rest()
        if self._past is None or len(self._checkpoints) <= AT_HAND:
            return
        base = min(self._checkpoints[-AT_HAND].number, self._kept_to)
        place = bisect_right(self._orders, (base, 0))
        if place == 0 or base <= self._base:
            return
        del self._events[:place], self._orders[:place]
        self._done -= place
        self._base = base
        late = {event.number for event in self._events}
        self._struck = {k: v for k, v in self._struck.items() if k in late}
        self._repeats &= late
        self._runs = {
            serial: runs
            for serial, runs in self._runs.items()
            if any(one.number in late for one in runs)
        }
        self._asked &= set(self._runs)
        wanted = self._mark_bench(base)
        if self.active is not None:
            wanted = min(wanted, self.active.content.bench_taken)
        if wanted > self._bench_base:
            del self._bench[: wanted - self._bench_base]
            self._bench_base = wanted
        recent = {one.build for one in self._ordered if one.last_number >= base}
        self._fittings = {b: f for b, f in self._fittings.items() if b in recent}

    def _mark_bench(self, number: int) -> int:
        """Return how many of the bench's events stand before a mark."""
        return next(one.bench for one in self._checkpoints if one.number == number)

    def go_on_from(
        self,
        checkpoints: Sequence[Checkpoint],
        segments: Sequence[Segment],
        found_bad: Iterable[tuple[str, str]],
    ) -> None:
        """Go on from what was kept: an empty fold becomes the one of then.

        Parameters
        ----------
        checkpoints
            The oldest first; on from the latest.
        segments
            In their order, each with its versions.
        found_bad
            See `found_bad`.
        """
        last = checkpoints[-1]
        for segment in segments:
            self._register(segment)
        self._awake = set() if last.active is None else {last.active}
        self._checkpoints = list(checkpoints)
        self._base = self._kept_to = last.number
        self.active = None if last.active is None else self._ordered[last.active]
        self._bench_base = self._kept_bench = last.bench
        self._session, self._standard = last.session, last.standard
        self._walk_ppm, self._trusted = last.walk_ppm, last.trusted
        self._found_bad = frozenset(found_bad)

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
        self._dirty.add(segment.index)
        segment.take_bench(self._bench_from(segment.content.bench_taken))
        self._pass_days(segment, unit)
        expected = segment.line.expected_ppm()
        self._fold(segment.line, unit, boundary, again=unit.number in self._repeats)
        if boundary is not None:
            # Of a new reel nothing is expected that the one before read.
            new = [part for part in boundary.reels if part < self.layout.ranges]
            expected[new] = segment.line.expected_ppm()[new]
        segment.add(unit)
        self.count += 1
        if unit.seatable and unit.variance_ppm2 is not None:
            self._walks(unit.measured, unit.variance_ppm2)
        if not unit.seatable and unit.number not in self._repeats:
            segment.content.unseated = segment.line.units
        if self.active is not None and self.active is not segment:
            self.active.line.rest()
        self.active = segment
        odd = segment.line.odd()
        place = int(odd.argmax())
        if odd[place] <= ODD and (far := segment.far_off(expected)) is not None:
            # What is further off than odd parts are looks like scatter to the line.
            place, odd[far] = far, ODD
        if odd[place] >= ODD:
            segment.odd.append(
                OddUnit(
                    unit=unit,
                    place=place,
                    probability=float(odd[place]),
                    size_ppm=float(unit.errors_ppm[place] - expected[place]),
                    reach_ppm=TWO_SIDED_95 * segment.line.scatter_ppm(place),
                    again=unit.number in self._repeats,
                )
            )

    def _measured_before(self, unit: UnitErrors) -> bool:
        """Whether a unit had some of these ranges measured in an earlier run."""
        return any(
            run.number < unit.number and bool((unit.measured & run.measured).any())
            for run in self._runs_before(unit)
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
            self._dirty.add(active.index)
            active.take_bench(self._bench_from(active.content.bench_taken))

    def _bench_from(self, place: int) -> list[BenchEvent]:
        """Return what the bench did from its `place`th event on."""
        if place < self._bench_base and self._past is not None:
            first, earlier = self._past.bench(place)
            missing = earlier[place - first : self._bench_base - first]
            self._bench = [*missing, *self._bench]
            self._bench_base = place
        return self._bench[place - self._bench_base :]

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
        segment = Segment(
            index=len(self._ordered),
            build=unit.build,
            reels=reels,
            first=0 if source is None else source.line.units,
            build_first=0,
            source=mine[-1] if mine else None,
            content=Content(
                line=Line(self.layout) if source is None else source.line.copy(),
                bench_taken=0 if source is None else source.content.bench_taken,
                unseated=-1 if source is None else source.content.unseated,
            ),
            fetch=self.fetch,
        )
        segment.build_first = mine[0].first if mine else segment.first
        if register:
            self._register(segment)
        return segment, boundary

    def _boundary(
        self,
        build: str,
        reels: tuple[str, ...],
        source: Segment | None,
        *,
        new_build: bool,
    ) -> Boundary:
        changed: dict[int, KnownReel | MeasuredReel | None] = {}
        bad = set()
        # Where nobody records reels, what was accepted is taken to go on.
        trusted = self._trusted
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

    def _known(self, part: int, reel: str) -> KnownReel | MeasuredReel | None:
        """Return what is known of a reel that comes back, or was measured loose."""
        if not reel or ("reel", reel) in self._found_bad:
            return None
        for segment in reversed(self._of_reel.get((part, reel), [])):
            if ("build", segment.build) not in self._found_bad:
                return segment.known(part)
        return self._measured_loose(part, reel)

    def _measured_loose(self, part: int, reel: str) -> MeasuredReel | None:
        """Return what loose parts told of a reel that was not fitted yet."""
        found = None if self._past is None else self._past.loose_parts(reel)
        if self._past is None or found is None:
            return None
        effect = 1.0  # a common part's level is the part's own
        if part < self.layout.ranges:
            own = self.parts[part]
            felt = self._product.ranges[part].sensitivities
            effect = 0.0 if own is None else felt[own]
        before = sorted(
            other
            for (place, other), segments in self._of_reel.items()
            if segments and place == part and other not in {"", reel}
        )
        earlier = [
            one
            for other in before
            if (one := self._past.loose_parts(other)) is not None
        ]
        return measured_reel(self.layout, part, effect, found, earlier)

    def _accept(self, accepted: Accepted) -> None:
        """Take what a person accepted as known, wherever the same reel is fitted."""
        kinds: tuple[int, ...]
        places: Iterable[int]
        place = self._place_of(accepted)
        if accepted.cause == REEL and not accepted.reel:
            self._trusted |= {place}
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
        concerned = {one.index: one for one in self.segments_of(accepted.build)}
        if accepted.cause == REEL and place is not None and accepted.reel is not None:
            same = self.with_reel((place,), accepted.reel)
            concerned |= {one.index: one for one in same}
        for index, segment in sorted(concerned.items()):
            self._dirty.add(index)
            segment.line.excuse(kinds, places)
            if segment is not self.active:
                segment.line.rest()

    def _place_of(self, accepted: Accepted) -> int | None:
        if accepted.range is not None:
            return self._product.keys.index(accepted.range)
        if accepted.part is not None and accepted.part in self.parts:
            return self.parts.index(accepted.part)
        return None


def haze_of(product: ProductModel) -> tuple[Errors, float]:
    """Return what a room that nobody reads may move levels by from day to day.

    (P,) each part for itself, and all ranges alike; standard deviations, ppm.
    """
    bounds = [list(one.tempco_ppm_per_k.values()) for one in product.ranges]
    of_range = np.array([float(np.linalg.norm(one)) for one in bounds]) / 3.0**0.5
    parts = np.zeros(product.layout.parts)
    parts[: len(of_range)] = HAZE_K * of_range
    return parts, HAZE_K * float(np.median(of_range))
