"""Share of units beyond a limit: predicted by the distribution, and counted."""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike
from scipy.special import ndtr

from daemon.spc.capability.indices import Specification
from daemon.spc.checks import finite, finite_array, positive, share
from daemon.spc.variance.intervals import Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictedShare:
    """Share of units expected below the lower and above the upper limit."""

    below: float
    above: float

    @property
    def total(self) -> float:
        """Share of units expected outside."""
        return self.below + self.above


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedShare:
    """Units counted outside, of `n`, and the exact interval of their share."""

    below: int
    above: int
    n: int
    interval: Interval

    @property
    def total(self) -> float:
        """Share of units counted outside."""
        return (self.below + self.above) / self.n


def predicted_share(
    *, mean: float, s: float, specification: Specification
) -> PredictedShare:
    """Return the share outside that normal values have.

    Parameters
    ----------
    mean, s : float
        Mean and standard deviation (> 0), in the unit of the specification.
    specification : Specification
        One limit or two.

    Raises
    ------
    SpcError
        For numbers that are not finite, or a standard deviation not above zero.

    Examples
    --------
    >>> centred = predicted_share(
    ...     mean=0.0, s=1.0, specification=Specification(lower=-3.0, upper=3.0)
    ... )
    >>> round(1e6 * centred.total, 1)
    2699.8
    """
    finite("mean", mean)
    positive("s", s)
    lower, upper = specification.lower, specification.upper
    return PredictedShare(
        below=0.0 if lower is None else float(ndtr((lower - mean) / s)),
        above=0.0 if upper is None else float(ndtr((mean - upper) / s)),
    )


def counted_share(
    x: ArrayLike, *, specification: Specification, confidence: float = 0.95
) -> CountedShare:
    """Return how many units lie outside, with the Clopper-Pearson interval.

    A unit on a limit conforms.

    Parameters
    ----------
    x : array_like, shape (n,)
        At least one value, in the unit of the specification.
    specification : Specification
        One limit or two.
    confidence : float
        Of the interval, above 0 and below 1.

    Raises
    ------
    SpcError
        For no value, values that are not finite, or a confidence outside its bounds.

    Examples
    --------
    >>> counted = counted_share(
    ...     [1.0, 4.0, 2.0], specification=Specification(upper=3.0)
    ... )
    >>> counted.above, round(counted.total, 3), round(counted.interval.upper, 3)
    (1, 0.333, 0.906)
    """
    values = finite_array("x", x, at_least=1)
    share("confidence", confidence)
    lower, upper = specification.lower, specification.upper
    below = 0 if lower is None else int(np.count_nonzero(values < lower))
    above = 0 if upper is None else int(np.count_nonzero(values > upper))
    ends = scipy.stats.binomtest(below + above, len(values)).proportion_ci(
        confidence_level=confidence, method="exact"
    )
    return CountedShare(
        below=below,
        above=above,
        n=len(values),
        interval=Interval(
            lower=float(ends.low), upper=float(ends.high), confidence=confidence
        ),
    )
