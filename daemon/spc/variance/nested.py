"""Components of variance of nested groups, by the analysis of variance.

References
----------
S. R. Searle, G. Casella and C. E. McCulloch, Variance Components (1992), chapter 5
and appendix F (expected mean squares of unequal sizes).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.checks import Floats, finite_array, share
from daemon.spc.errors import (
    NoSpreadError,
    OutOfRangeError,
    ShapeError,
    TooFewError,
)
from daemon.spc.variance.intervals import Interval, MeanSquare, sum_interval

INNERMOST = "rest"
"""Name of the variance inside the innermost groups."""


class Named(Protocol):
    """A row of a table of levels."""

    @property
    def name(self) -> str:
        """Of the level."""


NamedT = TypeVar("NamedT", bound=Named)


@dataclass(frozen=True, slots=True, kw_only=True)
class Components(Generic[NamedT]):
    """Components from the outermost level in; the last row is what rests inside."""

    mean: float
    levels: tuple[NamedT, ...]

    def level(self, name: str) -> NamedT:
        """Return the row with this name.

        Parameters
        ----------
        name : str
            Of a level, or `INNERMOST` for what rests inside the innermost groups.

        Raises
        ------
        OutOfRangeError
            For a name that no level has.

        Examples
        --------
        >>> found = nested_components([1.0, 2.0, 5.0, 7.0], [("build", "aabb")])
        >>> round(found.level(INNERMOST).variance, 4)
        1.25
        """
        for row in self.levels:
            if row.name == name:
                return row
        names = ", ".join(row.name for row in self.levels)
        raise OutOfRangeError(argument="name", value=name, allowed=f"one of {names}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NestedDesign:
    """Values with the group of each, level by level.

    `origin` was taken from the values, to keep their digits. `group[l]` numbers the
    groups of level l (0 is outermost), shape (n,); `parent[l]` gives for each of
    them the group one level out, all zero at level 0.
    """

    origin: float
    values: Floats
    names: tuple[str, ...]
    group: tuple[NDArray[np.intp], ...]
    parent: tuple[NDArray[np.intp], ...]

    @property
    def counts(self) -> tuple[int, ...]:
        """Number of groups at each level."""
        return tuple(len(parent) for parent in self.parent)


def nested_design(
    values: ArrayLike, levels: Sequence[tuple[str, Sequence[object]]]
) -> NestedDesign:
    """Return the design of values nested in groups.

    Parameters
    ----------
    values : array_like, shape (n,)
        Measured values, any one unit.
    levels : sequence of (name, labels)
        From the outermost level in, such as builds, then units; each with a label a
        value. Equal labels inside different outer groups are different groups.

    Raises
    ------
    SpcError
        For values that are not finite or all the same, labels that do not match, no
        level, a level with no more groups than the one outside it, or no value more
        than groups.

    Examples
    --------
    >>> design = nested_design(
    ...     [1.0, 2.0, 3.0, 4.0, 6.0],
    ...     [("build", "aaabb"), ("unit", [1, 1, 2, 1, 1])],
    ... )
    >>> design.counts
    (2, 3)
    """
    array = finite_array("values", values, at_least=2)
    if not levels:
        raise TooFewError(argument="len(levels)", value=0, allowed=">= 1")
    inside = np.zeros(len(array), dtype=np.intp)
    groups, parents = [], []
    for name, labels in levels:
        if len(labels) != len(array):
            raise ShapeError(
                argument=f"len({name})", value=len(labels), allowed=f"{len(array)}"
            )
        seen: dict[object, int] = {}
        number = np.array(
            [
                seen.setdefault((int(outer), label), len(seen))
                for outer, label in zip(inside, labels, strict=True)
            ],
            dtype=np.intp,
        )
        outside = np.zeros(len(seen), dtype=np.intp)
        outside[number] = inside
        before = int(inside.max()) + 1
        if len(seen) <= before:
            raise TooFewError(
                argument=f"groups of {name}", value=len(seen), allowed=f"> {before}"
            )
        groups.append(number)
        parents.append(outside)
        inside = number
    if len(array) <= len(parents[-1]):
        raise TooFewError(
            argument="len(values)", value=len(array), allowed=f"> {len(parents[-1])}"
        )
    origin = float(array[0])
    shifted = array - origin
    if not shifted.any():
        raise NoSpreadError(argument="spread of values", value=0.0, allowed="> 0")
    return NestedDesign(
        origin=origin,
        values=shifted,
        names=tuple(name for name, _ in levels),
        group=tuple(groups),
        parent=tuple(parents),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class NestedLevel:
    """One row of a nested analysis of variance.

    `untruncated` is the variance estimate before a negative one is reported as 0;
    `interval` is not cut either.
    """

    name: str
    degrees: int
    sum_of_squares: float
    mean_square: float
    variance: float
    untruncated: float
    interval: Interval

    @property
    def s(self) -> float:
        """Standard deviation of this level."""
        return sqrt(self.variance)


class NestedComponents(Components[NestedLevel]):
    """Components by the analysis of variance."""

    __slots__ = ()


def nested_components(
    values: ArrayLike,
    levels: Sequence[tuple[str, Sequence[object]]],
    *,
    confidence: float = 0.95,
) -> NestedComponents:
    """Return the analysis-of-variance components of values nested in groups.

    Parameters
    ----------
    values, levels
        As in `nested_design`: values, and named labels from the outermost level in.
    confidence : float
        Of each interval, above 0 and below 1.

    Raises
    ------
    SpcError
        As in `nested_design`, and for a confidence outside its bounds.

    Notes
    -----
    Sizes may differ. Intervals are modified large sample; with unequal sizes the
    mean squares are only nearly independent chi-squares, and so are the intervals.

    Examples
    --------
    >>> found = nested_components(
    ...     [20.1, 20.3, 19.2, 19.4, 22.5, 22.1, 23.4, 23.6],
    ...     [("build", "aaaabbbb"), ("unit", [1, 1, 2, 2, 1, 1, 2, 2])],
    ... )
    >>> [(row.name, round(row.variance, 3)) for row in found.levels]
    [('build', 4.68), ('unit', 0.545), ('rest', 0.035)]
    """
    share("confidence", confidence)
    design = nested_design(values, levels)
    squares, degrees = _sums_of_squares(design)
    mean_squares = squares / degrees
    # Row l: what each variance adds to mean square l on average.
    expected = _expected(design) / degrees[:, None]
    weights = np.linalg.inv(expected)
    untruncated = weights @ mean_squares
    rows = []
    for i, name in enumerate((*design.names, INNERMOST)):
        terms = [
            MeanSquare(value=float(ms), degrees=int(df), weight=float(w))
            for ms, df, w in zip(mean_squares, degrees, weights[i], strict=True)
            if abs(w) > 1e-12
        ]
        rows.append(
            NestedLevel(
                name=name,
                degrees=int(degrees[i]),
                sum_of_squares=float(squares[i]),
                mean_square=float(mean_squares[i]),
                variance=max(0.0, float(untruncated[i])),
                untruncated=float(untruncated[i]),
                interval=sum_interval(terms, confidence=confidence),
            )
        )
    mean = design.origin + float(design.values.mean())
    return NestedComponents(mean=mean, levels=tuple(rows))


def _sums_of_squares(design: NestedDesign) -> tuple[Floats, Floats]:
    outer = np.full(len(design.values), design.values.mean())
    squares = []
    for group in design.group:
        means = np.bincount(group, weights=design.values) / np.bincount(group)
        squares.append(float(np.sum((means[group] - outer) ** 2)))
        outer = means[group]
    squares.append(float(np.sum((design.values - outer) ** 2)))
    sizes = (1, *design.counts, len(design.values))
    return np.array(squares), np.diff(np.array(sizes, dtype=np.float64))


def _expected(design: NestedDesign) -> Floats:
    """Coefficient of each variance (column) in each expected sum of squares (row).

    A sum of squares is a difference of uncorrected ones, sum over groups of n mean^2;
    there the variance of level j counts the squared sizes of its groups inside each.
    """
    n = len(design.values)
    everything = np.zeros(n, dtype=np.intp)
    single = np.arange(n)
    rows = (everything, *design.group, single)
    columns = (*design.group, single)
    total = np.array(
        [[_squared_share(row, column) for column in columns] for row in rows]
    )
    return np.diff(total, axis=0)


def _squared_share(outer: np.ndarray, inner: np.ndarray) -> float:
    width = int(inner.max()) + 1
    both, common = np.unique(outer * width + inner, return_counts=True)
    sizes = np.bincount(outer)[both // width]
    return float(np.sum(common.astype(np.float64) ** 2 / sizes))
