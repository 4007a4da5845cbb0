"""Instruments that read: each has its own errors, within its specification."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import copysign, sqrt
from typing import Any

from daemon.simulator.circuit import Circuit
from daemon.simulator.scpi import Instrument, command, number

__all__ = [
    "Ammeter",
    "Meter",
    "MeterFault",
    "MeterScale",
    "Ohmmeter",
    "Thermometer",
    "Voltmeter",
]

OVERRANGE = 9.9e37
OVERLOAD_AT = 1.2
MAINS_HZ = 50.0
BENT_FROM = 0.05
"""From this share of full scale on, a bent range is off by all of its bend."""


class MeterFault(StrEnum):
    """What can go wrong in a meter itself."""

    OVERRANGE = "overrange"
    FROZEN = "frozen value"
    DRIFT = "drifting range"
    STEP = "range step"
    PASSING = "range step that passes"
    SWAPPED = "swapped leads"


@dataclass(slots=True, kw_only=True)
class MeterScale:
    """One range of a meter with the errors that this very meter has.

    `gain_ppm` and `offset` lie within the specification; so does `bend`, by which a
    range that is not straight is off at either end. `step_ppm` and
    `drift_ppm_per_s`, counted from `drift_since_s`, are faults.
    """

    full_scale: float
    resolution: float
    gain_ppm: float
    offset: float
    noise: float
    bend: float = 0.0
    step_ppm: float = 0.0
    drift_ppm_per_s: float = 0.0
    drift_since_s: float = 0.0

    def indicate(self, true: float, at_s: float, standard_normal: float) -> float:
        """Return what this range shows of `true`, overrange beyond 1.2 full scale."""
        gain_ppm = self.gain_ppm + self.step_ppm
        if self.drift_ppm_per_s:
            gain_ppm += self.drift_ppm_per_s * (at_s - self.drift_since_s)
        shown = true * (1 + gain_ppm * 1e-6) + self.offset
        if self.bend:
            near_zero = true / (BENT_FROM * self.full_scale)
            shown += self.bend * max(-1.0, min(1.0, near_zero))
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
        self.struck = Counter[MeterFault]()
        """How often each fault has truly changed a reading that was taken."""
        self._armed: set[MeterFault] = set()
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
        if self.repeats_left > 0 and self.repeats_after > 0:
            self.repeats_after -= 1
        elif self.repeats_left > 0:
            self._strikes(MeterFault.FROZEN)
            self.repeats_left -= 1
            return self._last
        at_s = self._now_s()
        true = self._signal(at_s)
        if self.overranges_left > 0:
            self.overranges_left -= 1
            true = copysign(OVERRANGE, true)
            self._strikes(MeterFault.OVERRANGE)
        if self.swapped:
            true = -true
            self._strikes(MeterFault.SWAPPED)
        scale = self._scale or self._smallest_for(true)
        if scale.step_ppm:
            self._strikes(MeterFault.STEP)
        if scale.drift_ppm_per_s:
            self._strikes(MeterFault.DRIFT)
        true *= 1 + self._passing() * 1e-6
        drawn = self._noise()
        if self._cycles != 1.0:
            drawn /= sqrt(self._cycles)
        self._last = f"{scale.indicate(true, at_s, drawn):+.8E}"
        return self._last

    def freeze(self, readings: float, *, after: int = 0) -> None:
        """Repeat so many readings, after so many that are its own."""
        self.repeats_left, self.repeats_after = readings, after

    def step_for(self, readings: float, ppm: float, *, after: int = 0) -> None:
        """Have all ranges step for so many readings, after so many that are right."""
        self._passes_left, self._passes_after = readings, after
        self._passes_ppm = ppm

    def arm(self, fault: MeterFault) -> None:
        """Count `fault` once when it first changes a reading."""
        self._armed.add(fault)

    def mend(self) -> None:
        """End every fault of this meter."""
        self.swapped = False
        self.overranges_left = 0.0
        self.freeze(0.0)
        self.step_for(0.0, 0.0)
        self._armed.clear()
        for scale in self.scales:
            scale.step_ppm = scale.drift_ppm_per_s = 0.0

    def _passing(self) -> float:
        """Return by how much this reading is off in ppm, as a step passes."""
        if not self._passes_left:
            return 0.0
        if self._passes_after:
            self._passes_after -= 1
            return 0.0
        self._passes_left -= 1
        self._strikes(MeterFault.PASSING)
        return self._passes_ppm

    def _strikes(self, fault: MeterFault) -> None:
        self.struck[fault] += fault in self._armed
        self._armed.discard(fault)

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


class Ohmmeter(Meter):
    """A digital ohmmeter of two or four wires, for parts without power.

    Parameters
    ----------
    lead_ohm : float
        Of leads and contacts: in a two-wire reading, not in a four-wire one.
    """

    unit = "OHM"

    def __init__(self, *, lead_ohm: float, **meter: Any) -> None:
        self._lead_ohm = lead_ohm
        between = meter.pop("signal")
        super().__init__(signal=lambda at_s: between(at_s) + self._in_series, **meter)

    def reset(self) -> None:
        """Two wires, range by itself, one power-line cycle."""
        super().reset()
        self._in_series = self._lead_ohm

    @command("CONFigure:RESistance")
    def _configure_two_wires(self, text: str = "DEF", resolution: str = "") -> None:
        del resolution  # the range has one
        self._in_series = self._lead_ohm
        self._configure(text)

    @command("CONFigure:FRESistance")
    def _configure_four_wires(self, text: str = "DEF", resolution: str = "") -> None:
        del resolution
        self._in_series = 0.0
        self._configure(text)

    @command("[SENSe:]RESistance:NPLCycles", "[SENSe:]FRESistance:NPLCycles")
    def _set_ohms_cycles(self, text: str) -> None:
        self._set_cycles(text)


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
