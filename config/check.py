"""What `holdpoint config check` says: what was understood."""

from collections.abc import Iterator
from pathlib import Path

from config.bench import BY_HAND
from config.handheld import meters_words
from config.load import load
from config.model import (
    Bench,
    ErrorLimit,
    Instrument,
    KnownStandard,
    LimitParts,
    Plan,
    Product,
    Settings,
)
from config.quantity import PERCENT_FROM_PPM, Unit, spell

__all__ = ["check", "limit_words", "summary"]


def check(folder: Path) -> list[str]:
    """Return what the files in a folder say, a line each.

    Raises
    ------
    ConfigError
        They are not in order; holds every fault.
    """
    return summary(load(folder))


def summary(settings: Settings) -> list[str]:
    """Return what settings say, in plain words, a line each."""
    lines = [
        *_product(settings.product, by_bench=settings.bench is not None),
        *_bench(settings.bench, Unit(settings.product.input_unit)),
        *_plan(settings.plan, by_bench=settings.bench is not None),
    ]
    if settings.bench is None:
        lines.append(meters_words(settings.plan.meters, settings.plan.output_meter))
    channels = settings.alerts.channels
    told = ", ".join(f"{one.name} (from {one.from_severity})" for one in channels)
    return [*lines, f"Alerts: {told or 'none are sent'}"]


def _product(product: Product, *, by_bench: bool) -> Iterator[str]:
    unit = Unit(product.input_unit)
    yield (
        f"Product {product.title}, {product.name} in the records: {unit.value} in, "
        f"{product.output_unit} out; its input survives "
        f"{spell(product.input_absolute_maximum_v, Unit.VOLT)}"
    )
    if product.maker is not None:
        yield f"  documents are issued by {', '.join(product.maker.lines)}"
    for key, one in product.ranges.items():
        chosen = "" if one.selector is None else f", switch at {one.selector}"
        driven = (
            f", source at most {spell(one.source_limit, unit)}, "
            f"settles in {spell(one.settle_s, Unit.SECOND)}"
            if by_bench
            else ""
        )
        offset = "with" if one.limit.offset == "inside" else "without"
        yield (
            f"  range {one.title}{_key(key, one.title)}: "
            f"full scale {spell(one.full_scale, unit)}, "
            f"limit {limit_words(one.limit)}, {offset} offset{driven}{chosen}"
        )
        if one.limit.points:
            shares = ", ".join(f"{100 * share:g} %" for share in one.limit.points)
            yield f"    judged at {shares} of full scale too"
        for span in one.limit.spans:
            low_c, high_c = span.ambient_c
            parts = _both_ways(span, span.below)
            yield f"    measured at {low_c:g} to {high_c:g} degrees Celsius: {parts}"
        yield f"    transfer {one.transfer}"
    for name, part in product.parts.items():
        yield (
            f"  part {name}: {spell(part.nominal_ohm, Unit.OHM)}, "
            f"{spell(part.tolerance_ppm, Unit.PPM)}, "
            f"{part.temperature_coefficient_ppm_per_k:g} ppm/K"
            + (" assumed" if part.tempco_ppm_per_k is None else "")
        )


def limit_words(limit: ErrorLimit) -> str:
    """Return a range's error limit as it is set, in one unit, with its sides.

    >>> limit_words(ErrorLimit(of_reading_ppm=4_500.0, of_full_scale_ppm=450.0))
    '±(0.45 % of reading + 0.045 % of full scale)'
    >>> limit_words(ErrorLimit(of_reading_ppm=50.0, sides="above"))
    'at most +50 ppm of reading'
    """
    if limit.below is not None:
        return f"{_both_ways(limit, limit.below)}"
    said = _sum(limit.of_reading_ppm, limit.of_full_scale_ppm, "full scale")
    signed = f"({said})" if " + " in said else said
    match limit.sides:
        case "above":
            return f"at most +{signed}"
        case "below":
            return f"at least \N{MINUS SIGN}{signed}"
        case _:
            return f"\N{PLUS-MINUS SIGN}{signed}"


def _key(key: str, title: str) -> str:
    """Say what a range is called in files and commands, where that is not its title.

    >>> _key("10V", "10 V"), _key("high", "high")
    (', 10V in commands and files', '')
    """
    return "" if key == title else f", {key} in commands and files"


def _both_ways(limit: LimitParts, below: LimitParts | None) -> str:
    said = [
        _sum(one.of_reading_ppm, one.of_full_scale_ppm, "full scale")
        for one in (limit, below)
        if one is not None
    ]
    return said[0] if below is None else f"{said[0]} above and {said[1]} below"


def _sum(of_reading_ppm: float, other_ppm: float, of_other: str) -> str:
    # What is added has one unit, that of the larger.
    percents = max(of_reading_ppm, other_ppm) >= PERCENT_FROM_PPM
    terms = [
        f"{f'{ppm / 1e4:.9g} %' if percents else spell(ppm, Unit.PPM)} of {what}"
        for ppm, what in ((of_reading_ppm, "reading"), (other_ppm, of_other))
        if ppm
    ]
    return " + ".join(terms)


def _bench(bench: Bench | None, unit: Unit) -> Iterator[str]:
    if bench is None:
        yield "Bench: by hand; readings are typed or imported"
        return
    limited = [
        f"at most {spell(bench.source_limit, unit)}",
        f"{spell(bench.compliance_v, Unit.VOLT)} compliance",
    ]
    if bench.current_limit_a is not None:
        limited.append(f"{spell(bench.current_limit_a, Unit.AMPERE)} current limit")
    yield f"Bench {bench.name}: {', '.join(limited)}"
    by_resistor = bench.reference_is.standard_ohm
    units = {
        "reference": unit if by_resistor is None else Unit.VOLT,
        "output": Unit.VOLT,
    }
    for role, one in bench.instruments.items():
        yield f"  {role}: {_place(one)}"
        for meter_range in one.ranges:
            accuracy = _sum(
                meter_range.of_reading_ppm, meter_range.of_range_ppm, "range"
            )
            yield f"    {spell(meter_range.full_scale, units[role])}: {accuracy}"
    if by_resistor is not None:
        yield (
            f"  the reference reads volts across {spell(by_resistor, Unit.OHM)}, "
            f"known to {spell(bench.reference_is.standard_uncertainty_ppm, Unit.PPM)}"
        )
    if (standard := bench.check_standard) is None:
        yield "  no check standard: a drifting meter looks like a drifting product"
    else:
        again = (
            ""
            if standard.every_units is None
            else (f" and after every {standard.every_units} units")
        )
        if standard.every_hours is not None:
            again += f" and after every {standard.every_hours:g} hours"
        again += _certified(standard)
        stands = ", which stands in the simulated bench" if bench.simulated else ""
        yield f"  check standard {standard.serial}{stands}: at the start{again}"
        for further in bench.further_standards:
            yield (
                f"  check standard {further.serial}, on "
                f"{', '.join(further.error_ppm)}: beside it at the start and the end"
                f"{_certified(further)}"
            )
    if bench.simulated:
        yield f"  simulated, {bench.time_scale:g} times as fast as real time"


def _certified(one: KnownStandard) -> str:
    said = ""
    if one.certificate is not None:
        said += f", certificate {one.certificate}"
    if one.calibration_due is not None:
        said += f", calibration due {one.calibration_due:%Y-%m-%d}"
    return said


def _place(one: Instrument) -> str:
    said = [BY_HAND if one.address == BY_HAND else f"{one.profile} at {one.address}"]
    if one.addressee is not None:
        said.append(f"as {one.addressee} on its line")
    if one.identity is not None:
        said.append(one.identity)
    if one.serial_number is not None:
        said.append(f"serial number {one.serial_number}")
    if one.calibration_due is not None:
        said.append(f"calibration due {one.calibration_due:%Y-%m-%d}")
    return ", ".join(said)


def _plan(plan: Plan, *, by_bench: bool) -> Iterator[str]:
    reading = plan.reading
    said = [f"Plan: read at {100 * reading.level_of_full_scale:.10g} % of full scale"]
    if by_bench:
        said += [
            f"{reading.readings_per_point} readings a point or more",
            f"to {reading.wanted_uncertainty_ppm:g} ppm",
            f"offset by {reading.offset}",
            "all ranges of a unit, then the next unit"
            if reading.order == "unit"
            else "one range across many units, then the next range",
        ]
    yield ", ".join(said)
    yield (
        f"  a unit conforms when it is inside its limit by {_inside_by(plan)}; a limit "
        f"is judged when it is at least {plan.judging.needed_ratio:g} times the "
        "uncertainty"
    )
    yield (
        "  one false hold accepted in "
        f"{plan.watching.accepted_false_holds_per_units} units; holds are ended by "
        f"{', '.join(plan.people)}"
    )
    if plan.sample is None:
        yield "  each unit is measured on every range before it leaves"
    else:
        least = ", ".join(plan.sample.ranges) or "nothing"
        yield (
            f"  measured by plan: {plan.sample.full_share * 100:.10g} % of a build on "
            f"every range, the other units on {least}"
        )


def _inside_by(plan: Plan) -> str:
    """Say how far inside its limit a unit must be."""
    factor = plan.judging.guard_band_factor
    if factor == 0.0:
        return "any amount"
    times = "" if factor == 1.0 else f"{factor:g} times "
    return f"at least {times}its uncertainty"
