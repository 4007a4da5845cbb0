"""From readings to a judged row: where settings meet metrology.

One path for every origin: readings taken by the bench, typed by a person or
imported from a spreadsheet become `RangeReadings` and are judged alike.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from config import BY_HAND, Bench, HoldpointError, Instrument, Judging, MeterRange
from daemon.bench import (
    SETTLING_OF_ZERO,
    AgainstSource,
    RangeReadings,
    Series,
    against_source,
    further_series,
    hidden_between_ppm,
    read_in_a_row,
    reference_beside_ppm,
    series_of,
)
from daemon.judging.influences import at_level, at_zero
from daemon.judging.points import (
    Limits,
    beside_known_good,
    is_one_of,
    judged,
    together,
)
from daemon.judging.product import ProductModel, RangeModel
from daemon.metrology import (
    STEADY,
    Component,
    Distribution,
    Drift,
    Following,
    MeterSpecification,
    Outcome,
    PointError,
    RangeError,
    Temperature,
    compare,
    level_error,
    range_error,
    zero_error,
)
from storage import JudgedPoint, RangeResult, Verdict, text_of

LINES_KEPT = 3
"""Largest lines of a budget that a row keeps."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownGood:
    """What the known-good unit showed on this bench in this session.

    The uncertainties leave out what the bench does to both units alike; the offset and
    its own are in ppm of full scale. `drift` is what the bench drifted since, and how
    sure that is. `against` is what both meters read at the session's checks for what
    the source was set to, within which it holds; none where that says nothing.
    `hidden_ppm` is by how much both moved alike until the check that closed the unit.
    """

    error_ppm: float
    uncertainty_ppm: float
    offset_ppm: float
    offset_uncertainty_ppm: float
    drift: Drift = STEADY
    against: tuple[AgainstSource, ...] = ()
    source_stability_ppm: float = 0.0
    hidden_ppm: float = 0.0

    def closed(self, drift: Drift) -> "KnownGood":
        """Return what holds for a unit before the last of the checks in `against`."""
        last = self.against[-2:]
        hidden_ppm = hidden_between_ppm(*last) if len(last) > 1 else 0.0
        return replace(self, drift=drift, hidden_ppm=hidden_ppm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One range's error with the specification of the meters that read it."""

    model: RangeModel
    readings: RangeReadings
    error: RangeError
    limit_ppm: float
    """At the level of the error, ppm of reading: the narrower of two sides."""
    points: tuple[PointError, ...]
    limits: Limits

    @property
    def known_good(self) -> KnownGood:
        """What a unit that is known to be good showed, to compare others with."""
        offset = self.point_of_offset
        return KnownGood(
            error_ppm=self.error.error_ppm,
            uncertainty_ppm=self.error.comparison_uncertainty_ppm,
            offset_ppm=self.error.offset_ppm,
            offset_uncertainty_ppm=offset.comparison_uncertainty_ppm if offset else 0.0,
        )

    @property
    def against_source(self) -> AgainstSource:
        """What both meters read for what the source was set to."""
        return against_source(self.readings, scatter_ppm=self.error.own_uncertainty_ppm)

    @property
    def point_of_offset(self) -> PointError | None:
        """The point that says how sure the offset is, where the offset counts.

        Zero; where a level was reversed instead, either sign of it.
        """
        if self.model.settings.limit.offset != "inside":
            return None
        zero = [one for one in self.points if one.of_full_scale == 0]
        reversed_ = [one for one in self.points if one.of_full_scale < 0]
        return next(iter(zero or reversed_), None)


class SpecificationError(HoldpointError, LookupError):
    """An instrument range was used that the bench file does not specify."""

    def __init__(self, *, role: str, full_scale: float) -> None:
        self.role = role
        self.full_scale = full_scale
        super().__init__(
            f"{role}.ranges: no accuracy is written for the range {full_scale:g}"
        )


class Judge:
    """Judges range readings of one product on one bench.

    Parameters
    ----------
    product, bench, judging
        From the settings.
    """

    def __init__(self, product: ProductModel, bench: Bench, judging: Judging) -> None:
        self.product = product
        self.bench = bench
        self.judging = judging
        self._follow: Mapping[str, Following] | None = None

    def learned(self, readings: Sequence[RangeReadings]) -> "Judge":
        """Return a judge that knows from a run how its meters' readings follow.

        Parameters
        ----------
        readings
            Of all ranges of the run: one range alone tells less.
        """
        other = Judge(self.product, self.bench, self.judging)
        other._follow = self._following(readings)
        return other

    def _following(self, readings: Sequence[RangeReadings]) -> dict[str, Following]:
        """Return by role how far readings follow one another."""
        return {
            role: Following().told(
                series for one in readings for series in read_in_a_row(one, role)
            )
            if instrument.readings_follow is None
            else Following.known(instrument.readings_follow)
            for role, instrument in (
                ("reference", self.bench.reference),
                ("output", self.bench.output),
            )
        }

    def error(
        self,
        readings: RangeReadings,
        *,
        drift: Drift = STEADY,
        further: Sequence[Component] = (),
    ) -> Measured:
        """Return one range's error with uncertainty, and that of each point.

        Parameters
        ----------
        readings
            Of one range.
        drift
            Of the bench, until these readings: taken off the error.
        further
            What else is not known, ppm of the level.

        Raises
        ------
        daemon.metrology.errors.ArgumentError
            The readings cannot be a measurement: no input, not finite.
        SpecificationError
            The bench file does not specify a meter range that was used.
        """
        model = self.product.range(readings.range)
        follow = self._follow or self._following([readings])
        series = _followed(series_of(readings), follow)
        unsure = (*_drifted(drift), *further)
        error = self._range_error(readings, series, drift, unsure)
        limits = self._limits(readings, model)
        share = error.reference / model.settings.full_scale
        return Measured(
            model=model,
            readings=readings,
            error=error,
            limit_ppm=limits.least_ppm(share) / abs(share),
            points=self._points(readings, series, error, drift, unsure),
            limits=limits,
        )

    def _range_error(
        self,
        readings: RangeReadings,
        series: Series,
        drift: Drift,
        unsure: Sequence[Component],
    ) -> RangeError:
        """Return the error at one level of a range."""
        model = self.product.range(readings.range)
        reference_is = self.bench.reference_is
        reference_meter, output_meter = self._meters(readings)
        temperature = self.temperature(readings)
        one_voltmeter = (
            reference_is.standard_ohm is not None
            and _one_instrument(self.bench.reference, self.bench.output)
            and readings.reference_full_scale == readings.output_full_scale
        )
        beside = self._influences(series, model, temperature, one_voltmeter)
        error = range_error(
            reference=series.reference,
            output=series.output,
            nominal_transfer=model.nominal_transfer,
            full_scale=model.settings.full_scale,
            reference_meter=reference_meter,
            output_meter=output_meter,
            standard_uncertainty_ppm=reference_is.standard_uncertainty_ppm,
            same_voltmeter=one_voltmeter,
            temperature=temperature,
            further=(*series.settling, *beside, *unsure),
        )
        # The drift is of the reading, as the error is: it counts times their ratio.
        drifted_ppm = drift.difference_ppm * error.indicated / error.reference
        return replace(error, error_ppm=error.error_ppm - drifted_ppm)

    def _influences(
        self,
        series: Series,
        model: RangeModel,
        temperature: Temperature,
        one_voltmeter: bool,
    ) -> Sequence[Component]:
        """Return what else acts on a level; a level that is none is refused later."""
        went_in, came_out = series.reference.net_level, series.output.net_level
        if went_in == 0 or came_out == 0:
            return ()
        return at_level(
            self.bench,
            ambient_c=temperature.ambient_c,
            input_level=abs(went_in),
            output_level_v=abs(came_out),
            full_scale=model.settings.full_scale,
            takes_ampere=self.product.settings.input_unit == "A",
            gain_cancels=one_voltmeter,
        )

    def _meters(
        self, readings: RangeReadings
    ) -> tuple[MeterSpecification, MeterSpecification]:
        """Return what reference and output may be wrong by, in their own units."""
        reference = _specification(
            "reference", self.bench.reference, readings.reference_full_scale
        )
        if (standard_ohm := self.bench.reference_is.standard_ohm) is not None:
            reference = reference.across(standard_ohm)
        output = _specification("output", self.bench.output, readings.output_full_scale)
        return reference, output

    def _limits(self, readings: RangeReadings, model: RangeModel) -> Limits:
        """Return the limits of a range in the room where it was read."""
        ambient_c = readings.ambient_c
        room_c = self.bench.ambient_c if ambient_c is None else (ambient_c, ambient_c)
        return Limits.of(model.settings.limit, *room_c)

    def _points(
        self,
        readings: RangeReadings,
        series: Series,
        error: RangeError,
        drift: Drift,
        unsure: Sequence[Component],
    ) -> tuple[PointError, ...]:
        """Return the error at each level that was read; at zero where that counts."""
        model = self.product.range(readings.range)
        full_scale = model.settings.full_scale
        inside = model.settings.limit.offset == "inside"
        levels = [(error, series)]
        follow = self._follow or self._following([readings])
        further_ones = [_followed(one, follow) for one in further_series(readings)]
        levels += [
            (self._range_error(readings, one, drift, unsure), one)
            for one in further_ones
        ]
        main, *further = (
            level_error(at, one.reference, full_scale, offset_inside=inside)
            for at, one in levels
        )
        # A level that is read for the linearity alone has a limit of its own.
        points = [main]
        points += [
            one for one in further if is_one_of(one, model.settings.limit.points)
        ]
        if series.reference.reversed_:
            points.append(_opposite(points[0], error))
        elif inside and readings.zero_read:
            points.append(self._zero(readings, series, model))
        return tuple(points)

    def _zero(
        self, readings: RangeReadings, series: Series, model: RangeModel
    ) -> PointError:
        reference_meter, output_meter = self._meters(readings)
        full_scale = model.settings.full_scale
        level = abs(series.output.net_level / (model.nominal_transfer * full_scale))
        return zero_error(
            reference=series.reference,
            output=series.output,
            nominal_transfer=model.nominal_transfer,
            full_scale=full_scale,
            reference_meter=reference_meter,
            output_meter=output_meter,
            further=[
                *at_zero(
                    self.bench,
                    output_v=abs(model.nominal_transfer) * full_scale,
                    full_scale=full_scale,
                ),
                # Said of the level: there it is a share of another number.
                *(
                    replace(one, standard=one.standard * level)
                    for one in series.settling
                    if one.name == SETTLING_OF_ZERO
                ),
            ],
        )

    def temperature(self, readings: RangeReadings) -> Temperature:
        """Return the temperature read; without a thermometer the least favourable.

        The room is then somewhere between what the bench file says it may be.
        """
        model = self.product.range(readings.range)
        reference_c = self.product.settings.reference_temperature_c
        ambient_c = readings.ambient_c
        if ambient_c is None:
            ambient_c = max(
                self.bench.ambient_c, key=lambda bound_c: abs(bound_c - reference_c)
            )
        return Temperature(
            ambient_c=ambient_c,
            bounds_ppm_per_k=model.tempco_ppm_per_k,
            reference_c=reference_c,
        )

    def unit(
        self, run: str, readings: RangeReadings, known_good: Mapping[str, KnownGood]
    ) -> RangeResult:
        """Judge one range of a unit against its error limit.

        Where the bench is not good enough for the limit it only compares with the
        known-good unit, and without one the range is not judged.
        """
        known = known_good.get(readings.range)
        measured = self._beside(readings, known)
        points = judged(
            measured.points,
            measured.limits,
            measured.model.settings.limit,
            self.judging,
            max(1.0, abs(1 + measured.error.error_ppm * 1e-6)),
        )
        verdict = together(points)
        if verdict is None:
            compared = self._compared(measured, known)
            if compared is Verdict.LIKE_KNOWN_GOOD:
                compared = beside_known_good(
                    points, measured.model.settings.limit.points
                )
            return row(run, measured, compared, None, points)
        least = min(
            (
                one.conformance_probability
                for one in points
                if one.conformance_probability is not None
            ),
            default=None,
        )
        return row(run, measured, verdict, least, points)

    def _beside(self, readings: RangeReadings, known: KnownGood | None) -> Measured:
        """Return one range's error, as sure as the session's checks let it be.

        A reference that errs for one unit looks like a source that moved, and so do
        both meters that step alike, one before the unit and one after it. Nobody knows
        how likely a meter is beside a source: the least favourable is that it was one,
        so that the error is off by all of it.
        """
        if known is None:
            return self.error(readings)
        if not known.against:
            return self.error(readings, drift=known.drift)
        steady = self.error(readings)
        off_ppm = {
            "reference against the source's setting": reference_beside_ppm(
                known.against,
                steady.against_source,
                source_stability_ppm=known.source_stability_ppm,
            ),
            "both meters moved together between checks": known.hidden_ppm,
        }
        further = [
            Component(
                name=name, standard=abs(bound_ppm), distribution=Distribution.NORMAL
            )
            for name, bound_ppm in off_ppm.items()
            if bound_ppm
        ]
        if not further and known.drift == STEADY:
            return steady
        return self.error(readings, drift=known.drift, further=further)

    def _compared(self, measured: Measured, good: KnownGood | None) -> Verdict:
        """Return how a range reads beside the known-good unit, its offset too."""
        if good is None:
            return Verdict.NOT_JUDGED
        tolerance_ppm = dict(
            zip(self.product.keys, self.product.tolerance_ppm, strict=True)
        )
        error = measured.error
        said = {
            compare(
                error.error_ppm,
                error.comparison_uncertainty_ppm,
                good.error_ppm,
                good.uncertainty_ppm,
                allowed_difference_ppm=float(tolerance_ppm[measured.model.key]),
            ).outcome
        }
        # A limit of reading alone allows no offset that the level does not show.
        share = abs(error.reference / measured.model.settings.full_scale)
        allowed_ppm = measured.limits.at_zero_ppm or measured.limits.least_ppm(share)
        if (offset := measured.point_of_offset) is not None:
            said.add(
                compare(
                    error.offset_ppm,
                    offset.comparison_uncertainty_ppm,
                    good.offset_ppm,
                    good.offset_uncertainty_ppm,
                    allowed_difference_ppm=allowed_ppm,
                ).outcome
            )
        for one in (Outcome.CHANGED, Outcome.UNDECIDED):
            if one in said:
                return Verdict(one.value)
        return Verdict.LIKE_KNOWN_GOOD


def _followed(series: Series, follow: Mapping[str, Following]) -> Series:
    """Return readings with what is known of how they follow one another."""
    return replace(
        series,
        reference=replace(series.reference, following=follow["reference"]),
        output=replace(series.output, following=follow["output"]),
    )


def _opposite(point: PointError, error: RangeError) -> PointError:
    """Return the point of a reversed level, which is read as often."""
    both_ppm = error.error_ppm * point.of_full_scale
    return replace(
        point,
        of_full_scale=-point.of_full_scale,
        error_ppm=point.error_ppm - 2 * both_ppm,
    )


def row(
    run: str,
    measured: Measured,
    verdict: Verdict,
    probability: float | None,
    judged_points: tuple[JudgedPoint, ...] = (),
) -> RangeResult:
    """Return a measured range as a row of the Store, readings included."""
    points = measured.readings.taken
    return RangeResult(
        run=run,
        range=measured.model.key,
        reference=measured.error.reference,
        indicated=measured.error.indicated,
        error_ppm=measured.error.error_ppm,
        offset_ppm=measured.error.offset_ppm,
        uncertainty_ppm=measured.error.uncertainty_ppm,
        limit_ppm=measured.limit_ppm,
        verdict=verdict,
        conformance_probability=probability,
        level=tuple(p.level for p in points for _ in p.reference),
        reference_readings=tuple(r for p in points for r in p.reference),
        output_readings=tuple(r for p in points for r in p.output),
        at_s=tuple(t for p in points for t in p.at_s),
        own_uncertainty_ppm=measured.error.own_uncertainty_ppm,
        points=text_of(judged_points) if judged_points else None,
        budget=_largest(measured.error),
    )


def _largest(error: RangeError) -> str | None:
    """Return the largest lines of an error's budget with their shares, as JSON."""
    total2 = sum(one.standard**2 for one in error.components)
    if not total2:
        return None
    lines = sorted(error.components, key=lambda one: -one.standard)[:LINES_KEPT]
    return json.dumps([[one.name, one.standard**2 / total2] for one in lines])


def _drifted(drift: Drift) -> tuple[Component, ...]:
    if not drift.uncertainty_ppm:
        return ()
    return (
        Component(
            name="drift since the check standard",
            standard=drift.uncertainty_ppm,
            distribution=Distribution.NORMAL,
        ),
    )


def _one_instrument(one: Instrument, other: Instrument) -> bool:
    """Return whether two roles are one instrument, as far as the settings tell.

    Two meters that a person reads have no addresses that differ: only a serial number,
    or what they are said to be, tells that they are one.
    """
    if one.address != other.address:
        return False
    if one.address != BY_HAND:
        return True
    if None not in (one.serial_number, other.serial_number):
        return one.serial_number == other.serial_number
    return one.identity is not None and one.identity == other.identity


def _specification(
    role: str, instrument: Instrument, full_scale: float
) -> MeterSpecification:
    for one in instrument.ranges:
        if one.full_scale == full_scale:
            return _as_specification(one)
    raise SpecificationError(role=role, full_scale=full_scale)


def _as_specification(one: MeterRange) -> MeterSpecification:
    return MeterSpecification(
        full_scale=one.full_scale,
        of_reading_ppm=one.of_reading_ppm,
        of_range_ppm=one.of_range_ppm,
        resolution=one.resolution,
    )
