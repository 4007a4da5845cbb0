"""A range at each point that was read, against the limits that hold there.

The offset counts as part of the error unless the product says that it is apart: "% of
reading + % of full scale" is what the whole indication may be off by.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isinf

from config import ErrorLimit, Judging, LimitParts, LimitSpan
from daemon.metrology import (
    TEMPERATURE,
    Outcome,
    PointError,
    TwoParts,
    can_judge,
    judge_between,
    limits_at,
)
from storage import NOT_READ, JudgedPoint, Verdict

SAME_POINT = 0.05
"""A level is the one that a limit names when it is off by no more than this share."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """The limits of a range in the room where it was read."""

    above: TwoParts | None
    below: TwoParts | None
    span: LimitSpan | None

    @classmethod
    def of(cls, limit: ErrorLimit, coldest_c: float, warmest_c: float) -> "Limits":
        """Return what holds where the room is between two temperatures."""
        span = limit.within(coldest_c, warmest_c)
        stands: ErrorLimit | LimitSpan = limit if span is None else span
        above, below = _parts(stands), _parts(stands.below or stands)
        return cls(
            above=None if limit.sides == "below" else above,
            below=None if limit.sides == "above" else below,
            span=span,
        )

    @property
    def sides(self) -> tuple[TwoParts, ...]:
        """Those that stand."""
        return tuple(one for one in (self.above, self.below) if one is not None)

    @property
    def at_zero_ppm(self) -> float:
        """The narrower limit at zero, ppm of full scale."""
        return min(one.of_full_scale_ppm for one in self.sides)

    def least_ppm(self, of_full_scale: float) -> float:
        """Return the narrower limit at a level, ppm of full scale."""
        low, high = limits_at(of_full_scale, self.above, self.below)
        return min(-low, high)

    def as_read(self, point: PointError) -> PointError:
        """Return a point as its limit is meant.

        A limit for a span of temperatures is met there: nothing is referred to the
        reference temperature, so nothing of that is uncertain.
        """
        if self.span is None:
            return point
        return replace(
            point,
            components=tuple(
                one for one in point.components if not one.name.startswith(TEMPERATURE)
            ),
        )


def judged(
    points: Sequence[PointError],
    limits: Limits,
    limit: ErrorLimit,
    judging: Judging,
    gain: float,
) -> tuple[JudgedPoint, ...]:
    """Return each point with its verdict, and those that must be read and were not.

    Parameters
    ----------
    points
        In the order they were read; zero among them where it was read.
    limits
        Those that hold in the room.
    limit
        As the product says it.
    gain
        How many times what it should a range gives, >= 1: whether a bench is good
        enough must not depend on the unit.
    """
    found = [
        _judged(limits.as_read(one), limits, judging, gain)
        for one in points
        # At zero a limit of reading alone says nothing.
        if one.of_full_scale != 0 or limits.at_zero_ppm > 0
    ]
    for share in limit.points:
        if not any(is_one_of(one, [share]) for one in points):
            low, high = limits_at(share, limits.above, limits.below)
            found.append(
                JudgedPoint(
                    of_full_scale=share,
                    error_ppm=0.0,
                    uncertainty_ppm=0.0,
                    low_ppm=_stands(low),
                    high_ppm=_stands(high),
                    verdict=NOT_READ,
                )
            )
    return tuple(sorted(found, key=lambda one: one.of_full_scale))


def is_one_of(point: PointError | JudgedPoint, shares: Sequence[float]) -> bool:
    """Return whether a point is one of these shares of full scale, as read."""
    return any(
        abs(point.of_full_scale - share) <= SAME_POINT * share for share in shares
    )


def beside_known_good(points: Sequence[JudgedPoint], asked: Sequence[float]) -> Verdict:
    """Return what a range is that reads like the known-good unit, by its other points.

    The comparison is of its level and of its offset. What was judged at another point
    stands, and a point that is asked for and could not be judged says nothing.
    """
    if any(
        one.verdict == Verdict.NOT_JUDGED and is_one_of(one, asked) for one in points
    ):
        return Verdict.NOT_JUDGED
    if any(one.verdict == Verdict.UNDECIDED for one in points):
        return Verdict.UNDECIDED
    return Verdict.LIKE_KNOWN_GOOD


def together(points: Sequence[JudgedPoint]) -> Verdict | None:
    """Return the verdict of a range by its points; None where the bench compares.

    What is certainly outside at one point is nonconforming, whatever the others are.
    """
    said = {one.verdict for one in points}
    if Verdict.NONCONFORMING in said:
        return Verdict.NONCONFORMING
    if NOT_READ in said:
        return Verdict.NOT_JUDGED
    if Verdict.NOT_JUDGED in said:
        return None
    return Verdict.UNDECIDED if Verdict.UNDECIDED in said else Verdict.CONFORMING


def _parts(one: LimitParts) -> TwoParts:
    return TwoParts(
        of_reading_ppm=one.of_reading_ppm, of_full_scale_ppm=one.of_full_scale_ppm
    )


def _judged(
    point: PointError, limits: Limits, judging: Judging, gain: float
) -> JudgedPoint:
    low, high = limits_at(point.of_full_scale, limits.above, limits.below)
    said = judge_between(
        point.error_ppm,
        point.uncertainty_ppm,
        low,
        high,
        guard_factor=judging.guard_band_factor,
    )
    # At zero nothing is multiplied.
    of_bench = point.uncertainty_ppm / (gain if point.of_full_scale else 1.0)
    judges = can_judge(
        limits.least_ppm(point.of_full_scale), of_bench, judging.needed_ratio
    )
    outcome: Outcome | Verdict = said.outcome if judges else Verdict.NOT_JUDGED
    return JudgedPoint(
        of_full_scale=point.of_full_scale,
        error_ppm=point.error_ppm,
        uncertainty_ppm=point.uncertainty_ppm,
        low_ppm=_stands(low),
        high_ppm=_stands(high),
        verdict=outcome.value,
        conformance_probability=said.conformance_probability if judges else None,
    )


def _stands(limit_ppm: float) -> float | None:
    return None if isinf(limit_ppm) else limit_ppm
