"""Measure one unit: through its ranges, zero, level, zero, and the source off again."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from threading import Event

from config.model import Reading
from daemon.bench.bench import Bench
from daemon.bench.driver import Window
from daemon.bench.errors import (
    BenchError,
    SelectorError,
    StoppedError,
    UnknownRangeError,
    UnsettledError,
)
from daemon.bench.plan import RangeSetup
from daemon.bench.readings import Point, RangeReadings
from daemon.clock import Clock

__all__ = ["Progress", "measure"]

REFERENCE_WINDOW = 0.1
"""How far, as a share of the level, the reference may read from what was set.

Wide enough for any source, narrow enough for an open lead, a source at its
compliance or off, and a digit lost on the way.
"""

OUTPUT_WINDOW = 1.25
"""The output may read this much of the meter's range; the unit may be that wrong."""

REVERSED_WINDOW = 0.1
"""How far, as a share of the nominal output, it may read with the wrong sign at the
level; beyond that its leads are reversed."""

OUTPUT_AGREEMENT = 0.01
"""The output's readings at one point lie within this share of the meter's range of
each other: a meter that repeats an old reading, and a unit far from rest, do not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """A point that was just read, as one of `points`."""

    range: str
    point: Point
    done: int
    points: int


def measure(
    bench: Bench,
    ranges: Sequence[str],
    reading: Reading,
    clock: Clock,
    *,
    stop: Event,
    progress: Callable[[Progress], None],
) -> list[RangeReadings]:
    """Measure the named ranges of the unit that is connected.

    Lowest full scale first; in each range a zero point (source at 0, connected),
    the level, and the zero point again, so that a drift of the zero cancels. The
    range is switched at level zero, because an opened current loop goes to
    compliance. Whichever way this ends, the source is off.

    Parameters
    ----------
    bench : Bench
        Open, for this product.
    ranges : sequence of str
        All ranges of a unit, or the one that is taken across many units.
    reading : Reading
        How many readings a point.
    clock : Clock
        For settling and for the readings' times.
    stop : Event
        Once set, the measurement ends at its next step.
    progress : Callable
        Told of each point; raising from it ends the measurement.

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
    SelectorError
        Several ranges are asked for and the bench has no selector.
    UnsettledError
        The readings of one point do not agree.
    InstrumentError
        A reading could not be had or not be believed.
    OutputNotOffError
        The source could not be shown to be off; it replaces what went before.
    """
    unknown = tuple(key for key in ranges if key not in bench.setups)
    if unknown:
        raise UnknownRangeError(ranges=unknown, known=tuple(bench.setups))
    setups = [one for key, one in bench.setups.items() if key in ranges]
    if bench.selector is None and len(setups) > 1:
        raise SelectorError(ranges=tuple(one.range for one in setups))
    unit = _Unit(bench, reading, clock, stop, progress, points=3 * len(setups))
    try:
        unit.start()
        return [unit.measure_range(one) for one in setups]
    except BenchError as exc:
        if bench.halted:  # then what was read with the source off means nothing
            raise StoppedError from exc
        raise
    finally:
        bench.source_off()


class _Unit:
    """One unit's measurement under way."""

    def __init__(
        self,
        bench: Bench,
        reading: Reading,
        clock: Clock,
        stop: Event,
        progress: Callable[[Progress], None],
        *,
        points: int,
    ) -> None:
        self._bench = bench
        self._reading = reading
        self._clock = clock
        self._stop = stop
        self._progress = progress
        self._points = points
        self._done = 0
        self._ambient_c: float | None = None

    def start(self) -> None:
        """Turn the source on at zero, its compliance set before."""
        self._go_on()
        if self._bench.ambient is not None:
            self._ambient_c = self._bench.ambient.read()
        self._bench.source.set_level(0.0, limit=0.0, setting="zero")
        self._bench.source.set_compliance(self._bench.compliance)
        self._bench.source.output_on()

    def measure_range(self, setup: RangeSetup) -> RangeReadings:
        """Select the range, read its points, return to level zero."""
        bench = self._bench
        self._go_on()
        if bench.selector is not None and setup.selector is not None:
            bench.selector.select(setup.selector)
        bench.reference.configure(setup.reference_full_scale)
        bench.output.configure(setup.output_full_scale)
        points = tuple(
            self._read_point(setup, level) for level in (0.0, setup.level, 0.0)
        )
        return RangeReadings(
            range=setup.range,
            points=points,
            reference_full_scale=setup.reference_full_scale,
            output_full_scale=setup.output_full_scale,
            ambient_c=self._ambient_c,
        )

    def _read_point(self, setup: RangeSetup, level: float) -> Point:
        self._bench.source.set_level(
            level,
            limit=setup.source_limit,
            setting=f"ranges.{setup.range}.source_limit",
        )
        self._settle(setup)
        width = REFERENCE_WINDOW * setup.level
        near = Window(low=level - width, high=level + width)
        within = _output_window(setup, level)
        reference, output, at_s = [], [], []
        for index in range(self._reading.readings_per_point):
            self._go_on()
            self._bench.source.keep_on()
            at_s.append(self._clock.now_s())
            # Which meter goes first alternates, so that a drift of the source
            # between the two readings of a pair cancels over the point.
            if index % 2 == 0:
                reference.append(self._bench.reference.read(near))
                output.append(self._bench.output.read(within))
            else:
                output.append(self._bench.output.read(within))
                reference.append(self._bench.reference.read(near))
        self._require_agreement(setup, level, output)
        point = Point(
            level=level,
            reference=tuple(reference),
            output=tuple(output),
            at_s=tuple(at_s),
        )
        self._done += 1
        self._progress(
            Progress(
                range=setup.range, point=point, done=self._done, points=self._points
            )
        )
        return point

    def _require_agreement(
        self, setup: RangeSetup, level: float, output: Sequence[float]
    ) -> None:
        spread = max(output) - min(output)
        allowed = OUTPUT_AGREEMENT * setup.output_full_scale
        if spread > allowed:
            raise UnsettledError(
                range_=setup.range, level=level, spread=spread, allowed=allowed
            )

    def _settle(self, setup: RangeSetup) -> None:
        """Return once the unit's output has come to rest: the one place that waits."""
        source, clock = self._bench.source, self._clock
        until_s = clock.now_s() + setup.settle_s
        while (left_s := until_s - clock.now_s()) > 0:
            self._go_on()
            source.keep_on()
            clock.wait_s(min(left_s, source.patience_s), unless=self._stop)

    def _go_on(self) -> None:
        if self._stop.is_set() or self._bench.halted:
            raise StoppedError


def _output_window(setup: RangeSetup, level: float) -> Window:
    span = OUTPUT_WINDOW * setup.output_full_scale
    if not level:
        return Window(low=-span, high=span)
    reversed_ = REVERSED_WINDOW * abs(setup.nominal_output)
    if setup.nominal_output > 0:
        return Window(low=-reversed_, high=span)
    return Window(low=-span, high=reversed_)
