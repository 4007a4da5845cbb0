"""A bench that is simulated on this machine, for whatever product was described."""

from math import floor, log10

from config import formula
from config.bench import (
    COMPLIANCE_DEFAULT_MAX_V,
    Bench,
    CheckStandard,
    Instrument,
    MeterRange,
)
from config.product import Product

__all__ = ["simulated_bench", "with_selectors"]

FIRST_PORT = 5125
TIME_SCALE = 20.0
"""How much faster than real time it is measured."""
OF_READING_PPM, OF_RANGE_PPM = 100.0, 20.0
"""Of its meters, at most: they are better where a limit is narrow."""
SHARE_OF_LIMIT = 1 / 20
"""Of the narrowest limit, at the level and at zero: what a meter may be off by. Two
meters, their ranges up to 2.5 times too wide, then stay below a third of it (k = 2)."""
STEPS_OF_RANGES = (1, 2, 5, 10)
ROUNDING = 1e-9
STEPS = 1e7
"""Of a meter's range: what it tells apart."""
CURRENT_LIMIT_A = 0.01
STANDARD_UNCERTAINTY_PPM = 20.0
COMPLIANCE_V = 12.0


def with_selectors(product: Product) -> Product:
    """Return a product whose ranges a bench's switch chooses, numbered from 1."""
    ranges = {
        key: one.model_copy(update={"selector": str(place)})
        for place, (key, one) in enumerate(product.ranges.items(), 1)
    }
    return product.model_copy(update={"ranges": ranges})


def simulated_bench(product: Product) -> Bench:
    """Return a bench that is good enough for a product: five instruments, no hands.

    Its check standard reads right on every range.

    Parameters
    ----------
    product
        With selectors.
    """
    volts_in = product.input_unit == "V"
    inputs = [one.full_scale for one in product.ranges.values()]
    values = {name: part.nominal_ohm for name, part in product.parts.items()}
    outputs = [
        abs(formula.value_of(one.transfer, values)) * one.full_scale
        for one in product.ranges.values()
    ]
    source_limit = max(one.source_limit for one in product.ranges.values())
    accuracy = _accuracy(product)
    compliance_v = min(
        max(COMPLIANCE_V, source_limit if volts_in else 0.0),
        product.input_absolute_maximum_v,
    )
    return Bench(
        name="simulated",
        compliance_v=compliance_v,
        allow_compliance_above_30_v=compliance_v > COMPLIANCE_DEFAULT_MAX_V,
        current_limit_a=CURRENT_LIMIT_A if volts_in else None,
        source_limit=source_limit,
        time_scale=TIME_SCALE,
        source=_at(0, "scpi_voltage_source" if volts_in else "watched_current_source"),
        reference=_at(
            1,
            "scpi_voltmeter" if volts_in else "scpi_ammeter",
            _ranges(inputs, accuracy),
        ),
        output=_at(2, "scpi_voltmeter", _ranges(outputs, accuracy)),
        selector=_at(3, "scpi_switch"),
        ambient=_at(4, "scpi_thermometer"),
        check_standard=CheckStandard(
            serial="CS-1",
            error_ppm=dict.fromkeys(product.ranges, 0.0),
            uncertainty_ppm=STANDARD_UNCERTAINTY_PPM,
            every_units=30,
        ),
    )


def _at(place: int, profile: str, ranges: tuple[MeterRange, ...] = ()) -> Instrument:
    return Instrument(
        address=f"TCPIP::127.0.0.1::{FIRST_PORT + place}::SOCKET",
        profile=profile,
        ranges=ranges,
    )


def _accuracy(product: Product) -> tuple[float, float]:
    """Return how good the meters are, in ppm of reading and of range."""
    limits = [
        side
        for one in product.ranges.values()
        for side in (one.limit, one.limit.below)
        if side is not None
    ]
    at_zero = [one.of_full_scale_ppm for one in limits if one.of_full_scale_ppm > 0]
    at_level = [one.of_reading_ppm + one.of_full_scale_ppm for one in limits]
    return (
        min(OF_READING_PPM, *(SHARE_OF_LIMIT * one for one in at_level)),
        min(OF_RANGE_PPM, *(SHARE_OF_LIMIT * one for one in (at_zero or at_level))),
    )


def _ranges(
    largest: list[float], accuracy: tuple[float, float]
) -> tuple[MeterRange, ...]:
    """Return the meter ranges that are needed, in steps of 1, 2, 5, smallest first."""
    of_reading_ppm, of_range_ppm = accuracy
    return tuple(
        MeterRange(
            full_scale=full_scale,
            of_reading_ppm=of_reading_ppm,
            of_range_ppm=of_range_ppm,
            resolution=float(f"{full_scale / STEPS:.1e}"),
        )
        for full_scale in sorted({_wide_enough(one) for one in largest})
    )


def _wide_enough(value: float) -> float:
    """Return the smallest meter range that takes a value.

    Examples
    --------
    >>> _wide_enough(0.02), _wide_enough(3.0), _wide_enough(9e-5)
    (0.02, 5.0, 0.0001)
    """
    decade = floor(round(log10(value), 9))
    step = next(
        one for one in STEPS_OF_RANGES if value <= one * 10.0**decade * (1 + ROUNDING)
    )
    return float(f"{step}e{decade}")
