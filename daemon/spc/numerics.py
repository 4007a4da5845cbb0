"""Quadrature over a normal density, and the smallest whole number that will do."""

from collections.abc import Callable
from functools import cache
from math import pi, sqrt

import numpy as np

from daemon.spc.checks import Floats
from daemon.spc.errors import OutOfRangeError

FARTHEST = 40.0
"""Standard deviations beyond which a normal density is 0 in any machine."""
WIDEST = 500.0
"""Standard deviations of a kernel that an interval has at most."""


def normal_density(z: Floats) -> Floats:
    """Return the standard normal density, any shape."""
    near = np.clip(z, -FARTHEST, FARTHEST)
    density: Floats = np.exp(-0.5 * near * near) / sqrt(2.0 * pi)
    return density


@cache
def legendre(n: int) -> tuple[Floats, Floats]:
    """Return `n` Gauss-Legendre nodes on -1 to 1, and their weights."""
    node, weight = np.polynomial.legendre.leggauss(n)
    return node, weight


def nodes(lower: float, upper: float, n: int) -> tuple[Floats, Floats]:
    """Return `n` Gauss-Legendre nodes on an interval, and their weights."""
    node, weight = legendre(n)
    half = 0.5 * (upper - lower)
    return lower + half * (node + 1.0), half * weight


def nodes_needed(width: float) -> int:
    """Return how many nodes resolve a normal kernel on an interval.

    `width` is the length of the interval in standard deviations of the kernel.
    With these the mean run length is good to 1e-6 of itself or better. Refused beyond
    what a memory holds.
    """
    if width > WIDEST:
        raise OutOfRangeError(
            argument="width of the limits in steps of the chart",
            value=width,
            allowed=f"<= {WIDEST:g}: a smaller distance, or a larger weight",
        )
    return 16 + int(2.0 * width)


def smallest(holds: Callable[[int], bool], *, at_least: int) -> int:
    """Return the first whole number from `at_least` on for which `holds` is true.

    Whatever holds for a number must hold for every larger one; some must do.

    Examples
    --------
    >>> smallest(lambda n: n * n > 50, at_least=3)
    8
    """
    if holds(at_least):
        return at_least
    step = 1
    while not holds(at_least + step):
        step *= 2
    low, high = at_least + step // 2, at_least + step
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle, high)
    return high
