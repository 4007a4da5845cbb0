"""A unit whose own switch a person turns: which range is active, what to do next.

The source stays at or below the most sensitive range's full scale while anybody may
turn a switch or move a lead: an opened current loop goes to compliance.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from threading import Event

from config import MeterRange
from daemon.bench.bench import Bench
from daemon.bench.clock import Clock
from daemon.bench.errors import BenchError, OverrangeError, StoppedError
from daemon.bench.measuring_plan import RangeSetup, smallest_range
from daemon.bench.person import Ask
from daemon.bench.readings import RangeReadings
from daemon.bench.sequence import Progress, measure
from daemon.metrology import Look, Pair, Seen, active_range

__all__ = ["HandTold", "HandTurned", "advice"]

PROBE_SHARE = 0.8
"""Level of a look, as a share of the most sensitive range's full scale."""
READINGS = 40
"""Readings of a look within the slowest range's settling time, at most."""
PATIENCE = 3.0
"""Settling times after which a look is taken as it is."""
AT_REST = 0.05
"""Readings this close, as a share of the smallest expected output, are at rest."""
ALIKE = 3
"""So many readings on end must be."""
UNPLUGGED = frozenset({Seen.OPEN, Seen.DEAD})
YES = frozenset({"y", "yes"})


_ADVICE = {
    Seen.RANGE: "",
    Seen.OPEN: "Nothing flows: plug the unit in, or close the open input lead.",
    Seen.REFERENCE_REVERSED: "The reference reads the wrong sign: its leads are "
    "reversed.",
    Seen.REVERSED: "The output falls as the input rises: its leads, or the input "
    "leads, are reversed.",
    Seen.DEAD: "The output stays at zero: switch the unit on, and look at its battery "
    "and the output lead.",
    Seen.STUCK: "The output stands still whatever goes in: look at the unit's battery "
    "and supply.",
    Seen.LIMITED: "The output does not follow all the way: the unit's battery, or its "
    "supply, is low.",
    Seen.UNKNOWN: "This reads like no range: turn the switch until it clicks.",
}


class _Noticed(Exception):  # noqa: N818 -- no fault: what was waited for is there
    """The bench saw something else, so the question need not be answered."""

    def __init__(self, look: Look) -> None:
        self.look = look
        super().__init__(look.seen.value)


def advice(look: Look) -> str:
    """Return what is wrong with the unit or its leads, and what to do.

    Examples
    --------
    >>> advice(Look(seen=Seen.REVERSED))
    'The output falls as the input rises: its leads, or the input leads, are reversed.'
    """
    return _ADVICE[look.seen]


class HandTold:
    """Measures units of which a person turns the switch, and is told when.

    Where a person reads a meter or sets the source too, nothing can see the switch
    turned, as `HandTurned` does.

    Parameters
    ----------
    bench : Bench
        Open, without a selector.
    clock : Clock
        For readings and waiting.
    stop : Event
        Once set, whatever is under way ends.
    ask : Ask
        Where the person is asked.
    """

    def __init__(self, bench: Bench, *, clock: Clock, stop: Event, ask: Ask) -> None:
        self._bench = bench
        self._clock = clock
        self._stop = stop
        self._ask = ask
        self._serial = ""
        self._confirmed: list[str] = []

    @property
    def note(self) -> str | None:
        """What a person confirmed of the last unit, for its run; None where nothing."""
        return " ".join(self._confirmed) or None

    def swapped(self) -> None:
        """Do nothing: the next unit is named in each prompt."""

    def unit(
        self,
        serial: str,
        ranges: Sequence[str],
        progress: Callable[[Progress], None],
    ) -> list[RangeReadings]:
        """Measure a unit range by range; faults are those of `measure`."""
        self._serial = serial
        self._confirmed = []
        return measure(
            self._bench,
            ranges,
            self._clock,
            stop=self._stop,
            progress=progress,
            switch=self,
        )

    def turn(self, setup: RangeSetup) -> None:
        """Have the switch turned to a range; the source is on, at zero."""
        self._ask(
            f"Unit {self._serial}: turn its switch to {setup.title}, then confirm.",
            subject=self._serial,
            meanwhile=self._bench.patience.meanwhile(),
        )

    def stands(self, setup: RangeSetup) -> bool:
        """Ask whether it stands there, though a small level says otherwise."""
        answer = self._ask(
            f"Unit {self._serial} does not read like range {setup.title}. Does its "
            f"switch stand at {setup.title}? Yes: a part of the wrong decade is on it, "
            "and it is measured as that. No: turn the switch.",
            subject=self._serial,
            wants="yes/no",
            meanwhile=self._bench.patience.meanwhile(),
        )
        if answer.strip().lower() in YES:
            self._confirmed.append(f"Switch confirmed at {setup.title}.")
            return True
        self.turn(setup)
        return False


class HandTurned:
    """Measures units of which a person turns the switch.

    Parameters
    ----------
    bench : Bench
        Open, without a selector.
    output_ranges : sequence of MeterRange
        Of the meter on the output.
    transfers : mapping
        Nominal output over input by range, V/A or V/V.
    titles : mapping
        How people know each range.
    clock : Clock
        For readings and waiting.
    stop : Event
        Once set, whatever is under way ends.
    ask : Ask
        Where the person is asked; withdrawn once the bench sees the change itself.
    """

    def __init__(
        self,
        bench: Bench,
        *,
        output_ranges: Sequence[MeterRange],
        transfers: Mapping[str, float],
        titles: Mapping[str, str],
        clock: Clock,
        stop: Event,
        ask: Ask,
    ) -> None:
        self._bench = bench
        self._transfers = transfers
        self._titles = titles
        self._clock = clock
        self._stop = stop
        self._ask = ask
        self._output_ranges = output_ranges
        self._sensitive = next(iter(bench.setups.values()))  # lowest full scale first
        self._slowest_s = max(one.settle_s for one in bench.setups.values())
        self._mounted: str | None = None
        self.note: str | None = None
        """What a person confirmed of the last unit, for its run; None where nothing."""

    def swapped(self) -> None:
        """Note that a person said that another unit is plugged in."""
        self._mounted = None

    def unit(
        self,
        serial: str,
        ranges: Sequence[str],
        progress: Callable[[Progress], None],
    ) -> list[RangeReadings]:
        """Measure a unit range by range, as the person turns its switch.

        Goes on by itself once it sees the unit plugged in and the switch turned, in
        whatever order. A range that shows although it was measured already is asked
        about: a turn was missed, or a part of the wrong decade makes one range look
        like another. The person's word that the switch was turned settles it: the
        range is measured, at a lower level where the planned one would drive the
        output beyond its meter's range, and `note` says what was confirmed.

        Parameters
        ----------
        serial : str
            The unit; another one than the last must be seen to be unplugged first.
        ranges : sequence of str
            Those to measure.
        progress : Callable
            Told of each point.

        Raises
        ------
        StoppedError
            `stop` was set, or the bench was halted.
        BenchError
            A range could not be measured; the source is off.
        """
        self._unplugged(serial)
        todo = [key for key in self._bench.setups if key in ranges]
        found: list[RangeReadings] = []
        last: str | None = None
        notes: list[str] = []
        self.note = None
        while todo:
            look = self._turned(serial, todo, last)
            last = look.range  # as it looks: unless that changes, nobody turned
            key, lowered = str(last), {}
            if key not in todo:  # a person said which one it is
                key = todo[0]
                notes.append(f"Switch confirmed at {self._titles[key]}.")
                lowered = {key: self._share(key, look)}
            todo.remove(key)
            found += measure(
                self._bench,
                (key,),
                self._clock,
                stop=self._stop,
                progress=progress,
                lowered=lowered,
            )
        self.note = " ".join(notes) or None
        self._mounted = serial
        return found

    def look(self) -> Look:
        """Return what a settled small probe shows; the source must be on.

        It goes to zero, half the probe's level, all of it, and zero again.
        """
        level = PROBE_SHARE * self._sensitive.full_scale
        try:
            zero, half, full = (self._at_rest(one * level) for one in (0.0, 0.5, 1.0))
        except OverrangeError:
            # More comes out than any range makes of the probe.
            return Look(seen=Seen.UNKNOWN)
        finally:
            self._set_level(0.0)
        return active_range(zero, half, full, level=level, transfers=self._transfers)

    def _unplugged(self, serial: str) -> None:
        """Wait until the last unit is seen to be unplugged, or a person says so."""
        if self._mounted in {None, serial}:
            return
        text = f"Unplug unit {self._mounted} and plug in unit {serial}."
        with self._probing():
            if self.look().seen not in UNPLUGGED:
                self._until_unplugged(text, serial)
        self._mounted = None

    def _share(self, key: str, look: Look) -> float:
        """Return the share of a range's levels that the output meter can hold."""
        return min(
            1.0, abs(self._transfers[key] / (look.ratio or self._transfers[key]))
        )

    def _turned(self, serial: str, todo: Sequence[str], last: str | None) -> Look:
        """Return what shows once it is a range still to be measured.

        Or one that is measured already, and a person said that the switch stands at
        the next one to do.
        """
        with self._probing():
            look = self.look()
            turned = False
            while True:
                if look.seen is Seen.RANGE and look.range in todo:
                    again = self.look()
                    if again.range == look.range and again.seen is Seen.RANGE:
                        return look
                    look = again  # the switch was still on its way
                    continue
                shows_again = look.seen is Seen.RANGE and look.range in self._titles
                if shows_again and (look.range != last or turned):
                    text, wants = self._twice(serial, look, todo[0]), "yes/no"
                else:
                    text, wants = self._what_next(serial, look, todo), None
                try:
                    answer = self._asked(text, serial, look, wants)
                except _Noticed as noticed:
                    look, turned = noticed.look, False
                    continue
                if wants and answer.strip().lower() in YES:
                    return look
                # Who says "done" and "no" to what follows is asked to turn it again.
                turned = wants is None
                look = self.look()

    def _what_next(self, serial: str, look: Look, todo: Sequence[str]) -> str:
        first, *others = (self._titles[one] for one in todo)
        after = f" (then {', '.join(others)}; any order will do)" if others else ""
        wrong = advice(look)
        return (
            f"Unit {serial}: {wrong}{' Then turn' if wrong else 'turn'} its switch to "
            f"{first}{after}."
        )

    def _twice(self, serial: str, look: Look, wanted: str) -> str:
        seen, next_ = self._titles[str(look.range)], self._titles[wanted]
        return (
            f"Unit {serial} reads like range {seen}, which is measured already. Does "
            f"its switch stand at {next_}? Yes: a part of the wrong decade is on it, "
            "and it is measured as that. No: turn the switch."
        )

    def _asked(self, text: str, serial: str, look: Look, wants: str | None) -> str:
        """Ask, and look all the while; raise once something else shows."""

        def meanwhile() -> None:
            now = self.look()
            if (now.seen, now.range) != (look.seen, look.range):
                raise _Noticed(now)

        return self._ask(text, subject=serial, wants=wants, meanwhile=meanwhile)

    def _until_unplugged(self, text: str, serial: str) -> None:
        def meanwhile() -> None:
            now = self.look()
            if now.seen in UNPLUGGED:
                raise _Noticed(now)

        with suppress(_Noticed):
            self._ask(text, subject=serial, meanwhile=meanwhile)

    @contextmanager
    def _probing(self) -> Iterator[None]:
        """Have the source on at zero, meters at the probe's ranges; then off."""
        bench, probe = self._bench, self._sensitive
        self._go_on()
        level = PROBE_SHARE * probe.full_scale
        most = level * max(map(abs, self._transfers.values()))
        cycles = probe.reading.power_line_cycles
        try:
            bench.source.set_level(0.0, limit=0.0, setting="zero")
            bench.source.set_compliance(bench.compliance)
            bench.source.output_on()
            bench.reference.configure(probe.reference_full_scale, cycles=cycles)
            bench.output.configure(
                smallest_range(self._output_ranges, most, role="output").full_scale,
                cycles=cycles,
            )
            yield
        except BenchError as exc:
            if bench.halted:
                raise StoppedError from exc
            raise
        finally:
            bench.source_off()

    def _at_rest(self, level: float) -> Pair:
        """Set a level and return the first readings that agree, or the last."""
        bench, clock = self._bench, self._clock
        self._set_level(level)
        least = min(map(abs, self._transfers.values())) * PROBE_SHARE
        close = AT_REST * least * self._sensitive.full_scale
        until_s = clock.now_s() + PATIENCE * self._slowest_s
        outputs: list[float] = []
        while True:
            self._go_on()
            bench.source.keep_on()
            reference, output = bench.reference.read(), bench.output.read()
            outputs.append(output)
            newest = outputs[-ALIKE:]
            # A quick meter reads thrice before a slow range has begun to move.
            began_s = until_s - PATIENCE * self._slowest_s
            moved = clock.now_s() - began_s >= self._slowest_s / 2
            rests = len(newest) == ALIKE and max(newest) - min(newest) <= close
            if (moved and rests) or clock.now_s() >= until_s:
                return Pair(reference=reference, output=output)
            clock.wait_s(
                min(self._slowest_s / READINGS, bench.source.patience_s),
                unless=self._stop,
            )

    def _set_level(self, level: float) -> None:
        self._bench.source.set_level(
            level,
            limit=self._sensitive.full_scale,
            setting=f"ranges.{self._sensitive.range}.full_scale, while leads and "
            "switches may move",
        )

    def _go_on(self) -> None:
        if self._stop.is_set() or self._bench.halted:
            raise StoppedError
