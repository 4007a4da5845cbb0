"""The ranges of a unit judged together: Hotelling's T2, and MEWMA for small shifts.

References
----------
NIST/SEMATECH e-Handbook of Statistical Methods, section 6.5.4.3; N. D. Tracy, J. C.
Young and R. L. Mason, Journal of Quality Technology 24 (1992) 88-95; C. A. Lowry, W. H.
Woodall, C. W. Champ and S. E. Rigdon, Technometrics 34 (1992) 46-53; S. S. Prabhu and
G. C. Runger, Journal of Quality Technology 29 (1997) 8-15 (MEWMA).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike

from daemon.spc.charts.t2_limits import ALPHA, baseline_limit, new_unit_limit
from daemon.spc.charts.vectors import (
    CovarianceMethod,
    VectorLimits,
    shares,
    vector_limits,
)
from daemon.spc.checks import Floats, finite_array, positive, weight_of_newest
from daemon.spc.control_limits import Exclusion
from daemon.spc.errors import ShapeError


@dataclass(frozen=True, slots=True, kw_only=True)
class T2Point:
    """One unit.

    `value` is its T2. `alone` and `conditional` have one element a range: what it
    gives by itself, and what it adds to the others; `range` is the one that adds
    most. When a shared stage moves, all go together and none adds much.
    """

    n: int
    value: float
    limit: float
    signal: bool
    alone: tuple[float, ...]
    conditional: tuple[float, ...]
    range: str


@dataclass(slots=True, kw_only=True, eq=False)
class T2Chart:
    """Watch several ranges of each new unit together.

    Parameters
    ----------
    limits : VectorLimits
        Centre and covariance of one unit.
    limit : float
        Upper limit of T2, above 0: from `new_unit_limit`.
    n : int
        Units taken so far.

    Raises
    ------
    OutOfRangeError
        For a limit not above zero.

    Examples
    --------
    >>> pair = VectorLimits(
    ...     names=("10 uA", "100 uA"),
    ...     centre=[0.0, 0.0],
    ...     covariance=[[1.0, 0.6], [0.6, 1.0]],
    ... )
    >>> chart = T2Chart.of(pair)
    >>> point = chart.update([3.0, -1.5])
    >>> point.signal, point.range
    (True, '10 uA')
    """

    limits: VectorLimits
    limit: float
    n: int = 0

    def __post_init__(self) -> None:
        positive("limit", self.limit)

    @classmethod
    def of(cls, limits: VectorLimits, *, alpha: float = ALPHA) -> "T2Chart":
        """Return a fresh chart with so many false alarms per unit.

        Raises
        ------
        SpcError
            For an `alpha` not between 0 and 1, or too few units behind the limits.
        """
        return cls(limits=limits, limit=new_unit_limit(limits, alpha=alpha))

    def update(self, x: ArrayLike) -> T2Point:
        """Take one unit, shape (ranges,); cost of the ranges only.

        Raises
        ------
        SpcError
            For values that are not finite, or not one for each range; the chart is
            left as it was.
        """
        values = self.limits.checked("x", x, ndim=1)
        self.n += 1
        return _point(self.limits, values - self.limits.centre, self.limit, self.n)


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
        weight_of_newest(self.weight)
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
        # The variances of averages are smaller than a unit's.
        shrink = self.weight / (2.0 - self.weight)
        return _point(self.limits, self.offset / sqrt(shrink), self.limit, self.n)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class T2Baseline:
    """A baseline looked at itself (phase 1), and the limits that follow from it."""

    limits: VectorLimits
    points: tuple[T2Point, ...]


def t2_baseline(
    x: ArrayLike,
    *,
    names: Sequence[str],
    method: CovarianceMethod = CovarianceMethod.SAMPLE,
    segment_starts: Sequence[int] = (),
    exclude: Iterable[Exclusion] = (),
    alpha: float = ALPHA,
) -> T2Baseline:
    """Return the T2 of each unit of a baseline against the rest of it.

    Points that signal deserve a look; those whose cause is found are excluded and
    the baseline is looked at again.

    Parameters
    ----------
    x : array_like, shape (n, ranges)
        A row a unit, in the order they were taken.
    names : sequence of str
        Of the ranges.
    method : CovarianceMethod
        Deviations from the mean, or successive differences (which see a shift inside
        the baseline).
    segment_starts : sequence of int
        Positions in `x` (from 0) across which no difference is formed.
    exclude : iterable of Exclusion
        Units with a recorded cause, left out of the limits; their points are shown.
    alpha : float
        False alarms per unit.

    Raises
    ------
    SpcError
        As for `vector_limits`, or too few units for the limit.

    Examples
    --------
    >>> units = np.random.default_rng(1).normal(size=(30, 2))
    >>> units[12] = 9.0, -9.0
    >>> baseline = t2_baseline(units, names=["10 uA", "100 uA"])
    >>> [point.n for point in baseline.points if point.signal]
    [13]
    """
    limits = vector_limits(
        x,
        names=names,
        method=method,
        segment_starts=segment_starts,
        exclude=exclude,
    )
    limit = baseline_limit(limits, alpha=alpha)
    rows = finite_array("x", x, ndim=2) - limits.centre
    points = (_point(limits, row, limit, n) for n, row in enumerate(rows, start=1))
    return T2Baseline(limits=limits, points=tuple(points))


def _point(limits: VectorLimits, deviation: Floats, limit: float, n: int) -> T2Point:
    part = shares(limits, deviation[None])
    value = float(part.t2[0])
    conditional = tuple(part.conditional[0].tolist())
    return T2Point(
        n=n,
        value=value,
        limit=limit,
        signal=value > limit,
        alone=tuple(part.alone[0].tolist()),
        conditional=conditional,
        range=limits.names[conditional.index(max(conditional))],
    )
