"""Indices of values that are not normal, by the percentile method.

The distribution's own points at the probabilities of mean minus three sigma, median
and mean plus three sigma take the place of those of a normal one.

References
----------
ISO 22514-2:2017 (rounds the probabilities to 0.135 % and 99.865 %).
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from math import inf
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats
from scipy.special import ndtr

from daemon.spc.capability.indices import Indices, Specification
from daemon.spc.capability.nonconforming import PredictedShare
from daemon.spc.checks import finite, finite_array
from daemon.spc.errors import NoSpreadError, OutOfRangeError

LOW = float(ndtr(-3.0))
"""Probability below mean minus three sigma of a normal distribution, 0.00135."""


class Distribution(Protocol):
    """What is needed of a distribution; scipy's frozen ones have it."""

    def ppf(self, q: float, /) -> float:
        """Return the value below which the share q lies."""
        ...

    def cdf(self, x: float, /) -> float:
        """Return the share below x."""
        ...

    def sf(self, x: float, /) -> float:
        """Return the share above x."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantiles:
    """The three points of a distribution that the percentile method compares.

    X0.135 %, X50 % and X99.865 % of ISO 22514-2, in the unit of the values.

    Raises
    ------
    SpcError
        For numbers that are not finite, or not in rising order.
    """

    low: float
    median: float
    high: float

    def __post_init__(self) -> None:
        finite("low", self.low)
        if not finite("median", self.median) > self.low:
            raise OutOfRangeError(
                argument="median", value=self.median, allowed=f"> low, {self.low}"
            )
        if not finite("high", self.high) > self.median:
            raise OutOfRangeError(
                argument="high", value=self.high, allowed=f"> median, {self.median}"
            )


def percentile_indices(
    quantiles: Quantiles, *, specification: Specification
) -> Indices:
    """Return the indices of any distribution from its three points.

    Parameters
    ----------
    quantiles : Quantiles
        From `distribution_quantiles` or `sample_quantiles`.
    specification : Specification
        One limit or two, in the same unit.

    Returns
    -------
    Indices
        Without Cpm, which has no percentile form.

    Raises
    ------
    SpcError
        Not by itself: points in rising order and limits in order are what `Quantiles`
        and `Specification` have refused to be without.

    References
    ----------
    ISO 22514-2:2017 (M(1,6): X0.135 %, X50 %, X99.865 %).

    Examples
    --------
    >>> from scipy.stats import lognorm
    >>> points = distribution_quantiles(lognorm(0.5))
    >>> found = percentile_indices(
    ...     points, specification=Specification(lower=0.1, upper=6.0)
    ... )
    >>> round(found.cp, 4), round(found.cpk, 4)
    (1.3854, 1.1585)
    """
    lower, upper = specification.lower, specification.upper
    low, median, high = quantiles.low, quantiles.median, quantiles.high
    cpl = None if lower is None else (median - lower) / (median - low)
    cpu = None if upper is None else (upper - median) / (high - median)
    width = specification.width
    return Indices(
        cp=None if width is None else width / (high - low),
        cpl=cpl,
        cpu=cpu,
        cpk=min(each for each in (cpl, cpu) if each is not None),
        cpm=None,
        off_centre=specification.off_centre(median),
    )


def distribution_quantiles(distribution: Distribution) -> Quantiles:
    """Return the three points of a distribution.

    Parameters
    ----------
    distribution : Distribution
        Such as a frozen one of scipy.stats.

    Raises
    ------
    SpcError
        When its points are not finite or do not rise.

    Examples
    --------
    >>> from scipy.stats import norm
    >>> points = distribution_quantiles(norm(10.0, 2.0))
    >>> round(points.low, 6), points.median, round(points.high, 6)
    (4.0, 10.0, 16.0)
    """
    low, median, high = (float(distribution.ppf(q)) for q in (LOW, 0.5, 1.0 - LOW))
    return Quantiles(low=low, median=median, high=high)


def sample_quantiles(x: ArrayLike) -> Quantiles:
    """Return the three points as they stand in many values, without a distribution.

    Parameters
    ----------
    x : array_like, shape (n,)
        At least 741 values: with fewer none is expected below the lowest point.

    Raises
    ------
    SpcError
        For too few values, values that are not finite, or points that do not rise.

    Examples
    --------
    >>> points = sample_quantiles(range(10_001))
    >>> round(points.low, 3), points.median, round(points.high, 3)
    (13.499, 5000.0, 9986.501)
    """
    values = finite_array("x", x, at_least=int(1.0 / LOW) + 1)
    low, median, high = np.quantile(values, [LOW, 0.5, 1.0 - LOW])
    return Quantiles(low=float(low), median=float(median), high=float(high))


def predicted_share_of(
    distribution: Distribution, *, specification: Specification
) -> PredictedShare:
    """Return the share outside that a distribution has.

    Parameters
    ----------
    distribution : Distribution
        Such as a frozen one of scipy.stats.
    specification : Specification
        One limit or two, in the unit of the distribution.

    Raises
    ------
    SpcError
        Not by itself; `Specification` has refused limits out of order.

    Examples
    --------
    >>> from scipy.stats import lognorm
    >>> outside = predicted_share_of(
    ...     lognorm(0.5), specification=Specification(upper=6.0)
    ... )
    >>> round(1e6 * outside.above, 1)
    169.5
    """
    lower, upper = specification.lower, specification.upper
    with np.errstate(over="ignore"):  # a limit far beyond all that there is
        return PredictedShare(
            below=0.0 if lower is None else float(distribution.cdf(lower)),
            above=0.0 if upper is None else float(distribution.sf(upper)),
        )


class Family(StrEnum):
    """Families of distributions that can be fitted."""

    NORMAL = "normal"
    JOHNSON_UNBOUNDED = "Johnson unbounded"
    LOGNORMAL = "lognormal"
    GAMMA = "gamma"
    WEIBULL = "Weibull"


_ABOVE_ZERO = {Family.LOGNORMAL, Family.GAMMA, Family.WEIBULL}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A distribution fitted by maximum likelihood.

    `information` is Akaike's criterion: of several families the smallest fits best,
    parameters counted.
    """

    family: Family
    distribution: Distribution
    parameters: tuple[float, ...]
    information: float


def fit(x: ArrayLike, *, family: Family) -> Fit:
    """Return the distribution of a family that makes the values most likely.

    Parameters
    ----------
    x : array_like, shape (n,)
        At least eight values; above zero for lognormal, gamma and Weibull, which
        start at zero.
    family : Family
        Which distribution.

    Raises
    ------
    SpcError
        For too few values, values that are not finite, all the same, or not above
        zero where the family needs it.

    Examples
    --------
    >>> found = fit([9.8, 10.1, 10.0, 9.9, 10.2, 10.3, 9.7, 10.0], family=Family.NORMAL)
    >>> [round(each, 4) for each in found.parameters]
    [10.0, 0.1871]
    """
    values = finite_array("x", x, at_least=8)
    if values.min() == values.max():
        raise NoSpreadError(argument="spread of x", value=0.0, allowed="> 0")
    if family in _ABOVE_ZERO and values.min() <= 0.0:
        at = int(values.argmin())
        raise OutOfRangeError(
            argument=f"x[{at}]", value=float(values[at]), allowed=f"> 0 for {family}"
        )
    maker: Callable[..., Any] = {
        Family.NORMAL: stats.norm,
        Family.JOHNSON_UNBOUNDED: stats.johnsonsu,
        Family.LOGNORMAL: stats.lognorm,
        Family.GAMMA: stats.gamma,
        Family.WEIBULL: stats.weibull_min,
    }[family]
    # Fitted around their centre in units of their scatter: scipy starts from there.
    centre, unit = (0.0, 1.0)
    fixed = {"floc": 0.0} if family in _ABOVE_ZERO else {}
    if not fixed:
        centre, unit = float(values.mean()), float(values.std())
    shape = [float(p) for p in maker.fit((values - centre) / unit, **fixed)]  # type: ignore[attr-defined]
    parameters = (*shape[:-2], centre + unit * shape[-2], unit * shape[-1])
    distribution = maker(*parameters)
    likelihood = float(np.sum(distribution.logpdf(values)))
    free = len(parameters) - len(fixed)
    return Fit(
        family=family,
        distribution=distribution,
        parameters=parameters,
        information=2.0 * free - 2.0 * likelihood if likelihood > -inf else inf,
    )


def best_fit(x: ArrayLike) -> Fit:
    """Return the family with the smallest information criterion.

    Parameters
    ----------
    x : array_like, shape (n,)
        As in `fit`; families that need values above zero are left out where some are
        not.

    Raises
    ------
    SpcError
        For too few values, values that are not finite or all the same.

    References
    ----------
    H. Akaike, IEEE Transactions on Automatic Control 19 (1974) 716-723.

    Examples
    --------
    >>> import numpy as np
    >>> skewed = np.random.default_rng(1).lognormal(0.0, 0.6, 500)
    >>> best_fit(skewed).family
    <Family.LOGNORMAL: 'lognormal'>
    """
    values = finite_array("x", x, at_least=8)
    families = set(Family) if values.min() > 0.0 else set(Family) - _ABOVE_ZERO
    fits = [fit(values, family=family) for family in Family if family in families]
    return min(fits, key=lambda each: each.information)
