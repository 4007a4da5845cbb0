"""Settings as the maker writes them: product, bench, control plan, alerts.

Every number's unit is in its name. The few names without one (`full_scale`,
`source_limit`, `level`) are in the product's own input unit, ampere or volt,
because one product amplifies currents and another divides voltages.
"""

import ast
from collections.abc import Iterable
from ipaddress import ip_address
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from config.strict import Name, NonNegative, Positive, Ppm, Strict

COMPLIANCE_DEFAULT_MAX_V = 30.0

TEMPCO_PPM_PER_K_BY_TOLERANCE_PPM = {1_000: 25.0, 10_000: 100.0, 500_000: 200.0}
"""Bound of the temperature coefficient by the widest tolerance of each class."""


class Part(Strict):
    """A component position on the board."""

    nominal_ohm: Positive
    tolerance_ppm: Annotated[float, Field(gt=0, le=500_000)]
    tempco_ppm_per_k: NonNegative | None = None

    @property
    def temperature_coefficient_ppm_per_k(self) -> float:
        """Bound of the temperature coefficient; by class where none is written.

        Common practice, no source: 0.1 % and better parts are sold with
        25 ppm/K, 1 % parts with 100 ppm/K, wider ones with 200 ppm/K.
        """
        if self.tempco_ppm_per_k is not None:
            return self.tempco_ppm_per_k
        return next(
            tempco
            for tolerance, tempco in TEMPCO_PPM_PER_K_BY_TOLERANCE_PPM.items()
            if self.tolerance_ppm <= tolerance
        )


class ErrorLimit(Strict):
    """Largest error a range may have: ppm of reading plus ppm of full scale."""

    of_reading_ppm: Ppm
    of_full_scale_ppm: Ppm = 0.0


class Range(Strict):
    """One switchable range of the product."""

    title: Name
    full_scale: Positive
    transfer: Name
    limit: ErrorLimit
    source_limit: Positive
    settle_s: NonNegative = 0.5
    selector: str | None = None

    @property
    def part_names(self) -> tuple[str, ...]:
        """Parts that the transfer formula names, in the order of first use."""
        names = [
            node.id
            for node in ast.walk(ast.parse(self.transfer, mode="eval"))
            if isinstance(node, ast.Name)
        ]
        return tuple(dict.fromkeys(names))

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        try:
            names = self.part_names
        except (SyntaxError, ValueError) as exc:
            message = "transfer: not plain arithmetic over part names"
            raise ValueError(message) from exc
        if not names:
            message = "transfer: must name at least one part"
            raise ValueError(message)
        if self.source_limit < self.full_scale:
            message = (
                f"source_limit = {self.source_limit:g}: must be at least the "
                f"full scale, {self.full_scale:g}"
            )
            raise ValueError(message)
        return self


class Product(Strict):
    """The instrument type that is built, tested and shipped."""

    name: Name
    title: Name
    input_unit: Literal["A", "V"]
    output_unit: Literal["V"] = "V"
    reference_temperature_c: float = 23.0
    input_absolute_maximum_v: Positive
    parts: Annotated[dict[Name, Part], Field(min_length=1)]
    ranges: Annotated[dict[Name, Range], Field(min_length=1)]

    @model_validator(mode="after")
    def _formulas_name_known_parts(self) -> Self:
        for key, one in self.ranges.items():
            for name in one.part_names:
                if name not in self.parts:
                    raise UnknownNameError(
                        where=f"ranges.{key}.transfer", name=name, known=self.parts
                    )
        return self


class UnknownNameError(ValueError):
    """A setting names something that no other setting defines."""

    def __init__(self, *, where: str, name: str, known: Iterable[str]) -> None:
        self.where = where
        self.name = name
        self.known = tuple(known)
        super().__init__(f"{where}: unknown name {name!r}; known: {', '.join(known)}")


class MeterRange(Strict):
    """One range of a bench instrument with its accuracy specification."""

    full_scale: Positive
    of_reading_ppm: Ppm
    of_range_ppm: Ppm = 0.0
    resolution: NonNegative = 0.0


class Instrument(Strict):
    """One instrument of the bench: where it is, how it speaks, how good it is."""

    address: Name
    profile: Name
    identity: str | None = None
    timeout_s: Positive = 5.0
    ranges: tuple[MeterRange, ...] = Field(default=(), strict=False)


class Reference(Strict):
    """How the truly applied input is known.

    A meter that reads it, or the volts across a standard resistor in series.
    """

    kind: Literal["meter", "standard_resistor"] = "meter"
    standard_ohm: Positive | None = None
    standard_uncertainty_ppm: Ppm = 0.0

    @model_validator(mode="after")
    def _resistor_has_a_value(self) -> Self:
        if (self.kind == "standard_resistor") != (self.standard_ohm is not None):
            message = "standard_ohm: goes with kind = 'standard_resistor' alone"
            raise ValueError(message)
        return self


class CheckStandard(Strict):
    """A unit of known errors; tells bench drift from product drift."""

    serial: Name
    error_ppm: Annotated[dict[Name, float], Field(min_length=1)]
    uncertainty_ppm: Positive
    every_units: Annotated[int, Field(gt=0)] | None = None


class Bench(Strict):
    """Instruments by role, and the limits no plan may exceed."""

    name: Name
    compliance_v: Positive
    allow_compliance_above_30_v: bool = False
    source_limit: Positive
    ambient_c: tuple[float, float] = Field(default=(18.0, 28.0), strict=False)
    time_scale: Annotated[float, Field(ge=1, le=10_000)] = 1.0
    source: Instrument
    reference: Instrument
    output: Instrument
    selector: Instrument | None = None
    ambient: Instrument | None = None
    reference_is: Reference = Reference()
    check_standard: CheckStandard | None = None

    @property
    def instruments(self) -> dict[str, Instrument]:
        """Instruments by role name, absent roles left out."""
        roles = {
            "source": self.source,
            "reference": self.reference,
            "output": self.output,
            "selector": self.selector,
            "ambient": self.ambient,
        }
        return {role: one for role, one in roles.items() if one is not None}

    @model_validator(mode="after")
    def _safe(self) -> Self:
        if self.compliance_v > COMPLIANCE_DEFAULT_MAX_V and (
            not self.allow_compliance_above_30_v
        ):
            message = (
                f"compliance_v = {self.compliance_v:g}: must be <= 30 V unless "
                "allow_compliance_above_30_v = true is written beside it"
            )
            raise ValueError(message)
        if self.ambient_c[0] >= self.ambient_c[1]:
            message = "ambient_c: must be [lowest, highest]"
            raise ValueError(message)
        if self.time_scale != 1.0:
            far = [r for r, i in self.instruments.items() if not _loopback(i.address)]
            if far:
                message = (
                    f"time_scale = {self.time_scale:g}: only a simulated bench on "
                    f"this machine may run fast, and {', '.join(far)} is not on it"
                )
                raise ValueError(message)
        return self


def _loopback(address: str) -> bool:
    """Whether a VISA socket address points at this machine."""
    _, _, rest = address.partition("::")
    host = rest.partition("::")[0]
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


class Reading(Strict):
    """How one range of one unit is read."""

    order: Literal["unit", "range"] = "unit"
    level_of_full_scale: Annotated[float, Field(gt=0, le=1)] = 0.9
    readings_per_point: Annotated[int, Field(ge=1, le=1000)] = 3


class Judging(Strict):
    """How a range error is judged against its limit (ILAC-G8, JCGM 106)."""

    guard_band_factor: NonNegative = 1.0
    """Guard band as a multiple of the expanded uncertainty (k = 2)."""
    needed_ratio: Positive = 3.0
    """Limit over expanded uncertainty below which the bench only compares."""


class Watching(Strict):
    """What raises a finding."""

    accepted_false_holds_per_units: Annotated[int, Field(ge=100)] = 5000
    """One false hold in this many units is accepted."""


class Plan(Strict):
    """The control plan: how to read, how to judge, when to hold."""

    reading: Reading = Reading()
    judging: Judging = Judging()
    watching: Watching = Watching()
    people: Annotated[tuple[Name, ...], Field(min_length=1, strict=False)]
    """Who may release a hold."""


class Channel(Strict):
    """Where alerts go."""

    name: Name
    url: Name
    from_severity: Literal["notice", "warning", "hold"] = "hold"


class Alerts(Strict):
    """Channels, none by default."""

    channels: tuple[Channel, ...] = Field(default=(), strict=False)


class Settings(Strict):
    """One folder of TOML files, read and checked together."""

    product: Product
    bench: Bench | None
    plan: Plan
    alerts: Alerts

    @model_validator(mode="after")
    def _fit_together(self) -> Self:
        if self.bench is None:
            return self
        for key, one in self.product.ranges.items():
            if one.source_limit > self.bench.source_limit:
                message = (
                    f"ranges.{key}.source_limit = {one.source_limit:g}: exceeds the "
                    f"bench's source_limit, {self.bench.source_limit:g}"
                )
                raise ValueError(message)
            if self.bench.selector is not None and one.selector is None:
                message = (
                    f"ranges.{key}.selector: must say what the bench's range "
                    "selector is told"
                )
                raise ValueError(message)
        if self.bench.compliance_v > self.product.input_absolute_maximum_v:
            message = (
                f"compliance_v = {self.bench.compliance_v:g}: exceeds the product's "
                f"input_absolute_maximum_v, {self.product.input_absolute_maximum_v:g}"
            )
            raise ValueError(message)
        if (standard := self.bench.check_standard) is not None:
            for key in standard.error_ppm:
                if key not in self.product.ranges:
                    raise UnknownNameError(
                        where="check_standard.error_ppm",
                        name=key,
                        known=self.product.ranges,
                    )
        return self
