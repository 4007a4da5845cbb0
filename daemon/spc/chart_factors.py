"""Control-chart factors from their definitions (ISO 7870-2, ASTM E2587).

Each is good to about 1e-9, for any subgroup size, where printed tables carry three or
four digits and stop at 25.
"""

from functools import cache
from math import sqrt
from statistics import NormalDist

import numpy as np
import scipy

from daemon.spc.checks import Floats, count, positive
from daemon.spc.errors import OutOfRangeError
from daemon.spc.numerics import nodes

FEWEST_DEGREES = 1e-300
MEDIAN_MOVING_RANGE = sqrt(2.0) * NormalDist().inv_cdf(0.75)
"""Median of |z1 - z2| for two independent standard normal values, 0.9539."""


def c4(n: int) -> float:
    """Return the mean of the sample standard deviation of `n` values, over sigma.

    Parameters
    ----------
    n : int
        Subgroup size, at least 2.

    Raises
    ------
    OutOfRangeError
        For a size below 2.

    Examples
    --------
    >>> round(c4(5), 6)
    0.939986
    """
    return chi_mean(count("n", n, at_least=2) - 1)


def chi_mean(degrees_of_freedom: float) -> float:
    """Return the mean of chi over the root of its degrees of freedom.

    Parameters
    ----------
    degrees_of_freedom : float
        Above 0, whole or not; `c4(n)` is the value at n - 1.

    Raises
    ------
    SpcError
        For no positive finite number.

    Examples
    --------
    >>> round(chi_mean(4.0), 6)
    0.939986
    """
    half = positive("degrees_of_freedom", degrees_of_freedom) / 2.0
    if half < FEWEST_DEGREES:
        raise OutOfRangeError(
            argument="degrees_of_freedom",
            value=degrees_of_freedom,
            allowed=f">= {2 * FEWEST_DEGREES:g}",
        )
    # A ratio of gamma functions taken at once neither overflows nor cancels.
    return float(scipy.special.poch(half, 0.5)) / sqrt(half)


@cache
def d2(n: int) -> float:
    """Return the mean range of `n` values, over sigma.

    Parameters
    ----------
    n : int
        Subgroup size, at least 2.

    Raises
    ------
    OutOfRangeError
        For a size below 2.

    Examples
    --------
    >>> round(d2(5), 6)
    2.325929
    """
    count("n", n, at_least=2)
    x, weight = _nodes()
    below, above = scipy.special.ndtr(x), scipy.special.ndtr(-x)
    return float(np.sum(weight * (1.0 - below**n - above**n)))


@cache
def d3(n: int) -> float:
    """Return the standard deviation of the range of `n` values, over sigma.

    Parameters
    ----------
    n : int
        Subgroup size, at least 2.

    Raises
    ------
    OutOfRangeError
        For a size below 2.

    Examples
    --------
    >>> round(d3(5), 6)
    0.864082
    """
    count("n", n, at_least=2)
    x, weight = _nodes()
    # E[R^2] = 2 int w P(R > w) dw over w > 0, and
    # P(R <= w) = n int phi(x) (Phi(x + w) - Phi(x))^(n - 1) dx.
    density = n * weight * np.exp(-0.5 * x * x) / sqrt(2.0 * np.pi)
    w = x + _REACH
    inside = (scipy.special.ndtr(x[:, None] + w) - scipy.special.ndtr(x)[:, None]) ** (
        n - 1
    )
    tail = 1.0 - density @ inside
    return sqrt(2.0 * float(np.sum(weight * w * tail)) - d2(n) ** 2)


def d2_star(n: int, subgroups: int) -> float:
    """Return the root mean square of the mean range of `subgroups` of `n`, over sigma.

    Parameters
    ----------
    n, subgroups : int
        Subgroup size, at least 2, and number of subgroups, at least 1.

    Raises
    ------
    OutOfRangeError
        For a size below 2 or no subgroup.

    References
    ----------
    A. J. Duncan, Quality Control and Industrial Statistics, table of d2*.

    Examples
    --------
    >>> round(d2_star(2, 1), 5)
    1.41421
    """
    return sqrt(d2(n) ** 2 + d3(n) ** 2 / count("subgroups", subgroups, at_least=1))


_REACH = 12.0
"""Beyond 12 sigma no sample of any size that fits a memory has a value."""


@cache
def _nodes() -> tuple[Floats, Floats]:
    return nodes(-_REACH, _REACH, 400)
