"""What a bench drifts between two looks at its check standard.

The drift is taken as a random walk: what is known of it grows less sure with the
time since the last check, and is held from both sides once the next check is in. How
fast it walks is known from the same few checks only, so every pace that they leave
possible counts with its weight: two checks that agree do not prove a bench steady.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import log, sqrt
from typing import NamedTuple

import numpy as np
import scipy

from daemon.metrology.checks import finite, not_negative
from daemon.metrology.errors import ArgumentError

__all__ = [
    "STEADY",
    "CheckPoint",
    "Drift",
    "between_checks_ppm",
    "carried_ppm",
    "held_between",
    "interpolated",
]

TWO = 2
"""Checks that it takes to see a drift."""
COVERAGE = 0.95
SHORTEST_S = 3600.0
"""Checks that follow each other sooner say little of what a bench does in hours."""
PACES = 120
NEWEST = 30
"""Checks that are looked at, beside the first: what a walk does tells of its pace."""
SLOWEST = 0.01
"""Of a walk from check to check, as a share of the checks' scatter."""
FASTEST = 8.0
FASTER = 3.0
"""Of a walk from check to check, at least: so many times the checks' scatter, or the
steps that were seen."""
ROUNDING = 1e-12
LARGEST = 1e12
"""Beyond this, in ppm or in seconds, nothing is a check."""
SOONEST_S = 1e-6
"""Checks less apart are at one time."""
NOTHING_PPM = 1e-9
"""What differs by less does not differ."""
EXACT = 1e-3
"""Scatter of checks that state none, as a share of the steps between them."""


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
        not_negative(uncertainty_ppm=self.uncertainty_ppm)
        _require_within(
            at_s=self.at_s,
            difference_ppm=self.difference_ppm,
            uncertainty_ppm=self.uncertainty_ppm,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """What a bench drifted until one moment, with its standard uncertainty, ppm.

    The uncertainty is 1/1.96 of the half width that covers 95 %.
    """

    difference_ppm: float
    uncertainty_ppm: float


STEADY = Drift(difference_ppm=0.0, uncertainty_ppm=0.0)
"""Nothing drifted that is known of."""


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
    ...     CheckPoint(at_s=at_s, difference_ppm=ppm, uncertainty_ppm=3.0)
    ...     for at_s, ppm in [(0.0, 0.0), (100.0, 2.0), (200.0, 1.0)]
    ... ]
    >>> round(carried_ppm(checks, 250.0), 1)
    1.4
    """
    if len(points) < TWO:
        return 0.0
    _require_within(at_s=at_s)
    walk = _walk(tuple(points))
    since_s = max(at_s - points[-1].at_s, 0.0)
    if walk is None or since_s == 0.0:
        return 0.0
    return _standard(walk.weights, np.zeros(PACES), np.sqrt(walk.rates * since_s))


def between_checks_ppm(sessions: Sequence[Sequence[CheckPoint]]) -> float | None:
    """Return the standard uncertainty of the drift until the next check is due, ppm.

    What is expected before anything is measured: by what the sessions so far walked,
    over the mean time from one of their checks to the next.

    Parameters
    ----------
    sessions : sequence of sequence of CheckPoint
        Good checks of each session, in the order of their times. One with a single
        check tells nothing.

    Returns
    -------
    float or None
        None where no session has two checks; 0 where none scatter or differ.

    Raises
    ------
    ArgumentError
        Two checks of a session at one time, or out of order.

    Notes
    -----
    All sessions are of one pace, each a walk of its own from its first check on, as
    `interpolated` has it. Every pace that they leave possible counts with its weight.

    Examples
    --------
    >>> day = [
    ...     CheckPoint(at_s=at_s, difference_ppm=ppm, uncertainty_ppm=1.0)
    ...     for at_s, ppm in [(0.0, 0.0), (7200.0, 12.0), (14400.0, 3.0)]
    ... ]
    >>> round(between_checks_ppm([day, day, day]), 1)
    13.0
    >>> between_checks_ppm([day[:1]])
    """
    told = [tuple(one) for one in sessions if len(one) >= TWO]
    if not told:
        return None
    looks = [_looks(one) for one in told]
    paces = _paces(looks)
    if paces is None:
        return 0.0
    weights = _weights(paces, [_seen(one, paces.rates)[1] for one in looks])
    gaps_s = [
        other.at_s - one.at_s for points in told for one, other in pairwise(points)
    ]
    mean_gap_s = float(np.mean(gaps_s))
    return _standard(weights, np.zeros(PACES), np.sqrt(paces.rates * mean_gap_s))


def interpolated(points: Sequence[CheckPoint], at_s: float) -> Drift:
    """Return what the bench drifted from the first check until a moment between two.

    The walk starts at the first check and is seen at every other with the scatter of
    both. Between neighbouring checks its mean is the straight line. How much of a
    step is drift follows from all steps: of one within the checks' scatter little is
    taken, one far beyond it is taken as it is.

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
    At a known pace: conditional mean and variance of a random walk given noisy looks
    at it; with looks without scatter, the walk pinned at both ends of an interval.
    Over paces: a mixture of them, weighed by how well each explains the steps, and
    beforehand alike below the checks' scatter and alike in their logarithm above it.
    Simulated walks of up to 4 times the scatter lie inside 95 % intervals in 93 of 100
    or more; of one 16 times as fast, of which two checks tell but one step, in 83.

    Examples
    --------
    >>> before = CheckPoint(at_s=0.0, difference_ppm=0.0, uncertainty_ppm=0.1)
    >>> after = CheckPoint(at_s=100.0, difference_ppm=10.0, uncertainty_ppm=0.1)
    >>> half_way = interpolated([before, after], 50.0)
    >>> round(half_way.difference_ppm, 1)
    5.0
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
    walk = _walk(tuple(points))
    since_s = at_s - first.at_s
    if walk is None or since_s == 0.0:
        return STEADY
    shared = walk.rates[:, None] * np.minimum(walk.elapsed_s, since_s)
    taken = _solved(walk.seen, shared[..., None])
    means = taken @ walk.steps_ppm
    variances = walk.rates * since_s - np.sum(taken * shared, axis=1)
    return Drift(
        difference_ppm=float(walk.weights @ means),
        uncertainty_ppm=_standard(
            walk.weights, means, np.sqrt(np.maximum(variances, 0.0))
        ),
    )


def held_between(points: Sequence[CheckPoint], at_s: float) -> Drift:
    """Return `interpolated`, and no surer than a step at any moment lets it be.

    A walk is known well next to a check. A bench that stepped right after one had
    drifted by the whole step there, or by nothing right before the next: the interval
    holds what it had drifted at both neighbouring checks.

    Parameters
    ----------
    points, at_s
        As for `interpolated`.

    Returns
    -------
    Drift

    Raises
    ------
    ArgumentError
        As `interpolated`.

    Examples
    --------
    >>> before = CheckPoint(at_s=0.0, difference_ppm=0.0, uncertainty_ppm=0.1)
    >>> after = CheckPoint(at_s=100.0, difference_ppm=55.0, uncertainty_ppm=0.1)
    >>> soon = held_between([before, after], 1.0)
    >>> 54.0 <= soon.difference_ppm + 1.96 * soon.uncertainty_ppm <= 56.0
    True
    >>> walked = interpolated([before, after], 1.0)
    >>> walked.difference_ppm + 1.96 * walked.uncertainty_ppm < 20.0
    True
    """
    drift = interpolated(points, at_s)
    times_s = [one.at_s for one in points]
    if at_s in times_s:
        return drift
    place = bisect_left(times_s, at_s)
    furthest_ppm = max(
        abs(interpolated(points, one).difference_ppm - drift.difference_ppm)
        for one in times_s[place - 1 : place + 1]
    )
    half_widths = float(scipy.special.ndtri((1.0 + COVERAGE) / 2.0))
    return Drift(
        difference_ppm=drift.difference_ppm,
        uncertainty_ppm=max(drift.uncertainty_ppm, furthest_ppm / half_widths),
    )


class _Walk(NamedTuple):
    """What a session's checks leave possible: paces, and how likely each is.

    Attributes
    ----------
    rates, weights : ndarray, shape (PACES,)
        Variance gained in a second, ppm^2/s; sum 1.
    seen : ndarray, shape (PACES, N, N)
        Covariance of the steps, ppm^2, at each pace.
    elapsed_s, steps_ppm : ndarray, shape (N,)
        Of each check since the first.
    """

    rates: np.ndarray
    weights: np.ndarray
    seen: np.ndarray
    elapsed_s: np.ndarray
    steps_ppm: np.ndarray


class _Looks(NamedTuple):
    """A session's checks: when and how each stood to the first, and their scatter.

    Attributes
    ----------
    elapsed_s, steps_ppm, own_ppm2 : ndarray, shape (N,)
        Of each check since the first; the variance of its own scatter.
    first_ppm2, scatter_ppm2 : float
        Variance of the first check's scatter, and of all on average.
    """

    elapsed_s: np.ndarray
    steps_ppm: np.ndarray
    own_ppm2: np.ndarray
    first_ppm2: float
    scatter_ppm2: float


class _Paces(NamedTuple):
    """Paces that are held possible: variance gained in a second, and its size."""

    rates: np.ndarray
    sizes: np.ndarray
    """Of a walk from one check to the next, in units of the checks' scatter."""


@lru_cache(maxsize=8)
def _walk(points: tuple[CheckPoint, ...]) -> _Walk | None:
    """Return what the checks say of the walk; None where they cannot differ.

    A list of checks is asked for every unit between them.
    """
    looks = _looks(points)
    paces = _paces([looks])
    if paces is None:
        return None
    seen, likelihood = _seen(looks, paces.rates)
    return _Walk(
        paces.rates,
        _weights(paces, [likelihood]),
        seen,
        looks.elapsed_s,
        looks.steps_ppm,
    )


def _looks(points: tuple[CheckPoint, ...]) -> _Looks:
    for one, other in pairwise(points):
        _require_order(one, other)
    first, later = points[0], points[1:][-NEWEST:]
    return _Looks(
        elapsed_s=np.array([one.at_s - first.at_s for one in later]),
        steps_ppm=np.array(
            [one.difference_ppm - first.difference_ppm for one in later]
        ),
        own_ppm2=np.array([one.uncertainty_ppm**2 for one in later]),
        first_ppm2=first.uncertainty_ppm**2,
        scatter_ppm2=float(np.mean([one.uncertainty_ppm**2 for one in points])),
    )


def _paces(sessions: Sequence[_Looks]) -> _Paces | None:
    """Return paces from far below the scatter to far above the steps; None for none."""
    taken_s = [np.diff(one.elapsed_s, prepend=0.0) for one in sessions]
    apart_s = max(float(np.median(np.concatenate(taken_s))), SHORTEST_S)
    # Steps as they would be if all checks were so far apart.
    squares = [
        np.diff(one.steps_ppm, prepend=0.0) ** 2 * (apart_s / taken)
        for one, taken in zip(sessions, taken_s, strict=True)
    ]
    step_ppm = sqrt(float(np.mean(np.concatenate(squares))))
    scatter_ppm = sqrt(float(np.mean([one.scatter_ppm2 for one in sessions])))
    if max(step_ppm, scatter_ppm) < NOTHING_PPM:
        return None
    scatter_ppm = max(scatter_ppm, EXACT * step_ppm)
    fastest = max(FASTEST, FASTER * step_ppm / scatter_ppm)
    sizes = np.exp(np.linspace(log(SLOWEST), log(fastest), PACES))
    return _Paces((sizes * scatter_ppm) ** 2 / apart_s, sizes)


def _seen(one: _Looks, rates: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the covariance of a session's steps at each pace, and its likelihood."""
    seen = (
        rates[:, None, None] * np.minimum.outer(one.elapsed_s, one.elapsed_s)
        + np.diag(one.own_ppm2)
        + one.first_ppm2
    )
    count = len(one.steps_ppm)
    solved = _solved(
        seen, np.broadcast_to(one.steps_ppm[:, None], (len(rates), count, 1))
    )
    likelihood = -0.5 * (np.linalg.slogdet(seen)[1] + solved @ one.steps_ppm)
    if not np.isfinite(likelihood).all():
        raise _too_unlike()
    return seen, likelihood


def _solved(seen: np.ndarray, sides: np.ndarray) -> np.ndarray:
    """Return the solutions of linear equations, one for each pace."""
    try:
        return np.linalg.solve(seen, sides)[..., 0]
    except np.linalg.LinAlgError:
        raise _too_unlike() from None


def _too_unlike() -> ArgumentError:
    return ArgumentError(
        name="uncertainties and times of the checks",
        value="too far apart to reckon with",
        bound="closer together",
    )


def _weights(paces: _Paces, likelihoods: Sequence[np.ndarray]) -> np.ndarray:
    """Return how likely each pace is by all sessions; sum 1."""
    weights = sum(likelihoods, np.log(paces.sizes / (1.0 + paces.sizes)))
    weights = np.exp(weights - weights.max())
    return np.asarray(weights / weights.sum())


def _standard(weights: np.ndarray, means: np.ndarray, deviations: np.ndarray) -> float:
    """Return 1/1.96 of the half width about a mixture's mean that covers 95 %."""
    middle = float(weights @ means)
    deviations = np.maximum(deviations, np.finfo(float).tiny)
    most = 2.0 * float(np.max(np.abs(means - middle)) + 3.0 * np.max(deviations))
    if most <= ROUNDING * abs(middle):
        return 0.0  # at a check without scatter

    def beyond(half: float) -> float:
        with np.errstate(over="ignore"):  # beyond all numbers is as sure as can be
            above = scipy.special.ndtr((middle + half - means) / deviations)
            below = scipy.special.ndtr((middle - half - means) / deviations)
        return float(weights @ (above - below)) - COVERAGE

    half = scipy.optimize.brentq(beyond, 0.0, most, rtol=1e-6)
    return float(half / scipy.special.ndtri((1.0 + COVERAGE) / 2.0))


def _require_order(one: CheckPoint, other: CheckPoint) -> None:
    if not other.at_s - one.at_s >= SOONEST_S:
        raise ArgumentError(
            name="at_s", value=other.at_s, bound=f"> {one.at_s:g}, the one before"
        )


def _require_within(**values: float) -> None:
    finite(**values)
    for name, value in values.items():
        if not abs(value) <= LARGEST:
            raise ArgumentError(
                name=name, value=value, bound=f">= {-LARGEST:g} and <= {LARGEST:g}"
            )
