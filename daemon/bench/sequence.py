"""Measure one unit: through its ranges and their levels, and the source off again."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import hypot, sqrt
from statistics import fmean, stdev
from threading import Event
from types import MappingProxyType
from typing import Protocol

from daemon.bench.bench import Bench
from daemon.bench.clock import Clock
from daemon.bench.driver import Window
from daemon.bench.errors import (
    BenchError,
    FrozenError,
    InstrumentError,
    OverrangeError,
    SelectorError,
    StoppedError,
    TooMuchOutputError,
    UnansweredError,
    UnknownRangeError,
    UnsettledError,
)
from daemon.bench.measuring_plan import RangeSetup
from daemon.bench.person import SECONDS_A_MINUTE
from daemon.bench.range_proof import RangeProof
from daemon.bench.readings import Point, RangeReadings
from daemon.bench.series import series_of
from daemon.bench.settling import (
    LOOKS,
    OUTPUT_AGREEMENT,
    Found,
    Record,
    same_number,
)
from daemon.metrology import FEWEST, Rest

__all__ = ["HandOnSwitch", "Progress", "measure"]

AS_PLANNED: Mapping[str, float] = MappingProxyType({})

REFERENCE_WINDOW = 0.1
"""How far, as a share of the level, the reference may rest from what was set.

Wide enough for any source, narrow enough for an open lead, a source at its
compliance or off, and a digit lost on the way.
"""

OUTPUT_WINDOW = 1.25
"""The output may read this much of the meter's range; the unit may be that wrong."""

REVERSED_WINDOW = 0.1
"""How far, as a share of the nominal output, it may read with the wrong sign at the
level; beyond that its leads are reversed."""

NUDGE = 0.05
"""Share of the level by which the source is moved where the output shows one number
only: a meter that lives follows, and shows the number again afterwards."""

NUDGES = 4
"""A meter whose number never comes again after so many does not work."""

LOWER = (0.1, 0.01)
"""Shares of a range's levels at which it is tried once its output was too much: with
a part of the wrong decade it makes ten times as much of them, or a hundred times."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """A point that was just read, as one of `points`."""

    range: str
    point: Point
    done: int
    points: int
    level: int
    """Which one of the range's `levels` it was at, from 1."""
    levels: int


class HandOnSwitch(Protocol):
    """Whoever turns the unit's switch, and is told to."""

    def turn(self, setup: RangeSetup) -> None:
        """Have the switch turned to a range; the source is on, at zero."""
        ...

    def stands(self, setup: RangeSetup) -> bool:
        """Ask whether it stands there, though a small level says otherwise.

        Where it does not, it is turned there first.
        """
        ...


def measure(
    bench: Bench,
    ranges: Sequence[str],
    clock: Clock,
    *,
    stop: Event,
    progress: Callable[[Progress], None] = lambda _: None,
    lowered: Mapping[str, float] = AS_PLANNED,
    switch: HandOnSwitch | None = None,
) -> list[RangeReadings]:
    """Measure the named ranges of the unit that is connected.

    Lowest full scale first, in each range the levels of its plan: usually zero
    (source at 0, connected), the level, and zero again, so that a drift of the zero
    cancels. Each point is read until it is at rest and known well enough. The range
    is switched at level zero, because an opened current loop goes to compliance; a
    small level proves that the unit followed before the full one goes on. Whichever
    way this ends, the source is off.

    A range whose output is more than its meter holds is read at lower levels: one with
    a part of the wrong decade has an error like any other.

    A meter that a person reads is asked for once a point; meanwhile the others are
    read on, and the source is kept on for so long as `bench.patience` says.

    Parameters
    ----------
    bench : Bench
        Open, for this product.
    ranges : sequence of str
        All ranges of a unit, or the one that is taken across many units.
    clock : Clock
        For the readings' times.
    stop : Event
        Once set, the measurement ends at its next step.
    progress : Callable
        Told of each point; raising from it ends the measurement.
    lowered : mapping
        Share of its planned levels by range, in (0, 1], where a unit makes so much of
        them that the planned ones would exceed the output meter's range.
    switch : HandOnSwitch, optional
        Who turns the unit's switch where the bench has no selector.

    Returns
    -------
    list of RangeReadings
        In the order they were measured.

    Raises
    ------
    StoppedError
        `stop` was set, or the bench was halted.
    UnknownRangeError
        The product has no such range.
    NotSwitchedError
        The unit does not follow the selector.
    SelectorError
        Several ranges are asked for and the bench has no selector.
    UnsettledError
        The readings of one point do not agree, or do not come to rest.
    FrozenError
        The output shows the same digits at two levels.
    TooMuchOutputError
        The output is more than its meter holds, at the lowest level too.
    InstrumentError
        A reading could not be had or not be believed.
    GuardLostError
        The safe-off guard is gone, or turned the source off on the way.
    OutputNotOffError
        The source could not be shown to be off; it replaces what went before.
    """
    unknown = tuple(key for key in ranges if key not in bench.setups)
    if unknown:
        raise UnknownRangeError(ranges=unknown, known=tuple(bench.setups))
    setups = [
        one.lowered(lowered.get(key, 1.0))
        for key, one in bench.setups.items()
        if key in ranges
    ]
    if bench.selector is None and switch is None and len(setups) > 1:
        raise SelectorError(ranges=tuple(one.title for one in setups))
    points = sum(len(one.levels) for one in setups)
    unit = _Unit(bench, clock, stop, progress, points=points, switch=switch)
    try:
        unit.start()
        taken = [unit.measure_patiently(one) for one in setups]
        bench.require_guarded()
    except BenchError as exc:
        if bench.halted:  # then what was read with the source off means nothing
            raise StoppedError from exc
        bench.require_guarded()
        raise
    else:
        return taken
    finally:
        bench.source_off()


class _Unit:
    """One unit's measurement under way."""

    def __init__(
        self,
        bench: Bench,
        clock: Clock,
        stop: Event,
        progress: Callable[[Progress], None],
        *,
        points: int,
        switch: HandOnSwitch | None = None,
    ) -> None:
        self._bench = bench
        self._clock = clock
        self._stop = stop
        self._progress = progress
        self._points = points
        self._done = 0
        self._level = 0.0
        self._ambient_c: float | None = None
        self._switch = switch if bench.selector is None else None
        self._turned: str | None = None
        self._proof = RangeProof(
            bench,
            clock,
            go_on=self._go_on,
            stands=None if self._switch is None else self._switch.stands,
        )
        # Who sets the source by hand is not asked for further levels.
        self._proves = bench.selector is not None or (
            self._switch is not None and not bench.source_by_hand
        )

    def start(self) -> None:
        """Turn the source on at zero, its compliance set before."""
        self._go_on()
        if self._bench.ambient is not None:
            self._ambient_c = self._bench.ambient.read()
        self._bench.source.set_level(0.0, limit=0.0, setting="zero")
        self._bench.source.set_compliance(self._bench.compliance)
        self._bench.source.output_on()

    def measure_patiently(self, setup: RangeSetup) -> RangeReadings:
        """Measure a range; where nobody answers, the source is off until one does."""
        done = self._done
        while True:
            try:
                return self.measure_range(setup)
            except UnansweredError as exc:
                if self._bench.ask is None:
                    raise
                self._bench.source_off()
                self._bench.ask(
                    f"Nobody answered within {exc.within_s / SECONDS_A_MINUTE:.0f} "
                    "min, so the source was turned off. Confirm, and range "
                    f"{setup.title} is read from its beginning.",
                    subject="whoever reads the meters",
                )
                self._done = done
                self.start()

    def measure_range(self, setup: RangeSetup) -> RangeReadings:
        """Measure a range, at lower levels where its output is too much."""
        done = self._done
        try:
            return self._measure_range(setup)
        except OverrangeError as exc:
            if exc.role != self._bench.output.role:
                raise
            fault = exc
        for share in LOWER:
            self._done = done
            self._set_level(setup, 0.0)
            try:
                found = self._measure_range(setup.lowered(share))
            except OverrangeError as exc:
                if exc.role != self._bench.output.role:
                    raise
                continue
            if _gain(found) * setup.highest <= setup.output_full_scale:
                raise fault  # what the meter said was not the unit's doing
            return found
        raise _too_much(setup) from fault

    def _measure_range(self, setup: RangeSetup) -> RangeReadings:
        """Select the range, read its points, return to level zero.

        Raises
        ------
        InstrumentError
            It names the range.
        """
        try:
            return self._selected_and_read(setup)
        except InstrumentError as exc:
            raise exc.on_range(setup.title) from exc

    def _selected_and_read(
        self, setup: RangeSetup, *, proven: bool = False
    ) -> RangeReadings:
        bench = self._bench
        self._go_on()
        bench.choose(setup)
        if self._switch is not None and self._turned != setup.range:
            self._switch.turn(setup)
            self._turned = setup.range
        cycles = setup.reading.power_line_cycles
        old = bench.reference.last
        bench.reference.configure(setup.reference_full_scale, cycles=cycles)
        bench.output.configure(setup.output_full_scale, cycles=cycles)
        points: list[Point] = []
        done = self._done
        for level in setup.levels:
            if level and self._proves and not proven:
                zero = points[-1].output[-1] if points else None
                share = self._proof.share(setup, zero, LOWER)
                if not share:
                    raise _too_much(setup)
                if share < 1.0:
                    self._set_level(setup, 0.0)
                    self._done = done
                    return self._selected_and_read(setup.lowered(share), proven=True)
                proven = True
                if (
                    points
                    and not bench.read_by_hand
                    and _repeats(points[-1])
                    and not self._lives(setup, points)
                ):
                    self._done -= 1
                    points[-1] = self._read_point(setup, 0.0, (), None)
            moves = proven or not self._proves
            points.append(self._read_point(setup, level, points, old, moves=moves))
            old = None
        if setup.levels[-1]:
            self._set_level(setup, 0.0)
        return RangeReadings(
            range=setup.range,
            points=tuple(points),
            reference_full_scale=setup.reference_full_scale,
            output_full_scale=setup.output_full_scale,
            ambient_c=self._ambient_c,
        )

    def _set_level(self, setup: RangeSetup, level: float) -> None:
        self._level = level
        self._bench.source.set_level(
            level,
            limit=setup.source_limit,
            setting=f"ranges.{setup.range}.source_limit",
        )

    def _read_point(
        self,
        setup: RangeSetup,
        level: float,
        before: Sequence[Point],
        old_reference: float | None,
        *,
        moves: bool = True,
    ) -> Point:
        """Read until the output is at rest and known well enough.

        A meter that repeats a reading in the middle of a movement looks like a coarse
        one at rest. So an output that shows one number is moved a little: it must
        follow, and then show the same number again. Not so where it is not allowed,
        since nobody knows yet which range is active.
        """
        bench = self._bench
        self._set_level(setup, level)
        left = before[-1].level if before else 0.0
        if bench.reference.by_hand and bench.output.by_hand:
            return self._took(setup, self._typed(setup, level), after=len(before))
        windows = _on_the_way(setup, left, level)
        record = Record(setup, old_reference)
        found = self._read_to_rest(setup, level, record, windows)
        for _ in range(NUDGES):
            if not record.repeats or bench.source_by_hand or not moves:
                break
            if bench.output.by_hand:
                break  # what repeats is the reference, which is held to the setting
            shown = record.output[-1]
            self._see_it_move(setup, level, shown)
            again = Record(setup, returned=shown)
            found_again = self._read_back(setup, level, again, windows)
            if found_again is None:
                break
            record, found = again, found_again
        else:
            value = record.output[-1]
            raise FrozenError(range_=setup.title, level=setup.said(level), value=value)
        point = Point(
            level=level,
            reference=tuple(record.reference[found.first :]),
            output=tuple(record.output[found.first :]),
            at_s=tuple(record.at_s[found.first :]),
            rest=found.rest,
        )
        spread = max(found.rest.settled) - min(found.rest.settled)
        if spread > OUTPUT_AGREEMENT * setup.output_full_scale:
            raise self._unsettled(setup, level, record, spread)
        if bench.read_by_hand:
            typed = self._with_person(setup, point, windows)
            return self._took(setup, typed, after=len(before))
        if before and left != level and same_number(before[-1].output, point.output):
            raise FrozenError(
                range_=setup.title, level=setup.said(level), value=point.output[-1]
            )
        return self._took(setup, point, after=len(before))

    def _took(self, setup: RangeSetup, point: Point, *, after: int) -> Point:
        """Say that a point is read, after so many others of its range; return it."""
        self._done += 1
        self._progress(
            Progress(
                range=setup.range,
                point=point,
                done=self._done,
                points=self._points,
                level=after + 1,
                levels=len(setup.levels),
            )
        )
        return point

    def _typed(self, setup: RangeSetup, level: float) -> Point:
        """Have both meters read by a person, once the unit has had its time."""
        bench, clock = self._bench, self._clock
        until_s = clock.now_s() + setup.settle_s
        while (left_s := until_s - clock.now_s()) > 0:
            self._go_on()
            bench.source.keep_on()
            clock.wait_s(min(left_s, bench.source.patience_s), unless=self._stop)
        reference = self._asked(setup, level, reference=True)
        output = self._asked(setup, level, reference=False)
        return Point(
            level=level,
            reference=(reference,),
            output=(output,),
            at_s=(clock.now_s(),),
        )

    def _with_person(
        self, setup: RangeSetup, point: Point, windows: tuple[Window, Window]
    ) -> Point:
        """Have a person read the meter that the bench does not, beside the other's.

        The other is read before and after: what it moved by in between is not known of
        the moment at which the person looked (rectangular, JCGM 100, 4.3.7).
        """
        level, by_hand = point.level, self._bench.reference.by_hand
        typed = self._asked(setup, level, reference=by_hand)
        record = Record(setup)
        found = self._read_to_rest(setup, level, record, windows)
        after = record.reference[found.first :]
        gain = setup.nominal_output / setup.level
        if by_hand:
            before_, after_ = fmean(_settled(point)), found.rest.value
            standard = found.rest.standard
            reference, output = typed, (before_ + after_) / 2
        else:
            before_, after_ = fmean(point.reference), fmean(after)
            standard = stdev(after) / sqrt(len(after)) * abs(gain)
            reference, output = (before_ + after_) / 2, typed
        moved = abs(after_ - before_) * (1.0 if by_hand else abs(gain))
        return Point(
            level=level,
            reference=(reference,),
            output=(output,),
            at_s=(self._clock.now_s(),),
            rest=Rest(
                value=output,
                standard=hypot(standard, moved / sqrt(12)),
                degrees_of_freedom=found.rest.degrees_of_freedom,
                departure=0.0,
                first=0,
                settled=(output,),
            ),
        )

    def _asked(self, setup: RangeSetup, level: float, *, reference: bool) -> float:
        """Return what a person reads of one meter at a level."""
        self._go_on()
        near, within = _on_the_way(setup, level, level)
        if reference:
            meter, window, gain = self._bench.reference, near, 1.0
        else:
            meter, window = self._bench.output, within
            gain = setup.nominal_output / setup.level
        meter.expect(setup.at(level), level * gain, setup.level * gain)
        return meter.read(window)

    def _read_to_rest(
        self,
        setup: RangeSetup,
        level: float,
        record: Record,
        windows: tuple[Window, Window],
    ) -> Found:
        """Read both meters until the record tells where the output is at rest."""
        while (found := self._believed(setup, level, record)) is None:
            if record.hopeless:
                raise self._unsettled(setup, level, record, record.spread)
            self._read_pair(setup, record, *windows)
        return found

    def _lives(self, setup: RangeSetup, points: Sequence[Point]) -> bool:
        """Whether the newest point, at zero, is shown again after the output moved."""
        if self._bench.source_by_hand:
            return True
        shown = points[-1].output[-1]
        self._see_it_move(setup, 0.0, shown)
        again = Record(setup, returned=shown)
        windows = _on_the_way(setup, 0.0, NUDGE * setup.level)
        return self._read_back(setup, 0.0, again, windows) is None

    def _read_back(
        self,
        setup: RangeSetup,
        level: float,
        record: Record,
        windows: tuple[Window, Window],
    ) -> Found | None:
        """Read until the output shows what it showed before it moved away: None then.

        Else return where it comes to rest instead.
        """
        while (found := self._believed(setup, level, record)) is None:
            if record.is_back:
                return None
            if record.hopeless:
                raise self._unsettled(setup, level, record, record.spread)
            self._read_pair(setup, record, *windows)
        return None if record.is_back else found

    def _see_it_move(self, setup: RangeSetup, level: float, shown: float) -> None:
        """Move the source a little until the output shows another number, and back.

        Raises
        ------
        FrozenError
            It never does.
        """
        step = NUDGE * setup.level
        self._set_level(setup, level - step if level > 0 else level + step)
        record = Record(setup)
        windows = _on_the_way(setup, level - step, level + step)
        while not record.output or record.output[-1] == shown:
            if record.hopeless:
                raise FrozenError(
                    range_=setup.title, level=setup.said(level), value=shown
                )
            self._read_pair(setup, record, *windows)
        self._set_level(setup, level)

    def _believed(
        self, setup: RangeSetup, level: float, record: Record
    ) -> Found | None:
        """Return where the record is at rest, if that is where this level can lead.

        Raises
        ------
        ImplausibleError
            It rests elsewhere.
        """
        width = REFERENCE_WINDOW * setup.level
        near = Window(low=level - width, high=level + width)
        found = record.found(near)
        if found is None:
            return None
        self._bench.reference.believe(record.reference[-1], near)
        self._bench.output.believe(found.rest.value, _at_rest(setup, level))
        return found

    def _read_pair(
        self, setup: RangeSetup, record: Record, near: Window, within: Window
    ) -> None:
        """Read both meters, in turns first."""
        self._go_on()
        bench, clock = self._bench, self._clock
        bench.source.keep_on()
        started_s = clock.now_s()
        # Which meter goes first alternates, so that a drift of the source between
        # the two readings of a pair cancels over the point.
        if bench.read_by_hand:
            reference, output, at_s = self._read_one(setup, near, within)
        elif len(record.at_s) % 2 == 0:
            reference = bench.reference.read(near)
            output, at_s = bench.output.read(within), clock.now_s()
        else:
            output, at_s = bench.output.read(within), clock.now_s()
            reference = bench.reference.read(near)
        record.add(at_s=at_s, reference=reference, output=output)
        # Far quicker meters would fill the record before anything could move.
        ahead_s = started_s + setup.settle_s / LOOKS - clock.now_s()
        if ahead_s > 0:
            clock.wait_s(min(ahead_s, bench.source.patience_s), unless=self._stop)

    def _read_one(
        self, setup: RangeSetup, near: Window, within: Window
    ) -> tuple[float, float, float]:
        """Read the meter that no person reads; the other stands for what it would be.

        Where the output is read by hand, the reference tells of rest in its place.
        """
        bench, gain = self._bench, setup.nominal_output / setup.level
        if bench.reference.by_hand:
            output, at_s = bench.output.read(within), self._clock.now_s()
            return self._level, output, at_s
        reference, at_s = bench.reference.read(near), self._clock.now_s()
        return reference, reference * gain, at_s

    def _unsettled(
        self, setup: RangeSetup, level: float, record: Record, spread: float
    ) -> UnsettledError:
        return UnsettledError(
            range_=setup.title,
            level=setup.said(level),
            spread=spread,
            allowed=OUTPUT_AGREEMENT * setup.output_full_scale,
            within_s=record.watched_s,
        )

    def _go_on(self) -> None:
        if self._stop.is_set() or self._bench.halted:
            raise StoppedError


def _settled(point: Point) -> Sequence[float]:
    """Return the output's readings, their movement taken off."""
    return point.output if point.rest is None else point.rest.settled


def _repeats(point: Point) -> bool:
    """Whether a point's newest readings of the output are one number."""
    return len(set(point.output[-FEWEST:])) == 1


def _too_much(setup: RangeSetup) -> TooMuchOutputError:
    return TooMuchOutputError(
        range_=setup.title,
        level=setup.said(LOWER[-1] * setup.level),
        full_scale=setup.output_full_scale,
    )


def _gain(readings: RangeReadings) -> float:
    """Return how much output the range makes of its input, the offset removed."""
    series = series_of(readings)
    return abs(series.output.net_level / series.reference.net_level)


def _on_the_way(setup: RangeSetup, left: float, level: float) -> tuple[Window, Window]:
    """Return what reference and output may read between two levels."""
    width = REFERENCE_WINDOW * setup.level
    span = OUTPUT_WINDOW * setup.output_full_scale
    return (
        Window(low=min(left, level) - width, high=max(left, level) + width),
        Window(low=-span, high=span),
    )


def _at_rest(setup: RangeSetup, level: float) -> Window:
    """Return where the output may come to rest."""
    span = OUTPUT_WINDOW * setup.output_full_scale
    expected = level * setup.nominal_output
    if not expected:
        return Window(low=-span, high=span)
    reversed_ = REVERSED_WINDOW * abs(setup.nominal_output)
    if expected > 0:
        return Window(low=-reversed_, high=span)
    return Window(low=-span, high=reversed_)
