"""Moving average of the last few units.

References
----------
ISO 7870-5, specialized charts; D. C. Montgomery, Introduction to Statistical Quality
Control, moving average control chart.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.checks import Floats, count, finite, finite_array
from daemon.spc.limits import Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class MovingAveragePoint:
    """One unit: `value` is the mean of the last units, `size` how many there are."""

    n: int
    size: int
    value: float
    centre: float
    lower: float
    upper: float
    signal: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MovingAverageHistory:
    """Fields as in `MovingAveragePoint`, shape (n,)."""

    n: NDArray[np.int64]
    size: NDArray[np.int64]
    value: Floats
    centre: Floats
    lower: Floats
    upper: Floats
    signal: NDArray[np.bool_]


@dataclass(slots=True, kw_only=True)
class MovingAverageChart:
    """Watch the plain mean of the last `window` units.

    While there are fewer, the mean is of those there are and the limits are wider.

    Parameters
    ----------
    limits : Limits
        Centre and standard deviation of one unit.
    window : int
        Units in a full mean, at least 1.
    n : int
        Units taken so far.
    recent : tuple of float
        The last deviations from the centre, fewer than `window`.

    Raises
    ------
    OutOfRangeError
        For a window below 1.

    Examples
    --------
    >>> chart = MovingAverageChart(limits=Limits(centre=0.0, sigma=1.0), window=4)
    >>> [chart.update(x).value for x in (1.0, 3.0, 2.0, 2.0, 5.0)]
    [1.0, 2.0, 2.0, 2.0, 3.0]
    """

    limits: Limits
    window: int = 4
    n: int = 0
    recent: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        count("window", self.window, at_least=1)

    def update(self, x: float) -> MovingAveragePoint:
        """Take one value; cost of the window only.

        Raises
        ------
        NotFiniteError
            For NaN or infinity; the chart is left as it was.
        """
        finite("x", x)
        limits = self.limits
        deviations = (*self.recent, x - limits.centre)
        size = len(deviations)
        offset = sum(deviations) / size
        reach = limits.width * limits.sigma / sqrt(size)
        self.n += 1
        self.recent = deviations[max(0, size - self.window + 1) :]
        return MovingAveragePoint(
            n=self.n,
            size=size,
            value=limits.centre + offset,
            centre=limits.centre,
            lower=limits.centre - reach,
            upper=limits.centre + reach,
            signal=abs(offset) > reach,
        )

    def extend(self, x: ArrayLike) -> MovingAverageHistory:
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
        known = len(self.recent)
        deviations = np.concatenate([self.recent, values - limits.centre])
        size = np.full(len(values), self.window)
        young = min(len(values), max(0, self.window - 1 - known))
        size[:young] = np.arange(known + 1, known + 1 + young)
        # Zeros before the first unit leave the sum of a young window right.
        padded = np.concatenate([np.zeros(self.window - 1 - known), deviations])
        offset = _window_sums(padded, self.window) / size
        reach = limits.width * limits.sigma / np.sqrt(size)
        first = self.n + 1
        self.n += len(values)
        self.recent = tuple(
            deviations[max(0, len(deviations) - self.window + 1) :].tolist()
        )
        return MovingAverageHistory(
            n=np.arange(first, first + len(values)),
            size=size,
            value=limits.centre + offset,
            centre=np.broadcast_to(limits.centre, len(values)),
            lower=limits.centre - reach,
            upper=limits.centre + reach,
            signal=np.abs(offset) > reach,
        )


def _window_sums(x: Floats, window: int) -> Floats:
    """Return the sum of each `window` successive values.

    By doubling: as many passes as the window has binary digits, and no running
    total that would carry rounding along.
    """
    size = max(0, len(x) - window + 1)
    total = np.zeros(size)
    at, width, sums = 0, 1, x
    while window:
        if window & 1:
            total += sums[at : at + size]
            at += width
        window >>= 1
        if window:
            sums = sums[width:] + sums[:-width] if len(sums) > width else sums[:0]
            width *= 2
    return total
