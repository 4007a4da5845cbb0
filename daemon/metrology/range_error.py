"""The error of one range, from readings at a level between two zeros or reversals."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import sqrt

from daemon.metrology.checks import finite, not_negative, not_zero, positive
from daemon.metrology.coverage_interval import coverage_half_width
from daemon.metrology.level_readings import Readings, scatter_components
from daemon.metrology.uncertainty import (
    Component,
    Distribution,
    combined,
    coverage_factor,
    effective_degrees_of_freedom,
    half_width_component,
)

__all__ = [
    "MeterSpecification",
    "PointError",
    "RangeError",
    "Readings",
    "Temperature",
    "level_error",
    "range_error",
    "relative_error_ppm",
    "zero_error",
]

REFERENCE_TEMPERATURE_C = 23.0
TEMPERATURE = "temperature: "
"""How the name of a component begins that the room's temperature makes."""
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
        return _widened([one for one in self.components if not one.of_bench])

    @property
    def own_uncertainty_ppm(self) -> float:
        """Standard uncertainty of this measurement alone.

        Without what is the same for every unit on this bench, and without what the
        room's temperature may do to the parts: units of one day share it.
        """
        return _widened(
            [
                one
                for one in self.components
                if not one.of_bench and not one.name.startswith(TEMPERATURE)
            ]
        )

    def expanded_ppm(self, coverage: float) -> float:
        """Return the half-width of a coverage interval, ppm of reading.

        It follows from the components' distributions, not from a factor: two
        rectangular ones of equal size make a triangle. Scatter enters as normal,
        and Student's t of the effective degrees of freedom widens the whole:
        folding several short series as t distributions covers far too often.
        """
        known = [
            replace(one, distribution=Distribution.NORMAL)
            if one.distribution is Distribution.STUDENT
            else one
            for one in self.components
        ]
        return coverage_half_width(known, coverage) * _widening(
            coverage, self.degrees_of_freedom
        )


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
        If a value is not finite, or the reference is zero or next to it.

    Examples
    --------
    >>> round(relative_error_ppm(100.0, 100.3))
    3000
    """
    not_zero(reference=reference)
    finite(indicated=indicated)
    error_ppm = (indicated - reference) / reference * 1e6
    finite(**{"error in ppm": error_ppm})
    return error_ppm


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
    further: Sequence[Component] = (),
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
    further : sequence of Component
        What else is known to be uncertain, ppm of the level.

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
    (4.2), the instruments' specifications and the drift of zero each as
    rectangular (4.3.7), the resolution as the difference of two roundings, the
    effective degrees of freedom by Welch and Satterthwaite (G.4). A
    specification is one bound for the zero-corrected reading: its share of the
    range stays in, for it also says how straight the instrument is.

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
    true = reference.net_level
    indicated = output.net_level / nominal_transfer
    shift_ppm, temperature_lines = _referred(temperature)
    scatter, repeatability_ppm = scatter_components(reference, output)
    # The error is a ratio: a relative deviation of either reading counts times it.
    ratio = abs(indicated / true)
    lines = [
        *scatter,
        *_meter_lines("reference", reference, reference_meter, same_voltmeter),
        *_meter_lines("output", output, output_meter, same_voltmeter),
        *further,
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
        *(
            replace(line, standard=line.standard * ratio)
            for line in lines
            if line.standard > 0
        ),
        *temperature_lines,
    )
    return RangeError(
        reference=true,
        indicated=indicated,
        error_ppm=relative_error_ppm(true, indicated) - shift_ppm,
        offset_ppm=_offset_ppm(reference, output, nominal_transfer, full_scale),
        uncertainty_ppm=_widened(components),
        degrees_of_freedom=effective_degrees_of_freedom(components),
        repeatability_ppm=repeatability_ppm,
        components=components,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PointError:
    """The error at one level with the offset inside, all in ppm of full scale.

    `of_full_scale` is the level as a share of full scale, 0 for zero itself.
    """

    of_full_scale: float
    error_ppm: float
    components: tuple[Component, ...]

    @property
    def uncertainty_ppm(self) -> float:
        """Standard uncertainty (k = 1), widened where few readings were taken."""
        return _widened(self.components)

    @property
    def comparison_uncertainty_ppm(self) -> float:
        """Standard uncertainty without what is the same for every unit here."""
        return _widened([one for one in self.components if not one.of_bench])


def zero_error(
    *,
    reference: Readings,
    output: Readings,
    nominal_transfer: float,
    full_scale: float,
    reference_meter: MeterSpecification,
    output_meter: MeterSpecification,
    further: Sequence[Component] = (),
) -> PointError:
    """Return the error at zero: the offset, with its own budget.

    Parameters
    ----------
    reference, output, nominal_transfer, full_scale, reference_meter, output_meter
        As for `range_error`.
    further : sequence of Component
        What else is known to be uncertain of the output at zero, ppm of full scale.

    Returns
    -------
    PointError

    Raises
    ------
    ArgumentError
        If a value is outside its bound.

    Notes
    -----
    What a meter may be wrong by at zero is its share of the range (JCGM 100, 4.3.7).
    What the reference reads at zero may flow, or be of the meter and its leads: the
    input is taken as zero, and that reading is a bound of what it may be instead.

    Examples
    --------
    >>> meter = MeterSpecification(
    ...     full_scale=1.0, of_reading_ppm=20.0, of_range_ppm=3**0.5
    ... )
    >>> still = Readings(zero_before=[0.0] * 2, level=[1.0] * 2, zero_after=[0.0] * 2)
    >>> at_zero = zero_error(
    ...     reference=still, output=still, nominal_transfer=1.0, full_scale=1.0,
    ...     reference_meter=meter, output_meter=meter,
    ... )
    >>> at_zero.error_ppm, round(at_zero.uncertainty_ppm, 3)
    (0.0, 1.414)
    """
    not_zero(nominal_transfer=nominal_transfer)
    positive(full_scale=full_scale)
    full_output = abs(nominal_transfer) * full_scale
    positive(**{"output at full scale": full_output})
    deviation, degrees = output.zero_scatter
    counts = output.zero_counts
    lines = [
        half_width_component(
            "reference: specification",
            reference_meter.of_range_ppm * reference_meter.full_scale / full_scale,
            of_bench=True,
        ),
        half_width_component(
            "output: specification",
            output_meter.of_range_ppm * output_meter.full_scale / full_output,
            of_bench=True,
        ),
        _input_at_zero(reference, full_scale),
        half_width_component(
            "output: resolution", output_meter.resolution / 2 / full_output * 1e6
        ),
        half_width_component(
            "output: drift of zero",
            output.drift_beyond_scatter / 2 / full_output * 1e6,
        ),
        Component(
            name="output: scatter of zero",
            standard=deviation * sqrt(counts) / len(output.bases) / full_output * 1e6,
            distribution=Distribution.STUDENT,
            degrees_of_freedom=degrees,
        ),
        *further,
    ]
    return PointError(
        of_full_scale=0.0,
        error_ppm=_offset_ppm(reference, output, nominal_transfer, full_scale),
        components=tuple(one for one in lines if one.standard > 0),
    )


def level_error(
    error: RangeError,
    reference: Readings,
    full_scale: float,
    *,
    offset_inside: bool = True,
) -> PointError:
    """Return the error at the level of a range error, with the offset inside.

    Parameters
    ----------
    error : RangeError
        At that level.
    reference : Readings
        That it follows from.
    full_scale : float
        Of the range, input unit, above zero.
    offset_inside : bool
        Without, the offset is left out, as in the range error.

    Returns
    -------
    PointError
        The budget is that of the range error: a specification is one bound of a
        reading, so it counts once.

    Raises
    ------
    ArgumentError
        If full scale is not above zero, or the error no number.

    Examples
    --------
    >>> still = Readings(zero_before=[0.0], level=[0.5], zero_after=[0.0])
    >>> high = Readings(zero_before=[0.001], level=[0.502], zero_after=[0.001])
    >>> meter = MeterSpecification(full_scale=1.0, of_reading_ppm=20.0)
    >>> found = range_error(
    ...     reference=still, output=high, nominal_transfer=1.0, full_scale=1.0,
    ...     reference_meter=meter, output_meter=meter,
    ... )
    >>> round(found.error_ppm), round(level_error(found, still, 1.0).error_ppm)
    (2000, 2000)
    """
    positive(full_scale=full_scale)
    finite(
        **{"error in ppm": error.error_ppm, "offset in ppm": error.offset_ppm},
        reference=error.reference,
    )
    share = error.reference / full_scale
    lines = [
        *(replace(one, standard=one.standard * abs(share)) for one in error.components),
    ]
    if offset_inside:
        lines.append(_input_at_zero(reference, full_scale))
    return PointError(
        of_full_scale=share,
        error_ppm=error.error_ppm * share + (error.offset_ppm if offset_inside else 0),
        components=tuple(one for one in lines if one.standard > 0),
    )


def _input_at_zero(reference: Readings, full_scale: float) -> Component:
    """Return what may have flowed while the source was at zero, ppm of full scale."""
    read = 0.0 if reference.reversed_ else abs(reference.zero)
    return half_width_component("input at zero", read / full_scale * 1e6, of_bench=True)


def _offset_ppm(
    reference: Readings, output: Readings, nominal_transfer: float, full_scale: float
) -> float:
    # At level zero what little the source still drives belongs to what is seen;
    # midway between two levels it does not.
    offset_in = reference.zero if reference.reversed_ else 0.0
    return (output.zero / nominal_transfer - offset_in) / full_scale * 1e6


def _widened(components: Sequence[Component]) -> float:
    degrees = effective_degrees_of_freedom(components)
    return combined(components) * _widening(_TWO_SIGMA, degrees)


def _widening(coverage: float, degrees: float) -> float:
    return coverage_factor(coverage, degrees) / coverage_factor(coverage)


def _meter_lines(
    role: str, readings: Readings, meter: MeterSpecification, gain_cancels: bool
) -> list[Component]:
    """Return specification, resolution and zero drift, ppm of the level."""
    level = abs(readings.net_level)
    of_reading_ppm = 0.0 if gain_cancels else meter.of_reading_ppm
    of_range_ppm = meter.of_range_ppm * meter.full_scale / level
    return [
        half_width_component(
            f"{role}: specification", of_reading_ppm + of_range_ppm, of_bench=True
        ),
        # Level and zero are each off by up to half a step.
        half_width_component(
            f"{role}: resolution",
            meter.resolution * readings.share / level * 1e6,
            Distribution.TRIANGULAR,
        ),
        half_width_component(
            f"{role}: drift of zero",
            readings.drift_beyond_scatter * readings.share / 2 / level * 1e6,
        ),
    ]


def _referred(temperature: Temperature | None) -> tuple[float, list[Component]]:
    """Return the known shift by temperature, and what is not known of it."""
    if temperature is None:
        return 0.0, []
    away_k = temperature.ambient_c - temperature.reference_c
    lines = [
        half_width_component(f"{TEMPERATURE}{part}", bound * abs(away_k))
        for part, bound in temperature.bounds_ppm_per_k.items()
    ]
    return (
        temperature.expected_ppm_per_k * away_k,
        [line for line in lines if line.standard > 0],
    )
