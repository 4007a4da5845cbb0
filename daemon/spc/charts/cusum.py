"""Tabular cumulative sums, two-sided: small lasting shifts, and since when.

References
----------
E. S. Page, Biometrika 41 (1954) 100-115; J. M. Lucas and R. B. Crosier, Technometrics
24 (1982) 199-205 (head start); ISO 7870-4; NIST/SEMATECH e-Handbook of Statistical
Methods, section 6.3.2.3.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.checks import Floats, finite, finite_array, not_negative, positive
from daemon.spc.errors import OutOfRangeError
from daemon.spc.limits import Limits

BLOCK = 256
TIE = 1e-10
"""Standard deviations: sums this near zero, or a limit, are on it. A whole history is
summed in another order than unit by unit, and a tie must fall the same way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CusumPoint:
    """One unit, its sums in standard deviations of one unit.

    Parameters
    ----------
    n : int
        Counted from 1.
    z : float
        The value in standard deviations from the centre.
    above, below : float
        Sum for a shift up, and down; never below 0.
    limit : float
        Decision interval that both are held against.
    signal_above, signal_below, signal : bool
        Which sum is beyond it, and whether any is.
    since_above, since_below : int
        The first unit of the shift, were there one: the unit after the sum last was
        zero. 0 while the sum is zero.
    """

    n: int
    z: float
    above: float
    below: float
    limit: float
    signal_above: bool
    signal_below: bool
    signal: bool
    since_above: int
    since_below: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CusumHistory:
    """Fields as in `CusumPoint`, shape (n,)."""

    n: NDArray[np.int64]
    z: Floats
    above: Floats
    below: Floats
    limit: Floats
    signal_above: NDArray[np.bool_]
    signal_below: NDArray[np.bool_]
    signal: NDArray[np.bool_]
    since_above: NDArray[np.int64]
    since_below: NDArray[np.int64]


@dataclass(slots=True, kw_only=True)
class CusumChart:
    """Add up what each unit lies beyond an allowance, up and down apart.

    A signal does not reset the chart.

    Parameters
    ----------
    limits : Limits
        Centre and standard deviation of one unit; their width is not used.
    allowance : float
        Reference value in standard deviations, half the shift to be found.
    interval : float
        Decision interval in standard deviations.
    head_start : float
        Where both sums begin, below the interval; half of it gives the fast initial
        response for a process that may start off centre.
    n : int
        Units taken so far.
    above, below : float
        The sums after them; before the first unit the head start stands for both.
    zero_above, zero_below : int
        The last unit at which the sum was zero.

    Raises
    ------
    OutOfRangeError
        For a number outside its bounds.

    Examples
    --------
    >>> chart = CusumChart(limits=Limits(centre=100.0, sigma=40.0), interval=2.0)
    >>> points = [chart.update(x) for x in (100.0, 90.0, 180.0, 160.0)]  # ppm
    >>> points[-1].above, points[-1].signal, points[-1].since_above
    (2.5, True, 3)
    >>> chart.shift(points[-1])
    70.0
    """

    limits: Limits
    allowance: float = 0.5
    interval: float = 5.0
    head_start: float = 0.0
    n: int = 0
    above: float = 0.0
    below: float = 0.0
    zero_above: int = 0
    zero_below: int = 0

    def __post_init__(self) -> None:
        not_negative("allowance", self.allowance)
        positive("interval", self.interval)
        if not 0.0 <= finite("head_start", self.head_start) < self.interval:
            raise OutOfRangeError(
                argument="head_start",
                value=self.head_start,
                allowed=f">= 0 and < interval = {self.interval}",
            )

    def update(self, x: float) -> CusumPoint:
        """Take one value; constant cost.

        Raises
        ------
        NotFiniteError
            For NaN or infinity; the chart is left as it was.
        """
        z = (finite("x", x) - self.limits.centre) / self.limits.sigma
        above, below = self._sums()
        self.n += 1
        self.above = _step(above, z - self.allowance)
        self.below = _step(below, -z - self.allowance)
        if self.above == 0.0:
            self.zero_above = self.n
        if self.below == 0.0:
            self.zero_below = self.n
        signal_above = self.above > self.interval + TIE
        signal_below = self.below > self.interval + TIE
        return CusumPoint(
            n=self.n,
            z=z,
            above=self.above,
            below=self.below,
            limit=self.interval,
            signal_above=signal_above,
            signal_below=signal_below,
            signal=signal_above or signal_below,
            since_above=0 if self.above == 0.0 else self.zero_above + 1,
            since_below=0 if self.below == 0.0 else self.zero_below + 1,
        )

    def extend(self, x: ArrayLike) -> CusumHistory:
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
        z = (finite_array("x", x) - self.limits.centre) / self.limits.sigma
        size, taken = len(z), self.n
        start_above, start_below = self._sums()
        above = _sums(z - self.allowance, start_above)
        below = _sums(-z - self.allowance, start_below)
        n = np.arange(taken + 1, taken + 1 + size)
        zero_above = _last_zero(above, n, self.zero_above)
        zero_below = _last_zero(below, n, self.zero_below)
        if size:
            self.n += size
            self.above, self.below = float(above[-1]), float(below[-1])
            self.zero_above, self.zero_below = int(zero_above[-1]), int(zero_below[-1])
        signal_above = above > self.interval + TIE
        signal_below = below > self.interval + TIE
        return CusumHistory(
            n=n,
            z=z,
            above=above,
            below=below,
            limit=np.broadcast_to(self.interval, size),
            signal_above=signal_above,
            signal_below=signal_below,
            signal=signal_above | signal_below,
            since_above=np.where(zero_above == n, 0, zero_above + 1),
            since_below=np.where(zero_below == n, 0, zero_below + 1),
        )

    def shift(self, point: CusumPoint) -> float | None:
        """Return the mean shift since it began, in the unit of the values.

        It is the plain mean of the units since `since_above` (or below) minus the
        centre; None when the point is no signal. Being looked at because it
        signalled, it errs on the large side.

        Examples
        --------
        >>> chart = CusumChart(limits=Limits(centre=0.0, sigma=1.0), interval=4.0)
        >>> chart.shift(chart.update(-6.0)), chart.shift(chart.update(4.0))
        (-6.0, None)
        """
        if not point.signal:
            return None
        up = point.above >= point.below
        total, since = (
            (point.above, point.since_above) if up else (point.below, point.since_below)
        )
        begun_at = self.head_start if since == 1 else 0.0
        size = self.allowance + (total - begun_at) / (point.n - since + 1)
        return size * self.limits.sigma * (1.0 if up else -1.0)

    def _sums(self) -> tuple[float, float]:
        if self.n == 0:
            return self.head_start, self.head_start
        return self.above, self.below


def _step(total: float, increment: float) -> float:
    after = total + increment
    return after if after > TIE else 0.0


def _sums(increments: Floats, start: float) -> Floats:
    """Return the sums that never fall below zero.

    Such a sum is the plain sum minus its own minimum so far. Within short blocks,
    a row each, because a plain sum over all units would grow and lose digits.
    """
    size = len(increments)
    padded = np.zeros(-(-size // BLOCK) * BLOCK)
    padded[:size] = increments
    plain = np.cumsum(padded.reshape(-1, BLOCK), axis=1)
    lowest = np.minimum.accumulate(plain, axis=1)
    floor = np.empty(len(plain))
    carry = start
    for row, (end, least) in enumerate(
        zip(plain[:, -1].tolist(), lowest[:, -1].tolist(), strict=True)
    ):
        floor[row] = -carry
        carry = end - min(least, -carry)
    np.minimum(lowest, floor[:, None], out=lowest)
    np.subtract(plain, lowest, out=plain)
    sums = plain.ravel()[:size]
    sums[sums <= TIE] = 0.0
    return sums


def _last_zero(sums: Floats, n: NDArray[np.int64], before: int) -> NDArray[np.int64]:
    """Return the number of the last unit up to each at which the sum was zero."""
    zeros = np.where(sums == 0.0, n, before)
    return np.maximum.accumulate(zeros, out=zeros)
