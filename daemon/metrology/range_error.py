"""The error of one range, from readings at zero, at a level, and at zero again."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain
from math import hypot, sqrt
from statistics import fmean

from daemon.metrology.checks import (
    finite,
    not_negative,
    not_zero,
    positive,
    sample,
)
from daemon.metrology.uncertainty import (
    Component,
    Distribution,
    combined,
    coverage_factor,
    effective_degrees_of_freedom,
    half_width_component,
)

REFERENCE_TEMPERATURE_C = 23.0
_TWO_SIGMA = 0.954499736103642


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterSpecification:
    """What an instrument range may be wrong by, in the unit of its readings.

    The bound is `of_reading_ppm` of the reading plus `of_range_ppm` of
    `full_scale`.
    """

    full_scale: float
    of_reading_ppm: float
    of_range_ppm: float = 0.0
    resolution: float = 0.0

    def __post_init__(self) -> None:
        positive(full_scale=self.full_scale)
        not_negative(
            of_reading_ppm=self.of_reading_ppm,
            of_range_ppm=self.of_range_ppm,
            resolution=self.resolution,
        )

    def across(self, standard_ohm: float) -> "MeterSpecification":
        """Return a voltmeter's specification in ampere through a resistor.

        >>> MeterSpecification(full_scale=1.0, of_reading_ppm=50.0).across(1000.0)
        ... # doctest: +ELLIPSIS
        MeterSpecification(full_scale=0.001, of_reading_ppm=50.0, ...)
        """
        positive(standard_ohm=standard_ohm)
        return MeterSpecification(
            full_scale=self.full_scale / standard_ohm,
            of_reading_ppm=self.of_reading_ppm,
            of_range_ppm=self.of_range_ppm,
            resolution=self.resolution / standard_ohm,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """One instrument's readings: source at zero, at the level, at zero again.

    Each has one element a reading, at least one. Where reference and output
    have equally many at the level they are taken as pairs, so that a noise of
    the source that both saw counts for nothing.
    """

    zero_before: Sequence[float]
    level: Sequence[float]
    zero_after: Sequence[float]

    def __post_init__(self) -> None:
        for name in ("zero_before", "level", "zero_after"):
            sample(f"{name} readings", getattr(self, name), at_least=1)

    @property
    def zero(self) -> float:
        """Zero at the time of the level, midway between before and after."""
        return (fmean(self.zero_before) + fmean(self.zero_after)) / 2

    @property
    def drift(self) -> float:
        """Zero after minus zero before."""
        return fmean(self.zero_after) - fmean(self.zero_before)


@dataclass(frozen=True, slots=True, kw_only=True)
class Temperature:
    """What the temperature of the measurement does to a range's error.

    `bounds_ppm_per_k` has one temperature coefficient bound for each part,
    times the part's sensitivity; their signs are unknown, so nothing is
    corrected for them. `expected_ppm_per_k` is what the range is known to do.
    """

    ambient_c: float
    bounds_ppm_per_k: Mapping[str, float] = field(default_factory=dict)
    expected_ppm_per_k: float = 0.0
    reference_c: float = REFERENCE_TEMPERATURE_C

    def __post_init__(self) -> None:
        finite(
            ambient_c=self.ambient_c,
            expected_ppm_per_k=self.expected_ppm_per_k,
            reference_c=self.reference_c,
        )
        for part, bound in self.bounds_ppm_per_k.items():
            not_negative(**{f"temperature coefficient of {part}": bound})


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeError:
    """The error of one range, referred to the reference temperature.

    `reference` is the zero-corrected input, `indicated` the zero-corrected
    output divided by the nominal transfer, both in the product's input unit.
    `error_ppm` is of reading, `offset_ppm` of full scale.
    """

    reference: float
    indicated: float
    error_ppm: float
    offset_ppm: float
    uncertainty_ppm: float
    """Standard uncertainty (k = 1) such that twice it covers 95.45 %: with few
    readings it is wider than the root sum of squares of the components."""
    degrees_of_freedom: float
    repeatability_ppm: float | None
    """Standard deviation of a single reading at the level; None for one reading."""
    components: tuple[Component, ...]

    @property
    def comparison_uncertainty_ppm(self) -> float:
        """Standard uncertainty without what is the same for every unit here."""
        own = [one for one in self.components if not one.of_bench]
        return _widened(own)


def relative_error_ppm(reference: float, indicated: float) -> float:
    """Return (indicated - reference) / reference in ppm of reading.

    Parameters
    ----------
    reference, indicated : float
        Same unit; the reference is not zero.

    Returns
    -------
    float
        Ppm of reading.

    Raises
    ------
    ArgumentError
        If a value is not finite or the reference is zero.

    Examples
    --------
    >>> round(relative_error_ppm(100.0, 100.3))
    3000
    """
    not_zero(reference=reference)
    finite(indicated=indicated)
    return (indicated - reference) / reference * 1e6


def range_error(
    *,
    reference: Readings,
    output: Readings,
    nominal_transfer: float,
    full_scale: float,
    reference_meter: MeterSpecification,
    output_meter: MeterSpecification,
    standard_uncertainty_ppm: float = 0.0,
    same_voltmeter: bool = False,
    temperature: Temperature | None = None,
) -> RangeError:
    """Return one range's error with its uncertainty, from raw readings.

    Parameters
    ----------
    reference, output : Readings
        Readings of the input (the product's input unit) and of the output.
    nominal_transfer : float
        Output unit per input unit, not zero.
    full_scale : float
        Of the range, input unit, above zero.
    reference_meter, output_meter : MeterSpecification
        In the unit of the readings they go with; for volts across a standard
        resistor use `MeterSpecification.across`.
    standard_uncertainty_ppm : float
        Standard uncertainty (k = 1) of the standard resistor's value; 0 where
        a meter reads the input.
    same_voltmeter : bool
        Reference and output were read by one voltmeter on one range, so that
        its gain error cancels. What is given of the range does not cancel.
    temperature : Temperature, optional
        Where it is known; without it the error is of the temperature it had.

    Returns
    -------
    RangeError

    Raises
    ------
    ArgumentError
        If a value is outside its bound, or the level reads as zero.

    Notes
    -----
    Budget by JCGM 100: scatter of the readings with its degrees of freedom
    (4.2), the instruments' specifications, resolutions and the drift of zero
    each as rectangular (4.3.7), the effective degrees of freedom by Welch and
    Satterthwaite (G.4). A specification is one bound for the zero-corrected
    reading: its share of the range stays in, for it also says how straight the
    instrument is.

    Examples
    --------
    >>> meter = MeterSpecification(full_scale=1.0, of_reading_ppm=20.0)
    >>> error = range_error(
    ...     reference=Readings(zero_before=[0.0], level=[9e-5, 9e-5], zero_after=[0.0]),
    ...     output=Readings(
    ...         zero_before=[0.001], level=[0.9028, 0.9026], zero_after=[0.001]
    ...     ),
    ...     nominal_transfer=10_000.0,
    ...     full_scale=1e-4,
    ...     reference_meter=meter.across(10_000.0),
    ...     output_meter=meter,
    ... )
    >>> round(error.error_ppm), round(error.offset_ppm)
    (1889, 1000)
    """
    not_zero(nominal_transfer=nominal_transfer)
    positive(full_scale=full_scale)
    not_negative(standard_uncertainty_ppm=standard_uncertainty_ppm)
    true = fmean(reference.level) - reference.zero
    volts = fmean(output.level) - output.zero
    not_zero(reference=true)
    not_zero(output=volts)
    indicated = volts / nominal_transfer
    shift_ppm, temperature_lines = _referred(temperature)
    scatter, repeatability_ppm = _scatter_lines(reference, output)
    # The error is a ratio: a relative deviation of either reading counts times it.
    ratio = abs(indicated / true)
    lines = [
        *scatter,
        *_meter_lines("reference", reference, reference_meter, true, same_voltmeter),
        *_meter_lines("output", output, output_meter, volts, same_voltmeter),
    ]
    if standard_uncertainty_ppm > 0:
        lines.append(
            Component(
                name="standard resistor",
                standard=standard_uncertainty_ppm,
                distribution=Distribution.NORMAL,
                of_bench=True,
            )
        )
    components = (
        *(_scaled(line, ratio) for line in lines if line.standard > 0),
        *temperature_lines,
    )
    return RangeError(
        reference=true,
        indicated=indicated,
        error_ppm=relative_error_ppm(true, indicated) - shift_ppm,
        offset_ppm=output.zero / nominal_transfer / full_scale * 1e6,
        uncertainty_ppm=_widened(components),
        degrees_of_freedom=effective_degrees_of_freedom(components),
        repeatability_ppm=repeatability_ppm,
        components=components,
    )


def _widened(components: Sequence[Component]) -> float:
    degrees = effective_degrees_of_freedom(components)
    return combined(components) * coverage_factor(_TWO_SIGMA, degrees) / 2


def _scaled(line: Component, factor: float) -> Component:
    return Component(
        name=line.name,
        standard=line.standard * factor,
        distribution=line.distribution,
        degrees_of_freedom=line.degrees_of_freedom,
        of_bench=line.of_bench,
    )


def _meter_lines(
    role: str,
    readings: Readings,
    meter: MeterSpecification,
    level: float,
    gain_cancels: bool,
) -> list[Component]:
    """Return specification, resolution and zero drift, ppm of the level."""
    to_ppm = 1e6 / abs(level)
    of_reading_ppm = 0.0 if gain_cancels else meter.of_reading_ppm
    of_range_ppm = meter.of_range_ppm * meter.full_scale / abs(level)
    # One step of the level and of the mean of two zeros.
    resolution = meter.resolution / 2 * sqrt(1 + 1 / 2)
    return [
        half_width_component(
            f"{role}: specification", of_reading_ppm + of_range_ppm, of_bench=True
        ),
        half_width_component(f"{role}: resolution", resolution * to_ppm),
        half_width_component(
            f"{role}: drift of zero", abs(readings.drift) / 2 * to_ppm
        ),
    ]


def _scatter_lines(
    reference: Readings, output: Readings
) -> tuple[list[Component], float | None]:
    """Return the scatter lines in ppm of the level, and one reading's own."""
    levels = {
        "reference": fmean(reference.level) - reference.zero,
        "output": fmean(output.level) - output.zero,
    }
    by_role = {"reference": reference, "output": output}
    lines = []
    zero_scatter: dict[str, tuple[float, float]] = {}
    for role, readings in by_role.items():
        deviation, degrees = _zero_scatter(readings)
        relative_ppm = deviation / abs(levels[role]) * 1e6
        zero_scatter[role] = (relative_ppm, degrees)
        counts = (len(readings.zero_before), len(readings.zero_after))
        lines.append(
            _scatter_line(
                f"{role}: scatter of zero",
                relative_ppm * sqrt(sum(1 / count for count in counts)) / 2,
                degrees,
            )
        )
    paired = len(reference.level) == len(output.level) >= 2
    if paired:
        ratios_ppm = [
            (
                (out - output.zero)
                / levels["output"]
                * levels["reference"]
                / (true - reference.zero)
                - 1
            )
            * 1e6
            for true, out in zip(reference.level, output.level, strict=True)
        ]
        deviation = _deviation(ratios_ppm)
        count = len(ratios_ppm)
        lines.append(_scatter_line("scatter", deviation / sqrt(count), count - 1))
        return lines, deviation
    deviations = []
    for role, readings in by_role.items():
        count = len(readings.level)
        if count >= 2:
            deviation = _deviation(readings.level) / abs(levels[role]) * 1e6
            degrees = float(count - 1)
        else:
            # One reading shows no scatter: that of zero stands in for it.
            deviation, degrees = zero_scatter[role]
        deviations.append(deviation)
        lines.append(
            _scatter_line(f"{role}: scatter", deviation / sqrt(count), degrees)
        )
    several = len(reference.level) >= 2 or len(output.level) >= 2
    return lines, hypot(*deviations) if several else None


def _scatter_line(name: str, standard: float, degrees: float) -> Component:
    return Component(
        name=name,
        standard=standard,
        distribution=Distribution.STUDENT,
        degrees_of_freedom=degrees,
    )


def _zero_scatter(readings: Readings) -> tuple[float, float]:
    """Return standard deviation and degrees of freedom of a reading at zero.

    Pooled over both zeros; where each has one reading their difference is all
    that is known.
    """
    zeros = (readings.zero_before, readings.zero_after)
    degrees = sum(len(group) - 1 for group in zeros)
    if degrees == 0:
        return abs(readings.drift) / sqrt(2), 1.0
    squares = chain.from_iterable(
        ((value - fmean(group)) ** 2 for value in group) for group in zeros
    )
    return sqrt(sum(squares) / degrees), float(degrees)


def _deviation(values: Sequence[float]) -> float:
    mean = fmean(values)
    return sqrt(sum((value - mean) ** 2 for value in values) / (len(values) - 1))


def _referred(temperature: Temperature | None) -> tuple[float, list[Component]]:
    """Return the known shift by temperature, and what is not known of it."""
    if temperature is None:
        return 0.0, []
    away_k = temperature.ambient_c - temperature.reference_c
    lines = [
        half_width_component(f"temperature: {part}", bound * abs(away_k))
        for part, bound in temperature.bounds_ppm_per_k.items()
    ]
    return (
        temperature.expected_ppm_per_k * away_k,
        [line for line in lines if line.standard > 0],
    )
