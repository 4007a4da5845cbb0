"""Readings by hand: what a person typed becomes readings like any other."""

from collections.abc import Sequence
from math import log10

from config import Bench, HoldpointError, Unit, spell
from daemon.bench import NoRangeError, Point, RangeReadings, smallest_range
from daemon.judging import ProductModel
from daemon.station.orders import TypedReading

NEW_SETUP = "The bench was set up anew before this: leads, meter ranges or nulls."
"""Said of readings that nobody took with the daemon's own bench."""
PLAUSIBLE = 0.5
"""Indicated over reference may be off by this share; more is a slip of the pen."""


class TypedError(HoldpointError, ValueError):
    """Typed readings that cannot be, in one sentence for a person."""


class ImplausibleReadingError(TypedError):
    """A typed pair of readings that no unit can show; perhaps of range `like`."""

    def __init__(
        self,
        *,
        range_: str,
        reference: float,
        indicated: float,
        unit: Unit,
        like: str | None,
    ) -> None:
        self.range = range_
        self.reference = reference
        self.indicated = indicated
        self.like = like
        hint = "check units, prefixes and the range"
        if like is not None:
            hint = f"it reads like range {like}: check the switch, units and prefixes"
        if times := _thousands(indicated, reference):
            hint = f"that is {times}: is a unit such as mV missing? Else {hint}"
        super().__init__(
            f"range {range_}: the output is that of {_spelled(indicated, unit)}, but "
            f"{_spelled(reference, unit)} went in: off by more than {PLAUSIBLE:.0%}; "
            f"{hint}"
        )


class OffRangeError(TypedError):
    """A typed reading that is of another size than anything on its range."""

    def __init__(
        self, *, range_: str, value: float, most: float, unit: Unit, zero: bool
    ) -> None:
        self.range = range_
        self.value = value
        much = "no zero" if zero else "too much"
        super().__init__(
            f"range {range_}: {_spelled(value, unit)} is {much}; full scale is "
            f"{_spelled(most, unit)}. Is a prefix missing, such as u or m?"
        )


class NoMeterRangeError(TypedError):
    """A typed reading that no listed range of the meter can show."""

    def __init__(self, *, range_: str, reason: str) -> None:
        self.range = range_
        self.reason = reason
        super().__init__(f"range {range_}: {reason}")


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
    NoMeterRangeError
        The bench file lists no meter range that holds a reading.
    """
    return [_one(reading, product, bench, at_s, ambient_c) for reading in typed]


def _thousands(indicated: float, true: float) -> str:
    """Say by which step of the prefixes two values differ; nothing where by none.

    >>> _thousands(900.2, 0.9), _thousands(0.0009, 0.9), _thousands(2.0, 0.9)
    ('1000 times too much', '1000 times too little', '')
    """
    if not true or indicated / true <= 0:
        return ""
    steps = round(log10(indicated / true) / 3)
    if not steps or abs(indicated / true / 1000.0**steps - 1) > PLAUSIBLE:
        return ""
    way = "much" if steps > 0 else "little"
    return f"{1000 ** abs(steps)} times too {way}"


def _spelled(value: float, unit: Unit) -> str:
    return spell(float(f"{value:.4g}"), unit)


def require_on_range(name: str, value: float, product: ProductModel, key: str) -> None:
    """Refuse one reading that is of another size than anything on its range.

    A prefix that was left out is said of the reading that lacks it, before the next is
    asked for. Twice full scale is more than a source gives there; half of it is no
    zero. What comes out at a level is left to `require_plausible`: it knows what it
    belongs to.

    Parameters
    ----------
    name
        Of the reading, as `TypedReading` has it.
    value
        In the product's unit of input or output.
    key
        Of the range.

    Raises
    ------
    OffRangeError
        It is too large.
    """
    if name == "output":
        return
    model = product.range(key)
    output = name.startswith("output")
    unit = Unit(product.settings.output_unit if output else product.settings.input_unit)
    full_scale = product.settings.ranges[key].full_scale
    at_full_scale = full_scale * (abs(model.nominal_transfer) if output else 1.0)
    zero = name.endswith("zero")
    if abs(value) > (PLAUSIBLE if zero else 2.0) * at_full_scale:
        raise OffRangeError(
            range_=model.title, value=value, most=at_full_scale, unit=unit, zero=zero
        )


def require_plausible(reading: TypedReading, product: ProductModel) -> None:
    """Refuse a pair of readings that no unit can show.

    Raises
    ------
    ImplausibleReadingError
        Reference and output cannot belong together.
    """
    model = product.range(reading.range)
    true = reading.reference - reading.reference_zero
    indicated = (reading.output - reading.taken_off) / model.nominal_transfer
    if true == 0 or abs(indicated / true - 1) > PLAUSIBLE:
        raise ImplausibleReadingError(
            range_=model.title,
            reference=true,
            indicated=indicated,
            unit=Unit(product.settings.input_unit),
            like=_like(product, reading, true),
        )


def _like(product: ProductModel, reading: TypedReading, true: float) -> str | None:
    """Return the range that these readings would be plausible on, if any."""
    if true == 0:
        return None
    ratio = (reading.output - reading.taken_off) / true
    for one in product.ranges:
        if abs(ratio / one.nominal_transfer - 1) <= PLAUSIBLE:
            return one.title
    return None


def _one(
    reading: TypedReading,
    product: ProductModel,
    bench: Bench,
    at_s: float,
    ambient_c: float | None,
) -> RangeReadings:
    require_plausible(reading, product)
    model = product.range(reading.range)
    divide_by = bench.reference_is.standard_ohm or 1.0
    try:
        reference_range = smallest_range(
            bench.reference.ranges, reading.reference * divide_by, role="reference"
        )
        output_range = smallest_range(
            bench.output.ranges, reading.output, role="output"
        )
    except NoRangeError as exc:
        raise NoMeterRangeError(range_=model.title, reason=str(exc)) from exc
    zero = Point(
        level=0.0,
        reference=(reading.reference_zero,),
        output=(reading.taken_off,),
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
        reference_full_scale=reference_range.full_scale,
        output_full_scale=output_range.full_scale,
        ambient_c=ambient_c,
        zero_read=reading.output_zero is not None,
    )
