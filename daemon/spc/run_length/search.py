"""The inverse question: the limit that gives a wanted run length."""

from collections.abc import Callable
from math import log

from scipy.optimize import brentq

from daemon.spc.errors import OutOfRangeError
from daemon.spc.run_length.distribution import LONGEST


def solve_for_mean(
    mean: Callable[[float], float], *, arl: float, guess: float, highest: float
) -> float:
    """Return the limit at which an increasing mean run length reaches `arl`.

    The logarithm of the run length is nearly straight in the limit, so that few
    evaluations do. `highest` is the widest limit that is tried.
    """

    def excess(limit: float) -> float:
        return log(min(mean(limit), 2.0 * LONGEST)) - log(arl)

    low = high = guess
    while excess(low) > 0.0:
        low *= 0.7
        if low < 1e-6:
            raise OutOfRangeError(
                argument="arl", value=arl, allowed=f">= {mean(low):.6g} for this chart"
            )
    while excess(high) < 0.0:
        if high >= highest:
            raise OutOfRangeError(
                argument="arl", value=arl, allowed=f"<= {mean(high):.6g} for this chart"
            )
        high = min(highest, high * 1.3)
    return float(brentq(excess, low, high, xtol=1e-10, rtol=1e-12))
