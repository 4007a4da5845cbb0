"""Units, or time, between rare failures (g and t charts).

Where failures are rare, counts per sample are nearly all zero; the gap from one
failure to the next says more.

References
----------
J. C. Benneyan, Health Care Management Science 4 (2001) 305-318 (g); L. S. Nelson,
Journal of Quality Technology 26 (1994) 239-240 (t).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from math import ceil, floor, inf, log, log1p

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from daemon.spc.checks import Floats, finite_array, positive, share
from daemon.spc.errors import NoSpreadError, OutOfRangeError, TooFewError
from daemon.spc.limits import GIVEN, Exclusion, Provenance, SigmaMethod, kept

SMALLEST = 5e-324
"""Probabilities end here, so `z` ends at 38 instead of becoming infinite."""


class Gap(StrEnum):
    """What lies between two failures."""

    UNITS = "conforming units between failures"
    """A whole number from 0 on, geometric while all is well."""
    TIME = "time between failures"
    """Above 0, exponential while all is well."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GapLimits:
    """The expected gap, in units or in any unit of time, and the tails.

    Parameters
    ----------
    mean : float
        Average gap while all is well.
    tail : float
        Probability that each limit leaves beyond it, at most.
    provenance : Provenance
        Where the mean came from; `used` counts gaps.

    Raises
    ------
    OutOfRangeError
        For a mean not above 0 or a tail not between 0 and 1.
    """

    mean: float
    tail: float = 0.00135
    provenance: Provenance = GIVEN

    def __post_init__(self) -> None:
        positive("mean", self.mean)
        share("tail", self.tail)


@dataclass(frozen=True, slots=True, kw_only=True)
class GapPoint:
    """One gap.

    `z` is its normal score (of the middle of its probability, for whole units):
    below zero for short gaps. Plot or rule on it where the limits cannot help: one
    short gap is no evidence until failures are rarer than the tail, several are.
    """

    n: int
    value: float
    z: float
    centre: float
    lower: float
    upper: float
    signal: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class GapHistory:
    """Fields as in `GapPoint`, shape (n,)."""

    n: NDArray[np.int64]
    value: Floats
    z: Floats
    centre: Floats
    lower: Floats
    upper: Floats
    signal: NDArray[np.bool_]


@dataclass(slots=True, kw_only=True)
class GapChart:
    """Watch the gaps between failures against limits of exact probability.

    A gap below the lower limit says that failures have become more frequent; with
    whole units that limit is 0, and nothing lies below it, unless failures are
    rarer than the tail.

    Parameters
    ----------
    kind : Gap
        What lies between two failures.
    limits : GapLimits
        The expected gap.
    n : int
        Gaps taken so far.

    Examples
    --------
    >>> chart = GapChart(kind=Gap.TIME, limits=GapLimits(mean=200.0))
    >>> point = chart.update(0.25)  # hours
    >>> round(point.lower, 3), point.signal
    (0.27, True)
    """

    kind: Gap
    limits: GapLimits
    n: int = 0

    def update(self, gap: float) -> GapPoint:
        """Take one gap; constant cost.

        Parameters
        ----------
        gap : float
            Conforming units since the last failure (0, 1, ...), or time (> 0).

        Raises
        ------
        SpcError
            For a gap that cannot be; the chart is left as it was.
        """
        history = self.extend([gap])
        return GapPoint(
            n=self.n,
            value=float(history.value[0]),
            z=float(history.z[0]),
            centre=float(history.centre[0]),
            lower=float(history.lower[0]),
            upper=float(history.upper[0]),
            signal=bool(history.signal[0]),
        )

    def extend(self, gap: ArrayLike) -> GapHistory:
        """Take many gaps at once: the same points and state as one by one.

        Parameters
        ----------
        gap : array_like, shape (n,)
            In the order of the failures.

        Raises
        ------
        SpcError
            As for `update`; the chart is left as it was.
        """
        gaps = _checked(self.kind, gap)
        mean = self.limits.mean
        lower, upper = gap_bounds(self.kind, self.limits)
        if self.kind is Gap.TIME:
            log_beyond = -gaps / mean
        else:
            # The gap's own probability is counted half.
            log_beyond = -gaps * log1p(1.0 / mean) + log1p(-0.5 / (1.0 + mean))
        beyond = np.maximum(np.exp(log_beyond), SMALLEST)
        up_to = np.maximum(-np.expm1(log_beyond), SMALLEST)
        first = self.n + 1
        self.n += len(gaps)
        return GapHistory(
            n=np.arange(first, first + len(gaps)),
            value=gaps,
            z=np.where(up_to < 0.5, ndtri(up_to), -ndtri(beyond)),
            centre=np.broadcast_to(mean, len(gaps)),
            lower=np.broadcast_to(lower, len(gaps)),
            upper=np.broadcast_to(upper, len(gaps)),
            signal=(gaps < lower) | (gaps > upper),
        )


def gap_bounds(kind: Gap, limits: GapLimits) -> tuple[float, float]:
    """Return the lower and upper limit.

    For whole units they are the largest gap below which lies less than the tail and
    the smallest above which lies less than the tail.

    Examples
    --------
    >>> gap_bounds(Gap.UNITS, GapLimits(mean=999.0))
    (1.0, 6604.0)
    """
    mean, tail = limits.mean, limits.tail
    if kind is Gap.TIME:
        return -mean * log1p(-tail), -mean * log(tail)
    log_conforming = -log1p(1.0 / mean)
    lower = ceil(log1p(-tail) / log_conforming) - 1
    return float(lower), float(floor(log(tail) / log_conforming))


def gap_limits(
    kind: Gap,
    gap: ArrayLike,
    *,
    exclude: Iterable[Exclusion] = (),
    tail: float = 0.00135,
) -> GapLimits:
    """Return the limits of a chart of gaps from a baseline.

    Parameters
    ----------
    kind : Gap
        What lies between two failures.
    gap : array_like, shape (n,)
        Complete gaps only; the stretch since the last failure is none yet.
    exclude : iterable of Exclusion
        Gaps with a recorded cause, left out.
    tail : float
        Probability that each limit leaves beyond it, at most.

    Raises
    ------
    SpcError
        For gaps that cannot be, nothing left, or a mean of 0.

    Examples
    --------
    >>> gap_limits(Gap.UNITS, [120, 0, 310, 170]).mean
    150.0
    """
    gaps = _checked(kind, gap)
    keep, excluded = kept("gap", len(gaps), exclude)
    used = gaps[keep]
    if not len(used):
        raise TooFewError(argument="gaps left", value=0, allowed=">= 1")
    mean = float(used.mean())
    if mean == 0.0:
        raise NoSpreadError(
            argument="mean of gap", value=mean, allowed="> 0 for limits"
        )
    provenance = Provenance(
        method=SigmaMethod.LAW,
        used=len(used),
        degrees_of_freedom=inf,
        excluded=excluded,
    )
    return GapLimits(mean=mean, tail=tail, provenance=provenance)


def _checked(kind: Gap, gap: ArrayLike) -> Floats:
    gaps = finite_array("gap", gap)
    if kind is Gap.TIME:
        bad, allowed = gaps <= 0.0, "> 0"
    else:
        bad, allowed = (gaps < 0.0) | (gaps != np.floor(gaps)), "0, 1, ..."
    if bad.any():
        at = int(np.argmax(bad))
        raise OutOfRangeError(argument=f"gap[{at}]", value=gaps[at], allowed=allowed)
    return gaps
