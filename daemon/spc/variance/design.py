"""Nested groups: which value belongs where, from the outermost level in."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.checks import Floats, finite_array
from daemon.spc.errors import (
    NoSpreadError,
    OutOfRangeError,
    ShapeError,
    TooFewError,
)


class Named(Protocol):
    """A row of a table of levels."""

    @property
    def name(self) -> str:
        """Of the level."""


NamedT = TypeVar("NamedT", bound=Named)


def row_named(rows: Sequence[NamedT], name: str) -> NamedT:
    """Return the row with this name.

    Parameters
    ----------
    rows : sequence
        Of a table of levels.
    name : str

    Returns
    -------
    row
        The first of that name.

    Raises
    ------
    OutOfRangeError
        For a name that no row has.

    Examples
    --------
    >>> from types import SimpleNamespace as Row
    >>> row_named([Row(name="build", s=3.0), Row(name="unit", s=1.0)], "unit").s
    1.0
    """
    for row in rows:
        if row.name == name:
            return row
    names = ", ".join(row.name for row in rows)
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
