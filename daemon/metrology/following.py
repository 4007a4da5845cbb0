"""Readings that follow one another: a meter that filters tells less than it reads.

A reading that still holds some of the one before is no new reading. How much it holds
is known from few readings only, so every degree that they leave possible counts with
its weight, and so does what other readings of the same meter tell.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from math import exp, inf, isnan, lgamma, pi, sqrt

import numpy as np
import scipy
from numpy.typing import NDArray

from daemon.metrology.checks import sample
from daemon.metrology.errors import ArgumentError
from daemon.metrology.uncertainty import TypeA, coverage_factor, type_a

__all__ = ["LARGEST", "NEW_EACH_TIME", "Following", "mean_of"]

LARGEST = 0.95
"""Correlation of neighbours above which no mean of readings tells anything."""
GRID = np.linspace(0.0, LARGEST, 39)
COVERAGE = 0.95
FEWEST = 3
"""Readings of a series that tell something of how they follow one another."""
SURE_UP_TO = 0.8
"""Correlation up to which two readings of a meter that nobody knows are as sure as is
stated: they tell nothing of it themselves, and the mean over all would fall short."""
ROUNDING = 1e-12
NEWTON_STEPS = 20
NEWTON_REACHED = 1e-6
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Following:
    """What is known of how readings of a meter follow one another.

    `log_weights` has one element for each correlation of neighbours in `GRID`;
    beforehand those of the reference prior, 1 / sqrt(1 - correlation^2) (Berger and
    Yang 1994, from memory): were all alike, three readings of a meter that filters
    much would seem to tell more than they do.
    """

    log_weights: tuple[float, ...] = field(
        default=tuple((-0.5 * np.log1p(-(GRID**2))).tolist())
    )

    def __post_init__(self) -> None:
        if len(self.log_weights) != len(GRID):
            raise ArgumentError(
                name="number of log_weights",
                value=len(self.log_weights),
                bound=str(len(GRID)),
            )
        if not -inf < max(self.log_weights) < inf or any(map(isnan, self.log_weights)):
            raise ArgumentError(
                name="log_weights",
                value=max(self.log_weights),
                bound="numbers, one of them finite",
            )

    @classmethod
    def known(cls, correlation: float) -> "Following":
        """Return that of a meter of which the correlation of neighbours is known.

        Parameters
        ----------
        correlation : float
            From 0, each reading is new, to 0.95.

        Raises
        ------
        ArgumentError
            If it is outside its bound.

        Examples
        --------
        >>> round(Following.known(0.5).likeliest, 9)
        0.5
        """
        if not 0 <= correlation <= LARGEST:
            raise ArgumentError(
                name="correlation", value=correlation, bound=f">= 0 and <= {LARGEST}"
            )
        nearest = int(np.argmin(np.abs(GRID - correlation)))
        return cls(
            log_weights=tuple(
                0.0 if place == nearest else -inf for place in range(len(GRID))
            )
        )

    @property
    def likeliest(self) -> float:
        """The likeliest correlation of neighbours."""
        return float(GRID[int(np.argmax(self.log_weights))])

    @property
    def expected(self) -> float:
        """The mean of the correlation of neighbours."""
        return float(self.weights @ GRID)

    @property
    def weights(self) -> FloatArray:
        """Probability of each correlation of `GRID`."""
        found = np.exp(np.array(self.log_weights) - max(self.log_weights))
        return np.asarray(found / found.sum())

    def told(self, series: Iterable[Sequence[float]]) -> "Following":
        """Return what is known once further series of the meter are in.

        Parameters
        ----------
        series : iterable of sequence of float
            Readings in the order and at the pace they were taken, one series for each
            level. Fewer than three, or all alike, tell nothing.

        Raises
        ------
        ArgumentError
            If a reading is not finite.

        Notes
        -----
        Restricted likelihood of a stationary process of first order, each series with
        a level and a scatter of its own (Patterson and Thompson 1971, from memory).

        Examples
        --------
        >>> slow = [1.0, 1.1, 1.2, 1.3, 1.25, 1.2, 1.1, 1.0, 0.9, 0.8, 0.85, 0.9]
        >>> Following().told([slow]).likeliest > 0.5
        True
        """
        total = np.array(self.log_weights)
        for one in series:
            if len(one) >= FEWEST:
                taken = np.array(sample("readings", one, at_least=FEWEST))
                total = total + _log_likelihood(taken)
        return Following(log_weights=tuple(float(one) for one in total))

    def beside(self, other: "Following", share: float) -> "Following":
        """Return what is known of how ratios of two meters' readings follow.

        Parameters
        ----------
        other : Following
            Of the other meter.
        share : float
            Of the ratios' variance, what the readings of this meter make; 0 to 1.

        Raises
        ------
        ArgumentError
            If the share is outside its bound.

        Notes
        -----
        A mixture: the variance that each correlation leaves to the mean counts with its
        meter's share, as it does in the mean of ratios. To take the meter that follows
        more took the one that seemed to, and was twice as wide as need be where the
        other makes most of the scatter (the project's own, by simulation).

        Examples
        --------
        >>> quick, slow = Following.known(0.0), Following.known(0.8)
        >>> round(quick.beside(slow, 0.75).expected, 9)
        0.2
        """
        if not 0 <= share <= 1:
            raise ArgumentError(name="share", value=share, bound=">= 0 and <= 1")
        if self == other:
            return self
        together = share * self.weights + (1.0 - share) * other.weights
        with np.errstate(divide="ignore"):
            return Following(log_weights=tuple(np.log(together).tolist()))


UNKNOWN = Following()
"""Of a meter of which nothing is known, before it has told anything."""
NEW_EACH_TIME = Following.known(0.0)
"""Of a meter that takes each reading anew."""


def mean_of(readings: Sequence[float], following: Following) -> TypeA:
    """Return mean and standard uncertainty of readings that may follow one another.

    Parameters
    ----------
    readings : sequence of float
        Two or more, one unit, in the order and at the pace they were taken.
    following : Following
        What is known of the meter; these readings themselves among it.

    Returns
    -------
    TypeA
        `standard` times Student's factor of its degrees of freedom is the half width
        about the mean that covers 95 %.

    Raises
    ------
    ArgumentError
        With fewer than two readings or one that is not finite.

    Notes
    -----
    At a known correlation the mean by generalised least squares is exactly Student's.
    Over correlations: the mixture by their weights. Two readings of a meter of which
    nothing is known: as at a correlation of 0.8, where the mixture is narrower.

    Examples
    --------
    >>> new = mean_of([9.98, 10.0, 10.02], Following.known(0.0))
    >>> round(new.standard, 5)
    0.01155
    >>> mean_of([9.98, 10.0, 10.02], Following.known(0.8)).standard > new.standard
    True
    """
    if following is NEW_EACH_TIME:
        return type_a(readings)
    return _mean_of(tuple(readings), following)


@lru_cache(maxsize=512)
def _mean_of(readings: tuple[float, ...], following: Following) -> TypeA:
    # A zero is asked for by each level that is read beside it, and for its drift.
    plain = type_a(readings)
    if plain.deviation <= ROUNDING * abs(plain.mean):
        return plain
    taken = (np.array(readings, dtype=float) - plain.mean) / plain.deviation
    degrees = plain.degrees_of_freedom
    ones, sums, squares = _forms(taken)
    centres = sums / ones
    spread = np.maximum(squares - sums**2 / ones, 0.0) / degrees
    scales = np.sqrt(spread / ones)
    weights = following.weights
    used = weights > ROUNDING
    half = _half_width(weights[used], centres[used], scales[used], degrees)
    if len(readings) < FEWEST and following == UNKNOWN:
        at = float(np.interp(SURE_UP_TO, GRID, scales))
        half = max(half, coverage_factor(COVERAGE, degrees) * at)
    return TypeA(
        mean=plain.mean,
        deviation=plain.deviation * sqrt(float(weights @ spread)),
        standard=plain.deviation * half / coverage_factor(COVERAGE, degrees),
        degrees_of_freedom=degrees,
    )


def _forms(taken: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return 1'C 1, 1'C x and x'C x by correlation, C the inverse of its matrix."""
    inner = taken[1:-1]
    count = len(taken)
    ones = (count - (count - 2) * GRID) / (1 + GRID)
    sums = (taken.sum() - GRID * inner.sum()) / (1 + GRID)
    squares = (
        taken @ taken + GRID**2 * (inner @ inner) - 2 * GRID * (taken[1:] @ taken[:-1])
    ) / (1 - GRID**2)
    return ones, sums, squares


def _log_likelihood(readings: FloatArray) -> FloatArray:
    rest = readings - readings.mean()
    deviation = float(np.sqrt(rest @ rest / (len(rest) - 1)))
    if deviation <= ROUNDING * abs(float(readings.mean())) or deviation == 0:
        return np.zeros(len(GRID))
    ones, sums, squares = _forms(rest / deviation)
    degrees = len(rest) - 1
    spread = np.maximum(squares - sums**2 / ones, np.finfo(float).tiny)
    return np.asarray(
        -0.5 * degrees * np.log(1 - GRID**2)
        - 0.5 * np.log(ones)
        - 0.5 * degrees * np.log(spread)
    )


def _half_width(
    weights: FloatArray, centres: FloatArray, scales: FloatArray, degrees: int
) -> float:
    """Return the half width about 0 that covers 95 % of a mixture of Student's t."""
    factor = coverage_factor(COVERAGE, degrees)
    narrow, wide = factor * float(scales.min()), factor * float(scales.max())
    wide = wide + float(np.max(np.abs(centres)))
    if len(weights) == 1 or wide - narrow <= ROUNDING * wide:
        return factor * float(scales[0]) if len(weights) == 1 else wide
    # Of either side: what is beyond one end is what is below the other, mirrored.
    centre = np.concatenate([centres, -centres])
    scale = np.concatenate([scales, scales])
    weight = np.concatenate([weights, weights])
    below = float(weights.sum())

    def beyond(half: float) -> float:
        within = scipy.special.stdtr(degrees, (half - centre) / scale)
        return float(weight @ within) - below - COVERAGE

    def density(half: float) -> float:
        kernel = 1.0 + ((half - centre) / scale) ** 2 / degrees
        return peak * float((weight / scale) @ kernel ** (-0.5 * (degrees + 1)))

    peak = exp(lgamma(0.5 * (degrees + 1)) - lgamma(0.5 * degrees))
    peak /= sqrt(pi * degrees)
    # It is nearly one Student's t of the same variance: two or three steps of Newton's.
    half = factor * sqrt(float(weights @ (scales**2 + centres**2)) / below)
    for _ in range(NEWTON_STEPS):
        step = beyond(half) / density(half)
        half -= step
        if not half > 0:
            break
        if abs(step) <= NEWTON_REACHED * half:  # and the next one is its square
            return half
    low = 0.5 * narrow
    while beyond(low) > 0:  # the centres lie together, off the mean
        low *= 0.5
    return float(scipy.optimize.brentq(beyond, low, 2 * wide, rtol=1e-6))
