"""Counts: nonconforming units (p, np) and nonconformities (c, u).

References
----------
ISO 7870-2, charts for attributes; NIST/SEMATECH e-Handbook of Statistical Methods,
section 6.3.3; D. B. Laney, Quality Engineering 14 (2002) 531-537 (overdispersed).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from math import inf, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import bdtr, bdtrc, pdtr, pdtrc

from daemon.spc.checks import (
    Floats,
    count,
    finite,
    finite_array,
    positive,
    same_length,
    share,
)
from daemon.spc.control_limits import (
    GIVEN,
    Exclusion,
    Provenance,
    SigmaMethod,
    kept,
    limits_from_baseline,
)
from daemon.spc.errors import NoSpreadError, OutOfRangeError, TooFewError

MOST_COUNTED = 1e7
"""Expected in one sample: every count up to there is looked at."""


class Count(StrEnum):
    """What is counted, and what is plotted."""

    P = "share of nonconforming units"
    NP = "number of nonconforming units"
    C = "number of nonconformities"
    U = "nonconformities per unit"

    @property
    def binomial(self) -> bool:
        """Whether each unit counts at most once."""
        return self in {Count.P, Count.NP}

    @property
    def per_unit(self) -> bool:
        """Whether the count is divided by the sample's size."""
        return self in {Count.P, Count.U}


@dataclass(frozen=True, slots=True, kw_only=True)
class CountLimits:
    """What a chart of counts holds its samples against.

    Parameters
    ----------
    rate : float
        Expected count per unit of size: a share below 1 where each unit counts once.
    overdispersion : float
        Standard deviation of the standardised counts: 1 when the law of the counts
        alone makes them vary, more when samples differ beyond it.
    width : float
        Distance of the limits, in standard deviations of what is plotted.
    provenance : Provenance
        Where the rate came from; `used` counts samples.

    Raises
    ------
    OutOfRangeError
        For a number that is not above zero.
    """

    rate: float
    overdispersion: float = 1.0
    width: float = 3.0
    provenance: Provenance = GIVEN

    def __post_init__(self) -> None:
        positive("rate", self.rate)
        positive("overdispersion", self.overdispersion)
        positive("width", self.width)


@dataclass(frozen=True, slots=True, kw_only=True)
class CountPoint:
    """One sample: `value` is what is plotted of its `count` and `size`.

    `z` is the distance from the centre in standard deviations, so that samples of
    different size share one picture and one set of run rules.
    """

    n: int
    count: float
    size: float
    value: float
    z: float
    centre: float
    lower: float
    upper: float
    signal: bool


@dataclass(slots=True, kw_only=True)
class CountChart:
    """Watch counts in samples whose size may vary; limits follow each size.

    The lower limit is never below zero, the upper of a share never above one. A
    value on a limit is not beyond it.

    Parameters
    ----------
    kind : Count
        What is counted, and what is plotted.
    limits : CountLimits
        The expected rate.
    n : int
        Samples taken so far.

    Raises
    ------
    OutOfRangeError
        For a share of one or more.

    Examples
    --------
    >>> chart = CountChart(kind=Count.P, limits=CountLimits(rate=0.1))
    >>> point = chart.update(9.0, 36.0)
    >>> point.value, round(point.upper, 6), round(point.z, 6), point.signal
    (0.25, 0.25, 3.0, False)
    """

    kind: Count
    limits: CountLimits
    n: int = 0

    def __post_init__(self) -> None:
        if self.kind.binomial:
            share("rate", self.limits.rate)

    def update(self, counted: float, size: float = 1.0) -> CountPoint:
        """Take one sample; constant cost.

        Parameters
        ----------
        counted : float
            A whole number, at least 0, and at most `size` for units.
        size : float
            Units in the sample, whole for nonconforming units; for nonconformities
            any multiple above 0 of what the rate is per.

        Raises
        ------
        SpcError
            For numbers outside these bounds; the chart is left as it was.
        """
        _checked(self.kind, [counted], [size])
        limits = self.limits
        divisor = size if self.kind.per_unit else 1.0
        expected = limits.rate * size
        sigma = limits.overdispersion * sqrt(_variance(self.kind, limits.rate) * size)
        # A rate next to nothing, of next to nothing, scatters by less than a number.
        positive("standard deviation of the sample", sigma)
        lower = max(0.0, expected - limits.width * sigma) / divisor
        upper = expected + limits.width * sigma
        upper = (min(upper, size) if self.kind.binomial else upper) / divisor
        value = counted / divisor
        self.n += 1
        return CountPoint(
            n=self.n,
            count=float(counted),
            size=float(size),
            value=value,
            z=(counted - expected) / sigma,
            centre=expected / divisor,
            lower=lower,
            upper=upper,
            # Rounding must not put a count that lies on a limit beyond it.
            signal=not lower * (1 - 1e-12) <= value <= upper * (1 + 1e-12),
        )


def count_limits(
    kind: Count,
    counted: ArrayLike,
    size: ArrayLike | None = None,
    *,
    overdispersed: bool = False,
    exclude: Iterable[Exclusion] = (),
    width: float = 3.0,
) -> CountLimits:
    """Return the limits of a chart of counts from a baseline.

    Parameters
    ----------
    kind : Count
        What is counted.
    counted, size : array_like, shape (n,)
        Counts and sizes of the baseline's samples; no sizes means 1 each.
    overdispersed : bool
        Whether samples may differ beyond the law of the counts: the standard
        deviation of the standardised counts is then taken from their moving ranges.
    exclude : iterable of Exclusion
        Samples with a recorded cause, left out.
    width : float
        Distance of the limits, in standard deviations of what is plotted.

    Returns
    -------
    CountLimits
        With their provenance.

    Raises
    ------
    SpcError
        For counts outside their bounds, nothing left, or a rate of 0 or (for shares)
        1, from which no limits follow.

    Examples
    --------
    >>> limits = count_limits(Count.P, [3, 5, 4], [40, 40, 40])
    >>> limits.rate
    0.1
    """
    counts, sizes = _checked(kind, counted, size)
    keep, excluded = kept("counted", len(counts), exclude)
    counts, sizes = counts[keep], sizes[keep]
    if not len(counts):
        raise TooFewError(argument="samples left", value=0, allowed=">= 1")
    rate = float(counts.sum() / sizes.sum())
    if rate == 0.0 or (kind.binomial and rate == 1.0):
        allowed = "> 0 and < 1 for limits" if kind.binomial else "> 0 for limits"
        raise NoSpreadError(argument="rate of counted", value=rate, allowed=allowed)
    overdispersion, freedom, method = 1.0, inf, SigmaMethod.LAW
    if overdispersed:
        z = (counts - rate * sizes) / np.sqrt(_variance(kind, rate) * sizes)
        told = limits_from_baseline(z)
        overdispersion, freedom = told.sigma, told.provenance.degrees_of_freedom
        method = SigmaMethod.OVERDISPERSED
    return CountLimits(
        rate=rate,
        overdispersion=overdispersion,
        width=width,
        provenance=Provenance(
            method=method,
            used=len(counts),
            degrees_of_freedom=freedom,
            excluded=excluded,
        ),
    )


def exact_count_limits(
    kind: Count, *, rate: float, size: float = 1.0, tail: float = 0.00135
) -> tuple[int, int]:
    """Return the counts that are just inside limits of exact probability.

    Three-sigma limits of counts have unequal tails: at 16 nonconformities 0.0022
    above and 0.0001 below.

    Parameters
    ----------
    kind : Count
        What is counted; units follow the binomial law, nonconformities Poisson's.
    rate, size : float
        Expected rate and the sample's size.
    tail : float
        Probability that each limit leaves beyond it at most, strictly.

    Returns
    -------
    (int, int)
        The largest count below which lies less than `tail`, and the smallest above
        which lies less than `tail`. Signals are counts below the one and above the
        other.

    Raises
    ------
    OutOfRangeError
        For a number outside its bounds.

    Examples
    --------
    >>> exact_count_limits(Count.C, rate=16.0)
    (5, 29)
    """
    share("tail", tail)
    positive("rate", rate)
    if kind.binomial:
        share("rate", rate)
        finite("size", size)
        units = count("size", int(size) if size == int(size) else -1, at_least=1)
        _few_enough("size", units)
        k = np.arange(units + 1)
        up_to, above = bdtr(k, units, rate), bdtrc(k, units, rate)
    else:
        mean = rate * positive("size", size)
        _few_enough("rate * size", mean)
        k = np.arange(int(mean + 40.0 * np.sqrt(mean) + 100.0))
        up_to, above = pdtr(k, mean), pdtrc(k, mean)
    return int(np.sum(up_to < tail)), int(np.argmax(above < tail))


def _few_enough(argument: str, value: float) -> None:
    if value > MOST_COUNTED:
        raise OutOfRangeError(
            argument=argument, value=value, allowed=f"<= {MOST_COUNTED:g}"
        )


def _variance(kind: Count, rate: float) -> float:
    """Return the variance of a count by its law, per unit of size."""
    return rate * (1.0 - rate) if kind.binomial else rate


def _checked(
    kind: Count, counted: ArrayLike, size: ArrayLike | None
) -> tuple[Floats, Floats]:
    counts = finite_array("counted", counted)
    sizes = np.ones(len(counts)) if size is None else finite_array("size", size)
    same_length("counted, size", counts, sizes)
    _refuse(counts, (counts < 0) | (counts != np.floor(counts)), "counted", "0, 1, ...")
    _refuse(sizes, sizes <= 0, "size", "> 0")
    if kind.binomial:
        _refuse(sizes, sizes != np.floor(sizes), "size", "1, 2, ...")
        _refuse(counts, counts > sizes, "counted", "<= size")
    return counts, sizes


def _refuse(
    values: Floats, bad: NDArray[np.bool_], argument: str, allowed: str
) -> None:
    if bad.any():
        at = int(np.argmax(bad))
        raise OutOfRangeError(
            argument=f"{argument}[{at}]", value=values[at], allowed=allowed
        )
