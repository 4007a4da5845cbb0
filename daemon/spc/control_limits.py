"""Control limits, and where they came from."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from itertools import pairwise
from math import asin, expm1, inf, isinf, log1p, pi, sqrt

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from daemon.spc.chart_factors import MEDIAN_MOVING_RANGE, c4, chi_mean, d2, d3
from daemon.spc.checks import Floats, count, finite, finite_array, positive, share
from daemon.spc.errors import NoSpreadError, OutOfRangeError, TooFewError


class SigmaMethod(StrEnum):
    """How a standard deviation was come by."""

    GIVEN = "given"
    MEAN_MOVING_RANGE = "mean moving range"
    MEDIAN_MOVING_RANGE = "median moving range"
    STANDARD_DEVIATION = "standard deviation"
    MEAN_RANGE = "mean range of subgroups"
    MEAN_S = "mean standard deviation of subgroups"
    POOLED = "pooled standard deviation of subgroups"
    LAW = "law of the counts or gaps"
    OVERDISPERSED = "moving range of standardised counts"


@dataclass(frozen=True, slots=True, kw_only=True)
class Exclusion:
    """A baseline value that was left out: its position from 0, and why."""

    index: int
    cause: str

    def __post_init__(self) -> None:
        if not self.cause.strip():
            raise OutOfRangeError(
                argument="cause", value=repr(self.cause), allowed="a recorded cause"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """What limits rest on.

    `used` counts the values that entered, `segments` the stretches without a known
    boundary inside, `excluded` names what was left out and why. `sigma` is as
    uncertain as a standard deviation with `degrees_of_freedom`, infinite when given.
    """

    method: SigmaMethod
    used: int
    degrees_of_freedom: float
    segments: int = 1
    excluded: tuple[Exclusion, ...] = ()


GIVEN = Provenance(method=SigmaMethod.GIVEN, used=0, degrees_of_freedom=inf, segments=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Centre line, standard deviation and control limits.

    Parameters
    ----------
    centre, sigma : float
        In-control mean and standard deviation of one unit, in the unit of the values.
    width : float
        Distance of the limits from the centre, in standard deviations of what is
        plotted.
    provenance : Provenance
        Where they came from.

    Raises
    ------
    SpcError
        When a number is not finite, or `sigma` or `width` is not above zero.

    Examples
    --------
    >>> limits = Limits(centre=120.0, sigma=40.0)
    >>> limits.lower, limits.upper
    (0.0, 240.0)
    >>> limits.provenance.method.value
    'given'
    """

    centre: float
    sigma: float
    width: float = 3.0
    provenance: Provenance = GIVEN

    def __post_init__(self) -> None:
        finite("centre", self.centre)
        positive("sigma", self.sigma)
        positive("width", self.width)

    @classmethod
    def between(cls, *, lower: float, upper: float, width: float = 3.0) -> "Limits":
        """Return the limits that reach from `lower` to `upper`, given as such.

        Raises
        ------
        OutOfRangeError
            When `upper` is not above `lower`.

        Examples
        --------
        >>> Limits.between(lower=0.0, upper=240.0).sigma
        40.0
        """
        finite("lower", lower)
        if not finite("upper", upper) > lower:
            raise OutOfRangeError(
                argument="upper", value=upper, allowed=f"> lower = {lower}"
            )
        sigma = (upper - lower) / (2.0 * positive("width", width))
        return cls(centre=lower + (upper - lower) / 2.0, sigma=sigma, width=width)

    @property
    def lower(self) -> float:
        """Lower control limit of one unit, in the unit of the values."""
        return self.centre - self.width * self.sigma

    @property
    def upper(self) -> float:
        """Upper control limit of one unit, in the unit of the values."""
        return self.centre + self.width * self.sigma


def limits_from_baseline(
    x: ArrayLike,
    *,
    method: SigmaMethod = SigmaMethod.MEAN_MOVING_RANGE,
    segment_starts: Sequence[int] = (),
    exclude: Iterable[Exclusion] = (),
    width: float = 3.0,
) -> Limits:
    """Return the limits of a chart of single values from a baseline.

    Moving ranges are formed neither across a known boundary nor across an excluded
    value: the two values are not successive units of one process. Where every stretch
    holds a single unit nothing is known of the scatter inside one, and no limits are
    made up; without `segment_starts` such units are charted stretch against stretch.

    Parameters
    ----------
    x : array_like, shape (n,)
        Baseline values in the order they were taken, in any one unit.
    method : SigmaMethod
        Mean moving range over d2, median moving range over 0.9539, or the sample
        standard deviation over c4.
    segment_starts : sequence of int
        Positions in `x` (from 0) at which a new stretch begins, such as a reel.
    exclude : iterable of Exclusion
        Values with a recorded cause, left out.
    width : float
        Distance of the limits from the centre, in standard deviations.

    Returns
    -------
    Limits
        In the unit of `x`, with their provenance.

    Raises
    ------
    TooFewError
        For fewer than two values, or no two neighbours, left in one stretch.
    NoSpreadError
        For values, or neighbours, that do not differ.
    SpcError
        For values that are not finite, or a position outside `x` or given twice.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2; ASTM E2587.

    Examples
    --------
    >>> limits = limits_from_baseline([110.0, 90.0, 130.0, 70.0])  # ppm
    >>> limits.centre, round(limits.sigma, 2)
    (100.0, 35.45)
    """
    values = finite_array("x", x, at_least=2)
    keep, excluded = kept("x", len(values), exclude)
    starts = [start for start, _ in segment_bounds(segment_starts, len(values))][1:]
    used = values[keep]
    if len(used) < 2:
        raise TooFewError(argument="values left in x", value=len(used), allowed=">= 2")
    some_spread("x", [used])
    if method is SigmaMethod.STANDARD_DEVIATION:
        sigma, freedom = float(used.std(ddof=1)) / c4(len(used)), len(used) - 1.0
    else:
        sigma, freedom = _from_moving_ranges(values, keep, starts, method)
    if sigma <= 0.0:
        raise NoSpreadError(
            argument="spread of x", value=sigma, allowed="> 0 for limits"
        )
    return Limits(
        centre=float(used.mean()),
        sigma=sigma,
        width=width,
        provenance=Provenance(
            method=method,
            used=len(used),
            degrees_of_freedom=freedom,
            segments=1 + len(starts),
            excluded=excluded,
        ),
    )


def some_spread(argument: str, groups: Iterable[Floats]) -> None:
    """Refuse values that never differ inside a group: they give no limits.

    Rounding makes the deviations of equal values from their mean other than 0, so the
    values themselves are asked.

    Examples
    --------
    >>> some_spread("x", [np.array([0.1, 0.1, 0.1])])
    Traceback (most recent call last):
    daemon.spc.errors.NoSpreadError: spread of x = 0.0: must be > 0 for limits
    """
    if not any(len(group) and np.ptp(group) > 0.0 for group in groups):
        raise NoSpreadError(
            argument=f"spread of {argument}", value=0.0, allowed="> 0 for limits"
        )


def kept(
    argument: str, n: int, exclude: Iterable[Exclusion]
) -> tuple[NDArray[np.bool_], tuple[Exclusion, ...]]:
    """Return which of `n` values remain, and the exclusions in order.

    Raises
    ------
    OutOfRangeError
        For a position outside the values, or given twice.

    Examples
    --------
    >>> keep, _ = kept("x", 3, [Exclusion(index=1, cause="lead fell off")])
    >>> keep
    array([ True, False,  True])
    """
    excluded = tuple(sorted(exclude, key=lambda each: each.index))
    keep = np.ones(n, dtype=np.bool_)
    for each in excluded:
        if not 0 <= each.index < n or not keep[each.index]:
            raise OutOfRangeError(
                argument=f"index excluded from {argument}",
                value=each.index,
                allowed=f">= 0 and < {n}, each once",
            )
        keep[each.index] = False
    return keep, excluded


def segment_bounds(segment_starts: Sequence[int], n: int) -> list[tuple[int, int]]:
    """Return where each stretch of `n` values begins and ends.

    Raises
    ------
    OutOfRangeError
        For a start outside the values.

    Examples
    --------
    >>> segment_bounds([4, 2], 6)
    [(0, 2), (2, 4), (4, 6)]
    """
    for start in segment_starts:
        if not 0 <= start < n:
            raise OutOfRangeError(
                argument="segment_starts", value=start, allowed=f">= 0 and < {n}"
            )
    edges = [0, *sorted(set(segment_starts) - {0}), n]
    return list(pairwise(edges))


def honest_width(provenance: Provenance, *, rate: float = 0.0027) -> float:
    """Return the width that gives a false-alarm rate after all.

    Limits of this width are those of a prediction interval for one further unit.

    Parameters
    ----------
    provenance : Provenance
        What the limits rest on.
    rate : float
        Wanted false alarms per unit, between 0 and 1.

    Returns
    -------
    float
        Distance of the limits from the centre, in estimated standard deviations.

    Raises
    ------
    OutOfRangeError
        For a rate outside its bounds, or limits that rest on no unit.

    Examples
    --------
    >>> baseline = [0.3, -1.1, 0.8, 0.1, -0.4, 1.3, -0.7, 0.2, -0.1, 0.6]
    >>> round(honest_width(limits_from_baseline(baseline).provenance), 2)
    5.0
    """
    share("rate", rate)
    freedom = provenance.degrees_of_freedom
    if isinf(freedom):
        return -float(scipy.special.ndtri(rate / 2.0))
    count("units that the limits rest on", provenance.used, at_least=1)
    one = -float(scipy.special.stdtrit(freedom, rate / 2.0))
    return one * chi_mean(freedom) * sqrt(1.0 + 1.0 / provenance.used)


def rate_per_chart(*, any_alarm: float, charts: int) -> float:
    """Return the rate of one chart that holds the probability of any alarm.

    Parameters
    ----------
    any_alarm : float
        Wanted probability of at least one false alarm among all charts at one
        point, above 0 and below 1.
    charts : int
        Number of independent charts, at least 1.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    References
    ----------
    Z. Sidak, Journal of the American Statistical Association 62 (1967) 626-633.

    Examples
    --------
    >>> rate = rate_per_chart(any_alarm=0.0027, charts=100)
    >>> round(rate, 10), round(width_for_rate(rate), 4)
    (2.70362e-05, 4.1971)
    """
    share("any_alarm", any_alarm)
    count("charts", charts, at_least=1)
    return -expm1(log1p(-any_alarm) / charts)


def width_for_rate(rate: float) -> float:
    """Return the two-sided limit with this false-alarm rate.

    Parameters
    ----------
    rate : float
        False-alarm probability at one point, above 0 and below 1.

    Returns
    -------
    float
        Distance of each limit from the centre, in standard deviations.

    Raises
    ------
    SpcError
        For a rate outside its bounds.

    Examples
    --------
    >>> round(width_for_rate(0.0026998), 4)
    3.0
    """
    return float(-scipy.special.ndtri(0.5 * share("rate", rate)))


def equivalent_degrees_of_freedom(relative_variance: float) -> float:
    """Return the degrees of freedom of a standard deviation as uncertain as this.

    Parameters
    ----------
    relative_variance : float
        Variance of an unbiased estimate of sigma, over sigma squared, above 0.

    Raises
    ------
    SpcError
        For no positive finite number.

    References
    ----------
    P. B. Patnaik, Biometrika 37 (1950) 78-87, who fits chi to the range so.

    Examples
    --------
    >>> round(equivalent_degrees_of_freedom((d3(2) / d2(2)) ** 2), 6)
    1.0
    """
    positive("relative_variance", relative_variance)
    # Chi's relative variance is close to half the reciprocal of its freedom, so that
    # correcting by what is left over converges in a few steps; of very many degrees
    # of freedom the mean of chi cannot tell, and need not.
    freedom = 0.5 / relative_variance
    if freedom > 1e6:
        return freedom
    for _ in range(60):
        mean = chi_mean(freedom)
        freedom *= (1.0 - mean**2) / mean**2 / relative_variance
    return freedom


def _from_moving_ranges(
    values: Floats, keep: NDArray[np.bool_], starts: list[int], method: SigmaMethod
) -> tuple[float, float]:
    """Return sigma and its degrees of freedom."""
    together = keep[1:] & keep[:-1]
    together[np.asarray(starts, dtype=np.intp) - 1] = False
    ranges = np.abs(np.diff(values))[together]
    n = len(ranges)
    if not n:
        raise TooFewError(
            argument="neighbours inside one stretch of x",
            value=0,
            allowed=">= 1 pair; chart single units without segment_starts",
        )
    neighbours = int(np.sum(together[1:] & together[:-1]))
    if method is SigmaMethod.MEAN_MOVING_RANGE:
        sigma = float(ranges.mean()) / d2(2)
        own, shared = (d3(2) / d2(2)) ** 2, _MOVING_RANGE_COVARIANCE / d2(2) ** 2
    elif method is SigmaMethod.MEDIAN_MOVING_RANGE:
        sigma = float(np.median(ranges)) / MEDIAN_MOVING_RANGE
        own, shared = _median_variances()
    else:
        raise OutOfRangeError(
            argument="method", value=method.value, allowed="a way for single values"
        )
    relative_variance = (n * own + 2 * neighbours * shared) / n**2
    return sigma, equivalent_degrees_of_freedom(relative_variance)


_MOVING_RANGE_COVARIANCE = (4 / pi) * (sqrt(0.75) + 0.5 * asin(0.5) - 1)
"""Of two successive moving ranges, which share a value: differences correlate -1/2."""


@cache
def _median_variances() -> tuple[float, float]:
    """Return the relative variance of a median moving range, and its covariance term.

    Both are the large-sample terms of a median of dependent values, from how often
    two successive ranges are both below the median.
    """
    line = MEDIAN_MOVING_RANGE
    quartile = line / sqrt(2.0)
    node, weight = np.polynomial.legendre.leggauss(30)
    z = quartile * node
    # The second difference given the first: mean -z/2, variance 3/4.
    inside = scipy.special.ndtr((quartile + z / 2) / sqrt(0.75)) - scipy.special.ndtr(
        (z / 2 - quartile) / sqrt(0.75)
    )
    bell = np.exp(-0.5 * z * z) / sqrt(2.0 * pi)
    both = quartile * float(np.sum(weight * bell * inside))
    density = 2.0 * float(np.exp(-(line**2) / 4.0)) / sqrt(4.0 * pi)
    scale = (density * line) ** 2
    return 0.25 / scale, (both - 0.25) / scale
