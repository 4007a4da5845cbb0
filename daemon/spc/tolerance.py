"""Statistical tolerance intervals: where a share of all units lies, surely enough.

An interval covers at least the share `coverage` of the population, with the
probability `confidence`.

References
----------
ISO 16269-6:2014; R. E. Odeh and D. B. Owen, Tables for Normal Tolerance Limits,
Sampling Plans, and Screening (1980); NIST/SEMATECH e-Handbook, section 7.2.6.3.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import sqrt

import numpy as np
import scipy
from numpy.typing import ArrayLike
from scipy.special import bdtr, chdtrc, chdtri, ndtr, ndtri

from daemon.spc.checks import Floats, count, finite_array, share, within_reach
from daemon.spc.moments import moments
from daemon.spc.numerics import nodes, normal_density, smallest

LARGE = 10_000_000


class Side(StrEnum):
    """Which end of the values an interval bounds."""

    LOWER = "lower"
    UPPER = "upper"
    BOTH = "both"


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceInterval:
    """An interval in the unit of the values; an open end is None.

    `factor` is the k of ``mean -+ k s``; `n` the number of values it rests on.
    """

    side: Side
    lower: float | None
    upper: float | None
    factor: float
    n: int
    coverage: float
    confidence: float


def normal_interval(
    x: ArrayLike,
    *,
    side: Side = Side.BOTH,
    coverage: float = 0.95,
    confidence: float = 0.95,
) -> ToleranceInterval:
    """Return the tolerance interval of normal values with unknown mean and sigma.

    Parameters
    ----------
    x : array_like, shape (n,)
        At least two values, any one unit.
    side : Side
        Lower limit, upper limit or both.
    coverage, confidence : float
        Above 0 and below 1.

    Raises
    ------
    SpcError
        For fewer than two values, values that are not finite, or a share outside
        its bounds.

    Examples
    --------
    >>> interval = normal_interval([9.8, 10.1, 10.0, 9.9, 10.2])
    >>> round(interval.factor, 3), round(interval.lower, 2), round(interval.upper, 2)
    (5.077, 9.2, 10.8)
    """
    found = moments(x)
    if side is Side.BOTH:
        factor = two_sided_factor(found.n, coverage=coverage, confidence=confidence)
    else:
        factor = one_sided_factor(found.n, coverage=coverage, confidence=confidence)
    half = factor * found.s
    return ToleranceInterval(
        side=side,
        lower=None if side is Side.UPPER else found.mean - half,
        upper=None if side is Side.LOWER else found.mean + half,
        factor=factor,
        n=found.n,
        coverage=coverage,
        confidence=confidence,
    )


def one_sided_factor(
    n: int, *, coverage: float, confidence: float, degrees: int | None = None
) -> float:
    """Return k of a one-sided limit, exactly (noncentral t).

    Parameters
    ----------
    n : int
        Values in the mean, at least 2.
    coverage, confidence : float
        Above 0 and below 1.
    degrees : int or None
        Degrees of freedom of s; None for ``n - 1``. More when s is pooled over
        several builds.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    Examples
    --------
    >>> round(one_sided_factor(10, coverage=0.95, confidence=0.95), 4)
    2.911
    """
    freedom = _checked(n, coverage, confidence, degrees)
    z = float(ndtri(coverage))
    if min(n, freedom) > LARGE:
        # Normal to seven digits, where the noncentral t of the library ends in NaN.
        return z + float(ndtri(confidence)) * sqrt(1.0 / n + z * z / (2.0 * freedom))
    return float(scipy.stats.nct.ppf(confidence, freedom, z * sqrt(n))) / sqrt(n)


@within_reach
def two_sided_factor(
    n: int, *, coverage: float, confidence: float, degrees: int | None = None
) -> float:
    """Return k of a two-sided interval, exactly.

    Parameters
    ----------
    n, coverage, confidence, degrees
        As in `one_sided_factor`.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    Notes
    -----
    For a mean that came out z standard errors off, s must reach what covers the
    share; the chi-square probability of that is integrated over z.

    Examples
    --------
    >>> round(two_sided_factor(10, coverage=0.95, confidence=0.95), 4)
    3.3934
    """
    freedom = _checked(n, coverage, confidence, degrees)
    off, weight = nodes(0.0, 9.0, 60)  # standard errors of the mean
    density = 2.0 * weight * normal_density(off)
    need = _half_widths(off / sqrt(n), coverage)

    def sure(factor: float) -> float:
        return float(density @ chdtrc(freedom, freedom * (need / factor) ** 2))

    high = howe_factor(n, coverage=coverage, confidence=confidence, degrees=degrees)
    low = high
    while sure(low) > confidence:
        low *= 0.9
    while sure(high) < confidence:
        high *= 1.1
    return float(
        scipy.optimize.brentq(lambda k: sure(k) - confidence, low, high, xtol=1e-10)
    )


def howe_factor(
    n: int, *, coverage: float, confidence: float, degrees: int | None = None
) -> float:
    """Return Howe's k of a two-sided interval, an approximation by hand.

    Parameters
    ----------
    n, coverage, confidence, degrees
        As in `one_sided_factor`.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    References
    ----------
    W. G. Howe, Journal of the American Statistical Association 64 (1969) 610-620.

    Examples
    --------
    >>> round(howe_factor(43, coverage=0.9, confidence=0.99), 4)
    2.2173
    """
    freedom = _checked(n, coverage, confidence, degrees)
    z = float(ndtri(0.5 * (1.0 + coverage)))
    return z * sqrt(freedom * (1.0 + 1.0 / n) / float(chdtri(freedom, confidence)))


@dataclass(frozen=True, slots=True, kw_only=True)
class DistributionFreeInterval:
    """An interval between ordered values, whatever their distribution.

    `lower_rank` and `upper_rank` count from 1; an open end is None. `lower` and
    `upper` are None too while there are too few values: `needed` says how many it
    takes. `reached` is the confidence that the interval has.
    """

    side: Side
    lower: float | None
    upper: float | None
    lower_rank: int | None
    upper_rank: int | None
    n: int
    needed: int
    reached: float
    coverage: float
    confidence: float


def distribution_free_interval(
    x: ArrayLike,
    *,
    side: Side = Side.BOTH,
    coverage: float = 0.95,
    confidence: float = 0.95,
) -> DistributionFreeInterval:
    """Return the narrowest tolerance interval between ordered values.

    Parameters
    ----------
    x : array_like, shape (n,)
        At least one value, of any continuous distribution.
    side : Side
        Lower limit, upper limit or both.
    coverage, confidence : float
        Above 0 and below 1.

    Raises
    ------
    SpcError
        For no value, values that are not finite, or a share outside its bounds.

    References
    ----------
    S. S. Wilks, Annals of Mathematical Statistics 12 (1941) 91-96; ISO 16269-6.

    Examples
    --------
    >>> few = distribution_free_interval(range(20))
    >>> few.lower, few.upper, few.needed
    (None, None, 93)
    >>> enough = distribution_free_interval(range(100))
    >>> enough.lower, enough.upper, round(enough.reached, 3)
    (0.0, 99.0, 0.963)
    """
    values = np.sort(finite_array("x", x, at_least=1))
    # Refuses shares outside their bounds: by these the ranks below would never end.
    needed = distribution_free_size(side=side, coverage=coverage, confidence=confidence)
    n = len(values)
    least = 1 if side is not Side.BOTH else 2
    # Leaving out m - 1 extreme values still covers with this probability.
    out = least
    while _covers(n, out + 1, coverage) >= confidence:
        out += 1
    below = {Side.BOTH: out // 2, Side.LOWER: out, Side.UPPER: None}[side]
    above = {Side.BOTH: out - out // 2, Side.UPPER: out, Side.LOWER: None}[side]
    ready = n >= needed
    upper_rank = None if above is None else n + 1 - above
    return DistributionFreeInterval(
        side=side,
        lower=float(values[below - 1]) if ready and below else None,
        upper=float(values[upper_rank - 1]) if ready and upper_rank else None,
        lower_rank=below if ready else None,
        upper_rank=upper_rank if ready else None,
        n=n,
        needed=needed,
        reached=_covers(n, out, coverage),
        coverage=coverage,
        confidence=confidence,
    )


def distribution_free_size(*, side: Side, coverage: float, confidence: float) -> int:
    """Return how many values it takes until the extremes are a tolerance interval.

    Parameters
    ----------
    side : Side
        One extreme or both.
    coverage, confidence : float
        Above 0 and below 1.

    Raises
    ------
    SpcError
        For a share outside its bounds.

    Examples
    --------
    >>> distribution_free_size(side=Side.UPPER, coverage=0.95, confidence=0.95)
    59
    """
    share("coverage", coverage)
    share("confidence", confidence)
    out = 1 if side is not Side.BOTH else 2
    return smallest(lambda n: _covers(n, out, coverage) >= confidence, at_least=out)


def _covers(n: int, out: int, coverage: float) -> float:
    """Probability that n values less the `out` outermost gaps cover the share."""
    if out > n:
        return 0.0
    return 1.0 - float(bdtr(out - 1, n, 1.0 - coverage))


def _half_widths(off: Floats, coverage: float) -> Floats:
    """Half widths that cover the share around centres `off` standard deviations."""
    low = np.full(len(off), float(ndtri(0.5 * (1.0 + coverage))))
    high = low + off
    for _ in range(50):
        middle = 0.5 * (low + high)
        short = ndtr(middle - off) - ndtr(-middle - off) < coverage
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return high


def _checked(n: int, coverage: float, confidence: float, degrees: int | None) -> int:
    count("n", n, at_least=2)
    share("coverage", coverage)
    share("confidence", confidence)
    return n - 1 if degrees is None else count("degrees", degrees, at_least=1)
