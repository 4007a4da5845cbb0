"""The bench's instruments: what each does to the circuit, or reads from it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import copysign, sqrt

from daemon.simulator.circuit import Circuit
from daemon.simulator.scpi import Instrument, ScpiError, boolean, command, number

__all__ = [
    "Ammeter",
    "CurrentSource",
    "Meter",
    "MeterScale",
    "Selector",
    "SourceNature",
    "Thermometer",
    "VoltageSource",
    "Voltmeter",
]

OVERRANGE = 9.9e37
OVERLOAD_AT = 1.2
MAINS_HZ = 50.0
LONGEST_HOLD_S = 3600.0
HIGHEST_PROTECTION = {"V": 60.0, "A": 1.0}


@dataclass(slots=True, kw_only=True)
class MeterScale:
    """One range of a meter with the errors that this very meter has.

    `gain_ppm` and `offset` lie within the specification. `step_ppm` and
    `drift_ppm_per_s`, counted from `drift_since_s`, are faults.
    """

    full_scale: float
    resolution: float
    gain_ppm: float
    offset: float
    noise: float
    step_ppm: float = 0.0
    drift_ppm_per_s: float = 0.0
    drift_since_s: float = 0.0

    def indicate(self, true: float, at_s: float, standard_normal: float) -> float:
        """Return what this range shows of `true`, overrange beyond 1.2 full scale."""
        gain_ppm = self.gain_ppm + self.step_ppm
        if self.drift_ppm_per_s:
            gain_ppm += self.drift_ppm_per_s * (at_s - self.drift_since_s)
        shown = true * (1 + gain_ppm * 1e-6) + self.offset
        shown += self.noise * standard_normal
        if abs(shown) > OVERLOAD_AT * self.full_scale:
            return copysign(OVERRANGE, shown)
        if self.resolution:
            return round(shown / self.resolution) * self.resolution
        return shown


class Meter(Instrument):
    """Reads one quantity on the smallest range that holds what it was told.

    Parameters
    ----------
    signal : callable
        Returns the true value at its leads at a time.
    scales : sequence of MeterScale
        By full scale, rising.
    noise : callable
        Returns a standard normal value.
    """

    unit = ""

    def __init__(
        self,
        *,
        identity: str,
        now_s: Callable[[], float],
        signal: Callable[[float], float],
        scales: Sequence[MeterScale],
        noise: Callable[[], float],
    ) -> None:
        self.scales = tuple(sorted(scales, key=lambda one: one.full_scale))
        self._signal = signal
        self._last = f"{0.0:+.8E}"
        self.mend()
        self._noise = noise
        super().__init__(identity=identity, now_s=now_s)

    def reset(self) -> None:
        """Range by itself, one power-line cycle."""
        self._scale: MeterScale | None = None
        self._cycles = 1.0

    @command("READ?")
    def read(self) -> str:
        """Take one reading; it lasts its power-line cycles."""
        self.took_s += self._cycles / MAINS_HZ
        if self.repeats_left > 0:
            self.repeats_left -= 1
            return self._last
        at_s = self._now_s()
        true = self._signal(at_s)
        if self.overranges_left > 0:
            self.overranges_left -= 1
            true = copysign(OVERRANGE, true)
        if self.swapped:
            true = -true
        scale = self._scale or self._smallest_for(true)
        drawn = self._noise()
        if self._cycles != 1.0:
            drawn /= sqrt(self._cycles)
        self._last = f"{scale.indicate(true, at_s, drawn):+.8E}"
        return self._last

    def mend(self) -> None:
        """End every fault of this meter."""
        self.swapped = False
        self.overranges_left = 0.0
        self.repeats_left = 0.0
        for scale in self.scales:
            scale.step_ppm = scale.drift_ppm_per_s = 0.0

    def _smallest_for(self, value: float) -> MeterScale:
        for scale in self.scales:
            if abs(value) <= OVERLOAD_AT * scale.full_scale:
                return scale
        return self.scales[-1]

    def _configure(self, text: str) -> None:
        if text.upper() in {"AUTO", "DEF", "DEFAULT"}:
            self._scale = None
            return
        highest = self.scales[-1].full_scale
        wanted = number(
            text,
            self.scales[0].full_scale if text.isalpha() else 0.0,
            highest * (1 + 1e-9),
            self.unit,
        )
        self._scale = next(
            one for one in self.scales if wanted <= one.full_scale * (1 + 1e-9)
        )

    def _measure(self, text: str) -> str:
        self._configure(text)
        return self.read()

    def _full_scale(self) -> str:
        scale = self._scale or self._smallest_for(self._signal(self._now_s()))
        return f"{scale.full_scale:.8E}"

    def _set_cycles(self, text: str) -> None:
        self._cycles = number(text, 0.01, 100.0, "")


class Voltmeter(Meter):
    """A digital voltmeter."""

    unit = "V"

    @command("CONFigure:VOLTage[:DC]")
    def _configure_volts(self, text: str = "DEF", resolution: str = "") -> None:
        del resolution  # the range has one
        self._configure(text)

    @command("MEASure:VOLTage[:DC]?")
    def _measure_volts(self, text: str = "DEF", resolution: str = "") -> str:
        del resolution
        return self._measure(text)

    @command("[SENSe:]VOLTage[:DC]:RANGe[:UPPer]")
    def _set_volts_range(self, text: str) -> None:
        self._configure(text)

    @command("[SENSe:]VOLTage[:DC]:RANGe[:UPPer]?")
    def _volts_range(self) -> str:
        return self._full_scale()

    @command("[SENSe:]VOLTage[:DC]:NPLCycles")
    def _set_volts_cycles(self, text: str) -> None:
        self._set_cycles(text)


class Ammeter(Meter):
    """A digital ammeter."""

    unit = "A"

    @command("CONFigure:CURRent[:DC]")
    def _configure_amperes(self, text: str = "DEF", resolution: str = "") -> None:
        del resolution  # the range has one
        self._configure(text)

    @command("MEASure:CURRent[:DC]?")
    def _measure_amperes(self, text: str = "DEF", resolution: str = "") -> str:
        del resolution
        return self._measure(text)

    @command("[SENSe:]CURRent[:DC]:RANGe[:UPPer]")
    def _set_amperes_range(self, text: str) -> None:
        self._configure(text)

    @command("[SENSe:]CURRent[:DC]:RANGe[:UPPer]?")
    def _amperes_range(self) -> str:
        return self._full_scale()

    @command("[SENSe:]CURRent[:DC]:NPLCycles")
    def _set_amperes_cycles(self, text: str) -> None:
        self._set_cycles(text)


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceNature:
    """What this very source makes of its level; `highest` is of either sign."""

    gain_ppm: float
    offset: float
    highest: float


class _Source(Instrument):
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
            due_s = self._spoken_s + self._hold_s
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
        self._circuit.drive(
            self._level * (1 + nature.gain_ppm * 1e-6) + nature.offset,
            on=self.off_since_s is None,
            compliance=self._protection,
            at_s=at_s,
        )


class CurrentSource(_Source):
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


class VoltageSource(_Source):
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


class Thermometer(Instrument):
    """Reads the room, in degrees Celsius."""

    def __init__(
        self,
        *,
        identity: str,
        now_s: Callable[[], float],
        circuit: Circuit,
        error_c: float,
        noise: Callable[[], float],
    ) -> None:
        self._circuit = circuit
        self._error_c = error_c
        self._noise = noise
        super().__init__(identity=identity, now_s=now_s)

    @command("MEASure:TEMPerature?", "READ?")
    def _read_c(self) -> str:
        true_c = self._circuit.ambient.temperature_c(self._now_s())
        return f"{true_c + self._error_c + 0.01 * self._noise():+.3f}"
