"""Units of one build with the same reels: a line that forks from the one before.

A build whose reels change on its way, or whose serials are tested out of order, has a
segment for each set of reels; each goes on from where it was. What the bench does is
everybody's: a segment takes it when its next unit comes.
"""

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


@dataclass(slots=True, eq=False)
class Segment:
    """Units of one build that carry the same reels.

    Attributes
    ----------
    line
        Everything that was measured before, and these units.
    units
        In the order of their run numbers.
    first
        How many units the line had taken before the first of these.
    build_first
        The same for the first unit of its build.
    source
        The segment that it forked from.
    bench_taken
        How many of the bench's events it has taken.
    unseated
        Units of the line when one last came that nobody could seat again; -1 for none.
    settled
        Where checks have settled whether the bench had moved: the run by which, and how
        likely it had.
    lowest_of
        Among how many units `lowest` was looked for, and which it was.
    """

    build: str
    reels: tuple[str, ...]
    line: Line
    first: int
    source: "Segment | None"
    bench_taken: int
    build_first: int
    units: list[UnitErrors] = field(default_factory=list)
    unseated: int = -1
    settled: dict[Culprit, tuple[int, float]] = field(default_factory=dict)
    lowest_of: tuple[int, UnitErrors] | None = None

    @property
    def lowest(self) -> UnitErrors:
        """The unit of the lowest serial, whenever it was measured."""
        seen, lowest = self.lowest_of or (1, self.units[0])
        for unit in self.units[seen:]:
            if serial_order(unit.serial) < serial_order(lowest.serial):
                lowest = unit
        self.lowest_of = len(self.units), lowest
        return lowest

    def unit_at(self, position: int) -> UnitErrors | None:
        """Return the unit at a place among all units of the line, from 0."""
        segment: Segment | None = self
        while segment is not None and position < segment.first:
            segment = segment.source
        if segment is None or position - segment.first >= len(segment.units):
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
        return self.unseated >= 0 and self.line.units - self.unseated < UNSEATED_COUNTS

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
            variance_ppm2=variance * unit**2,
            bad=float(weight @ bad),
        )

    def take_bench(self, events: list[BenchEvent]) -> None:
        """Take what the bench did since this segment last had a unit."""
        for event in events[self.bench_taken :]:
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
        self.bench_taken = len(events)

    def _settle(self, number: int, moved: dict[int, float]) -> None:
        ranges = self.line.layout.ranges
        for place, likely in moved.items():
            where = Culprit(BENCH, None if place == ranges else place)
            self.settled[where] = number, likely

    def snapshot(self) -> "Kept":
        """Return what `Kept.restored` goes on from."""
        return Kept(
            segment=self,
            state=self.line.saved(),
            units=tuple(self.units),
            first=self.first,
            bench_taken=self.bench_taken,
            unseated=self.unseated,
            settled=dict(self.settled),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Kept:
    """A segment as it was."""

    segment: Segment
    state: State
    units: tuple[UnitErrors, ...]
    first: int
    bench_taken: int
    unseated: int
    settled: dict[Culprit, tuple[int, float]]

    def restored(self) -> Segment:
        """Put the segment back to how it was and return it."""
        one = self.segment
        one.line.restore(self.state)
        one.units = list(self.units)
        one.lowest_of = None
        one.first = self.first
        one.bench_taken = self.bench_taken
        one.unseated = self.unseated
        one.settled = dict(self.settled)
        return one


def referred(line: Line, unit: UnitErrors) -> UnitErrors:
    """Return a unit as it would read at the reference temperature."""
    effect = line.tempco_ppm_per_k
    if unit.ambient_c is None or not effect.size:
        return unit
    return replace(
        unit, errors_ppm=unit.errors_ppm - effect * (unit.ambient_c - REFERENCE_C)
    )
