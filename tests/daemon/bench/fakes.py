"""A bench of five instruments in memory that writes down every command it is sent."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from tomllib import loads

import config
from config.model import (
    Bench,
    ErrorLimit,
    Instrument,
    MeterRange,
    Part,
    Product,
    Range,
    Reading,
    Reference,
)
from config.profile import Profile
from daemon.bench import bench as bench_module
from daemon.bench.clock import Clock, VirtualClock
from daemon.bench.connection import Connection
from daemon.bench.errors import NoAnswerError
from daemon.bench.retry import NEVER, Retry

PROFILES_FOLDER = Path(config.__file__).parent / "profiles"


def profile(name: str) -> Profile:
    """Return one of the profiles that come with the program."""
    text = (PROFILES_FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    return Profile.model_validate(loads(text))


PROFILES = {
    "source": profile("scpi_current_source"),
    "watched": profile("watched_current_source"),
    "ammeter": profile("scpi_ammeter").model_copy(update={"integrate": None}),
    "voltmeter": profile("scpi_voltmeter").model_copy(update={"integrate": None}),
    "integrating": profile("scpi_voltmeter"),
    "switch": profile("scpi_switch"),
    "thermometer": profile("scpi_thermometer"),
}

RANGES = {"R11": 1e-6, "R12": 10e-6, "R13": 100e-6, "R14": 1e-3}
NOMINAL_TRANSFER = {key: 1.0 / full_scale for key, full_scale in RANGES.items()}
READING = Reading(readings_per_point=3)


def product() -> Product:
    """Return the four-range photodiode amplifier, its ranges in no good order."""
    parts = {
        key: Part(nominal_ohm=0.5 / full_scale, tolerance_ppm=1000.0)
        for key, full_scale in RANGES.items()
    }
    parts |= {
        "R3": Part(nominal_ohm=10_000.0, tolerance_ppm=1000.0),
        "R4": Part(nominal_ohm=10_000.0, tolerance_ppm=1000.0),
    }
    ranges = {
        key: Range(
            title=f"{RANGES[key]:g} A",
            full_scale=RANGES[key],
            transfer=f"{key} * (1 + R3 / R4)",
            limit=ErrorLimit(of_reading_ppm=1000.0),
            source_limit=1.1 * RANGES[key],
            settle_s=0.5,
            selector=f"{100 + index}",
        )
        for index, key in enumerate(sorted(RANGES, reverse=True))
    }
    return Product(
        name="pa4",
        title="Photodiode amplifier",
        input_unit="A",
        input_absolute_maximum_v=15.0,
        parts=parts,
        ranges=ranges,
    )


def meter_ranges(*full_scales: float) -> tuple[MeterRange, ...]:
    """Return meter ranges of these full scales."""
    return tuple(MeterRange(full_scale=one, of_reading_ppm=50.0) for one in full_scales)


def settings(*, standard_ohm: float | None = None) -> Bench:
    """Return the bench's settings; volts across a standard if given."""
    by_volts = standard_ohm is not None
    return Bench(
        name="fake",
        compliance_v=10.0,
        source_limit=1.2e-3,
        source=Instrument(address="fake source", profile="source"),
        reference=Instrument(
            address="fake reference",
            profile="voltmeter" if by_volts else "ammeter",
            ranges=meter_ranges(0.1, 1.0, 10.0)
            if by_volts
            else meter_ranges(1e-3, 1e-6, 1e-5, 1e-4),
        ),
        output=Instrument(
            address="fake output", profile="voltmeter", ranges=meter_ranges(10.0, 1.0)
        ),
        selector=Instrument(address="fake selector", profile="switch"),
        ambient=Instrument(address="fake ambient", profile="thermometer"),
        reference_is=Reference(kind="standard_resistor", standard_ohm=standard_ohm)
        if by_volts
        else Reference(),
    )


@dataclass
class FakeBench:
    """Instruments with one state; `answers` overrides what a role says to a text.

    An override is the text itself, or is called for it and may raise.
    """

    standard_ohm: float | None = None
    gain_error_ppm: float = 0.0
    meters_ppm: float = 0.0
    """What both meters read too much."""
    reference_ppm: float = 0.0
    """What the reference alone reads too much, for so many readings."""
    reference_errs: float = float("inf")
    offset_v: float = 0.0
    level: float = 0.0
    on: bool = True
    closed: str = "(@100)"
    hold_s: float = 0.0
    spoken_s: float = 0.0
    clock: Clock = field(default_factory=VirtualClock)
    deaf_to_off: bool = False
    sent: list[tuple[str, str]] = field(default_factory=list)
    highest: float = 0.0
    flicker: float = 1e-9
    """The last digits of a living display go up and down, as a share of full scale."""
    open_lines: set[str] = field(default_factory=set)
    answers: dict[tuple[str, str], str | Callable[[], str]] = field(
        default_factory=dict
    )

    def connect(
        self, role: str, instrument: Instrument, profile: Profile
    ) -> Connection:
        """Open a line to a role."""
        del instrument, profile
        self.open_lines.add(role)
        return FakeLine(role, self)

    def commands(self, role: str) -> list[str]:
        """Return what a role was sent, without the question whether it is done."""
        return [text.removesuffix(";*OPC?") for who, text in self.sent if who == role]

    def answer(self, role: str, text: str) -> str:
        """Do what `text` says and return the answer, empty where there is none."""
        self.sent.append((role, text))
        if role == "source":
            self._watch()
        plain = text.removesuffix(";*OPC?")
        override = self.answers.get((role, plain))
        if override is not None:
            return override if isinstance(override, str) else override()
        said = "1"
        match plain.split():
            case ["*IDN?"]:
                said = f"Holdpoint,fake {role},1,0"
            case ["SYST:ERR?"]:
                said = '0,"No error"'
            case ["OUTP?"]:
                said = str(int(self.on))
            case ["OUTP:HOLD", seconds]:
                self.hold_s = float(seconds)
            case ["OUTP", state]:
                self.on = state == "ON" or self.deaf_to_off
            case ["SOUR:CURR:LEV", level]:
                self.level = float(level)
                self.highest = max(self.highest, abs(self.level))
            case ["READ?"]:
                said = f"{self._reading(role):.9e}"
            case ["MEAS:TEMP?"]:
                said = "23.4"
            case ["ROUT:CLOS", channel]:
                self.closed = channel
            case ["ROUT:CLOS?", channel]:
                said = str(int(channel == self.closed))
        return said

    def _watch(self) -> None:
        """Turn the output off when nobody has spoken for too long."""
        now_s = self.clock.now_s()
        if self.hold_s and now_s - self.spoken_s > self.hold_s:
            self.on = False
        self.spoken_s = now_s

    def _reading(self, role: str) -> float:
        current = self.level * (1 + self.meters_ppm * 1e-6) if self.on else 0.0
        self.flicker = -self.flicker
        if role == "reference":
            if self.reference_ppm and self.reference_errs > 0:
                self.reference_errs -= 1
                current *= 1 + self.reference_ppm * 1e-6
            return current * (self.standard_ohm or 1.0)
        key = sorted(RANGES, reverse=True)[int(self.closed.strip("(@)")) - 100]
        gain = NOMINAL_TRANSFER[key] * (1 + self.gain_error_ppm * 1e-6)
        return current * gain + self.offset_v + self.flicker


class FakeLine:
    """The line to one role."""

    def __init__(self, role: str, fake: FakeBench) -> None:
        self._role = role
        self._fake = fake

    def write(self, text: str) -> None:
        """Send a command."""
        self._fake.answer(self._role, text)

    def query(self, text: str, lines: int = 1) -> str:
        """Send a query and return its answer."""
        del lines
        return self._fake.answer(self._role, text)

    def listen(self) -> str:
        """Return a line that nobody asked for."""
        return self._fake.answer(self._role, "READ?")

    def descriptor(self) -> None:
        """Return nothing: it is in memory."""

    def close(self) -> None:
        """Let go of the line."""
        self._fake.open_lines.discard(self._role)


def no_answer(role: str) -> Callable[[], str]:
    """Return an override that times out."""

    def fail() -> str:
        raise NoAnswerError(
            role=role, address=f"fake {role}", command="", reason="no answer in 5 s"
        )

    return fail


def open_bench(
    fake: FakeBench,
    *,
    bench: Bench | None = None,
    reading: Reading = READING,
    clock: Clock | None = None,
    retry: Retry = NEVER,
    profiles: Mapping[str, Profile] = PROFILES,
) -> bench_module.Bench:
    """Open the real `Bench` over a fake one."""
    return bench_module.Bench(
        bench or settings(standard_ohm=fake.standard_ohm),
        product(),
        reading,
        profiles=profiles,
        nominal_transfer=NOMINAL_TRANSFER,
        connect=fake.connect,
        clock=clock or VirtualClock(),
        retry=retry,
        guarded=False,
    )
