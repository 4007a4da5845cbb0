"""Multivariate exponentially weighted moving average: small shifts of several ranges.

References
----------
C. A. Lowry, W. H. Woodall, C. W. Champ and S. E. Rigdon, Technometrics 34 (1992)
46-53; S. S. Prabhu and G. C. Runger, Journal of Quality Technology 29 (1997) 8-15.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from daemon.spc.charts.ewma import checked_weight, smooth
from daemon.spc.charts.hotelling import T2History, T2Point, t2_history
from daemon.spc.charts.vectors import Shares, VectorLimits, outermost, shares
from daemon.spc.checks import Floats, positive
from daemon.spc.errors import ShapeError


@dataclass(slots=True, kw_only=True, eq=False)
class MewmaChart:
    """Watch the averages of several ranges together, the newest unit with a weight.

    A point's `value` is the T2 of the averages with their lasting covariance, and its
    parts are those of the averages. A signal does not reset the chart.

    Parameters
    ----------
    limits : VectorLimits
        Centre and covariance of one unit.
    limit : float
        Upper limit, above 0: for known parameters `mewma_limit` of
        `daemon.spc.run_length` gives that for a wanted run length.
    weight : float
        Of the newest unit, above 0 and up to 1 (then it is a T2 chart).
    n : int
        Units taken so far.
    offset : ndarray, shape (ranges,)
        The averages minus the centre; empty stands for zeros.

    Raises
    ------
    SpcError
        For a limit or weight outside its bounds.

    Examples
    --------
    >>> pair = VectorLimits(
    ...     names=("10 uA", "100 uA"),
    ...     centre=[0.0, 0.0],
    ...     covariance=[[1.0, 0.6], [0.6, 1.0]],
    ... )
    >>> chart = MewmaChart(limits=pair, limit=8.64, weight=0.1)
    >>> points = [chart.update([0.2, -1.3]) for _ in range(5)]
    >>> [point.signal for point in points], points[-1].range
    ([False, False, False, False, True], '100 uA')
    """

    limits: VectorLimits
    limit: float
    weight: float = 0.1
    n: int = 0
    offset: Floats = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        positive("limit", self.limit)
        checked_weight(self.weight)
        ranges = len(self.limits.names)
        if not len(self.offset):
            self.offset = np.zeros(ranges)
        if self.offset.shape != (ranges,):
            raise ShapeError(
                argument="offset",
                value=f"shape {self.offset.shape}",
                allowed=f"of shape ({ranges},)",
            )

    def update(self, x: ArrayLike) -> T2Point:
        """Take one unit, shape (ranges,); cost of the ranges only.

        Raises
        ------
        SpcError
            For values that are not finite, or not one for each range; the chart is
            left as it was.
        """
        values = self.limits.checked("x", x, ndim=1)
        deviation = values - self.limits.centre
        self.offset = self.weight * deviation + (1.0 - self.weight) * self.offset
        self.n += 1
        part = self._shares(self.offset[None])
        value = float(part.t2[0])
        return T2Point(
            n=self.n,
            value=value,
            limit=self.limit,
            signal=value > self.limit,
            alone=tuple(part.alone[0].tolist()),
            conditional=tuple(part.conditional[0].tolist()),
            range=str(outermost(self.limits.names, part.conditional)[0]),
        )

    def extend(self, x: ArrayLike) -> T2History:
        """Take many units at once: the same points and state as one by one.

        Parameters
        ----------
        x : array_like, shape (n, ranges)
            A row a unit, in the order they were taken.

        Raises
        ------
        SpcError
            As for `update`; the chart is left as it was.
        """
        values = self.limits.checked("x", x, ndim=2)
        offsets = smooth(values - self.limits.centre, self.weight, self.offset)
        first = self.n + 1
        if len(values):
            self.n += len(values)
            self.offset = offsets[-1].copy()
        part = self._shares(offsets)
        return t2_history(self.limits.names, part, self.limit, first)

    def _shares(self, offsets: Floats) -> Shares:
        """Return the parts of averages, whose variances are smaller than a unit's."""
        shrink = self.weight / (2.0 - self.weight)
        return shares(self.limits, offsets / np.sqrt(shrink))
