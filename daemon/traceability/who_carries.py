"""How likely each unit carries what a finding names, and what its range then reads.

The one place that says so: whoever knows better replaces these two functions.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite, sqrt
from typing import Any

import scipy

from daemon.traceability.tracing import Records
from storage import Cause, Signal, serial_order

SURE = 0.999
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
        reach = float(scipy.stats.t.ppf(TAIL, self.freedom)) * self.scale_ppm
        return self.centre_ppm - reach, self.centre_ppm + reach

    def outside(self, limit_ppm: float) -> float:
        """Return the probability that one unit lies outside a limit."""
        above = scipy.stats.t.sf(
            (limit_ppm - self.centre_ppm) / self.scale_ppm, self.freedom
        )
        below = scipy.stats.t.cdf(
            (-limit_ppm - self.centre_ppm) / self.scale_ppm, self.freedom
        )
        return float(above + below)


def probabilities(records: Records, signal: Signal) -> dict[str, float]:
    """Return for every unit the probability that it carries what a finding names.

    1 or 0 by the recorded reel, or by place in the build where none is recorded;
    where the measurements say otherwise (boards of two reels mixed, a change that
    nobody recorded) the finding's own word for the unit. A part
    that was replaced since counts by its new reel. A finding that was withdrawn is of
    no unit, one of an odd unit of that unit alone.
    """
    if not signal.standing:
        return dict.fromkeys((one.serial for one in records.units), 0.0)
    told = dict(signal.basis.carrying)
    replaced = {one.serial for one in records.reworks if one.part == signal.part}
    first = serial_order(signal.first_serial)
    found = {}
    for unit in records.units:
        serial = unit.serial
        if signal.cause is Cause.REEL and signal.reel is not None:
            carries = records.reels_of(unit).get(str(signal.part)) == signal.reel
        elif signal.cause is Cause.UNIT:
            carries = serial == signal.first_serial
        else:
            mine = unit.build == signal.build
            carries = mine and serial_order(serial) >= first
        recorded = 1.0 if carries else 0.0
        found[serial] = recorded if serial in replaced else told.get(serial, recorded)
    return found


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
