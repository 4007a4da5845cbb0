"""Exponentially weighted moving average: small lasting shifts.

References
----------
S. W. Roberts, Technometrics 1 (1959) 239-250; J. M. Lucas and M. S. Saccucci,
Technometrics 32 (1990) 1-12; ISO 7870-6; NIST/SEMATECH e-Handbook of Statistical
Methods, section 6.3.2.4.
"""

from dataclasses import dataclass
from math import ceil, log1p, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import lfilter

from daemon.spc.checks import Floats, finite, finite_array
from daemon.spc.errors import OutOfRangeError
from daemon.spc.limits import Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class EwmaPoint:
    """One unit: `value` is the average after it, in the unit of the values."""

    n: int
    value: float
    centre: float
    lower: float
    upper: float
    signal: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class EwmaHistory:
    """Fields as in `EwmaPoint`, shape (n,)."""

    n: NDArray[np.int64]
    value: Floats
    centre: Floats
    lower: Floats
    upper: Floats
    signal: NDArray[np.bool_]


@dataclass(slots=True, kw_only=True)
class EwmaChart:
    """Watch an average in which the newest unit has a fixed weight.

    The limits are exact: narrow at first, widening to their lasting distance. The
    average starts at the centre. A signal does not reset the chart.

    Parameters
    ----------
    limits : Limits
        Centre and standard deviation of one unit; `width` in standard deviations of
        the average, such as 2.7 for a weight of 0.1.
    weight : float
        Of the newest unit, above 0 and up to 1 (a chart of single values).
    n : int
        Units taken so far.
    offset : float
        The average minus the centre.

    Raises
    ------
    OutOfRangeError
        For a weight outside its bounds.

    Examples
    --------
    >>> chart = EwmaChart(limits=Limits(centre=100.0, sigma=40.0), weight=0.25)
    >>> point = chart.update(140.0)  # ppm
    >>> point.value, point.upper
    (110.0, 130.0)
    """

    limits: Limits
    weight: float = 0.2
    n: int = 0
    offset: float = 0.0

    def __post_init__(self) -> None:
        checked_weight(self.weight)

    def update(self, x: float) -> EwmaPoint:
        """Take one value; constant cost.

        Raises
        ------
        NotFiniteError
            For NaN or infinity; the chart is left as it was.
        """
        finite("x", x)
        limits = self.limits
        kept = 1.0 - self.weight
        self.n += 1
        self.offset = self.weight * (x - limits.centre) + kept * self.offset
        reach = self._lasting_reach() * sqrt(1.0 - kept ** (2 * self.n))
        return EwmaPoint(
            n=self.n,
            value=limits.centre + self.offset,
            centre=limits.centre,
            lower=limits.centre - reach,
            upper=limits.centre + reach,
            signal=abs(self.offset) > reach,
        )

    def extend(self, x: ArrayLike) -> EwmaHistory:
        """Take many values at once: the same points and state as one by one.

        Parameters
        ----------
        x : array_like, shape (n,)
            In the order they were taken.

        Raises
        ------
        SpcError
            For a value that is not finite, or another shape; the chart is left as
            it was.
        """
        values = finite_array("x", x)
        limits = self.limits
        size = len(values)
        offset = smooth(values - limits.centre, self.weight, self.offset)
        growth = variance_growth(self.weight, self.n, size)
        reach = self._lasting_reach() * np.sqrt(growth)
        first = self.n + 1
        if size:
            self.n += size
            self.offset = float(offset[-1])
        return EwmaHistory(
            n=np.arange(first, first + size),
            value=limits.centre + offset,
            centre=np.broadcast_to(limits.centre, size),
            lower=limits.centre - reach,
            upper=limits.centre + reach,
            signal=np.abs(offset) > reach,
        )

    def _lasting_reach(self) -> float:
        limits = self.limits
        return limits.width * limits.sigma * sqrt(self.weight / (2.0 - self.weight))


def checked_weight(weight: float) -> float:
    """Return the weight of the newest unit, refusing what is not in (0, 1].

    Examples
    --------
    >>> checked_weight(0.2)
    0.2
    """
    if not 0.0 < finite("weight", weight) <= 1.0:
        raise OutOfRangeError(argument="weight", value=weight, allowed="> 0 and <= 1")
    return weight


def smooth(x: Floats, weight: float, before: float | Floats) -> Floats:
    """Return the running averages of `x` along its first axis, begun at `before`.

    Examples
    --------
    >>> smooth(np.array([4.0, 4.0]), 0.5, 0.0)
    array([2., 3.])
    """
    begun = (1.0 - weight) * np.asarray(before)[None]
    smoothed, _ = lfilter([weight], [1.0, weight - 1.0], x, axis=0, zi=begun)
    return np.asarray(smoothed)


def variance_growth(weight: float, n: int, size: int) -> Floats:
    """Return the variance of the averages after n + 1, ... units over its final one.

    Examples
    --------
    >>> variance_growth(0.5, 0, 3)
    array([0.75    , 0.9375  , 0.984375])
    """
    growth = np.ones(size)
    if weight < 1.0 and size:
        # Beyond this many units the difference from 1 is below rounding.
        young = min(size, max(0, ceil(-40.0 / (2.0 * log1p(-weight))) - n))
        growth[:young] -= (1.0 - weight) ** (2 * np.arange(n + 1, n + 1 + young))
    return growth
