"""The whole simulated bench: one circuit, its instruments by role, and the hands."""

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import pi

from numpy.random import Generator, default_rng

from config import BY_HAND, Bench, MeterRange, Settings
from daemon.bench.clock import Clock
from daemon.metrology import Transfer
from daemon.simulator.circuit import Ambient, Board, Circuit, Mounting, RangeCircuit
from daemon.simulator.errors import (
    UnfitProductError,
    UnknownPartError,
    UnknownRangeError,
    UnknownRoleError,
)
from daemon.simulator.faults import Fault, FaultKind, Link
from daemon.simulator.meters import (
    Ammeter,
    Meter,
    MeterScale,
    Ohmmeter,
    Thermometer,
    Voltmeter,
)
from daemon.simulator.noise import Noise
from daemon.simulator.planting import Planting, Workshop
from daemon.simulator.scenario import Scenario
from daemon.simulator.scpi import Instrument
from daemon.simulator.sources import (
    CurrentSource,
    Selector,
    Source,
    SourceNature,
    VoltageSource,
)
from daemon.simulator.strays import Strays
from daemon.simulator.world import Reel, World

__all__ = ["STOPS_S", "BenchNature", "Rig", "RigState"]

OPEN_OHM = 9.9e37
"""Between the leads of an ohmmeter that is connected to nothing."""
SHARE_OF_COMPLIANCE = 0.5
"""Of the compliance voltage: what the burden takes of it at the most current."""
STOPS_S = 3.0
"""How long a busy machine may stop a program that is alive, by the machine's clock."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchNature:
    """How the simulated bench misbehaves while it is healthy.

    Where nothing else is said, ppm of the largest output at full scale. A
    `time_constant_s` by range overrides the one that follows from the range's
    `settle_s`: sixteen time constants leave 0.1 ppm.
    """

    meter_noise_ppm: float = 1.5
    """Standard deviation of one power-line cycle, ppm of the meter's range."""
    source_gain_ppm: float = 500.0
    """Bound of the source's setting error, ppm of its level."""
    source_offset_ppm: float = 50.0
    """Bound of the source's offset, ppm of the product's smallest full scale."""
    source_noise_ppm: float = 2.0
    lead_ohm: float = 0.1
    """Of the ohmmeter's leads and contacts."""
    thermometer_c: float = 0.2
    ambient_c: float = 1.0
    """Bound of the day's mean from 23 C."""
    ambient_swing_c: float = 0.5
    emf_ppm: float = 1.0
    warm_emf_ppm: float = 5.0
    straightness: float = 0.0
    """How much of what a meter's specification gives of its range is a bend, in step
    with its error of reading; the rest is an offset by itself, which zeros remove."""
    input_ohm: float = 50.0
    rail: float = 1.5
    """Output rails as a multiple of the largest output at full scale."""
    settling: float = 16.0
    time_constant_s: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class RigState:
    """What a bystander sees; times are those of the clock that the bench shares."""

    mounted: str | None
    range: str | None
    source_on: bool
    source_off_since_s: float | None
    source_v: float
    in_compliance: bool
    level: float
    now_s: float
    struck: Mapping[str, int]
    """How often each kind of fault has really happened."""
    mounts: int = 0
    """How often a board was put on the bench."""
    left: int = 0
    """Units of the story that were not on the bench yet."""


class Rig:
    """One bench with one circuit, at one clock.

    Parameters
    ----------
    settings : Settings
        Product and bench; the instruments' specifications bound their true errors.
    scenario : Scenario
        The boards that can be mounted.
    clock : Clock
        Shared with whoever measures.
    seed : int, optional
        For the bench's errors and noise; by default the scenario's.
    nature : BenchNature, optional
        How the healthy bench misbehaves.
    least_silence_s : float, optional
        How long the source's own watchdog bears silence at least.

    Raises
    ------
    UnfitProductError
        If there is no bench, a meter has no ranges, or two roles share an instrument.
    """

    def __init__(
        self,
        settings: Settings,
        scenario: Scenario,
        clock: Clock,
        *,
        seed: int | None = None,
        nature: BenchNature | None = None,
        least_silence_s: float = 0.0,
    ) -> None:
        if settings.bench is None:
            raise UnfitProductError(where="bench", problem="there is none to simulate")
        _refuse_shared_instruments(settings.bench)
        self.settings = settings
        self.scenario = scenario
        self.clock = clock
        self.bench: Bench = settings.bench
        self._nature = nature or BenchNature()
        self._least_silence_s = least_silence_s
        seed = scenario.seed if seed is None else seed
        self._errors: Generator = default_rng([seed, 1])
        self._noise = Noise(default_rng([seed, 2]))
        self._hands: Generator = default_rng([seed, 3])
        self._origin_s = clock.now_s()
        self._full_scale_v = self._largest_output_v()
        self._probed_ohm = OPEN_OHM
        self._mounts = 0
        self._waiting = {one for build in scenario.builds for one in build.serials}
        boards = scenario.boards
        self.planting = Planting(boards if isinstance(boards, Workshop) else None)
        self._world = World(settings.product, default_rng([seed, 4]))
        self._strays = Strays.of(self.bench, default_rng([seed, 5]))
        self._replaced: dict[str, dict[str, Reel]] = {}
        """By serial and record of rework, the reel that a part was taken from."""
        self.circuit = self._make_circuit()
        self._source = self._make_source()
        self.links = {
            role: Link(instrument, self._hands)
            for role, instrument in self._make_instruments().items()
        }
        if self.bench.selector is None:
            self.circuit.choose(next(iter(settings.product.ranges)), self.now_s())

    def now_s(self) -> float:
        """Return the rig's time: seconds since it was made."""
        return self.clock.now_s() - self._origin_s

    def mount(self, serial: str) -> None:
        """Put the board with this serial on the bench.

        Raises
        ------
        UnknownSerialError
            If the scenario has no such board.
        """
        for one in self.planting.arrive(serial):
            step = Fault(kind=FaultKind.STEP, role="output", size=one.size_ppm)
            self.inject(step)
        board = self.planting.seated(self.board(serial))
        self._mounts += 1
        self._waiting.discard(serial)
        steady, warm = (self._hands.standard_normal(2) * 1e-6).tolist()
        mounting = Mounting(
            steady_emf_v=steady * self._nature.emf_ppm * self._full_scale_v,
            warm_emf_v=warm * self._nature.warm_emf_ppm * self._full_scale_v,
        )
        self._settle_watchdog()
        self.circuit.mount(board, mounting, self.now_s())

    def board(self, serial: str) -> Board:
        """Return a board of the scenario, with the parts that were replaced since.

        Raises
        ------
        UnknownSerialError
            If the scenario has no such board.
        """
        board = self.scenario.board(serial)
        for rework, reel in self._replaced.get(serial, {}).items():
            board = self._world.with_part(
                board, reel, name=rework, seed=self.scenario.seed
            )
        return board

    def replace(self, rework: str, *, serial: str, part: str, reel: str) -> None:
        """Replace a part of a unit by one of a reel; told again, it is done already.

        A reel that the scenario does not know is an ordinary one. Who replaces a part
        takes the unit off the bench.

        Raises
        ------
        UnknownPartError
            If the product has no such part.
        """
        if part not in self.settings.product.parts:
            raise UnknownPartError(name=part, known=self.settings.product.parts)
        done = self._replaced.setdefault(serial, {})
        if rework in done:
            return
        done[rework] = next(
            (
                one
                for one in self.scenario.reels
                if (one.reel, one.part) == (reel, part)
            ),
            None,
        ) or self._world.reel_of(reel, part, seed=self.scenario.seed)
        standing = self.circuit.board
        if standing is not None and standing.serial == serial:
            self.remove()

    def remove(self) -> None:
        """Take the board off."""
        self._settle_watchdog()
        self.circuit.mount(None, Mounting(), self.now_s())

    def turn(self, key: str) -> None:
        """Turn the product's own range switch by hand."""
        if key not in self.settings.product.ranges:
            raise UnknownRangeError(name=key, known=self.settings.product.ranges)
        self._settle_watchdog()
        self.circuit.choose(key, self.now_s())

    def supply(self, share: float) -> None:
        """Let the unit's battery be at a share of its voltage; 0 is switched off."""
        self._settle_watchdog()
        self.circuit.supply(share, self.now_s())

    def probe(
        self, *, serial: str | None = None, part: str | None = None, reel: str = ""
    ) -> None:
        """Put the ohmmeter's leads on a part of a board, or on a loose part of a reel.

        Named neither, they are shorted.

        Raises
        ------
        UnknownSerialError, UnknownPartError, UnknownReelError
            The scenario has no such board, part or reel.
        """
        if reel:
            one = self.scenario.reel(reel)
            off_ppm = self._hands.normal(one.mean_ppm, one.spread_ppm)
            self._probed_ohm = one.nominal_ohm * (1 + off_ppm * 1e-6)
        elif serial is not None and part is not None:
            parts_ohm = self.board(serial).parts_ohm
            if part not in parts_ohm:
                raise UnknownPartError(name=part, known=parts_ohm)
            self._probed_ohm = parts_ohm[part]
        else:
            self._probed_ohm = 0.0

    def inject(self, fault: Fault) -> None:
        """Let `fault` happen from now on.

        Raises
        ------
        UnknownRoleError
            If the bench has no such instrument.
        UnfitFaultError
            If that instrument cannot have such a fault.
        """
        self._link(fault.role).inject(fault, self.now_s())

    def clear(self, role: str | None = None) -> None:
        """Mend one instrument and its line, or all; lost settings stay lost."""
        for link in self.links.values() if role is None else [self._link(role)]:
            link.clear()

    def _link(self, role: str) -> Link:
        try:
            return self.links[role]
        except KeyError:
            raise UnknownRoleError(name=role, known=self.links) from None

    def state(self) -> RigState:
        """Return what a bystander sees now."""
        now_s = self.now_s()
        self._source.expire(now_s)
        board = self.circuit.board
        off_since_s, origin_s = self._source.off_since_s, self._origin_s
        return RigState(
            mounted=None if board is None else board.serial,
            range=self.circuit.range,
            source_on=off_since_s is None,
            source_off_since_s=None if off_since_s is None else off_since_s + origin_s,
            source_v=self.circuit.source_v(),
            in_compliance=self.circuit.in_compliance,
            level=self._source.level,
            now_s=now_s + origin_s,
            struck=self._struck(),
            mounts=self._mounts,
            left=len(self._waiting),
        )

    def _struck(self) -> dict[str, int]:
        struck = Counter[str]()
        for link in self.links.values():
            struck.update({kind.value: times for kind, times in link.struck.items()})
        return dict(struck)

    def _settle_watchdog(self) -> None:
        self._source.expire(self.now_s())

    def _largest_output_v(self) -> float:
        product = self.settings.product
        nominal = {name: part.nominal_ohm for name, part in product.parts.items()}
        return max(
            abs(Transfer(one.transfer).value(nominal)) * one.full_scale
            for one in product.ranges.values()
        )

    def _make_circuit(self) -> Circuit:
        product, nature = self.settings.product, self._nature
        ranges = {
            key: RangeCircuit(
                transfer=Transfer(one.transfer).value,
                time_constant_s=nature.time_constant_s.get(
                    key, max(one.settle_s, 1e-3) / nature.settling
                ),
                full_scale=one.full_scale,
            )
            for key, one in product.ranges.items()
        }
        draw = self._errors.uniform
        return Circuit(
            input_unit=product.input_unit,
            ranges=ranges,
            rail_v=nature.rail * self._full_scale_v,
            input_ohm=self._burden_ohm()
            + (self.bench.reference_is.standard_ohm or 0.0),
            ambient=Ambient(
                mean_c=23.0 + draw(-1, 1) * nature.ambient_c,
                swing_c=nature.ambient_swing_c,
                phase=draw(0, 2 * pi),
            ),
            source_noise_ppm=nature.source_noise_ppm,
            noise=self._noise,
            strays=self._strays,
        )

    def _burden_ohm(self) -> float:
        """Return the burden of board and leads: what the source can drive.

        A loop for large currents is of thick wire and low shunts, so that its largest
        current takes half of the compliance at most (common practice, no source).
        """
        if self.settings.product.input_unit != "A":
            return self._nature.input_ohm
        most_ohm = (
            SHARE_OF_COMPLIANCE * self.bench.compliance_v / (self.bench.source_limit)
        )
        return min(self._nature.input_ohm, most_ohm)

    def _make_source(self) -> Source:
        product, nature, draw = self.settings.product, self._nature, self._errors
        smallest = min(one.full_scale for one in product.ranges.values())
        ranges = self.bench.source.ranges
        by_resistor = self.bench.series_resistor is not None
        amps_out = product.input_unit == "A" and not by_resistor
        kind = CurrentSource if amps_out else VoltageSource
        return kind(
            identity=self._identity("source"),
            now_s=self.now_s,
            circuit=self.circuit,
            nature=SourceNature(
                gain_ppm=draw.uniform(-1, 1) * nature.source_gain_ppm,
                offset=draw.uniform(-1, 1) * nature.source_offset_ppm * 1e-6 * smallest,
                highest=max(
                    (one.full_scale for one in ranges),
                    default=60.0 if by_resistor else 10 * self.bench.source_limit,
                ),
                through_ohm=self._through_ohm if by_resistor else None,
                least_silence_s=self._least_silence_s,
            ),
        )

    def _through_ohm(self) -> float:
        """Return what the source's current flows through on the active range."""
        key = self.circuit.range or next(iter(self.settings.product.ranges))
        resistor = self.bench.series_resistor
        return 1.0 if resistor is None else resistor.through_ohm(key)

    def _make_instruments(self) -> dict[str, Instrument]:
        reference_unit, into = self._seen_by_reference()
        made: dict[str, Instrument] = {
            "source": self._source,
            "reference": self._meter(
                "reference", reference_unit, into, self._strays.reference_ppm
            ),
            "output": self._meter(
                "output", "V", self.circuit.output_v, self._strays.output_ppm
            ),
        }
        if self.bench.selector is not None:
            made["selector"] = Selector(
                identity=self._identity("selector"),
                now_s=self.now_s,
                circuit=self.circuit,
                ranges={
                    one.selector: key
                    for key, one in self.settings.product.ranges.items()
                    if one.selector is not None
                },
            )
        if self.bench.ambient is not None:
            made["ambient"] = Thermometer(
                identity=self._identity("ambient"),
                now_s=self.now_s,
                circuit=self.circuit,
                error_c=self._errors.uniform(-1, 1) * self._nature.thermometer_c,
                noise=self._noise,
            )
        if self.bench.ohmmeter is not None:
            made["ohmmeter"] = Ohmmeter(
                identity=self._identity("ohmmeter"),
                now_s=self.now_s,
                signal=lambda _: self._probed_ohm,
                scales=[self._scale(one) for one in self._ranges("ohmmeter")],
                noise=self._noise,
                lead_ohm=self._nature.lead_ohm,
            )
        return made

    def _seen_by_reference(self) -> tuple[str, Callable[[float], float]]:
        """Return what the reference reads: its unit, and its value at a time."""
        known, circuit, strays = self.bench.reference_is, self.circuit, self._strays
        if known.standard_ohm is not None:
            drawn_ppm = self._errors.normal() * known.standard_uncertainty_ppm
            standard_ohm = known.standard_ohm * (1 + drawn_ppm * 1e-6)

            def across(at_s: float) -> float:
                warm = strays.standard_share(circuit.ambient.temperature_c(at_s))
                volts = circuit.input_at(at_s) * standard_ohm * warm
                return volts + circuit.reference_emf_v()

            return "V", across
        if self.settings.product.input_unit == "V":
            return "V", lambda at_s: circuit.input_at(at_s) + circuit.reference_emf_v()
        return "A", circuit.input_at

    def _ranges(self, role: str) -> tuple[MeterRange, ...]:
        ranges = self.bench.instruments[role].ranges
        if not ranges:
            raise UnfitProductError(
                where=f"{role}.ranges", problem="a simulated meter needs at least one"
            )
        return ranges

    def _meter(
        self,
        role: str,
        unit: str,
        signal: Callable[[float], float],
        drifted_ppm: float,
    ) -> Meter:
        ranges = self._ranges(role)

        def seen(at_s: float) -> float:
            self._source.expire(at_s)
            return signal(at_s)

        kind = Ammeter if unit == "A" else Voltmeter
        return kind(
            identity=self._identity(role),
            now_s=self.now_s,
            signal=seen,
            scales=[self._scale(one, drifted_ppm) for one in ranges],
            noise=self._noise,
        )

    def _scale(self, one: MeterRange, drifted_ppm: float = 0.0) -> MeterScale:
        """Draw a meter range's errors: its specification bounds them.

        Parameters
        ----------
        drifted_ppm
            What the meter has moved by since it was calibrated, on all its ranges.
        """
        of_reading, of_range = self._errors.uniform(-1, 1), self._errors.uniform(-1, 1)
        bound = one.of_range_ppm * 1e-6 * one.full_scale
        bent = self._nature.straightness
        return MeterScale(
            full_scale=one.full_scale,
            resolution=one.resolution,
            gain_ppm=of_reading * one.of_reading_ppm + drifted_ppm,
            offset=of_range * bound * (1 - bent),
            bend=of_reading * bound * bent,
            noise=self._nature.meter_noise_ppm * 1e-6 * one.full_scale,
        )

    def _identity(self, role: str) -> str:
        """Return maker, model, serial number and firmware (IEEE 488.2, 10.14)."""
        wanted = self.bench.instruments[role].identity
        fields = (wanted or f"Holdpoint,simulated {role}").split(",")
        return ",".join([*fields, "0", "0", "0"][: max(len(fields), 4)])


def _refuse_shared_instruments(bench: Bench) -> None:
    """Nobody moves leads here, so one meter cannot read two places."""
    seen: dict[tuple[str, str | None], str] = {}
    for role, one in bench.instruments.items():
        if one.address == BY_HAND:
            continue
        place = one.address, one.addressee
        if place in seen:
            raise UnfitProductError(
                where=f"{role}.address",
                problem=f"{one.address} is the {seen[place]}'s too; a simulated "
                "instrument has one place in the circuit",
            )
        seen[place] = role
