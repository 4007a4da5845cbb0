"""Intervals for sums and differences of mean squares.

References
----------
N. Ting, R. K. Burdick, F. A. Graybill, S. Jeyaratnam and T.-F. C. Lu, Journal of
Statistical Computation and Simulation 35 (1990) 135-143 (modified large sample);
R. K. Burdick and F. A. Graybill, Confidence Intervals on Variance Components (1992).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from math import sqrt

from scipy.special import chdtri, fdtri

from daemon.spc.checks import share


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A two-sided confidence interval, in the unit of what it is for."""

    lower: float
    upper: float
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSquare:
    """A mean square with its degrees of freedom, and its weight in a sum."""

    value: float
    degrees: int
    weight: float = 1.0


def variance_interval(mean_square: MeanSquare, *, confidence: float = 0.95) -> Interval:
    """Return the exact interval of a variance (chi-square); the weight is ignored.

    Parameters
    ----------
    mean_square : MeanSquare
        Its value and degrees of freedom.
    confidence : float
        Above 0 and below 1.

    Raises
    ------
    SpcError
        For a confidence outside its bounds.

    Examples
    --------
    >>> interval = variance_interval(MeanSquare(value=2451.25, degrees=24))
    >>> round(interval.lower, 2), round(interval.upper, 2)
    (1494.51, 4743.91)
    """
    outside = 0.5 * (1.0 - share("confidence", confidence))
    total = mean_square.value * mean_square.degrees
    return Interval(
        lower=total / float(chdtri(mean_square.degrees, outside)),
        upper=total / float(chdtri(mean_square.degrees, 1.0 - outside)),
        confidence=confidence,
    )


def sum_interval(terms: Sequence[MeanSquare], *, confidence: float = 0.95) -> Interval:
    """Return the interval of a weighted sum of independent mean squares.

    Parameters
    ----------
    terms : sequence of MeanSquare
        Weights may have either sign.
    confidence : float
        Above 0 and below 1; approximate, exact for a single term.

    Returns
    -------
    Interval
        Not cut at zero: a lower end below zero says that zero is possible.

    Raises
    ------
    SpcError
        For a confidence outside its bounds.

    Examples
    --------
    >>> between = MeanSquare(value=11271.5, degrees=5, weight=0.2)
    >>> within = MeanSquare(value=2451.25, degrees=24, weight=-0.2)
    >>> interval = sum_interval([between, within])
    >>> round(interval.lower, 1), round(interval.upper, 1)
    (306.4, 13046.0)
    """
    outside = 0.5 * (1.0 - share("confidence", confidence))
    estimate = sum(term.weight * term.value for term in terms)
    plus = [term for term in terms if term.weight > 0.0]
    minus = [term for term in terms if term.weight < 0.0]
    return Interval(
        lower=estimate - sqrt(max(0.0, _spread(plus, minus, outside))),
        upper=estimate + sqrt(max(0.0, _spread(minus, plus, outside))),
        confidence=confidence,
    )


def _spread(
    shrinking: Sequence[MeanSquare], growing: Sequence[MeanSquare], outside: float
) -> float:
    """Squared distance of an end at which the one kind is small, the other large."""
    total = sum((_down(t, outside) * t.weight * t.value) ** 2 for t in shrinking)
    total += sum((_up(t, outside) * t.weight * t.value) ** 2 for t in growing)
    for a, b in product(shrinking, growing):
        f = float(fdtri(a.degrees, b.degrees, 1.0 - outside))
        cross = (f - 1.0) ** 2 - (_down(a, outside) * f) ** 2 - _up(b, outside) ** 2
        total += cross / f * abs(a.weight * b.weight) * a.value * b.value
    return total


def _down(term: MeanSquare, outside: float) -> float:
    return 1.0 - term.degrees / float(chdtri(term.degrees, outside))


def _up(term: MeanSquare, outside: float) -> float:
    return term.degrees / float(chdtri(term.degrees, 1.0 - outside)) - 1.0
