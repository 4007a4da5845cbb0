"""A second meter beside one of the bench's: whether they agree on one reading.

While the source holds the level of a range, a person reads the other meter; the
bench's own is read before and after, so that what moved meanwhile is known. Both
read the same thing at the same time, so nothing of the unit enters.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from math import hypot, sqrt
from statistics import fmean, stdev
from uuid import uuid4

from config import (
    Bench as BenchSettings,
    MeterRange,
    Product,
    QuantityError,
    Unit,
    parse,
    spell,
)
from daemon.bench import Bench, Clock, Progress, measure
from daemon.metrology import agreement
from daemon.station.desk import Desk
from daemon.station.orders import SecondMeter
from storage import CrossCheck

READINGS = 5
COVERAGE = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """The bench's readings before and after a person read the other meter."""

    before: tuple[float, ...]
    other: float
    after: tuple[float, ...]
    full_scale: float
    unit: Unit


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """A cross-check as it is kept, and in words."""

    row: CrossCheck
    words: str


def compare(
    bench: Bench,
    second: SecondMeter,
    clock: Clock,
    *,
    settings: BenchSettings,
    product: Product,
    desk: Desk,
    progress: Callable[[Progress], None],
) -> Beside:
    """Hold the range's level while a person reads the other meter.

    The source is off afterwards, whichever way this ends, and off once a person
    orders it off instead of answering.

    Raises
    ------
    daemon.bench.errors.BenchError
        The range could not be measured.
    """
    found: list[Beside] = []
    if second.role == "output":
        meter, factor, unit = bench.output, 1.0, Unit(product.output_unit)
    else:
        meter = bench.reference
        # Across a standard resistor both meters read volts.
        factor = settings.reference_is.standard_ohm or 1.0
        unit = Unit(product.input_unit) if factor == 1.0 else Unit.VOLT

    def hold(at: Progress) -> None:
        progress(at)
        setup = bench.setups[second.range]
        if found or at.point.level != setup.level:
            return

        def read() -> tuple[float, ...]:
            return tuple(meter.read() * factor for _ in range(READINGS))

        before = read()
        other = _asked(
            second, setup.title, unit, desk, keep_on=bench.patience.meanwhile()
        )
        found.append(
            Beside(
                before=before,
                other=other,
                after=read(),
                full_scale=setup.output_full_scale
                if second.role == "output"
                else setup.reference_full_scale,
                unit=unit,
            )
        )

    measure(bench, (second.range,), clock, stop=desk.halt, progress=hold)
    return found[0]


def _asked(
    second: SecondMeter,
    title: str,
    unit: Unit,
    desk: Desk,
    *,
    keep_on: Callable[[], None],
) -> float:
    """Ask until the answer is a value."""
    said = ""
    while True:
        answer = desk.ask(
            f"{said}Read {second.meter} beside the bench's {second.role} meter, on "
            f"range {title}, and type what it shows.",
            subject=second.meter,
            wants=unit.value,
            meanwhile=keep_on,
        )
        try:
            return parse(answer, unit)
        except QuantityError as exc:
            said = f"{exc}. "


def cross_check(
    beside: Beside,
    second: SecondMeter,
    *,
    bench: BenchSettings,
    product: Product,
    serial: str,
    session: str,
    at: datetime,
) -> Comparison:
    """Return how well two meters agree on one reading, as E_n.

    The bench's meter has its specification as a rectangular bound, the scatter of
    its mean, and half of what it moved while the other was read; the other meter its
    stated bound (JCGM 100:2008, 4.3.7). Expanded uncertainties are of k = 2.
    """
    instrument = bench.output if second.role == "output" else bench.reference
    spec = next(one for one in instrument.ranges if one.full_scale == beside.full_scale)
    readings = (*beside.before, *beside.after)
    value = fmean(readings)
    moved = abs(fmean(beside.after) - fmean(beside.before))
    standard = hypot(
        _bound(spec, value) / sqrt(3),
        hypot(stdev(beside.before), stdev(beside.after))
        / sqrt(2)
        / sqrt(len(readings)),
        moved / 2 / sqrt(3),
    )
    expanded = COVERAGE * standard
    other_expanded = COVERAGE * abs(beside.other) * second.accuracy_ppm * 1e-6 / sqrt(3)
    said = agreement(value, expanded, beside.other, other_expanded)
    row = CrossCheck(
        cross_check=uuid4().hex,
        product=product.name,
        session=session,
        serial=serial,
        range=second.range,
        role=second.role,
        meter=second.meter,
        unit=beside.unit.value,
        value=value,
        expanded=expanded,
        other=beside.other,
        other_expanded=other_expanded,
        normalised_error=said.normalised_error,
        agree=said.agree,
        measured_at=at,
        signal=second.signal,
        person=second.person,
    )
    return Comparison(
        row=row, words=_words(row, product.ranges[second.range].title, beside.unit)
    )


def _bound(spec: MeterRange, value: float) -> float:
    return (
        abs(value) * spec.of_reading_ppm * 1e-6
        + spec.full_scale * spec.of_range_ppm * 1e-6
        + spec.resolution / 2
    )


def _words(row: CrossCheck, title: str, unit: Unit) -> str:
    verdict = "agree" if row.agree else "do not agree"
    return (
        f"Range {title}: the bench's {row.role} meter reads "
        f"{spell(row.value, unit)}, {row.meter} {spell(row.other, unit)}; they "
        f"{verdict} (E_n = {row.normalised_error:+.2f}, within 1 is agreement)."
    )
