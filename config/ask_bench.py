"""The questions about the bench: instruments, accuracy, and what could hurt."""

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Annotated

from pydantic import Field

from config.bench import (
    BY_HAND,
    EXAMPLE_ADDRESS,
    CurrentLimit,
    KnownError,
    LongName,
    is_visa_address,
    visa_address_of,
)
from config.dialogue import Dialogue, Read, integer, quantity, text
from config.errors import ConfigError
from config.load import load_profile
from config.model import (
    COMPLIANCE_DEFAULT_MAX_V,
    Bench,
    CheckStandard,
    Instrument,
    MeterRange,
    Product,
    Reading,
    Reference,
)
from config.profile import TYPED, Kind
from config.quantity import Unit, spell
from config.strict import Count, InputQuantity, Name, Ohm, Ppm, PpmAboveZero

__all__ = ["ask_bench", "ask_selectors"]

USUAL_COMPLIANCE_V = 12.0
CAUTION = """\
Caution: an open current loop is driven up to the compliance voltage, and more than
30 V can injure. Switching a source off by software is no isolation: have a hardware
disconnect within reach, and disconnect before you touch the unit."""

_GENERIC = {
    Kind.CURRENT_SOURCE: "scpi_current_source",
    Kind.VOLTAGE_SOURCE: "scpi_voltage_source",
    Kind.AMMETER: "scpi_ammeter",
    Kind.VOLTMETER: "scpi_voltmeter",
    Kind.SWITCH: "scpi_switch",
    Kind.THERMOMETER: "scpi_thermometer",
}


def ask_bench(dialogue: Dialogue, product: Product, folder: Path) -> Bench:
    """Ask about the instruments; `folder` may hold profiles of the maker's own."""
    name = dialogue.put(
        "Name of the bench",
        text(Name),
        why="Each run is recorded with the bench that it was made on.",
        default="bench-1",
    )
    dialogue.say(CAUTION)
    volts_in = product.input_unit == "V"
    source_limit = max(one.source_limit for one in product.ranges.values())
    compliance_v = _ask_compliance(dialogue, product, source_limit if volts_in else 0.0)
    current_limit_a = _ask_current_limit(dialogue) if volts_in else None
    reference_is = Reference() if volts_in else _ask_reference(dialogue)
    by_resistor = reference_is.kind == "standard_resistor"
    reads = Unit.VOLT if volts_in or by_resistor else Unit.AMPERE
    needed = max(one.full_scale for one in product.ranges.values()) * (
        Reading().level_of_full_scale * (reference_is.standard_ohm or 1.0)
    )
    one_of = _InstrumentQuestions(dialogue, folder)
    return Bench(
        name=name,
        compliance_v=compliance_v,
        allow_compliance_above_30_v=compliance_v > COMPLIANCE_DEFAULT_MAX_V,
        current_limit_a=current_limit_a,
        source_limit=source_limit,
        source=one_of.instrument(
            "Source", Kind.VOLTAGE_SOURCE if volts_in else Kind.CURRENT_SOURCE
        ),
        reference=one_of.meter("Reference meter", reads, needed),
        output=one_of.meter("Output meter", Unit.VOLT, 0.0),
        reference_is=reference_is,
        selector=one_of.instrument_if_any(
            "Switch",
            "Does a switch on the bench choose the unit's range?",
            Kind.SWITCH,
            why="If not, a person turns the unit's own switch.",
        ),
        ambient=one_of.instrument_if_any(
            "Thermometer",
            "Is there a thermometer beside the unit?",
            Kind.THERMOMETER,
            why="Errors are referred to the product's reference temperature.",
        ),
        check_standard=_ask_check_standard(dialogue, product),
    )


def ask_selectors(dialogue: Dialogue, product: Product) -> Product:
    """Ask what the bench's switch is told for each range of the product."""
    told: dict[str, str] = {}

    def read(answer: str) -> str:
        if answer in told.values():
            message = f"{answer!r}: already chooses another range"
            raise ValueError(message)
        return text(Name)(answer)

    for place, key in enumerate(product.ranges, start=1):
        told[key] = dialogue.put(
            f"What is the switch told for range {key}?",
            read,
            why="The channel of the switch that chooses this range.",
            default=str(place),
        )
    ranges = {
        key: one.model_copy(update={"selector": told[key]})
        for key, one in product.ranges.items()
    }
    return product.model_copy(update={"ranges": ranges})


def _ask_compliance(dialogue: Dialogue, product: Product, lowest_v: float) -> float:
    most_v = product.input_absolute_maximum_v
    bounds = Field(ge=lowest_v, le=most_v) if lowest_v else Field(gt=0, le=most_v)
    while True:
        compliance_v = dialogue.put(
            "Highest voltage that may ever stand at the unit's input",
            quantity(Unit.VOLT, Annotated[float, bounds]),
            why="The compliance of a current source; a voltage source is never set "
            "higher. As low as the measurement allows.",
            default=spell(min(max(USUAL_COMPLIANCE_V, lowest_v), most_v), Unit.VOLT),
        )
        if compliance_v <= COMPLIANCE_DEFAULT_MAX_V or dialogue.agree(
            f"{spell(compliance_v, Unit.VOLT)} can injure. Allow it all the same?",
            why="30 V and less is allowed without this question.",
            default=False,
        ):
            return compliance_v


def _ask_current_limit(dialogue: Dialogue) -> float:
    return dialogue.put(
        "Most current that the source may deliver, such as 10 mA",
        quantity(Unit.AMPERE, CurrentLimit),
        why="The compliance of a voltage source.",
    )


def _ask_reference(dialogue: Dialogue) -> Reference:
    reference: Reference | None = dialogue.choose(
        "How is the true input known, by a meter or by a standard resistor?",
        {"meter": Reference(), "resistor": None},
        why="A meter reads the amps. Or a voltmeter reads the volts across a resistor "
        "of known value in series.",
        default="meter",
    )
    return reference or Reference(
        kind="standard_resistor",
        standard_ohm=dialogue.put(
            "Standard resistor: its value, such as 1k or 999.98",
            quantity(Unit.OHM, Ohm),
            why="The value from its certificate.",
        ),
        standard_uncertainty_ppm=dialogue.put(
            "Standard resistor: its standard uncertainty, such as 20 ppm",
            quantity(Unit.PPM, Ppm),
            why="Half of the expanded uncertainty that a certificate states for k = 2.",
        ),
    )


def _ask_check_standard(dialogue: Dialogue, product: Product) -> CheckStandard | None:
    if not dialogue.agree(
        "Is there a unit whose errors are known, to check the bench with?",
        why="Run at the start and between units, it tells a drifting meter from a "
        "drifting product.",
        default=False,
    ):
        return None
    return CheckStandard(
        serial=dialogue.put(
            "Check standard: its serial", text(Name), why="As it is on its label."
        ),
        error_ppm={
            key: dialogue.put(
                f"Check standard: its known error on range {key}, such as -80 ppm",
                quantity(Unit.PPM, KnownError),
                why="(Indicated - true) / true, from its calibration.",
            )
            for key in product.ranges
        },
        uncertainty_ppm=dialogue.put(
            "Check standard: standard uncertainty of these errors, such as 20 ppm",
            quantity(Unit.PPM, PpmAboveZero),
            why="Half of the expanded uncertainty that a certificate states for k = 2.",
        ),
        every_units=dialogue.put(
            "Check standard: run it again after how many units?",
            integer(Count),
            why="It is also run when a session opens.",
            default="30",
        ),
    )


class _InstrumentQuestions:
    """Where an instrument is, how it speaks, how good it is."""

    def __init__(self, dialogue: Dialogue, folder: Path) -> None:
        self._dialogue = dialogue
        self._folder = folder

    def instrument_if_any(
        self, label: str, question: str, kind: Kind, *, why: str
    ) -> Instrument | None:
        """Ask about an instrument that a bench can do without."""
        if not self._dialogue.agree(question, why=why, default=False):
            return None
        return self.instrument(label, kind)

    def meter(self, label: str, unit: Unit, needed: float) -> Instrument:
        """Ask about a meter and its accuracy; its ranges must reach `needed`."""
        kind = Kind.AMMETER if unit is Unit.AMPERE else Kind.VOLTMETER
        meter = self.instrument(label, kind)
        ranges = self._accuracy(label, unit, needed)
        told = {
            "serial_number": self._dialogue.put(
                f"{label}: its serial number (Enter: not kept)",
                lambda answer: text(Name)(answer) if answer else None,
                why="When another one stands there, every result says so.",
                default="",
            ),
            "calibration_due": self._dialogue.put(
                f"{label}: when its calibration is due, such as 2027-03-01 "
                "(Enter: not known)",
                _day_if_any,
                why="The day on its label. Past it, every result says so.",
                default="",
            ),
        }
        return meter.model_copy(update={"ranges": ranges, **told})

    def instrument(self, label: str, kind: Kind) -> Instrument:
        """Ask how an instrument is spoken to, and where."""
        profile = self._dialogue.put(
            f"{label}: its profile, or {TYPED!r} if you read or set it by hand",
            self._of_kind(kind),
            why="A profile is a file with the commands that an instrument understands; "
            f"{_GENERIC[kind]} is for one that follows SCPI-99.",
            default=_GENERIC[kind],
        )
        if profile == TYPED:
            return Instrument(address=BY_HAND, profile=TYPED)
        address = self._dialogue.put(
            f"{label}: its address, such as {EXAMPLE_ADDRESS}",
            _visa_address,
            why="VISA notation; over the network it is TCPIP, then the number that the "
            "instrument shows in its menu, the port, and SOCKET.",
        )
        return Instrument(address=address, profile=profile)

    def _of_kind(self, kind: Kind) -> Read[str]:
        def read(answer: str) -> str:
            if answer == TYPED:
                return TYPED
            try:
                profile = load_profile(answer, self._folder)
            except ConfigError as exc:
                raise ValueError(str(exc)) from exc
            if profile.kind is not kind:
                message = (
                    f"{answer!r}: is of kind {profile.kind.value!r}; this must be one "
                    f"of kind {kind.value!r}"
                )
                raise ValueError(message)
            return answer

        return read

    def _accuracy(
        self, label: str, unit: Unit, needed: float
    ) -> tuple[MeterRange, ...]:
        ranges: list[MeterRange] = []

        def read(answer: str) -> MeterRange | None:
            largest = max((one.full_scale for one in ranges), default=0.0)
            if not answer and largest > 0 and largest >= needed:
                return None
            if not answer:
                reach = f" up to {spell(needed, unit)}" if needed else ""
                message = f"A range{reach} is needed; of reading + of range in ppm or %"
                raise ValueError(message)
            return _meter_range(answer, unit, ranges)

        example = "10u" if unit is Unit.AMPERE else "10"
        while one := self._dialogue.put(
            f"{label}: a range and its accuracy, such as {example}: 100 ppm + 30 ppm "
            "(Enter: no more)",
            read,
            why="Full scale, then so much of reading plus so much of range, from the "
            "data sheet.",
            default="",
        ):
            ranges.append(one)
        return tuple(sorted(ranges, key=lambda one: one.full_scale))


def _day_if_any(answer: str) -> date | None:
    """Read a day as ISO 8601 writes it.

    Examples
    --------
    >>> _day_if_any("2027-03-01"), _day_if_any("")
    (datetime.date(2027, 3, 1), None)
    """
    try:
        return date.fromisoformat(answer) if answer else None
    except ValueError as exc:
        message = f"{answer!r}: must be a day such as 2027-03-01: year, month, day"
        raise ValueError(message) from exc


def _visa_address(answer: str) -> str:
    if not is_visa_address(answer):
        meant = visa_address_of(answer)
        near = "" if meant is None else f"; did you mean {meant}?"
        message = f"{answer!r}: must be a VISA address such as {EXAMPLE_ADDRESS}{near}"
        raise ValueError(message)
    return text(LongName)(answer)


def _meter_range(answer: str, unit: Unit, others: Sequence[MeterRange]) -> MeterRange:
    """Read "full scale: of reading + of range".

    Examples
    --------
    >>> one = _meter_range("10u: 150 ppm + 30 ppm", Unit.AMPERE, [])
    >>> one.full_scale, one.of_reading_ppm, one.of_range_ppm
    (1e-05, 150.0, 30.0)
    """
    full_scale_text, colon, accuracy = answer.partition(":")
    of_reading, _, of_range = accuracy.partition("+")
    if not colon:
        message = f"{answer!r}: must be full scale, a colon, and the accuracy"
        raise ValueError(message)
    full_scale = quantity(unit, InputQuantity)(full_scale_text)
    if full_scale in {one.full_scale for one in others}:
        message = f"{full_scale_text!r}: this range has been given already"
        raise ValueError(message)
    of_reading_ppm = quantity(Unit.PPM, Ppm)(of_reading)
    of_range_ppm = quantity(Unit.PPM, Ppm)(of_range) if of_range.strip() else 0.0
    if of_reading_ppm == of_range_ppm == 0:
        message = f"{answer!r}: no meter is free of error"
        raise ValueError(message)
    return MeterRange(
        full_scale=full_scale, of_reading_ppm=of_reading_ppm, of_range_ppm=of_range_ppm
    )
