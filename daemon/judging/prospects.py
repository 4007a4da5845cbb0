"""Which limits a bench cannot judge, before any unit is there, and what would do."""

from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass
from math import ceil, floor, log10, sqrt

from config import Settings
from daemon.bench import NoRangeError, Point, RangeReadings, RangeSetup, range_setups
from daemon.judging.product import ProductModel
from daemon.judging.verdict import Judge
from daemon.metrology import PointError
from daemon.presentation.figures import ShareUnit
from storage import Verdict

EXPANSION = 2.0
SAME = 1e-9
"""What a division leaves over, and nothing else."""
STILL = 2
"""Readings a point: what a good unit gives, read without scatter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prospect:
    """A point that a bench cannot judge, however good the unit; ppm of full scale.

    `largest` is the line of the budget that matters most, `share` its part of the
    variance. `would_do_ppm` is the bound of that line with which the point could be
    judged, None where it alone does not do.
    """

    title: str
    of_full_scale: float
    limit_ppm: float
    expanded_ppm: float
    needed_ppm: float
    largest: str
    share: float
    bound_ppm: float
    would_do_ppm: float | None

    @property
    def can_judge_ppm(self) -> float:
        """The smallest limit, ppm of full scale, that the bench judges as it is."""
        return self.limit_ppm * self.expanded_ppm / self.needed_ppm


def prospects(settings: Settings) -> tuple[Prospect, ...]:
    """Return the points of every range that this bench is too poor to judge.

    Without a bench: those that meters read by hand are too poor for.

    At the reference temperature where a thermometer says what the room has, else in
    the least favourable room. What a unit, scatter and drift add comes on top.
    """
    bench = settings.bench or settings.meters
    product = ProductModel.of(settings.product)
    judge = Judge(product, bench, settings.plan.judging)
    transfers = {one.key: one.nominal_transfer for one in product.ranges}
    try:
        setups = range_setups(bench, settings.product, settings.plan.reading, transfers)
    except NoRangeError:
        return ()  # the settings are refused for it
    return tuple(
        found for one in product.ranges for found in _of_range(judge, setups[one.key])
    )


def too_poor_for(settings: Settings) -> tuple[str, ...]:
    """Say what a bench cannot judge, and what would do, a sentence or two a point."""
    alike: dict[float, list[Prospect]] = {}
    for one in prospects(settings):
        alike.setdefault(round(one.of_full_scale, 6), []).append(one)
    return tuple(_said(some) for some in alike.values())


def too_poor_on(settings: Settings, judged: Container[str]) -> str:
    """Say on which ranges meters give no verdict; nothing where on none.

    Parameters
    ----------
    judged
        Titles of ranges on which units have one all the same: what they were not read
        at needs no good meters.
    """
    found = dict.fromkeys(one.title for one in prospects(settings))
    titles = [one for one in found if one not in judged]
    if not titles:
        return ""
    *some, last = titles
    which = f"ranges {', '.join(some)} and {last}" if some else f"range {last}"
    return (
        f"These meters are too poor for the error limit of {which}. A unit that is "
        "not judged there must not leave. What moves is found all the same."
    )


def _of_range(judge: Judge, setup: RangeSetup) -> Iterator[Prospect]:
    readings = ideal_readings(judge, setup)
    row = judge.unit("", readings, {})
    measured = judge.error(readings)
    points = {one.of_full_scale: one for one in measured.points}
    for judged in row.judged_points:
        point = points.get(judged.of_full_scale)
        if judged.verdict != Verdict.NOT_JUDGED or point is None:
            continue
        limit_ppm = measured.limits.least_ppm(judged.of_full_scale)
        yield _prospect(
            measured.model.title,
            measured.limits.as_read(point),
            limit_ppm,
            limit_ppm / judge.judging.needed_ratio,
        )


def _prospect(
    title: str, point: PointError, limit_ppm: float, needed_ppm: float
) -> Prospect:
    total2 = sum(one.standard**2 for one in point.components)
    largest = max(point.components, key=lambda one: one.standard)
    rest2 = total2 - largest.standard**2
    may2 = (needed_ppm / EXPANSION) ** 2 - rest2
    return Prospect(
        title=title,
        of_full_scale=point.of_full_scale,
        limit_ppm=limit_ppm,
        expanded_ppm=EXPANSION * point.uncertainty_ppm,
        needed_ppm=needed_ppm,
        largest=largest.name,
        share=largest.standard**2 / total2,
        bound_ppm=sqrt(3.0) * largest.standard,
        would_do_ppm=sqrt(3.0 * may2) if may2 > 0 else None,
    )


def ideal_readings(judge: Judge, setup: RangeSetup) -> RangeReadings:
    """Return what a perfect unit would give, without scatter."""
    transfer = setup.nominal_output / setup.level
    thermometer = judge.bench.ambient is not None
    return RangeReadings(
        range=setup.range,
        points=tuple(
            Point(
                level=level,
                reference=(level,) * STILL,
                output=(level * transfer,) * STILL,
                at_s=tuple(float(place) for place in range(STILL)),
            )
            for level in setup.levels
        ),
        reference_full_scale=setup.reference_full_scale,
        output_full_scale=setup.output_full_scale,
        ambient_c=judge.product.settings.reference_temperature_c
        if thermometer
        else None,
    )


def _said(some: Sequence[Prospect]) -> str:
    """Say once what several ranges have in common; the figures are of the worst."""
    worst = max(some, key=lambda one: one.expanded_ppm / one.needed_ppm)
    at = (
        "zero"
        if worst.of_full_scale == 0
        else f"{100 * worst.of_full_scale:.3g} % of full scale"
    )
    *others, last = [one.title for one in some]
    ranges = f"Ranges {', '.join(others)} and {last}" if others else f"Range {last}"
    of = f" on range {worst.title}" if others else ""
    unit = ShareUnit.of((worst.limit_ppm, worst.expanded_ppm))

    def said(value_ppm: float) -> str:
        return f"{value_ppm / unit.ppm:.3g} {unit.name}"

    text = (
        f"{ranges} cannot be judged at {at}: the limit is "
        f"{unit.comes_to(worst.limit_ppm)} {unit.name} of full scale, the uncertainty "
        f"of this bench is {said(worst.expanded_ppm)} (k = 2){of}, and "
        f"{said(worst.needed_ppm)} would do. Most of it is {worst.largest}, "
        f"{said(worst.bound_ppm)}"
    )
    better = (
        "no better one alone"
        if worst.would_do_ppm is None
        else f"one of {said(worst.would_do_ppm)}"
    )
    wide = unit.comes_to(_rounded_up(worst.can_judge_ppm))
    return (
        f"{text}; {better} would do. A limit of {wide} {unit.name} of full scale could "
        "be judged there."
    )


def _rounded_up(value: float) -> float:
    """Return a number of two digits that is not smaller.

    >>> _rounded_up(996.0), _rounded_up(1201.0), _rounded_up(0.0121)
    (1000.0, 1300.0, 0.013)
    """
    step = 10.0 ** (floor(log10(value)) - 1)
    return float(f"{ceil(value / step - SAME) * step:.2g}")
