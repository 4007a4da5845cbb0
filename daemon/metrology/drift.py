"""What a bench drifts between two looks at its check standard.

The drift is taken as a random walk: what is known of it grows less sure with the
time since the last check, and is pinned at both ends once the next check is in.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import sqrt

from daemon.metrology.checks import finite, not_negative
from daemon.metrology.errors import ArgumentError

__all__ = ["CheckPoint", "Drift", "carried_ppm", "interpolated", "walk_rate"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckPoint:
    """One look at the check standard on one range.

    `difference_ppm` is its error as read less its known error; `uncertainty_ppm` is
    the standard uncertainty of what differs from check to check, so without what is
    the same in all of them.
    """

    at_s: float
    difference_ppm: float
    uncertainty_ppm: float

    def __post_init__(self) -> None:
        finite(at_s=self.at_s, difference_ppm=self.difference_ppm)
        not_negative(uncertainty_ppm=self.uncertainty_ppm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """The bench's error at one moment, with its standard uncertainty, ppm."""

    difference_ppm: float
    uncertainty_ppm: float


def walk_rate(points: Sequence[CheckPoint]) -> float:
    """Return the variance that a bench's drift gains in a second, ppm^2/s.

    Parameters
    ----------
    points : sequence of CheckPoint
        In the order of their times, all of one session.

    Returns
    -------
    float
        Mean of the squared steps less what the checks' own scatter explains, by
        the time they took; 0 while fewer than two checks are in.

    Raises
    ------
    ArgumentError
        Two checks at one time, or out of order.

    Examples
    --------
    >>> checks = [
    ...     CheckPoint(at_s=at_s, difference_ppm=ppm, uncertainty_ppm=3.0)
    ...     for at_s, ppm in [(0.0, 0.0), (100.0, 10.0)]
    ... ]
    >>> round(walk_rate(checks), 2)
    0.82
    """
    beyond = 0.0
    for one, other in pairwise(points):
        _require_order(one, other)
        step = other.difference_ppm - one.difference_ppm
        beyond += step**2 - one.uncertainty_ppm**2 - other.uncertainty_ppm**2
    if beyond <= 0:
        return 0.0
    return beyond / (points[-1].at_s - points[0].at_s)


def carried_ppm(points: Sequence[CheckPoint], at_s: float) -> float:
    """Return the standard uncertainty of the drift since the last check, ppm.

    Parameters
    ----------
    points : sequence of CheckPoint
        The session's checks until now.
    at_s : float
        When the unit is measured, on the checks' clock.

    Returns
    -------
    float
        0 while fewer than two checks are in.

    Raises
    ------
    ArgumentError
        Two checks at one time, or out of order.

    Examples
    --------
    >>> checks = [
    ...     CheckPoint(at_s=at_s, difference_ppm=ppm, uncertainty_ppm=0.0)
    ...     for at_s, ppm in [(0.0, 0.0), (100.0, 10.0)]
    ... ]
    >>> carried_ppm(checks, 125.0)
    5.0
    """
    if not points:
        return 0.0
    finite(at_s=at_s)
    return sqrt(walk_rate(points) * max(at_s - points[-1].at_s, 0.0))


def interpolated(before: CheckPoint, after: CheckPoint, at_s: float) -> Drift:
    """Return the bench's error between two checks, with its uncertainty.

    A random walk pinned at both ends (a Brownian bridge): its mean is the straight
    line, its variance the walk's times both distances over the whole.

    Parameters
    ----------
    before, after : CheckPoint
        The checks on either side.
    at_s : float
        A moment between them.

    Returns
    -------
    Drift

    Raises
    ------
    ArgumentError
        The moment is not between them.

    Examples
    --------
    >>> before = CheckPoint(at_s=0.0, difference_ppm=0.0, uncertainty_ppm=0.0)
    >>> after = CheckPoint(at_s=100.0, difference_ppm=10.0, uncertainty_ppm=0.0)
    >>> interpolated(before, after, 50.0)
    Drift(difference_ppm=5.0, uncertainty_ppm=5.0)
    """
    _require_order(before, after)
    if not before.at_s <= at_s <= after.at_s:
        raise ArgumentError(
            name="at_s",
            value=at_s,
            bound=f">= {before.at_s:g} and <= {after.at_s:g}",
        )
    whole_s = after.at_s - before.at_s
    late = (at_s - before.at_s) / whole_s
    early = 1.0 - late
    walked = walk_rate((before, after)) * whole_s * early * late
    return Drift(
        difference_ppm=early * before.difference_ppm + late * after.difference_ppm,
        uncertainty_ppm=sqrt(
            (early * before.uncertainty_ppm) ** 2
            + (late * after.uncertainty_ppm) ** 2
            + walked
        ),
    )


def _require_order(one: CheckPoint, other: CheckPoint) -> None:
    if not one.at_s < other.at_s:
        raise ArgumentError(
            name="at_s", value=other.at_s, bound=f"> {one.at_s:g}, the one before"
        )
