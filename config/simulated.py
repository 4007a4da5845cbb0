"""A bench that is simulated on this machine, for whatever product was described."""

from math import ceil, log10

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
            1, "scpi_voltmeter" if volts_in else "scpi_ammeter", _ranges(inputs)
        ),
        output=_at(2, "scpi_voltmeter", _ranges(outputs)),
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


def _ranges(largest: list[float]) -> tuple[MeterRange, ...]:
    """Return a meter range for each decade that is needed, the smallest first."""
    decades = sorted({ceil(round(log10(one), 9)) for one in largest})
    return tuple(
        MeterRange(
            full_scale=float(f"1e{decade}"),
            of_reading_ppm=OF_READING_PPM,
            of_range_ppm=OF_RANGE_PPM,
            resolution=float(f"1e{decade}") / STEPS,
        )
        for decade in decades
    )
