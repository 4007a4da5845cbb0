"""From the points of a range to what metrology takes: base, level, base.

The output's movement towards rest is taken off; what that leaves uncertain is a line
of the budget.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from daemon.bench.readings import Point, RangeReadings
from daemon.metrology import Component, Distribution, Readings

__all__ = [
    "SETTLING_OF_ZERO",
    "Series",
    "further_series",
    "linearity_ppm",
    "read_in_a_row",
    "series_of",
    "setting_of",
]

SETTLING_OF_ZERO = "settling of zero"
"""Name of what is not known of zero, since it was still moving."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """The readings that the range error follows from, and what settling adds."""

    reference: Readings
    output: Readings
    settling: tuple[Component, ...]


def series_of(readings: RangeReadings) -> Series:
    """Return base, level and base of a range's points.

    Base and level come last, after the levels that only tell of straightness; where
    the first point is at zero it is the base before.
    """
    bases, level = _split(readings.points)
    return _between(bases, level, reversed_=bases[0].level != 0)


def further_series(readings: RangeReadings) -> tuple[Series, ...]:
    """Return zero, level and zero of each level beside that of the range error.

    Where the offset is removed by reversal, zero is midway between the two levels.
    """
    bases, level = _split(readings.points)
    used = [*bases, level]
    if bases[0].level != 0:
        bases = (_midway(bases, level),)
    return tuple(
        _between(bases if len(bases) > 1 else bases * 2, one, reversed_=False)
        for one in readings.points
        if not any(one is taken for taken in used)
    )


def read_in_a_row(readings: RangeReadings, role: str) -> list[Sequence[float]]:
    """Return what a meter, "reference" or "output", read at each level, in order."""
    return [
        one.reference if role == "reference" else _output(one)
        for one in readings.points
    ]


def _between(bases: Sequence[Point], level: Point, *, reversed_: bool) -> Series:
    output = _series([_output(one) for one in bases], _output(level), reversed_)
    reference = _series([one.reference for one in bases], level.reference, reversed_)
    scale = 1e6 / abs(output.net_level) if output.net_level else 0.0
    return Series(
        reference=reference,
        output=output,
        settling=tuple(
            Component(
                name=name,
                standard=one.rest.beyond_scatter * share * scale,
                distribution=Distribution.STUDENT,
                degrees_of_freedom=one.rest.degrees_of_freedom,
            )
            for name, one, share in (
                ("settling", level, output.share),
                *((SETTLING_OF_ZERO, one, output.share / len(bases)) for one in bases),
            )
            if one.rest is not None
        ),
    )


def _midway(bases: Sequence[Point], level: Point) -> Point:
    """Return zero as it lies between a level and its opposite."""
    below = bases[0]
    count = min(len(below.output), len(level.output))
    pairs = slice(-count, None)
    return Point(
        level=0.0,
        reference=_means(below.reference[pairs], level.reference[pairs]),
        output=_means(_output(below)[pairs], _output(level)[pairs]),
        at_s=level.at_s[pairs],
    )


def _means(some: Sequence[float], others: Sequence[float]) -> tuple[float, ...]:
    return tuple((one + other) / 2 for one, other in zip(some, others, strict=True))


def setting_of(readings: RangeReadings) -> float:
    """Return what the source was set to at the level, less base, as readings count."""
    bases, level = _split(readings.points)
    reversed_ = bases[0].level != 0
    return _series([(one.level,) for one in bases], (level.level,), reversed_).net_level


def linearity_ppm(
    readings: RangeReadings, series: Series, full_scale: float
) -> float | None:
    """Return the largest distance from the straight line, ppm of full scale.

    The line goes through zero and the level at which the error is found.
    """
    slope = series.output.net_level / series.reference.net_level
    bases, level = _split(readings.points)
    used = [*bases, level]
    off = [
        fmean(_output(one))
        - series.output.zero
        - slope * (fmean(one.reference) - series.reference.zero)
        for one in readings.points
        if not any(one is taken for taken in used)
    ]
    if not off:
        return None
    return max(off, key=abs) / (slope * full_scale) * 1e6


def _split(points: Sequence[Point]) -> tuple[tuple[Point, ...], Point]:
    """Return the bases and the level between or after them."""
    if points[0].level == 0:
        return (points[0], points[-1]), points[-2]
    if points[-1].level < 0:
        return (points[-3], points[-1]), points[-2]
    return (points[-2],), points[-1]


def _output(point: Point) -> Sequence[float]:
    return point.output if point.rest is None else point.rest.settled


def _series(
    bases: Sequence[Sequence[float]], level: Sequence[float], reversed_: bool
) -> Readings:
    return Readings(
        zero_before=bases[0],
        level=level,
        zero_after=bases[1] if len(bases) > 1 else (),
        reversed_=reversed_,
    )
