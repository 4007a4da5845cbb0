"""Hotelling's T2: the ranges of a unit judged together, one unit a point.

References
----------
NIST/SEMATECH e-Handbook of Statistical Methods, section 6.5.4.3; N. D. Tracy, J. C.
Young and R. L. Mason, Journal of Quality Technology 24 (1992) 88-95.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.charts.t2_limits import ALPHA, baseline_limit, new_unit_limit
from daemon.spc.charts.vectors import (
    CovarianceMethod,
    Shares,
    VectorLimits,
    outermost,
    shares,
    vector_limits,
)
from daemon.spc.checks import Floats, finite_array, positive
from daemon.spc.limits import Exclusion


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


@dataclass(frozen=True, slots=True, kw_only=True)
class T2History:
    """Fields as in `T2Point`, shape (n,); `alone` and `conditional` (n, ranges)."""

    n: NDArray[np.int64]
    value: Floats
    limit: Floats
    signal: NDArray[np.bool_]
    alone: Floats
    conditional: Floats
    range: NDArray[np.str_]


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
        part = shares(self.limits, (values - self.limits.centre)[None])
        self.n += 1
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
        part = shares(self.limits, values - self.limits.centre)
        first = self.n + 1
        self.n += len(values)
        return t2_history(self.limits.names, part, self.limit, first)


def t2_history(
    names: tuple[str, ...], part: Shares, limit: float, first: int
) -> T2History:
    """Return the points of many units.

    Examples
    --------
    >>> part = Shares(t2=np.ones(1), alone=np.ones((1, 1)), conditional=np.ones((1, 1)))
    >>> t2_history(("10 uA",), part, 9.0, 1).range
    array(['10 uA'], dtype='<U5')
    """
    size = len(part.t2)
    return T2History(
        n=np.arange(first, first + size),
        value=part.t2,
        limit=np.broadcast_to(limit, size),
        signal=part.t2 > limit,
        alone=part.alone,
        conditional=part.conditional,
        range=outermost(names, part.conditional),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class T2Baseline:
    """A baseline looked at itself (phase 1), and the limits that follow from it."""

    limits: VectorLimits
    points: T2History


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
    >>> np.flatnonzero(baseline.points.signal)
    array([12])
    """
    limits = vector_limits(
        x,
        names=names,
        method=method,
        segment_starts=segment_starts,
        exclude=exclude,
    )
    part = shares(limits, finite_array("x", x, ndim=2) - limits.centre)
    limit = baseline_limit(limits, alpha=alpha)
    return T2Baseline(limits=limits, points=t2_history(limits.names, part, limit, 1))
