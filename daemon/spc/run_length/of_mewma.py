"""Run length of the multivariate EWMA chart, and its limit for a wanted one.

References
----------
C. A. Lowry, W. H. Woodall, C. W. Champ and S. E. Rigdon, Technometrics 34
(1992) 46-53; S. E. Rigdon, Journal of Statistical Computation and Simulation 52
(1995) 351-365 (integral equation); G. C. Runger and S. S. Prabhu, Journal of the
American Statistical Association 91 (1996) 1701-1706.
"""

from dataclasses import dataclass
from math import exp, lgamma, log, sqrt

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import minimize_scalar
from scipy.special import ive, roots_jacobi

from daemon.spc.checks import (
    Floats,
    count,
    not_negative,
    positive,
    weight_of_newest,
)
from daemon.spc.errors import OutOfRangeError
from daemon.spc.numerics import normal_density
from daemon.spc.run_length.distribution import (
    LONGEST,
    RunLength,
    above_one,
    solve_for_mean,
)
from daemon.spc.run_length.of_ewma import ewma_run_length
from daemon.spc.run_length.of_shewhart import t2_run_length

_MOST_RANGES = 100
_WIDEST = 500.0  # radius in steps of the chart: what a memory holds
_WIDEST_SHIFTED = 40.0


def mewma_run_length(
    *, ranges: int, weight: float, limit: float, distance: float = 0.0
) -> RunLength:
    """Return the run length of a MEWMA chart with known covariance.

    Parameters
    ----------
    ranges : int
        Number of variables charted together.
    weight : float
        Share of the newest unit, > 0 and <= 1.
    limit : float
        Upper limit of the plotted T2 of the level, formed with the level's
        asymptotic covariance, > 0.
    distance : float
        Mahalanobis distance of the shifted mean from the target, >= 0.

    Raises
    ------
    SpcError
        For numbers that are not finite or outside their bounds.

    Notes
    -----
    In control only the level's length matters. After a shift the level is split
    into its part along the shift and the length of the rest.

    Examples
    --------
    >>> round(mewma_run_length(ranges=2, weight=0.1, limit=8.64).mean, 2)
    200.54
    """
    _few_ranges(ranges)
    weight_of_newest(weight)
    positive("limit", limit)
    not_negative("distance", distance)
    if weight == 1.0:
        return t2_run_length(ranges=ranges, limit=limit, distance=distance)
    if ranges == 1:
        return ewma_run_length(
            weight=weight, width=sqrt(limit), shift=distance, exact_limits=False
        )
    # All lengths in units of the kernel's standard deviation, which is `weight`.
    radius = sqrt(limit / (weight * (2.0 - weight)))
    widest = _WIDEST if distance == 0.0 else _WIDEST_SHIFTED
    if radius > widest:
        raise OutOfRangeError(
            argument="limit",
            value=limit,
            allowed=f"<= {widest**2 * weight * (2.0 - weight):g} for this weight",
        )
    if distance == 0.0:
        return _in_control(ranges, 1.0 - weight, radius)
    return _shifted(ranges, 1.0 - weight, radius, distance)


def mewma_limit(*, ranges: int, weight: float, arl: float) -> float:
    """Return the limit that gives a wanted in-control ARL.

    Parameters
    ----------
    ranges : int
        Number of variables charted together.
    weight : float
        Share of the newest unit, > 0 and <= 1.
    arl : float
        Wanted average run length without a shift, in points, > 1 and <= 1e10.

    Returns
    -------
    float
        Limit of the plotted T2.

    Raises
    ------
    SpcError
        For numbers that are not finite or outside their bounds.

    Examples
    --------
    >>> round(mewma_limit(ranges=4, weight=0.25, arl=500.0), 2)
    16.38
    """
    _few_ranges(ranges)
    above_one("arl", arl)
    return solve_for_mean(
        lambda limit: mewma_run_length(ranges=ranges, weight=weight, limit=limit).mean,
        arl=arl,
        guess=ranges + 2.0 * sqrt(2.0 * ranges),
        highest=ranges + 200.0,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MewmaDesign:
    """A MEWMA chart chosen for one shift.

    `weight` and `limit` are its settings, `arl` what they give without a shift and
    `arl_shifted` with it, in points.
    """

    weight: float
    limit: float
    arl: float
    arl_shifted: float


def design_mewma(*, ranges: int, distance: float, arl: float) -> MewmaDesign:
    """Return the MEWMA chart that finds a shift soonest, for a wanted ARL.

    Parameters
    ----------
    ranges : int
        Number of variables charted together.
    distance : float
        Mahalanobis distance of the shift to be found, > 0.
    arl : float
        Wanted average run length without a shift, in points, > 1 and <= 1e10.

    Raises
    ------
    SpcError
        For numbers that are not finite or outside their bounds.

    Examples
    --------
    >>> design = design_mewma(ranges=2, distance=1.0, arl=200.0)
    >>> round(design.weight, 2), round(design.limit, 1), round(design.arl_shifted, 1)
    (0.14, 9.2, 9.9)
    """
    positive("distance", distance)

    def shifted(weight: float) -> tuple[float, float]:
        limit = mewma_limit(ranges=ranges, weight=weight, arl=arl)
        chart = mewma_run_length(
            ranges=ranges, weight=weight, limit=limit, distance=distance
        )
        return limit, chart.mean

    best = minimize_scalar(
        # Infinite ones cannot be compared with one another.
        lambda log_weight: min(shifted(exp(log_weight))[1], 2.0 * LONGEST),
        bounds=(log(0.02), 0.0),
        method="bounded",
        options={"xatol": 0.02},
    )
    weight = exp(float(best.x))
    limit, arl_shifted = shifted(weight)
    return MewmaDesign(weight=weight, limit=limit, arl=arl, arl_shifted=arl_shifted)


def _few_ranges(ranges: int) -> None:
    if count("ranges", ranges, at_least=1) > _MOST_RANGES:
        raise OutOfRangeError(
            argument="ranges", value=ranges, allowed=f"<= {_MOST_RANGES}"
        )


def _in_control(ranges: int, keep: float, radius: float) -> RunLength:
    at, share = _ball(ranges, radius, 8 + int(1.3 * radius))
    density = _LengthDensity(ranges, radius)
    step = share * density(keep * at[:, None], at)
    row = share * density(np.zeros(1), at)
    return RunLength(early=np.ones(1), row=row, step=step, weight=np.ones(len(at)))


def _shifted(ranges: int, keep: float, radius: float, distance: float) -> RunLength:
    rest = ranges - 1
    cut, cut_share = roots_jacobi(8 + int(2.2 * radius), 0.5 * rest, 0.5 * rest)
    part, part_share = _ball(rest, 1.0, 6 + int(1.1 * radius + 0.25 * ranges))
    along = np.repeat(radius * cut, len(part))
    across = (radius * np.sqrt(1.0 - cut * cut)[:, None] * part).ravel()
    share = (radius**ranges * cut_share[:, None] * part_share).ravel()
    density = _LengthDensity(rest, radius)
    step = share * normal_density(along - keep * along[:, None] - distance)
    step *= density(keep * across[:, None], across)
    row = share * normal_density(along - distance) * density(np.zeros(1), across)
    return RunLength(early=np.ones(1), row=row, step=step, weight=np.ones(len(row)))


def _ball(dimensions: int, radius: float, n: int) -> tuple[Floats, Floats]:
    """Return `n` lengths up to `radius` and shares for ``length^(d - 1) d length``.

    What is integrated is smooth in the squared length, so that Gauss-Jacobi
    nodes in it converge fast.
    """
    node, share = roots_jacobi(n, 0.0, 0.5 * dimensions - 1.0)
    length = radius * np.sqrt(0.5 * (node + 1.0))
    return length, share * (radius**2 / 2.0) ** (0.5 * dimensions) / 2.0


class _LengthDensity:
    """Density of the length of a unit normal vector, over ``length^(d - 1)``.

    The vector lies around a point at the distance `centre` from the origin: the
    root of a noncentral chi-square. Its Bessel function is tabulated once,
    because a matrix of states asks for it some 200 000 times.
    """

    def __init__(self, dimensions: int, radius: float) -> None:
        self._order = order = 0.5 * dimensions - 1.0
        root = np.linspace(0.0, 1.001 * radius, 800)
        product = root * root
        # log of e^-t I_v(t) / t^v; near 0 by the first terms of its series, where
        # the Bessel function itself may be too small for a number.
        near = product < 0.01
        series = product**2 / (4.0 * (order + 1.0)) - product
        series -= order * log(2.0) + lgamma(order + 1.0)
        far = np.where(near, 1.0, product)
        value = np.where(near, series, np.log(ive(order, far)) - order * np.log(far))
        self._log_bessel = CubicSpline(root, value)

    def __call__(self, centre: Floats, length: Floats) -> Floats:
        if self._order == -0.5:
            return normal_density(length - centre) + normal_density(length + centre)
        exponent = -0.5 * (length - centre) ** 2
        density: Floats = np.exp(exponent + self._log_bessel(np.sqrt(centre * length)))
        return density
