"""Units of one build with the same reels: a line that forks from the one before.

A build whose reels change on its way, or whose serials are tested out of order, has a
segment for each set of reels; each goes on from where it was. What the bench does is
everybody's: a segment takes it when its next unit comes.

Of a segment that rests, only what tells it apart stands in memory; what is in it is
fetched when it is asked for.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from daemon.spc.detector import (
    BENCH,
    REFERENCE_C,
    Culprit,
    KnownReel,
    Line,
    State,
    state as st,
)
from daemon.watch.events import CheckErrors, Errors, UnitErrors
from storage import serial_order

UNSEATED_COUNTS = 6
"""Units for which a reading that nobody could repeat may still stand as a poor
contact."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SetUp:
    """The bench was set up anew, before run `number`.

    `walk_ppm` (R,) is what such a bench ordinarily walks by meanwhile; None where
    nothing is known of it.
    """

    number: int
    session: str
    walk_ppm: Errors | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Checked:
    """A run of the check standard; `first` of this standard on this bench."""

    check: CheckErrors
    first: bool


BenchEvent = SetUp | Checked


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OddUnit:
    """A unit that alone is far off on one range: by `size_ppm`, +- `reach_ppm`.

    `again` says that it had been measured before.
    """

    unit: UnitErrors
    place: int
    probability: float
    size_ppm: float
    reach_ppm: float
    again: bool


@dataclass(slots=True, kw_only=True, eq=False)
class Content:
    """What is in a segment.

    Attributes
    ----------
    line
        Everything that was measured before, and these units.
    units
        In the order of their run numbers.
    bench_taken
        How many of the bench's events it has taken.
    unseated
        Units of the line when one last came that nobody could seat again; -1 for none.
    settled
        Where checks have settled whether the bench had moved: the run by which, and how
        likely it had.
    odd
        Those of its units that alone are far off.
    """

    line: Line
    bench_taken: int
    units: list[UnitErrors] = field(default_factory=list)
    unseated: int = -1
    settled: dict[Culprit, tuple[int, float]] = field(default_factory=dict)
    odd: list[OddUnit] = field(default_factory=list)

    def copy(self, state: State) -> "Content":
        """Return one that goes on by itself, its line in a given state."""
        line = Line(self.line.layout)
        line.restore(state)
        return Content(
            line=line,
            bench_taken=self.bench_taken,
            units=list(self.units),
            unseated=self.unseated,
            settled=dict(self.settled),
            odd=list(self.odd),
        )


class Segment:
    """Units of one build that carry the same reels.

    Parameters
    ----------
    index
        Its place among the segments of the line, from 0.
    build, reels
        Whose.
    first
        How many units the line had taken before the first of these.
    build_first
        The same for the first unit of its build.
    source
        The segment of its build that it forked from.
    content
        What is in it; None where it is to be fetched.
    fetch
        Gives what was in it after a run.
    """

    __slots__ = (
        "_content",
        "_fetch",
        "_lowest_of",
        "build",
        "build_first",
        "count",
        "first",
        "first_number",
        "index",
        "last_number",
        "reels",
        "source",
        "versions",
    )

    def __init__(
        self,
        *,
        index: int,
        build: str,
        reels: tuple[str, ...],
        first: int,
        build_first: int,
        source: "Segment | None",
        content: Content | None,
        fetch: "Callable[[Segment, int], Content] | None" = None,
    ) -> None:
        self.index = index
        self.build = build
        self.reels = reels
        self.first = first
        self.build_first = build_first
        self.source = source
        self._content = content
        self._fetch = fetch
        self._lowest_of: tuple[int, UnitErrors] | None = None
        self.count = 0
        self.first_number = self.last_number = -1
        self.versions: list[Version] = []
        """As it was at marks, the latest last."""

    @property
    def content(self) -> Content:
        """What is in it, fetched where it is not in memory."""
        if self._content is None:
            self._content = self._fetched(self.versions[-1])
        return self._content

    def _fetched(self, version: "Version") -> Content:
        if version.content is not None:
            kept = version.content
            return kept.copy(kept.line.saved())
        if self._fetch is None:
            raise LookupError(self.index)
        return self._fetch(self, version.number)

    @property
    def line(self) -> Line:
        """Everything that was measured before, and these units."""
        return self.content.line

    @property
    def units(self) -> list[UnitErrors]:
        """Its units in the order of their run numbers."""
        return self.content.units

    @property
    def odd(self) -> list[OddUnit]:
        """Those of its units that alone are far off."""
        return self.content.odd

    def far_off(self, expected_ppm: Errors) -> int | None:
        """Return the range on which the latest unit is further off than odd parts are.

        None where it is off so on no range or on several, or like the unit before.
        """
        unit, far = self.units[-1], self.line.beyond_odd_ppm
        away = np.abs(unit.errors_ppm - expected_ppm) > far
        if self.count > 1:
            away &= ~(np.abs(unit.errors_ppm - self.units[-2].errors_ppm) <= far)
        places = np.flatnonzero(away)
        return int(places[0]) if len(places) == 1 else None

    @property
    def settled(self) -> dict[Culprit, tuple[int, float]]:
        """See `Content`."""
        return self.content.settled

    def add(self, unit: UnitErrors) -> None:
        """Note a unit that the line has taken."""
        self.content.units.append(unit)
        self.count += 1
        self.first_number = self.units[0].number
        self.last_number = unit.number

    @property
    def lowest(self) -> UnitErrors:
        """The unit of the lowest serial, whenever it was measured."""
        seen, lowest = self._lowest_of or (1, self.units[0])
        for unit in self.units[seen:]:
            if serial_order(unit.serial) < serial_order(lowest.serial):
                lowest = unit
        self._lowest_of = len(self.units), lowest
        return lowest

    def unit_at(self, position: int) -> UnitErrors | None:
        """Return the unit of its build at a place among all units of the line."""
        segment: Segment | None = self
        while segment is not None and position < segment.first:
            segment = segment.source
        if segment is None or position - segment.first >= segment.count:
            return None
        return segment.units[position - segment.first]

    def position_of(self, serial: str) -> int | None:
        """Return where a unit of this segment stands among all units of the line."""
        for index in range(len(self.units) - 1, -1, -1):
            if self.units[index].serial == serial:
                return self.first + index
        return None

    @property
    def unseated_lately(self) -> bool:
        """Whether one of the latest readings may be a poor contact."""
        unseated = self.content.unseated
        return unseated >= 0 and self.line.units - unseated < UNSEATED_COUNTS

    def known(self, part: int) -> KnownReel:
        """Return what is known of the reel of a part."""
        state, at = self.line.state, self.line.places[0] + part
        rows = slice(self.line.hypotheses)
        weight = self.line.weights()
        means = state.mean[rows, at]
        mean = float(weight @ means)
        variance = float(
            weight @ (state.covariance[rows, at, at] + (means - mean) ** 2)
        )
        events = state.event[rows]
        bad = (
            (events[..., st.KIND] > 0)
            & ~np.isin(events[..., st.KIND], (st.SHARED, st.BENCH, st.SLOPE))
            & (events[..., st.PLACE] == part)
            & (events[..., st.EXCUSED] == 0)
        ).any(axis=1)
        unit = self.line.layout.unit_ppm
        return KnownReel(
            level_ppm=mean * unit,
            # Rounding may leave less than none.
            variance_ppm2=max(variance, 0.0) * unit**2,
            bad=float(weight @ bad),
        )

    def take_bench(self, events: Sequence[BenchEvent]) -> None:
        """Take what the bench did since this segment last had a unit."""
        for event in events:
            if isinstance(event, SetUp):
                self._settle(event.number, self.line.session(walk_ppm=event.walk_ppm))
                continue
            check = event.check
            self.line.check(
                check.errors_minus_known_ppm,
                check.variance_ppm2,
                allowed_ppm2=check.allowed_ppm2,
                first=event.first,
            )
            self._settle(check.number, self.line.settle())
        self.content.bench_taken += len(events)

    def _settle(self, number: int, moved: dict[int, float]) -> None:
        ranges = self.line.layout.ranges
        for place, likely in moved.items():
            where = Culprit(BENCH, None if place == ranges else place)
            self.settled[where] = number, likely

    # ---- as it was

    def mark(self, number: int) -> "Version":
        """Keep it as it is after a run, and return that."""
        version = Version(
            number=number,
            count=self.count,
            last_number=self.last_number,
            content=self.content.copy(self.line.saved()),
        )
        self.versions.append(version)
        return version

    def go_back(self, number: int) -> None:
        """Put it back to how it was at a mark: with its latest version up to it."""
        while self.versions[-1].number > number:
            self.versions.pop()
        self.count = self.versions[-1].count
        self.last_number = self.versions[-1].last_number
        self._content = self._lowest_of = None

    def forget(self) -> None:
        """Let go of what can be fetched, or made again from its latest version."""
        self._content = self._lowest_of = None


@dataclass(slots=True, kw_only=True, eq=False)
class Version:
    """A segment as it was after run `number`; its content None where it is kept."""

    number: int
    count: int
    last_number: int
    content: Content | None


def alone_far_off(segments: Sequence[Segment], place: int) -> UnitErrors | None:
    """Return the unit that on a range is further off all others than odd parts are.

    None where there is none, or another one: two units tell a scatter, and so do others
    that are as far from each other. The first unit of its reels is off nothing.

    Parameters
    ----------
    segments
        Those of a build in which the range's own part is of one reel.
    """
    errors = np.array(
        [unit.errors_ppm[place] for one in segments for unit in one.units]
    )
    alone = []
    for segment in segments:
        far = segment.line.beyond_odd_ppm
        for one in segment.odd:
            away = np.abs(errors - one.unit.errors_ppm[place])
            others = errors[away > far]
            if one.place != place or not 0 < len(others) == (away >= 0.0).sum() - 1:
                continue
            if np.ptp(others) <= far:
                alone.append(one.unit)
    return alone[0] if len(alone) == 1 else None


def referred(line: Line, units: Sequence[UnitErrors]) -> list[UnitErrors]:
    """Return units as they would read at the reference temperature."""
    effect = line.tempco_ppm_per_k
    if not effect.size:
        return list(units)
    return [
        one
        if one.ambient_c is None
        else replace(
            one, errors_ppm=one.errors_ppm - effect * (one.ambient_c - REFERENCE_C)
        )
        for one in units
    ]


def referred_ppm(line: Line, units: Sequence[UnitErrors], place: int) -> Errors:
    """Return what units would read on one range at the reference temperature, ppm."""
    errors_ppm = np.array([one.errors_ppm[place] for one in units])
    away_k = [
        0.0 if one.ambient_c is None else one.ambient_c - REFERENCE_C for one in units
    ]
    effect = line.tempco_ppm_per_k
    return errors_ppm - effect[place] * np.array(away_k) if effect.size else errors_ppm
