"""Gauss-Legendre nodes for integrals over a normal density."""

from functools import cache
from math import pi, sqrt

import numpy as np

from daemon.spc.checks import Floats


def normal_density(z: Floats) -> Floats:
    """Return the standard normal density, any shape."""
    density: Floats = np.exp(-0.5 * z * z) / sqrt(2.0 * pi)
    return density


def nodes(lower: float, upper: float, n: int) -> tuple[Floats, Floats]:
    """Return `n` Gauss-Legendre nodes on an interval, and their weights."""
    node, weight = _legendre(n)
    half = 0.5 * (upper - lower)
    return lower + half * (node + 1.0), half * weight


def nodes_needed(width: float) -> int:
    """Return how many nodes resolve a normal kernel on an interval.

    `width` is the length of the interval in standard deviations of the kernel.
    With these the mean run length is good to 1e-6 of itself or better.
    """
    return 16 + int(2.0 * width)


@cache
def _legendre(n: int) -> tuple[Floats, Floats]:
    node, weight = np.polynomial.legendre.leggauss(n)
    return node, weight
