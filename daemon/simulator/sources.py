"""Instruments that act on the circuit: sources, and the range selector."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from daemon.simulator.circuit import Circuit
from daemon.simulator.scpi import Instrument, ScpiError, boolean, command, number

__all__ = ["CurrentSource", "Selector", "Source", "SourceNature", "VoltageSource"]

LONGEST_HOLD_S = 3600.0
HIGHEST_PROTECTION = {"V": 60.0, "A": 1.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceNature:
    """What this very source makes of its level; `highest` is of either sign.

    `through_ohm` tells what a current flows through that a voltage source drives; its
    own watchdog bears `least_silence_s` at least, whatever it was told.
    """

    gain_ppm: float
    offset: float
    highest: float
    through_ohm: Callable[[], float] | None = None
    least_silence_s: float = 0.0


class Source(Instrument):
    """Drives the circuit; off at power-on and whenever in doubt."""

    unit = ""
    function = ""

    def __init__(
        self,
        *,
        identity: str,
        now_s: Callable[[], float],
        circuit: Circuit,
        nature: SourceNature,
    ) -> None:
        self.off_since_s: float | None = now_s()
        """When the output went off; None while it is on."""
        self._circuit = circuit
        self._nature = nature
        super().__init__(identity=identity, now_s=now_s)

    @property
    def level(self) -> float:
        """What the source was told."""
        return self._level

    def handle(self, line: str) -> str | None:
        """Carry out one line; any line proves that somebody is there."""
        now_s = self._now_s()
        self.expire(now_s)
        self._spoken_s = now_s
        return super().handle(line)

    def expire(self, now_s: float) -> None:
        """Let the source's own watchdog act, if nobody has spoken for too long."""
        if self._hold_s and self.off_since_s is None:
            due_s = self._spoken_s + max(self._hold_s, self._nature.least_silence_s)
            if now_s > due_s:
                self._turn(on=False, at_s=due_s)

    def reset(self) -> None:
        """Output off, level 0, least protection, no watchdog."""
        self._level = 0.0
        self._protection = 0.0
        self._hold_s = 0.0
        self._spoken_s = self._now_s()
        self._turn(on=False, at_s=self._spoken_s)

    @command("OUTPut[:STATe]")
    def _set_output(self, text: str) -> None:
        self._turn(on=boolean(text), at_s=self._now_s())

    @command("OUTPut[:STATe]?")
    def _output(self) -> str:
        return "1" if self.off_since_s is None else "0"

    @command("OUTPut:HOLD")
    def _set_hold(self, text: str) -> None:
        """Hold the output on this long after the last message; 0 is for ever."""
        self._hold_s = number(text, 0.0, LONGEST_HOLD_S, "S")

    @command("OUTPut:HOLD?")
    def _hold(self) -> str:
        return f"{self._hold_s:.6E}"

    @command("[SOURce:]FUNCtion[:MODE]")
    def _set_function(self, text: str) -> None:
        if text.upper() not in {self.function.upper(), self.function[:4].upper()}:
            raise ScpiError(-224, text)

    @command("[SOURce:]FUNCtion[:MODE]?")
    def _function(self) -> str:
        return self.function[:4].upper()

    def _set_level(self, text: str) -> None:
        highest = self._nature.highest
        self._level = number(text, -highest, highest, self.unit)
        self._drive(self._now_s())

    def _set_protection(self, text: str, unit: str) -> None:
        self._protection = number(text, 0.0, HIGHEST_PROTECTION[unit], unit)
        self._drive(self._now_s())

    def _turn(self, *, on: bool, at_s: float) -> None:
        if not on and self.off_since_s is None:
            self.off_since_s = at_s
        elif on:
            self.off_since_s = None
        self._drive(at_s)

    def _drive(self, at_s: float) -> None:
        nature = self._nature
        level = self._level * (1 + nature.gain_ppm * 1e-6) + nature.offset
        compliance = self._protection
        if nature.through_ohm is not None:
            # Its volts stand at an open input; else the resistor makes them a current.
            compliance, level = abs(level), level / nature.through_ohm()
        self._circuit.drive(
            level, on=self.off_since_s is None, compliance=compliance, at_s=at_s
        )


class CurrentSource(Source):
    """Amperes, within a compliance voltage."""

    unit = "A"
    function = "CURRent"

    @command("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]")
    def _set_amperes(self, text: str) -> None:
        self._set_level(text)

    @command("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]?")
    def _amperes(self) -> str:
        return f"{self._level:+.8E}"

    @command("[SOURce:]VOLTage:PROTection[:LEVel]")
    def _set_compliance(self, text: str) -> None:
        self._set_protection(text, "V")

    @command("[SOURce:]VOLTage:PROTection[:LEVel]?")
    def _compliance(self) -> str:
        return f"{self._protection:+.8E}"

    @command("[SOURce:]VOLTage:PROTection:TRIPped?")
    def _tripped(self) -> str:
        return "1" if self._circuit.in_compliance else "0"

    @command("MEASure:VOLTage[:DC]?")
    def _terminal_volts(self) -> str:
        return f"{self._circuit.source_v():+.6E}"


class VoltageSource(Source):
    """Volts, within a protecting current."""

    unit = "V"
    function = "VOLTage"

    @command("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]")
    def _set_volts(self, text: str) -> None:
        self._set_level(text)

    @command("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]?")
    def _volts(self) -> str:
        return f"{self._level:+.8E}"

    @command("[SOURce:]CURRent:PROTection[:LEVel]")
    def _set_limit(self, text: str) -> None:
        self._set_protection(text, "A")

    @command("[SOURce:]CURRent:PROTection[:LEVel]?")
    def _limit(self) -> str:
        return f"{self._protection:+.8E}"


class Selector(Instrument):
    """A switch that has one way closed at a time: closing one opens the others."""

    def __init__(
        self,
        *,
        identity: str,
        now_s: Callable[[], float],
        circuit: Circuit,
        ranges: Mapping[str, str],
    ) -> None:
        self._circuit = circuit
        self._ranges = ranges
        super().__init__(identity=identity, now_s=now_s)

    @command("ROUTe:OPEN:ALL")
    def reset(self) -> None:
        """Open every way."""
        self._closed: str | None = None
        self._circuit.choose(None, self._now_s())

    @command("ROUTe:CLOSe")
    def _close(self, text: str) -> None:
        channels = self._channels(text)
        if len(channels) != 1:
            raise ScpiError(-221, text)
        self._closed = channels[0]
        self._circuit.choose(self._ranges[channels[0]], self._now_s())

    @command("ROUTe:OPEN")
    def _open(self, text: str) -> None:
        if self._closed in self._channels(text):
            self.reset()

    @command("ROUTe:CLOSe?")
    def _are_closed(self, text: str = "") -> str:
        if not text:
            return self._closed_list()
        return ",".join(str(int(c == self._closed)) for c in self._channels(text))

    @command("ROUTe:CLOSe:STATe?")
    def _closed_list(self) -> str:
        return f"(@{self._closed or ''})"

    def _channels(self, text: str) -> list[str]:
        if not (text.startswith("(@") and text.endswith(")")):
            raise ScpiError(-104, text)
        channels = [one.strip() for one in text[2:-1].split(",")]
        for one in channels:
            if one not in self._ranges:
                raise ScpiError(-222, text)
        return channels
