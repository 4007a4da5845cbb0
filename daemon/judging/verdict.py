"""From readings to a judged row: where settings meet metrology.

One path for every origin: readings taken by the bench, typed by a person or
imported from a spreadsheet become `RangeReadings` and are judged alike.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from config import Bench, HoldpointError, Instrument, Judging, MeterRange
from daemon.bench import RangeReadings, series_of
from daemon.judging.product import ProductModel, RangeModel
from daemon.metrology import (
    STEADY,
    Component,
    Conformity,
    Distribution,
    Drift,
    MeterSpecification,
    RangeError,
    Temperature,
    can_judge,
    compare,
    judge,
    limit_ppm,
    range_error,
)
from storage import RangeResult, Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownGood:
    """What the known-good unit showed on this bench in this session.

    `uncertainty_ppm` leaves out what the bench does to both units alike, `drift` is
    what the bench drifted since, and how sure that is.
    """

    error_ppm: float
    uncertainty_ppm: float
    drift: Drift = STEADY


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One range's error with the specification of the meters that read it."""

    model: RangeModel
    readings: RangeReadings
    error: RangeError
    limit_ppm: float


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

    def error(self, readings: RangeReadings, *, drift: Drift = STEADY) -> Measured:
        """Return one range's error with uncertainty and the limit at its level.

        Parameters
        ----------
        readings
            Of one range.
        drift
            Of the bench, until these readings: taken off the error.

        Raises
        ------
        daemon.metrology.errors.ArgumentError
            The readings cannot be a measurement: no input, not finite.
        SpecificationError
            The bench file does not specify a meter range that was used.
        """
        model = self.product.range(readings.range)
        series = series_of(readings)
        reference_is = self.bench.reference_is
        reference_meter = _specification(
            "reference", self.bench.reference, readings.reference_full_scale
        )
        by_resistor = reference_is.standard_ohm is not None
        if reference_is.standard_ohm is not None:
            reference_meter = reference_meter.across(reference_is.standard_ohm)
        error = range_error(
            reference=series.reference,
            output=series.output,
            nominal_transfer=model.nominal_transfer,
            full_scale=model.settings.full_scale,
            reference_meter=reference_meter,
            output_meter=_specification(
                "output", self.bench.output, readings.output_full_scale
            ),
            standard_uncertainty_ppm=reference_is.standard_uncertainty_ppm,
            same_voltmeter=by_resistor
            and self.bench.reference.address == self.bench.output.address
            and readings.reference_full_scale == readings.output_full_scale,
            temperature=self._temperature(readings, model),
            further=(*series.settling, *_drifted(drift)),
        )
        # The drift is of the reading, as the error is: it counts times their ratio.
        drifted_ppm = drift.difference_ppm * error.indicated / error.reference
        error = replace(error, error_ppm=error.error_ppm - drifted_ppm)
        limit = model.settings.limit
        return Measured(
            model=model,
            readings=readings,
            error=error,
            limit_ppm=limit_ppm(
                of_reading_ppm=limit.of_reading_ppm,
                of_full_scale_ppm=limit.of_full_scale_ppm,
                reference=error.reference,
                full_scale=model.settings.full_scale,
            ),
        )

    def _temperature(self, readings: RangeReadings, model: RangeModel) -> Temperature:
        """Return the temperature read; without a thermometer the least favourable.

        The room is then somewhere between what the bench file says it may be.
        """
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
        measured = self.error(readings, drift=STEADY if known is None else known.drift)
        error = measured.error
        # Whether a bench is good enough must not depend on the unit: one that gives
        # ten times what it should has an uncertainty ten times as large.
        gain = max(1.0, abs(1 + error.error_ppm * 1e-6))
        if can_judge(
            measured.limit_ppm, error.uncertainty_ppm / gain, self.judging.needed_ratio
        ):
            said: Conformity | None = judge(
                error.error_ppm,
                error.uncertainty_ppm,
                measured.limit_ppm,
                self.judging.guard_band_factor,
            )
        else:
            said = self._compared(measured, known)
        return row(
            run,
            measured,
            Verdict.NOT_JUDGED if said is None else Verdict(said.outcome.value),
            None if said is None else said.conformance_probability,
        )

    def _compared(
        self, measured: Measured, good: KnownGood | None
    ) -> Conformity | None:
        if good is None:
            return None
        tolerance_ppm = dict(
            zip(self.product.keys, self.product.tolerance_ppm, strict=True)
        )
        return compare(
            measured.error.error_ppm,
            measured.error.comparison_uncertainty_ppm,
            good.error_ppm,
            good.uncertainty_ppm,
            allowed_difference_ppm=float(tolerance_ppm[measured.model.key]),
        )


def row(
    run: str, measured: Measured, verdict: Verdict, probability: float | None
) -> RangeResult:
    """Return a measured range as a row of the Store, readings included."""
    points = measured.readings.points
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
    )


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
