"""How likely each unit carries what a finding names, and what its range then reads.

The one place that says so: whoever knows better replaces these two functions.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from math import erfc, hypot, inf, isfinite, sqrt
from statistics import fmean, stdev
from typing import Any

import scipy

from daemon.traceability.tracing import Carrying, Records
from storage import (
    NOT_READ,
    Cause,
    JudgedPoint,
    LatestResult,
    ReworkKind,
    Signal,
    Unit,
    serial_order,
)

SQRT_2 = sqrt(2)
SURE = 0.999
NEGLIGIBLE = 0.001
"""A unit that carries it with less than this probability is not concerned."""
PRIOR_FREEDOM = 4.0
"""How many units' worth the spread of ordinary reels counts against a few of this."""
BY_DETECTOR = 1_000.0
"""The detector's interval is normal: as good as Student's with so much freedom."""
TAIL = 0.975
FOUR_SIGMA = 3.92
"""Width of a 95 % interval in standard deviations."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Foretold:
    """What a unit that carries the reel will read: centre, scale, freedom (Student)."""

    centre_ppm: float
    scale_ppm: float
    freedom: float

    def interval(self) -> tuple[float, float]:
        """Return the 95 % prediction interval of one unit, ppm."""
        reach = float(scipy.special.stdtrit(self.freedom, TAIL)) * self.scale_ppm
        return self.centre_ppm - reach, self.centre_ppm + reach

    def outside(self, limit_ppm: float, levels: "Sequence[Level]" = ()) -> float:
        """Return the probability that one unit lies outside a limit.

        Parameters
        ----------
        limit_ppm
            Of reading, either side: serves where no level is known.
        levels
            At which units are judged, with the offset they have: the worst counts.
        """
        if levels:
            return max(self._outside_at(one) for one in levels)
        above = scipy.special.stdtr(
            self.freedom, (self.centre_ppm - limit_ppm) / self.scale_ppm
        )
        below = scipy.special.stdtr(
            self.freedom, (-limit_ppm - self.centre_ppm) / self.scale_ppm
        )
        return float(above + below)

    def _outside_at(self, level: "Level") -> float:
        share = abs(level.of_full_scale)
        centre = self.centre_ppm * level.of_full_scale + level.offset_ppm
        scale = hypot(self.scale_ppm * share, level.offset_scatter_ppm)
        if scale == 0:
            return float(not level.low_ppm <= centre <= level.high_ppm)
        above = scipy.special.stdtr(self.freedom, (centre - level.high_ppm) / scale)
        below = scipy.special.stdtr(self.freedom, (level.low_ppm - centre) / scale)
        return float(above + below)


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """A level at which a range is judged, ppm of full scale.

    `offset_ppm` is what units read there beside their error of reading, with its
    scatter from unit to unit. A side without a limit is infinite.
    """

    of_full_scale: float
    low_ppm: float
    high_ppm: float
    offset_ppm: float
    offset_scatter_ppm: float


def levels(records: Records, range_: str) -> tuple[Level, ...]:
    """Return the levels that a range's units were judged at, with their offsets."""
    found: dict[float, list[tuple[float, JudgedPoint]]] = {}
    for one in records.errors:
        if one.range != range_:
            continue
        for point in JudgedPoint.of(one.points):
            if point.verdict == NOT_READ:
                continue
            beside_ppm = point.error_ppm - float(one.error_ppm) * point.of_full_scale
            key = round(point.of_full_scale, 1)
            found.setdefault(key, []).append((beside_ppm, point))
    told = []
    for mine in found.values():
        offsets = [beside_ppm for beside_ppm, _ in mine]
        newest = mine[-1][1]
        told.append(
            Level(
                of_full_scale=newest.of_full_scale,
                low_ppm=-inf if newest.low_ppm is None else newest.low_ppm,
                high_ppm=inf if newest.high_ppm is None else newest.high_ppm,
                offset_ppm=fmean(offsets),
                offset_scatter_ppm=stdev(offsets) if len(offsets) > 1 else 0.0,
            )
        )
    return tuple(told)


def outside(result: LatestResult) -> float:
    """Return how likely a measured range is outside its limits, at its worst point.

    By the points it was judged at, the offset inside; by the error of reading alone in
    rows from before they were kept.
    """
    read = [one for one in JudgedPoint.of(result.points) if one.verdict != NOT_READ]
    if not read:
        limit_ppm = float(result.limit_ppm)
        return _beyond(
            float(result.error_ppm),
            float(result.uncertainty_ppm),
            -limit_ppm,
            limit_ppm,
        )
    return max(
        _beyond(one.error_ppm, one.uncertainty_ppm, one.low_ppm, one.high_ppm)
        for one in read
    )


def of_limit(result: LatestResult) -> float:
    """Return how much of its limit a measured range uses, at its worst point."""
    read = [one for one in JudgedPoint.of(result.points) if one.verdict != NOT_READ]
    if not read:
        return abs(float(result.error_ppm)) / float(result.limit_ppm)
    return max(one.of_limit for one in read)


def _beyond(
    error_ppm: float,
    uncertainty_ppm: float,
    low_ppm: float | None,
    high_ppm: float | None,
) -> float:
    total = 0.0
    if low_ppm is not None:
        total += _below((low_ppm - error_ppm) / uncertainty_ppm)
    if high_ppm is not None:
        total += _below((error_ppm - high_ppm) / uncertainty_ppm)
    return total


def _below(deviations: float) -> float:
    """Return the normal law's share below so many standard deviations.

    By the standard library, to its last digits in the tail too: of many units whose
    errors are all measured, `scipy.special` is not loaded for this alone.
    """
    return erfc(-deviations / SQRT_2) / 2


def probabilities(records: Carrying, signal: Signal) -> dict[str, float]:
    """Return for every unit the probability that it carries what a finding names.

    1 or 0 by the recorded reel, or by place in the build where none is recorded;
    where the measurements say otherwise (boards of two reels mixed, a change that
    nobody recorded) the finding's own word for the unit. A part
    that was replaced since counts by its new reel. A finding that was withdrawn is of
    no unit, one of an odd unit of that unit alone.
    """
    told = dict(signal.basis.carrying)
    replaced = _replaced(records, signal)
    return {
        one.serial: _probability(records, one, signal, told, replaced)
        for one in records.units
    }


def probability(records: Records, serial: str, signal: Signal) -> float:
    """Return the same for one unit, as `probabilities` has it.

    Raises
    ------
    storage.errors.NotFoundError
        No unit of the product has this serial.
    """
    unit = records.unit(serial)
    told = dict(signal.basis.carrying)
    replaced = _replaced(records, signal)
    return _probability(records, unit, signal, told, replaced)


def _replaced(records: Carrying, signal: Signal) -> set[str]:
    """Return the units in which a part was replaced that a finding may be of."""
    parts = {signal.part, *(one.part for one in signal.basis.possible_parts)} - {None}
    return {
        one.serial
        for one in records.reworks
        if one.kind is ReworkKind.REPLACE and one.part in parts
    }


def _probability(
    records: Carrying,
    unit: Unit,
    signal: Signal,
    told: Mapping[str, float],
    replaced: Collection[str],
) -> float:
    if not signal.standing:
        return 0.0
    serial = unit.serial
    if signal.cause is Cause.REEL and signal.reel is not None:
        carries = records.reels_of(unit).get(str(signal.part)) == signal.reel
        # Where the other part may be off, so are units from then on that have its reel.
        if not carries and serial_order(serial) >= serial_order(signal.first_serial):
            carries = any(
                one.reel is not None
                and records.reels_of(unit).get(one.part) == one.reel
                for one in signal.basis.possible_parts
            )
    elif serial in replaced:
        return 0.0  # what was found was taken out of it
    elif signal.cause is Cause.UNIT:
        carries = serial == signal.first_serial
    else:
        first = serial_order(signal.first_serial)
        carries = unit.build == signal.build and serial_order(serial) >= first
    recorded = 1.0 if carries else 0.0
    return recorded if serial in replaced else told.get(serial, recorded)


def foretold(
    records: Records,
    range_: str,
    probability: Mapping[str, float],
    signal: Signal | None,
) -> Foretold | None:
    """Return what a carrier that was not measured reads on a range.

    From the carriers that were measured (prediction interval of one more unit of a
    normal distribution; Student), their scatter steadied by that of ordinary reels;
    from the finding alone where none was. None when nothing is known.
    """
    seen = [
        float(errors[range_].error_ppm)
        for serial, one in probability.items()
        if one >= SURE and range_ in (errors := records.errors_of(serial))
    ]
    usual = _usual_spread_ppm(records, range_, probability)
    if signal is not None:
        if isfinite(usual):
            usual *= max(signal.basis.spread_factor, 1.0)
        else:
            usual = (signal.high_ppm - signal.low_ppm) / FOUR_SIGMA
    if not seen:
        return _from_signal(signal, usual)
    number = len(seen)
    centre = sum(seen) / number
    squares = sum((one - centre) ** 2 for one in seen)
    prior = PRIOR_FREEDOM if isfinite(usual) else 0.0
    freedom = prior + number - 1
    if freedom <= 0:
        return None
    total = squares + (prior * usual**2 if prior else 0.0)
    scale = sqrt(total / freedom * (1 + 1 / number))
    if scale <= 0:
        return None
    return Foretold(centre_ppm=centre, scale_ppm=scale, freedom=freedom)


def _from_signal(signal: Signal | None, usual_ppm: float) -> Foretold | None:
    if signal is None or not isfinite(usual_ppm):
        return None
    if (predicted := signal.basis.predicted_ppm) is not None:
        centre, low, high = predicted
        return Foretold(
            centre_ppm=centre, scale_ppm=(high - low) / FOUR_SIGMA, freedom=BY_DETECTOR
        )
    of_mean = (signal.high_ppm - signal.low_ppm) / FOUR_SIGMA
    scale = sqrt(of_mean**2 + usual_ppm**2)
    return Foretold(centre_ppm=signal.size_ppm, scale_ppm=scale, freedom=PRIOR_FREEDOM)


def _usual_spread_ppm(
    records: Records, range_: str, probability: Mapping[str, float]
) -> float:
    """Return how units of one build and one set of reels scatter; NaN: unknown."""
    groups: dict[Any, list[float]] = {}
    for unit in records.units:
        result = records.errors_of(unit.serial).get(range_)
        if result is None or probability.get(unit.serial, 0.0) > 1 - SURE:
            continue
        reels = tuple(sorted(records.reels_of(unit).items()))
        groups.setdefault((unit.build, reels), []).append(float(result.error_ppm))
    squares, freedom = 0.0, 0
    for values in groups.values():
        mean = sum(values) / len(values)
        squares += sum((one - mean) ** 2 for one in values)
        freedom += len(values) - 1
    return sqrt(squares / freedom) if freedom > 0 else float("nan")
