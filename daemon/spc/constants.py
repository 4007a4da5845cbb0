"""Control-chart factors from their definitions (ISO 7870-2, ASTM E2587).

Each is exact to about 1e-10, for any subgroup size, where printed tables carry
three or four digits and stop at 25.
"""

from functools import cache
from math import exp, sqrt

import numpy as np
from scipy.special import gammaln, ndtr, ndtri

from daemon.spc.checks import Floats, count

MEDIAN_MOVING_RANGE = sqrt(2.0) * float(ndtri(0.75))
"""Median of |z1 - z2| for two independent standard normal values, 0.9539."""


@cache
def c4(n: int) -> float:
    """Return the mean of the sample standard deviation of `n` values, over sigma.

    Examples
    --------
    >>> round(c4(5), 6)
    0.939986
    """
    count("n", n, at_least=2)
    return sqrt(2.0 / (n - 1)) * exp(float(gammaln(n / 2) - gammaln((n - 1) / 2)))


@cache
def d2(n: int) -> float:
    """Return the mean range of `n` values, over sigma.

    Examples
    --------
    >>> round(d2(5), 6)
    2.325929
    """
    count("n", n, at_least=2)
    x, weight = _nodes()
    below, above = ndtr(x), ndtr(-x)
    return float(np.sum(weight * (1.0 - below**n - above**n)))


@cache
def d3(n: int) -> float:
    """Return the standard deviation of the range of `n` values, over sigma.

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
    w = x + 12.0
    inside = (ndtr(x[:, None] + w) - ndtr(x)[:, None]) ** (n - 1)
    tail = 1.0 - density @ inside
    return sqrt(2.0 * float(np.sum(weight * w * tail)) - d2(n) ** 2)


@cache
def _nodes() -> tuple[Floats, Floats]:
    node, weight = np.polynomial.legendre.leggauss(400)
    return 12.0 * node, 12.0 * weight
