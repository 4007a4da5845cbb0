"""One board on one bench, as physics: no instrument, no protocol, no clock.

Every quantity at the board's input is in the product's input unit, ampere or volt;
every method that looks at the circuit takes the time at which it looks.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import copysign, exp, pi, sin

from daemon.simulator.strays import Strays

__all__ = [
    "Ambient",
    "Board",
    "Circuit",
    "Mounting",
    "RangeCircuit",
    "TemperatureCurve",
]

REFERENCE_C = 23.0
CURVE_STEP_K = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """What one board truly is.

    `parts_ohm` are the true values at the reference temperature,
    `tempco_ppm_per_k` their temperature coefficients. `leakage` flows away at the
    input, `offset_v` stands at the output and drifts by `drift_v_per_h` once mounted.
    """

    serial: str
    parts_ohm: Mapping[str, float]
    tempco_ppm_per_k: Mapping[str, float]
    leakage: float = 0.0
    offset_v: float = 0.0
    drift_v_per_h: float = 0.0

    def parts_at_ohm(self, temperature_c: float) -> dict[str, float]:
        """Return the true part values at `temperature_c`."""
        warmer_k = temperature_c - REFERENCE_C
        return {
            name: ohm * (1 + self.tempco_ppm_per_k[name] * 1e-6 * warmer_k)
            for name, ohm in self.parts_ohm.items()
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeCircuit:
    """What the product's range switch connects."""

    transfer: Callable[[Mapping[str, float]], float]
    time_constant_s: float
    full_scale: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Ambient:
    """Room temperature: a mean and two slow swings, one of them faster."""

    mean_c: float = REFERENCE_C
    swing_c: float = 0.0
    period_s: float = 4 * 3600.0
    phase: float = 0.0

    def temperature_c(self, at_s: float) -> float:
        """Return the temperature at `at_s`."""
        turn = 2 * pi * at_s / self.period_s + self.phase
        return self.mean_c + self.swing_c * (0.75 * sin(turn) + 0.25 * sin(5.3 * turn))


@dataclass(frozen=True, slots=True, kw_only=True)
class Mounting:
    """What mounting a board by hand does to the leads: thermal EMF.

    The hand's warmth leaves `warm_emf_v`, which decays; `steady_emf_v` stays.
    """

    steady_emf_v: float = 0.0
    warm_emf_v: float = 0.0
    decay_s: float = 30.0

    def emf_v(self, since_s: float) -> float:
        """Return the EMF `since_s` after mounting."""
        return self.steady_emf_v + self.warm_emf_v * exp(-since_s / self.decay_s)


class TemperatureCurve:
    """A parabola through three exactly calculated points.

    Part values are linear in temperature, so the cubic rest is below 1e-10 within
    ten kelvin even for the widest temperature coefficients of resistors, and a
    reading needs no evaluation of the formula.
    """

    def __init__(self, exact: Callable[[float], float]) -> None:
        low = exact(REFERENCE_C - CURVE_STEP_K)
        self._middle = exact(REFERENCE_C)
        high = exact(REFERENCE_C + CURVE_STEP_K)
        self._slope = (high - low) / (2 * CURVE_STEP_K)
        self._bend = (high - 2 * self._middle + low) / (2 * CURVE_STEP_K**2)

    def at(self, temperature_c: float) -> float:
        """Return the value at `temperature_c`."""
        warmer_k = temperature_c - REFERENCE_C
        return self._middle + warmer_k * (self._slope + warmer_k * self._bend)


class Circuit:
    """Source, board and leads; `input_at` and `output_v` are what truly flows.

    Parameters
    ----------
    input_unit : str
        "A": a loop that opens without a board or a range. "V": a node that does not.
    ranges : mapping
        What each setting of the product's range switch connects.
    rail_v : float
        Largest output of either sign.
    input_ohm : float
        Burden of board, leads and standard resistor, which a current has to overcome.
    ambient : Ambient
        Room temperature, which is also the board's.
    source_noise_ppm : float
        White noise of the source, ppm of its level.
    noise : callable
        Returns a standard normal value.
    strays : Strays, optional
        What else acts; left out, nothing does.
    """

    def __init__(
        self,
        *,
        input_unit: str,
        ranges: Mapping[str, RangeCircuit],
        rail_v: float,
        input_ohm: float,
        ambient: Ambient,
        source_noise_ppm: float,
        noise: Callable[[], float],
        strays: Strays | None = None,
    ) -> None:
        self.strays = strays or Strays()
        self.board: Board | None = None
        self.range: str | None = None
        self.ambient = ambient
        self._loop = input_unit == "A"
        self._ranges = ranges
        self._full_rail_v = self._rail_v = rail_v
        self._input_ohm = input_ohm
        self._noise_share = source_noise_ppm * 1e-6
        self._noise = noise
        self._level = 0.0
        self._on = False
        self._compliance = 0.0
        self._curves: dict[str, TemperatureCurve] = {}
        self._curve: TemperatureCurve | None = None
        self._time_constant_s = 1e-3
        self._changed_s = 0.0
        self._from_v = 0.0
        self._mounted_s = 0.0
        self._mounting = Mounting()

    def mount(self, board: Board | None, mounting: Mounting, at_s: float) -> None:
        """Put `board` on the bench, or none; the range switch stays where it is."""
        self.board = board
        self._mounting = mounting
        self._mounted_s = at_s
        self._curves = {}
        self._connect(0.0, at_s)

    def choose(self, key: str | None, at_s: float) -> None:
        """Turn the product's range switch; None is between two positions."""
        before_v = self._amplifier_v(at_s, noisy=False)
        self.range = key
        self._connect(before_v, at_s)

    def supply(self, share: float, at_s: float) -> None:
        """Let the board's battery give a share of its rails; 0 is switched off."""
        before_v = self._amplifier_v(at_s, noisy=False)
        self._rail_v = share * self._full_rail_v
        self._from_v = before_v
        self._changed_s = at_s

    def drive(self, level: float, *, on: bool, compliance: float, at_s: float) -> None:
        """Let the source truly drive `level`, within `compliance` of the other unit."""
        before_v = self._amplifier_v(at_s, noisy=False)
        self._level = level
        self._on = on
        self._compliance = compliance
        self._from_v = before_v
        self._changed_s = at_s

    @property
    def closed(self) -> bool:
        """Whether the source finds a way through the board."""
        return not self._loop or self._curve is not None

    def input_at(self, at_s: float) -> float:
        """Return what truly goes in, with the source's noise of this moment."""
        del at_s  # the source follows at once
        return self._input(noisy=True)

    def output_v(self, at_s: float) -> float:
        """Return the volts at the output leads."""
        strays = self.strays
        emf_v = self._mounting.emf_v(at_s - self._mounted_s)
        emf_v += strays.output_v.at(self._share()) + strays.bias_v
        return self._amplifier_v(at_s, noisy=True) * (1 - strays.loading) + emf_v

    def reference_emf_v(self) -> float:
        """Return the thermal voltage where the reference reads volts."""
        return self.strays.reference_v.at(self._share())

    def source_v(self) -> float:
        """Return the volts at the terminals of a current source."""
        if not self._on:
            return 0.0
        if not self.closed:
            return copysign(self._compliance, self._level) if self._level else 0.0
        return self._input(noisy=False) * self._input_ohm

    @property
    def in_compliance(self) -> bool:
        """Whether a current source cannot drive its level within its compliance."""
        if not (self._on and self._loop and self._level):
            return False
        return not self.closed or abs(self._level) * self._input_ohm > self._compliance

    def _connect(self, from_v: float, at_s: float) -> None:
        self._from_v = from_v
        self._changed_s = at_s
        board, key = self.board, self.range
        if board is None or key is None:
            self._curve = None
            self._time_constant_s = 1e-3
            return
        circuit = self._ranges[key]
        self._time_constant_s = circuit.time_constant_s
        if key not in self._curves:
            self._curves[key] = TemperatureCurve(
                lambda c: circuit.transfer(board.parts_at_ohm(c))
            )
        self._curve = self._curves[key]

    def _input(self, *, noisy: bool) -> float:
        if not self._on or not self.closed:
            return 0.0
        level = self._level
        if self._loop:
            most = self._compliance / self._input_ohm
            if abs(level) > most:
                level = copysign(most, level)
        if noisy and self._noise_share:
            level *= 1 + self._noise_share * self._noise()
        return level

    def _share(self) -> float:
        """Return what goes in as a share of the range's full scale."""
        if self.range is None:
            return 0.0
        return self._input(noisy=False) / self._ranges[self.range].full_scale

    def _into_board(self, *, noisy: bool) -> float:
        """Return what goes into the board of what the reference sees."""
        went_in, strays = self._input(noisy=noisy), self.strays
        if not self._loop:
            return went_in * (1 - strays.in_leads)
        share = self._share()
        return went_in - strays.leakage_a.at(share) - strays.past_a * share

    def _amplifier_v(self, at_s: float, *, noisy: bool) -> float:
        settled_v = self._settled_v(at_s, noisy=noisy)
        since_s = at_s - self._changed_s
        rest = exp(-since_s / self._time_constant_s) if since_s > 0 else 1.0
        return settled_v + (self._from_v - settled_v) * rest

    def _settled_v(self, at_s: float, *, noisy: bool) -> float:
        board = self.board
        if board is None:
            return 0.0
        if self._curve is None:
            # Without feedback the amplifier runs to a rail.
            return copysign(self._rail_v, board.offset_v)
        drifted_v = board.drift_v_per_h * (at_s - self._mounted_s) / 3600.0
        transfer = self._curve.at(self.ambient.temperature_c(at_s))
        into = self._into_board(noisy=noisy) - board.leakage
        wanted_v = transfer * into + board.offset_v + drifted_v
        return min(max(wanted_v, -self._rail_v), self._rail_v)
