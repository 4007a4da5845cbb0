"""Readings by hand: what a person typed becomes readings like any other."""

from collections.abc import Sequence

from config.model import Bench
from daemon.bench.plan import smallest_range
from daemon.bench.readings import Point, RangeReadings
from daemon.control import TypedReading
from daemon.product import ProductModel

PLAUSIBLE = 0.5
"""Indicated over reference may be off by this share; more is a slip of the pen."""


class ImplausibleReadingError(ValueError):
    """A typed pair of readings that no unit can show."""

    def __init__(self, *, range_: str, reference: float, indicated: float) -> None:
        self.range = range_
        self.reference = reference
        self.indicated = indicated
        super().__init__(
            f"range {range_}: {indicated:g} indicated for {reference:g} put in is off "
            f"by more than {PLAUSIBLE:.0%}; check units, prefixes and the range"
        )


def readings_of(
    typed: Sequence[TypedReading],
    product: ProductModel,
    bench: Bench,
    *,
    at_s: float,
    ambient_c: float | None = None,
) -> list[RangeReadings]:
    """Return typed readings as range readings, each of one reading a point.

    Parameters
    ----------
    at_s
        Time of the readings, monotonic.

    Raises
    ------
    KeyError
        The product has no such range.
    ImplausibleReadingError
        Reference and output cannot belong together.
    daemon.bench.errors.NoRangeError
        The bench file lists no meter range that holds a reading.
    """
    return [_one(reading, product, bench, at_s, ambient_c) for reading in typed]


def _one(
    reading: TypedReading,
    product: ProductModel,
    bench: Bench,
    at_s: float,
    ambient_c: float | None,
) -> RangeReadings:
    model = product.range(reading.range)
    true = reading.reference - reading.reference_zero
    indicated = (reading.output - reading.output_zero) / model.nominal_transfer
    if true == 0 or abs(indicated / true - 1) > PLAUSIBLE:
        raise ImplausibleReadingError(
            range_=model.title, reference=true, indicated=indicated
        )
    divide_by = bench.reference_is.standard_ohm or 1.0
    zero = Point(
        level=0.0,
        reference=(reading.reference_zero,),
        output=(reading.output_zero,),
        at_s=(at_s,),
    )
    level = Point(
        level=reading.reference,
        reference=(reading.reference,),
        output=(reading.output,),
        at_s=(at_s,),
    )
    return RangeReadings(
        range=model.key,
        points=(zero, level, zero),
        reference_full_scale=smallest_range(
            bench.reference.ranges, reading.reference * divide_by, role="reference"
        ).full_scale,
        output_full_scale=smallest_range(
            bench.output.ranges, reading.output, role="output"
        ).full_scale,
        ambient_c=ambient_c,
    )
