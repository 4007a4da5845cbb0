"""What is measured where: levels, instrument ranges and limits, before any of it."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, sqrt
from typing import Self

from config import (
    COMPLIANCE_DEFAULT_MAX_V,
    Bench,
    MeterRange,
    Product,
    Reading,
    Unit,
    spell,
)
from daemon.bench.errors import LimitError, NoRangeError

__all__ = [
    "RangeSetup",
    "check_limits",
    "compliance",
    "levels_of",
    "range_setups",
    "smallest_range",
]


TIME_CONSTANTS = 10.0
"""After so many a step has died away to 45 ppm, which is what `settle_s` says."""

SHORTEST_SETTLING_S = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeSetup:
    """How one range of the product is measured on this bench.

    `level` and `source_limit` are in the product's input unit, `nominal_output` in its
    output unit, the two full scales in the unit of the instrument that has them.
    The source is set to `levels` in this order; the error is found at `level`.
    `accuracy_ppm` is the standard uncertainty, ppm of the level, that the accuracy of
    both meters leaves however long they are read; `output_step` is the smallest step
    that the output's meter shows, 0 where that is not known, and `output_offset` how
    far it may be off at zero.
    """

    range: str
    title: str
    """How people know the range."""
    selector: str | None
    full_scale: float
    level: float
    nominal_output: float
    source_limit: float
    settle_s: float
    reference_full_scale: float
    output_full_scale: float
    levels: tuple[float, ...]
    reading: Reading
    accuracy_ppm: float = 0.0
    output_step: float = 0.0
    output_offset: float = 0.0
    through_ohm: float | None = None
    """What the current flows through where a voltage source drives it."""
    input_unit: Unit = Unit.AMPERE

    @property
    def highest(self) -> float:
        """The highest level, either sign."""
        return max(map(abs, self.levels))

    @property
    def slowest_s(self) -> float:
        """The longest time constant that fits `settle_s`."""
        return self.settle_s / TIME_CONSTANTS

    def at(self, level: float) -> str:
        """Return a setting of this range in words, as a prompt begins."""
        return f"Range {self.title}, source at {self.said(level)}"

    def said(self, level: float) -> str:
        """Return a level of this range in words, in the product's input unit."""
        return "zero" if level == 0 else spell(float(f"{level:.6g}"), self.input_unit)

    def lowered(self, share: float) -> Self:
        """Return it with every level at a share of what was planned, 0 < share <= 1.

        The meters keep their ranges: what they must hold becomes no larger.
        """
        return replace(
            self,
            level=share * self.level,
            levels=tuple(share * one for one in self.levels),
            nominal_output=share * self.nominal_output,
        )


def smallest_range(
    ranges: Sequence[MeterRange], value: float, *, role: str
) -> MeterRange:
    """Return the most sensitive range that holds `value`, in the ranges' unit.

    Raises
    ------
    NoRangeError
        None does, or none is listed.

    Examples
    --------
    >>> ranges = [MeterRange(full_scale=fs, of_reading_ppm=50.0) for fs in (10.0, 1.0)]
    >>> smallest_range(ranges, 0.9, role="output").full_scale
    1.0
    """
    holding = [one for one in ranges if one.full_scale >= abs(value)]
    if not holding:
        largest = max((one.full_scale for one in ranges), default=None)
        raise NoRangeError(role=role, needed=abs(value), largest=largest)
    return min(holding, key=lambda one: one.full_scale)


def range_setups(
    bench: Bench,
    product: Product,
    reading: Reading,
    nominal_transfer: Mapping[str, float],
) -> dict[str, RangeSetup]:
    """Return the set-up of every range of the product, lowest full scale first.

    Parameters
    ----------
    nominal_transfer : mapping
        Nominal output over input by range, V/A or V/V.
    """
    setups = {}
    divide_by = bench.reference_is.standard_ohm or 1.0
    for key, one in sorted(product.ranges.items(), key=lambda item: item[1].full_scale):
        own = reading.of(key)
        level = one.full_scale * own.level_of_full_scale
        levels = levels_of(own, one.full_scale, one.limit.points)
        highest = max(map(abs, levels))
        nominal_output = level * nominal_transfer[key]
        reference = smallest_range(
            bench.reference.ranges, highest * divide_by, role="reference"
        )
        output = smallest_range(
            bench.output.ranges, highest * nominal_transfer[key], role="output"
        )
        setups[key] = RangeSetup(
            range=key,
            selector=one.selector,
            full_scale=one.full_scale,
            level=level,
            nominal_output=nominal_output,
            source_limit=one.source_limit,
            settle_s=max(one.settle_s, SHORTEST_SETTLING_S),
            reference_full_scale=reference.full_scale,
            output_full_scale=output.full_scale,
            levels=levels,
            reading=own,
            accuracy_ppm=hypot(
                _accuracy_ppm(reference, level * divide_by),
                _accuracy_ppm(output, nominal_output),
                bench.reference_is.standard_uncertainty_ppm,
            ),
            output_step=output.resolution,
            title=one.title,
            input_unit=Unit(product.input_unit),
            through_ohm=(
                None
                if bench.series_resistor is None
                else bench.series_resistor.through_ohm(key)
            ),
            output_offset=output.of_range_ppm * 1e-6 * output.full_scale,
        )
    return setups


def _accuracy_ppm(one: MeterRange, value: float) -> float:
    """Return the standard uncertainty of a meter's data sheet, ppm of `value`.

    Its bound is that of a rectangular distribution (JCGM 100:2008, 4.3.7).
    """
    bound = one.of_reading_ppm + one.of_range_ppm * one.full_scale / abs(value)
    return bound / sqrt(3)


def levels_of(
    reading: Reading, full_scale: float, points: Sequence[float] = ()
) -> tuple[float, ...]:
    """Return the levels of one range in the order they are set, lowest first.

    Parameters
    ----------
    points
        Shares of full scale at which the range is judged beside the plan's level.

    Examples
    --------
    >>> levels_of(Reading(linearity_levels=(0.5, -0.5, 0.1)), 1.0)
    (0.0, 0.1, 0.5, -0.5, 0.9, 0.0)
    >>> levels_of(Reading(offset="three-point reversal"), 1.0)
    (-0.9, 0.9, -0.9)
    >>> levels_of(Reading(linearity_levels=(0.5,)), 1.0, points=(0.1, 0.5, 0.9))
    (0.0, 0.1, 0.5, 0.9, 0.0)
    """
    level = reading.level_of_full_scale * full_scale
    further = {*reading.linearity_levels, *points} - {reading.level_of_full_scale}
    rising = sorted(further, key=lambda one: (abs(one), -one))
    linear = [one * full_scale for one in rising if one]
    match reading.offset:
        case "zero":
            return (0.0, *linear, level, 0.0)
        case "reversal":
            return (*linear, -level, level)
        case _:
            return (*linear, -level, level, -level)


def compliance(bench: Bench, product: Product) -> float:
    """Return what the source is told as its compliance: V of a current source, else A.

    A voltage source that drives a current through a resistor is held to the bench's
    `source_limit`.

    Raises
    ------
    LimitError
        A voltage source whose current nothing limits.
    """
    if bench.series_resistor is not None:
        return bench.source_limit  # of a voltage source it is a current
    if product.input_unit == "A":
        return bench.compliance_v
    if bench.current_limit_a is None:
        raise LimitError(
            what="the unlimited current of a voltage source",
            value=inf,
            limit=0.0,
            unit="A",
            setting="current_limit_a, which is missing",
        )
    return bench.current_limit_a


def check_limits(
    bench: Bench, product: Product, setups: Collection[RangeSetup]
) -> None:
    """Refuse a plan that could exceed an absolute limit; nothing has been sent yet.

    The settings were checked when they were loaded. They are checked again here,
    because this is the last place before the source and a bench can be opened with
    settings that no file holds.

    Raises
    ------
    LimitError
        Names the value, the limit and where the limit is written.
    """
    unit = product.input_unit
    for one in setups:
        limits = [
            (one.source_limit, f"ranges.{one.range}.source_limit"),
            (bench.source_limit, "the bench's source_limit"),
        ]
        if unit == "V":
            limits.append((bench.compliance_v, "the bench's compliance_v"))
        for limit, setting in limits:
            if not one.highest <= limit:
                raise LimitError(
                    what=f"the level of range {one.title}",
                    value=one.highest,
                    limit=limit,
                    unit=unit,
                    setting=setting,
                )
    for one in setups:
        needed_v = one.highest * (one.through_ohm or 0.0)
        if not needed_v <= bench.compliance_v:
            raise LimitError(
                what=f"what drives range {one.title} through its resistor,",
                value=needed_v,
                limit=bench.compliance_v,
                unit="V",
                setting="the bench's compliance_v",
            )
    standard_ohm = bench.reference_is.standard_ohm
    if standard_ohm is not None:
        for one in setups:
            needed_v = one.highest * standard_ohm
            if not needed_v <= bench.compliance_v:
                raise LimitError(
                    what=f"the standard resistor alone, on range {one.title},",
                    value=needed_v,
                    limit=bench.compliance_v,
                    unit="V",
                    setting="the bench's compliance_v",
                )
    bounds = [(product.input_absolute_maximum_v, "input_absolute_maximum_v")]
    if not bench.allow_compliance_above_30_v:
        bounds.append((COMPLIANCE_DEFAULT_MAX_V, "the limit without a written consent"))
    for limit, setting in bounds:
        if not bench.compliance_v <= limit:
            raise LimitError(
                what="compliance_v",
                value=bench.compliance_v,
                limit=limit,
                unit="V",
                setting=setting,
            )
