"""What a bench drifts between two looks at its check standard.

The drift is taken as a random walk: what is known of it grows less sure with the
time since the last check, and is held from both sides once the next check is in.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf, sqrt

import numpy as np

from daemon.metrology.checks import finite, not_negative
from daemon.metrology.errors import ArgumentError

__all__ = [
    "STEADY",
    "CheckPoint",
    "Drift",
    "carried_ppm",
    "interpolated",
    "walk_rate",
]

TWO = 2
"""Checks that it takes to see a drift."""


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
    """What a bench drifted until one moment, with its standard uncertainty, ppm.

    `degrees_of_freedom` are of the uncertainty: few checks tell little of a walk.
    """

    difference_ppm: float
    uncertainty_ppm: float
    degrees_of_freedom: float = inf


STEADY = Drift(difference_ppm=0.0, uncertainty_ppm=0.0)
"""Nothing drifted that is known of."""


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


def interpolated(points: Sequence[CheckPoint], at_s: float) -> Drift:
    """Return what the bench drifted from the first check until a moment between two.

    The walk starts at the first check and is seen at every other with the scatter of
    both. Between neighbouring checks its mean is the straight line. How much of a
    step is drift follows from `walk_rate`: checks that agree within their scatter say
    that nothing drifted, a step far beyond it is taken as it is.

    Parameters
    ----------
    points : sequence of CheckPoint
        Two checks or more of one session, in the order of their times.
    at_s : float
        A moment from the first to the last of them.

    Returns
    -------
    Drift

    Raises
    ------
    ArgumentError
        Fewer than two checks, two at one time or out of order, or a moment that is
        not between the first and the last.

    Notes
    -----
    Conditional mean and variance of a random walk given noisy looks at it; with
    looks without scatter, the walk pinned at both ends of an interval. The walk's
    rate has a degree of freedom for each step between checks (JCGM 100, G.3).

    Examples
    --------
    >>> before = CheckPoint(at_s=0.0, difference_ppm=0.0, uncertainty_ppm=0.0)
    >>> after = CheckPoint(at_s=100.0, difference_ppm=10.0, uncertainty_ppm=0.0)
    >>> interpolated([before, after], 50.0)
    Drift(difference_ppm=5.0, uncertainty_ppm=5.0, degrees_of_freedom=1)
    """
    if len(points) < TWO:
        raise ArgumentError(name="points", value=len(points), bound=f">= {TWO} checks")
    first, last = points[0], points[-1]
    if not first.at_s <= at_s <= last.at_s:
        raise ArgumentError(
            name="at_s",
            value=at_s,
            bound=f">= {first.at_s:g} and <= {last.at_s:g}",
        )
    rate = walk_rate(points)
    if rate == 0.0:
        return STEADY
    later = points[1:]
    elapsed_s = np.array([one.at_s - first.at_s for one in later])
    steps_ppm = np.array([one.difference_ppm - first.difference_ppm for one in later])
    scatter = np.diag([one.uncertainty_ppm**2 for one in later])
    seen = (
        rate * np.minimum.outer(elapsed_s, elapsed_s)
        + scatter
        + first.uncertainty_ppm**2
    )
    since_s = at_s - first.at_s
    shared = rate * np.minimum(elapsed_s, since_s)
    weights = np.linalg.solve(seen, shared)
    variance = rate * since_s - float(weights @ shared)
    return Drift(
        difference_ppm=float(weights @ steps_ppm),
        uncertainty_ppm=sqrt(max(variance, 0.0)),
        degrees_of_freedom=len(later),
    )


def _require_order(one: CheckPoint, other: CheckPoint) -> None:
    if not one.at_s < other.at_s:
        raise ArgumentError(
            name="at_s", value=other.at_s, bound=f"> {one.at_s:g}, the one before"
        )
