"""The bench as the maker writes it: instruments by role, accuracy, limits."""

import re
from collections import Counter
from collections.abc import Iterator
from datetime import date
from ipaddress import ip_address
from typing import Annotated, Literal

from pydantic import Field

from config.influences import Influences
from config.profile import TYPED
from config.strict import (
    Celsius,
    Count,
    InputQuantity,
    Key,
    Name,
    Ohm,
    Ppm,
    PpmAboveZero,
    Problem,
    Strict,
    Volt,
    matching,
    where_whole,
)

__all__ = [
    "BY_HAND",
    "COMPLIANCE_DEFAULT_MAX_V",
    "EXAMPLE_ADDRESS",
    "ROLES",
    "Bench",
    "CheckStandard",
    "CurrentLimit",
    "Instrument",
    "KnownError",
    "KnownStandard",
    "LongName",
    "MeterRange",
    "Reference",
    "SeriesResistor",
    "is_visa_address",
    "visa_address_of",
]

EXAMPLE_ADDRESS = "TCPIP::192.0.2.10::5025::SOCKET"
_VISA_ADDRESS = re.compile(r"(?:TCPIP|GPIB|USB|ASRL)\S*::\S+", re.IGNORECASE)

ROLES = ("source", "reference", "output", "selector", "ambient", "ohmmeter")

COMPLIANCE_DEFAULT_MAX_V = 30.0
DAYS_OF_A_YEAR = 365.25
LARGEST_FULL_SCALE = 1_000.0
"""Of a range that reads ampere or volt."""
BY_HAND = "by hand"
"""The address of an instrument that a person reads or sets."""


CurrentLimit = Annotated[float, Field(gt=0, le=10)]
Hours = Annotated[float, Field(gt=0, le=1_000)]
KnownError = Annotated[float, Field(ge=-1_000_000, le=1_000_000)]


class MeterRange(Strict):
    """One range of a bench instrument with its accuracy specification."""

    full_scale: Ohm
    """Ampere, volt or ohm, whichever the instrument reads."""
    of_reading_ppm: Ppm
    of_range_ppm: Ppm = 0.0
    resolution: Annotated[float, Field(ge=0, le=1_000)] = 0.0

    def problems(self) -> Iterator[Problem]:
        """Refuse a meter that is never wrong, and one that shows nothing."""
        if self.of_reading_ppm == self.of_range_ppm == 0:
            yield Problem(
                path=("of_reading_ppm",),
                problem="no meter is free of error; this or of_range_ppm must be "
                "> 0 and <= 1000000",
            )
        if self.resolution >= self.full_scale:
            yield Problem(
                path=("resolution",),
                problem=f"must be >= 0 and < the full scale, {self.full_scale:g}",
            )


LongName = Annotated[
    str,
    Field(min_length=1, max_length=200),
    matching(r"[^\s\x00-\x1f\x7f](?:.*\S)?", "one line without blanks at its ends"),
]


Addressee = Annotated[
    str,
    Field(min_length=1, max_length=20),
    matching(r"[!-~]+", "plain ASCII without blanks"),
]


class Instrument(Strict):
    """One instrument of the bench: where it is, how it speaks, how good it is."""

    address: LongName = BY_HAND
    profile: Key
    identity: LongName | None = None
    """What it must say it is; or, where it cannot say, what it is."""
    serial_number: Name | None = None
    calibrated_at: date | None = None
    calibration_due: date | None = None
    addressee: Addressee | None = None
    """Whom the adapter is told, or the device's number, where several instruments
    stand on one line."""
    timeout_s: Annotated[float, Field(gt=0, le=600)] = 5.0
    readings_follow: Annotated[float, Field(ge=0, le=0.95)] | None = None
    """How much of a reading is still the one before; None: told from the readings."""
    drift_ppm_per_year: PpmAboveZero | None = None
    """What it may move by since its calibration, beyond its accuracy."""
    ranges: tuple[MeterRange, ...] = Field(default=(), strict=False)

    @property
    def since_calibration_ppm(self) -> float:
        """What it may have moved by when its next calibration is due.

        A year after the last one, where no days are written.
        """
        years = 1.0
        if self.calibrated_at is not None and self.calibration_due is not None:
            years = (self.calibration_due - self.calibrated_at).days / DAYS_OF_A_YEAR
        return (self.drift_ppm_per_year or 0.0) * years

    def problems(self) -> Iterator[Problem]:
        """Refuse an address that cannot be one, and two ranges alike."""
        if (self.profile == TYPED) != (self.address == BY_HAND):
            yield Problem(
                path=("address",),
                problem=f"must be a VISA address, or {BY_HAND!r} together with "
                f"profile = {TYPED!r}",
            )
        with where_whole:
            yield from _due_too_early(self.calibrated_at, self.calibration_due)
        with where_whole:
            scales = Counter(one.full_scale for one in self.ranges)
            for place, one in enumerate(self.ranges):
                if scales[one.full_scale] > 1:
                    yield Problem(
                        path=("ranges", place, "full_scale"),
                        problem="another range has this full scale; each needs its own",
                    )


class Reference(Strict):
    """How the truly applied input is known.

    A meter that reads it, or the volts across a standard resistor in series.
    """

    kind: Literal["meter", "standard_resistor"] = "meter"
    standard_ohm: Ohm | None = None
    standard_uncertainty_ppm: Ppm = 0.0
    standard_tempco_ppm_per_k: PpmAboveZero | None = None
    standard_c: Celsius | None = None
    """The temperature that its value is of; None: 23 degrees."""

    def problems(self) -> Iterator[Problem]:
        """Refuse a resistor without a value, and a value without a resistor."""
        if self.kind == "standard_resistor" and self.standard_ohm is None:
            yield Problem(
                path=("standard_ohm",),
                problem="missing; kind = 'standard_resistor' needs a number "
                "> 0 and <= 1e+12",
            )
        if self.kind == "meter" and self.standard_ohm is not None:
            yield Problem(
                path=("standard_ohm",),
                problem="goes with kind = 'standard_resistor' alone",
            )
        of_resistor = {
            "standard_tempco_ppm_per_k": self.standard_tempco_ppm_per_k,
            "standard_c": self.standard_c,
        }
        for key, value in of_resistor.items():
            if self.kind == "meter" and value is not None:
                yield Problem(
                    path=(key,), problem="goes with kind = 'standard_resistor' alone"
                )


class SeriesResistor(Strict):
    """A voltage source drives a product that takes ampere, through known resistors.

    One for each range of the product, which the selector switches with the range.
    """

    ohm: Annotated[dict[Name, Ohm], Field(min_length=1)]
    """By range of the product."""
    burden_ohm: Annotated[float, Field(ge=0, le=1e9)] = 0.0
    """What else the current flows through: input, reference meter, leads."""

    def through_ohm(self, range_: str) -> float:
        """Return all that a range's current flows through."""
        return self.ohm[range_] + self.burden_ohm


class KnownStandard(Strict):
    """A unit of known errors; beside others it tells whose drift is seen."""

    serial: Name
    error_ppm: Annotated[dict[Name, KnownError], Field(min_length=1)]
    uncertainty_ppm: PpmAboveZero
    certificate: LongName | None = None
    """Its file or its number."""
    calibrated_at: date | None = None
    calibration_due: date | None = None

    def problems(self) -> Iterator[Problem]:
        """Refuse a calibration that ends before it began."""
        with where_whole:
            yield from _due_too_early(self.calibrated_at, self.calibration_due)

    def past_due(self, on: date) -> bool:
        """Whether its calibration has ended by a day: its values tell no more."""
        return self.calibration_due is not None and on > self.calibration_due


class CheckStandard(KnownStandard):
    """The standard that every check runs; tells bench drift from product drift."""

    every_units: Count | None = None
    every_hours: Hours | None = None


class Bench(Strict):
    """Instruments by role, and the limits no plan may exceed.

    `compliance_v` is the highest voltage that may ever stand at the unit's input: a
    current source is given it as its compliance, a voltage source never a higher
    level. A voltage source is given `current_limit_a` as its compliance.
    """

    name: Name
    compliance_v: Volt
    allow_compliance_above_30_v: bool = False
    current_limit_a: CurrentLimit | None = None
    source_limit: InputQuantity
    ambient_c: tuple[Celsius, Celsius] = Field(default=(18.0, 28.0), strict=False)
    source_stability_ppm: PpmAboveZero | None = None
    """How far the source may move at one setting in the course of a session. With it
    both meters are watched against the source's setting at each check: two that move
    alike leave the check standard's error as it was. None: not watched."""
    warm_up_minutes: Annotated[float, Field(ge=0, le=600)] = 0.0
    time_scale: Annotated[float, Field(ge=1, le=10_000)] = 1.0
    source: Instrument
    reference: Instrument
    output: Instrument
    selector: Instrument | None = None
    ambient: Instrument | None = None
    ohmmeter: Instrument | None = None
    """For loose parts and boards without power; no measurement of a unit uses it."""
    reference_is: Reference = Reference()
    series_resistor: SeriesResistor | None = None
    """None: the source gives what the product takes in."""
    check_standard: CheckStandard | None = None
    further_standards: tuple[KnownStandard, ...] = Field(default=(), strict=False)
    """Run beside it when a session opens and ends, and where it reads wrong."""

    influences: Influences | None = None
    """What else moves a reading; None: nothing that is known of."""

    @property
    def standards(self) -> tuple[KnownStandard, ...]:
        """Every check standard, the one that every check runs first."""
        first = () if self.check_standard is None else (self.check_standard,)
        return (*first, *self.further_standards)

    @property
    def instruments(self) -> dict[str, Instrument]:
        """Instruments by role name, absent roles left out."""
        roles = {role: getattr(self, role) for role in ROLES}
        return {role: one for role, one in roles.items() if one is not None}

    @property
    def simulated(self) -> bool:
        """Whether a program plays it: only then may it be faster than time."""
        return self.time_scale != 1.0

    @property
    def typed(self) -> tuple[str, ...]:
        """The roles that a person takes while a unit is measured."""
        return tuple(
            role
            for role, one in self.instruments.items()
            if one.profile == TYPED and role != "ohmmeter"
        )

    @property
    def all_typed(self) -> bool:
        """Whether nothing that measures is on a wire: every reading is typed."""
        return {"source", "reference", "output"} <= set(self.typed)

    def problems(self) -> Iterator[Problem]:
        """Refuse what could hurt someone, and meters of unknown accuracy."""
        with where_whole:
            above = self.compliance_v > COMPLIANCE_DEFAULT_MAX_V
            if above and not self.allow_compliance_above_30_v:
                yield Problem(
                    path=("compliance_v",),
                    problem="must be > 0 and <= 30 unless allow_compliance_above_30_v "
                    "= true is written beside it",
                )
        with where_whole:
            if self.ambient_c[0] >= self.ambient_c[1]:
                yield Problem(path=("ambient_c",), problem="must be [lowest, highest]")
        with where_whole:
            by_hand = self.source.profile == TYPED
            if by_hand and self.source_stability_ppm is not None:
                yield Problem(
                    path=("source_stability_ppm",),
                    problem="goes with a source that the bench sets; this one is set "
                    "by hand",
                )
        for role in ("reference", "output"):
            with where_whole:
                if not getattr(self, role).ranges:
                    yield Problem(
                        path=(role, "ranges"),
                        problem="missing; a meter needs at least one range with its "
                        "accuracy",
                    )
        for role in ("source", "reference", "output"):
            with where_whole:
                for place, one in enumerate(getattr(self, role).ranges):
                    if one.full_scale > LARGEST_FULL_SCALE:
                        yield Problem(
                            path=(role, "ranges", place, "full_scale"),
                            problem=f"must be > 0 and <= {LARGEST_FULL_SCALE:g}",
                        )
        with where_whole:
            yield from self._standards_confused()
        with where_whole:
            if self.simulated:
                yield from self._not_simulated()

    def _standards_confused(self) -> Iterator[Problem]:
        if self.further_standards and self.check_standard is None:
            yield Problem(
                path=("check_standard",),
                problem="missing; further_standards are run beside it",
            )
        serials = Counter(one.serial for one in self.standards)
        for place, one in enumerate(self.further_standards):
            if serials[one.serial] > 1:
                yield Problem(
                    path=("further_standards", place, "serial"),
                    problem="another check standard has this serial",
                )

    def _not_simulated(self) -> Iterator[Problem]:
        for role in ROLES:
            with where_whole:
                one = getattr(self, role)
                if one is not None and not _loopback(one.address):
                    yield Problem(
                        path=("time_scale",),
                        problem="must be 1 unless every instrument is simulated on "
                        f"this machine, and {role} is at {one.address!r}",
                    )


def is_visa_address(text: str) -> bool:
    """Whether a text can be the VISA address of an instrument.

    Examples
    --------
    >>> is_visa_address("TCPIP::192.0.2.10::5025::SOCKET"), is_visa_address("COM3")
    (True, False)
    """
    return _VISA_ADDRESS.fullmatch(text) is not None


def visa_address_of(text: str) -> str | None:
    """Return the VISA address that a port or a network address was meant for.

    Examples
    --------
    >>> visa_address_of("/dev/ttyUSB0"), visa_address_of("com3")
    ('ASRL/dev/ttyUSB0::INSTR', 'ASRL3::INSTR')
    >>> visa_address_of("192.0.2.10:5025"), visa_address_of("192.0.2.10")
    ('TCPIP::192.0.2.10::5025::SOCKET', 'TCPIP::192.0.2.10::INSTR')
    """
    if text.startswith("/dev/"):
        return f"ASRL{text}::INSTR"
    if port := re.fullmatch(r"COM(\d+)", text, re.IGNORECASE):
        return f"ASRL{port[1]}::INSTR"
    if host := re.fullmatch(r"(\d+(?:\.\d+){3})(?::(\d+))?", text):
        return (
            f"TCPIP::{host[1]}::INSTR"
            if host[2] is None
            else f"TCPIP::{host[1]}::{host[2]}::SOCKET"
        )
    return None


def _due_too_early(done: date | None, due: date | None) -> Iterator[Problem]:
    if done is not None and due is not None and due <= done:
        yield Problem(
            path=("calibration_due",),
            problem=f"must be later than calibrated_at, {done:%Y-%m-%d}",
        )


def _loopback(address: str) -> bool:
    """Whether a VISA socket address points at this machine."""
    _, _, rest = address.partition("::")
    host = rest.partition("::")[0]
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
