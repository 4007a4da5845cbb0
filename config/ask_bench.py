"""The questions about the bench: instruments, accuracy, and what could hurt."""

from collections.abc import Sequence
from math import ceil, log10
from pathlib import Path
from typing import Annotated

from pydantic import Field

from config import formula
from config.bench import (
    BY_HAND,
    EXAMPLE_ADDRESS,
    CurrentLimit,
    KnownError,
    LongName,
    is_visa_address,
    visa_address_of,
)
from config.dialogue import Dialogue, Read, integer, one_for_each, quantity, text
from config.errors import ConfigError
from config.load import load_profile
from config.model import (
    COMPLIANCE_DEFAULT_MAX_V,
    Bench,
    CheckStandard,
    Instrument,
    KnownStandard,
    MeterRange,
    Product,
    Reading,
    Reference,
)
from config.profile import TYPED, Kind
from config.quantity import Unit, spell
from config.strict import (
    HIGHEST_INPUT,
    Count,
    InputQuantity,
    Name,
    Ohm,
    Ppm,
    PpmAboveZero,
    Seconds,
)

__all__ = ["ask_bench", "ask_selectors", "ask_settling"]

SHOWN = 2
"""Ranges of a meter in an example."""
USUAL_COMPLIANCE_V = 12.0
ERRORS = "(Indicated - true) / true, from its calibration"
NOT_KNOWN = "-"
"""Typed for a range that a further standard is not known on."""
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
    dialogue.say(CAUTION)
    volts_in = product.input_unit == "V"
    source_limit = max(one.source_limit for one in product.ranges.values())
    compliance_v = _ask_compliance(dialogue, product, source_limit if volts_in else 0.0)
    current_limit_a = _ask_current_limit(dialogue) if volts_in else None
    reference_is = Reference() if volts_in else _ask_reference(dialogue)
    by_resistor = reference_is.kind == "standard_resistor"
    reads = Unit.VOLT if volts_in or by_resistor else Unit.AMPERE
    scales = [
        one.full_scale * (reference_is.standard_ohm or 1.0)
        for one in product.ranges.values()
    ]
    needed = max(scales) * Reading().level_of_full_scale
    values = {name: part.nominal_ohm for name, part in product.parts.items()}
    outputs = [
        abs(formula.value_of(one.transfer, values)) * one.full_scale
        for one in product.ranges.values()
    ]
    one_of = _InstrumentQuestions(dialogue, folder)
    bench = Bench(
        name="bench-1",
        compliance_v=compliance_v,
        allow_compliance_above_30_v=compliance_v > COMPLIANCE_DEFAULT_MAX_V,
        current_limit_a=current_limit_a,
        source_limit=source_limit,
        source=one_of.instrument(
            "Source", Kind.VOLTAGE_SOURCE if volts_in else Kind.CURRENT_SOURCE
        ),
        reference=one_of.meter("Reference meter", reads, scales, needed),
        output=one_of.meter("Output meter", Unit.VOLT, outputs, 0.0),
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
    further = _ask_further_standards(dialogue, product, bench.check_standard)
    return bench.model_copy(update={"further_standards": further})


def ask_settling(dialogue: Dialogue, product: Product) -> Product:
    """Ask how long the unit takes to come to rest; a person who reads sees it."""
    settle_s = dialogue.put(
        "Settling time of the unit, for all ranges or for each",
        one_for_each(
            quantity(Unit.SECOND, Seconds), len(product.ranges), all_alike=True
        ),
        why="Within this a change of level has died away. The bench waits for rest "
        "and gives up after three times this.",
        default="500 ms",
    )
    ranges = {
        key: one.model_copy(update={"settle_s": settle_s[place]})
        for place, (key, one) in enumerate(product.ranges.items())
    }
    return product.model_copy(update={"ranges": ranges})


def ask_selectors(dialogue: Dialogue, product: Product) -> Product:
    """Ask what the bench's switch is told for each range of the product."""
    titles = [one.title for one in product.ranges.values()]

    def read(answer: str) -> tuple[str, ...]:
        told = one_for_each(text(Name), len(titles))(answer)
        if len(set(told)) < len(told):
            message = f"{answer!r}: each range needs its own"
            raise ValueError(message)
        return told

    channels = dialogue.put(
        f"What is the switch told for {', '.join(titles)}?",
        read,
        why="The channel of the switch that chooses each range, with commas between.",
        default=", ".join(str(place) for place in range(1, len(titles) + 1)),
    )
    told = dict(zip(product.ranges, channels, strict=True))
    ranges = {
        key: one.model_copy(update={"selector": told[key]})
        for key, one in product.ranges.items()
    }
    return product.model_copy(update={"ranges": ranges})


def _ask_compliance(dialogue: Dialogue, product: Product, lowest_v: float) -> float:
    most_v = min(product.input_absolute_maximum_v, HIGHEST_INPUT)
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
    name, count = "Check standard", len(product.ranges)
    serial = dialogue.put(
        f"{name}: its serial", text(Name), why="As it is on its label."
    )
    errors_ppm = dialogue.put(
        f"{name}: its known errors on {_titles(product)}, such as -80 ppm",
        one_for_each(quantity(Unit.PPM, KnownError), count),
        why=f"{ERRORS}, with commas between them.",
    )
    return CheckStandard(
        serial=serial,
        error_ppm=dict(zip(product.ranges, errors_ppm, strict=True)),
        uncertainty_ppm=_ask_uncertainty(dialogue, name),
        every_units=dialogue.put(
            f"{name}: run it again after how many units?",
            integer(Count),
            why="It is also run when a session opens.",
            default="30",
        ),
    )


def _ask_further_standards(
    dialogue: Dialogue, product: Product, first: CheckStandard | None
) -> tuple[KnownStandard, ...]:
    """Ask for others that are run beside the first: each until there is no more."""
    if first is None:
        return ()
    known = [first.serial]
    found: list[KnownStandard] = []

    def another(answer: str) -> str:
        serial = text(Name)(answer)
        if serial in known:
            message = f"{answer!r}: is a check standard already; each has its own"
            raise ValueError(message)
        return serial

    while dialogue.agree(
        f"Is there a check standard {len(known) + 1}, to run beside the first?",
        why="Two of them tell whether the bench has moved, or a standard.",
        default=False,
    ):
        name = f"Check standard {len(known) + 1}"
        serial = dialogue.put(
            f"{name}: its serial", another, why="As it is on its label."
        )
        errors_ppm = dialogue.put(
            f"{name}: its known errors on {_titles(product)}, such as -80 ppm",
            _known_somewhere(len(product.ranges)),
            why=f"{ERRORS}, with commas between them; {NOT_KNOWN} where it is not "
            "known.",
        )
        found.append(
            KnownStandard(
                serial=serial,
                error_ppm={
                    key: one
                    for key, one in zip(product.ranges, errors_ppm, strict=True)
                    if one is not None
                },
                uncertainty_ppm=_ask_uncertainty(dialogue, name),
            )
        )
        known.append(serial)
    return tuple(found)


def _titles(product: Product) -> str:
    return ", ".join(one.title for one in product.ranges.values())


def _ask_uncertainty(dialogue: Dialogue, name: str) -> float:
    return dialogue.put(
        f"{name}: standard uncertainty of these errors, such as 20 ppm",
        quantity(Unit.PPM, PpmAboveZero),
        why="Half of the expanded uncertainty that a certificate states for k = 2.",
    )


def _known_somewhere(count: int) -> Read[tuple[float | None, ...]]:
    """Return a reader of known errors, of which some may be none but not all."""
    known = quantity(Unit.PPM, KnownError)

    def one(answer: str) -> float | None:
        return None if answer == NOT_KNOWN else known(answer)

    def read(answer: str) -> tuple[float | None, ...]:
        found = one_for_each(one, count)(answer)
        if all(each is None for each in found):
            message = f"{answer!r}: must be known on one range at least"
            raise ValueError(message)
        return found

    return read


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

    def meter(
        self, label: str, unit: Unit, reads: Sequence[float], needed: float
    ) -> Instrument:
        """Ask about a meter and its accuracy; its ranges must reach `needed`.

        Parameters
        ----------
        reads
            What it reads of each range of the product at full scale.
        """
        kind = Kind.AMMETER if unit is Unit.AMPERE else Kind.VOLTMETER
        meter = self.instrument(label, kind)
        ranges = self._accuracy(label, unit, reads, needed)
        return meter.model_copy(update={"ranges": ranges})

    def instrument(self, label: str, kind: Kind) -> Instrument:
        """Ask where an instrument is, and how it is spoken to."""
        return self._dialogue.put(
            f"{label}: its address, or 'by hand', such as {EXAMPLE_ADDRESS}",
            lambda answer: self._instrument(answer, kind),
            why="VISA notation; over the network it is TCPIP, then the number that the "
            "instrument shows in its menu, the port, and SOCKET. It is spoken to as "
            f"{_GENERIC[kind]} (SCPI-99); write another profile behind the address, "
            "with a blank between. By hand: you read or set it.",
        )

    def _instrument(self, answer: str, kind: Kind) -> Instrument:
        """Read an address, and a profile where one stands behind it."""
        if answer.casefold() in {BY_HAND, TYPED}:
            return Instrument(address=BY_HAND, profile=TYPED)
        address, _, profile = answer.partition(" ")
        profile = self._of_kind(kind)(profile.strip() or _GENERIC[kind])
        return Instrument(address=_visa_address(address), profile=profile)

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
        self, label: str, unit: Unit, reads: Sequence[float], needed: float
    ) -> tuple[MeterRange, ...]:
        def read(answer: str) -> tuple[MeterRange, ...]:
            ranges: list[MeterRange] = []
            for one in filter(None, (piece.strip() for piece in answer.split(","))):
                ranges.append(_meter_range(one, unit, ranges))
            largest = max((one.full_scale for one in ranges), default=0.0)
            if largest < needed or not ranges:
                reach = f" up to {spell(needed, unit)}" if needed else ""
                message = f"A range{reach} is needed; of reading + of range in ppm or %"
                raise ValueError(message)
            return tuple(sorted(ranges, key=lambda one: one.full_scale))

        # A range that fits what is read: a larger one is often too poor at zero.
        decades = sorted({ceil(round(log10(one), 9)) for one in reads if one > 0})
        example = ", ".join(
            f"{spell(float(f'1e{one}'), unit)}: 100 ppm + 20 ppm"
            for one in decades[:SHOWN]
        )
        return self._dialogue.put(
            f"{label}: its ranges and accuracy, such as {example}",
            read,
            why="Full scale, then so much of reading plus so much of range, from the "
            "data sheet; several ranges with commas between them.",
        )


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
