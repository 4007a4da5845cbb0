"""The scatter of units in a subgroup: its range or its standard deviation."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.checks import Floats, finite_array
from daemon.spc.constants import c4, d2, d3
from daemon.spc.errors import ShapeError, TooFewError


class Scatter(StrEnum):
    """Which statistic of scatter a chart plots."""

    RANGE = "range"
    S = "standard deviation"


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterPoint:
    """Scatter of one subgroup beside its limits, in the unit of the values."""

    value: float
    centre: float
    lower: float
    upper: float
    signal: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterHistory:
    """Fields as in `ScatterPoint`, shape (subgroups,)."""

    value: Floats
    centre: Floats
    lower: Floats
    upper: Floats
    signal: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Subgroups:
    """Subgroups laid end to end: `values` of all, `sizes` of each."""

    values: Floats
    sizes: NDArray[np.intp]

    @property
    def starts(self) -> NDArray[np.intp]:
        """Where each subgroup begins in `values`."""
        return np.asarray(np.cumsum(self.sizes) - self.sizes)

    @property
    def means(self) -> Floats:
        """Mean of each subgroup."""
        return np.add.reduceat(self.values, self.starts) / self.sizes

    def scatter(self, kind: Scatter) -> Floats:
        """Return range or standard deviation of each subgroup, shape (subgroups,).

        Examples
        --------
        >>> groups = checked_subgroups("groups", [[90.0, 110.0], [80.0, 100.0, 120.0]])
        >>> groups.scatter(Scatter.RANGE).tolist()
        [20.0, 40.0]
        """
        starts = self.starts
        if kind is Scatter.RANGE:
            high = np.maximum.reduceat(self.values, starts)
            low = np.minimum.reduceat(self.values, starts)
            return np.asarray(high - low)
        deviations = self.values - np.repeat(self.means, self.sizes)
        squares = np.add.reduceat(deviations**2, starts)
        return np.asarray(np.sqrt(squares / (self.sizes - 1)))


def checked_subgroup(argument: str, values: ArrayLike) -> Floats:
    """Return one subgroup as an array, refusing fewer than two values.

    Raises
    ------
    SpcError
        For a subgroup of one, or values that are not finite.

    Examples
    --------
    >>> checked_subgroup("values", [90.0])
    Traceback (most recent call last):
    daemon.spc.errors.TooFewError: len(values) = 1: must be >= 2
    """
    return finite_array(argument, values, at_least=2)


def checked_subgroups(
    argument: str, subgroups: Sequence[ArrayLike] | Floats
) -> Subgroups:
    """Return subgroups of equal or unequal size laid end to end.

    Raises
    ------
    SpcError
        For no subgroups at all, a subgroup of one, or values that are not finite;
        the subgroup is named.

    Examples
    --------
    >>> checked_subgroups("subgroups", [[90.0, 110.0], [80.0, 100.0, 120.0]]).means
    array([100., 100.])
    """
    if isinstance(subgroups, np.ndarray) and subgroups.ndim == 2:
        values = finite_array(argument, subgroups, ndim=2, at_least=1)
        if values.shape[1] < 2:
            raise TooFewError(
                argument=f"units in each of {argument}",
                value=values.shape[1],
                allowed=">= 2",
            )
        sizes = np.full(len(values), values.shape[1], dtype=np.intp)
        return Subgroups(values=values.ravel(), sizes=sizes)
    if isinstance(subgroups, np.ndarray) or not len(subgroups):
        raise ShapeError(
            argument=argument,
            value=f"{len(subgroups)} subgroups",
            allowed="one subgroup or more, a row each",
        )
    rows = [
        checked_subgroup(f"{argument}[{i}]", row) for i, row in enumerate(subgroups)
    ]
    sizes = np.array([len(row) for row in rows], dtype=np.intp)
    return Subgroups(values=np.concatenate(rows), sizes=sizes)


def factors(kind: Scatter, size: int) -> tuple[float, float]:
    """Return mean and standard deviation of the statistic, over sigma.

    Examples
    --------
    >>> round(factors(Scatter.RANGE, 2)[0], 4)
    1.1284
    """
    if kind is Scatter.RANGE:
        return d2(size), d3(size)
    mean = c4(size)
    return mean, sqrt(1.0 - mean**2)


def size_factors(kind: Scatter, sizes: NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Return `factors` for each of many sizes, shape (subgroups,) each.

    Examples
    --------
    >>> size_factors(Scatter.RANGE, np.array([2, 5]))[0].round(3)
    array([1.128, 2.326])
    """
    different, which = np.unique(sizes, return_inverse=True)
    table = np.array([factors(kind, int(size)) for size in different])
    return table[which, 0], table[which, 1]


def scatter_point(
    kind: Scatter, values: Floats, *, sigma: float, width: float
) -> ScatterPoint:
    """Return the scatter of one subgroup beside its limits.

    Examples
    --------
    >>> point = scatter_point(
    ...     Scatter.RANGE, np.array([90.0, 120.0]), sigma=20.0, width=3.0
    ... )
    >>> point.value, round(point.upper, 1)
    (30.0, 73.7)
    """
    mean, deviation = factors(kind, len(values))
    value = float(np.ptp(values) if kind is Scatter.RANGE else values.std(ddof=1))
    lower = sigma * max(0.0, mean - width * deviation)
    upper = sigma * (mean + width * deviation)
    return ScatterPoint(
        value=value,
        centre=sigma * mean,
        lower=lower,
        upper=upper,
        signal=not lower <= value <= upper,
    )


def scatter_history(
    kind: Scatter, subgroups: Subgroups, *, sigma: float, width: float
) -> ScatterHistory:
    """Return the scatter of many subgroups beside their limits.

    Examples
    --------
    >>> groups = checked_subgroups("subgroups", [[90.0, 120.0], [80.0, 160.0]])
    >>> scatter_history(Scatter.RANGE, groups, sigma=20.0, width=3.0).signal
    array([False,  True])
    """
    mean, deviation = size_factors(kind, subgroups.sizes)
    value = subgroups.scatter(kind)
    lower = sigma * np.maximum(0.0, mean - width * deviation)
    upper = sigma * (mean + width * deviation)
    return ScatterHistory(
        value=value,
        centre=sigma * mean,
        lower=lower,
        upper=upper,
        signal=(value < lower) | (value > upper),
    )
