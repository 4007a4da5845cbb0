"""Argument checks: what every function of this package does at the door."""

from collections.abc import Callable, Iterable, Sequence
from functools import wraps
from math import isfinite
from typing import ParamSpec, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.errors import (
    NotFiniteError,
    OutOfRangeError,
    ShapeError,
    SpcError,
    TooFewError,
)

Floats = NDArray[np.float64]
"""An array of double-precision numbers."""

P = ParamSpec("P")
R = TypeVar("R")

LARGEST = 1e150
"""Beyond this a square is no longer finite, and no measured value is."""


def finite(argument: str, value: float) -> float:
    """Return `value` as a float, refusing NaN, infinity and what is beyond 1e150.

    Examples
    --------
    >>> finite("x", 3)
    3.0
    """
    if not -LARGEST <= value <= LARGEST:
        raise _unusable(argument, value)
    return float(value)


def positive(argument: str, value: float) -> float:
    """Return `value` as a float, refusing what is not above zero.

    Examples
    --------
    >>> positive("sigma", 0.0)
    Traceback (most recent call last):
    daemon.spc.errors.OutOfRangeError: sigma = 0.0: must be > 0
    """
    if not finite(argument, value) > 0.0:
        raise OutOfRangeError(argument=argument, value=value, allowed="> 0")
    return float(value)


def not_negative(argument: str, value: float) -> float:
    """Return `value` as a float, refusing what is below zero.

    Examples
    --------
    >>> not_negative("allowance", 0.0)
    0.0
    """
    if finite(argument, value) < 0.0:
        raise OutOfRangeError(argument=argument, value=value, allowed=">= 0")
    return float(value)


def share(argument: str, value: float) -> float:
    """Return `value` as a float, refusing what is not strictly between 0 and 1.

    Examples
    --------
    >>> share("alpha", 1.0)
    Traceback (most recent call last):
    daemon.spc.errors.OutOfRangeError: alpha = 1.0: must be > 0 and < 1
    """
    if not 0.0 < finite(argument, value) < 1.0:
        raise OutOfRangeError(argument=argument, value=value, allowed="> 0 and < 1")
    return float(value)


def weight_of_newest(value: float) -> float:
    """Return the newest unit's weight in an average, refusing what is not in (0, 1].

    Examples
    --------
    >>> weight_of_newest(0.2)
    0.2
    """
    if not 0.0 < finite("weight", value) <= 1.0:
        raise OutOfRangeError(argument="weight", value=value, allowed="> 0 and <= 1")
    return float(value)


def count(argument: str, value: int, *, at_least: int) -> int:
    """Return `value` as an int, refusing fractions and what is below `at_least`.

    Examples
    --------
    >>> count("units", 1, at_least=2)
    Traceback (most recent call last):
    daemon.spc.errors.OutOfRangeError: units = 1: must be a whole number >= 2
    """
    if value != int(finite(argument, value)) or value < at_least:
        allowed = f"a whole number >= {at_least}"
        raise OutOfRangeError(argument=argument, value=value, allowed=allowed)
    return int(value)


def places(argument: str, given: Iterable[int], *, below: int) -> list[int]:
    """Return places in a list of so many, refusing any that it does not have.

    Examples
    --------
    >>> places("range", [3], below=3)
    Traceback (most recent call last):
    daemon.spc.errors.OutOfRangeError: range = 3: must be a whole number >= 0 and < 3
    """
    found = list(given)
    for place in found:
        if place not in range(below):
            allowed = f"a whole number >= 0 and < {below}"
            raise OutOfRangeError(argument=argument, value=place, allowed=allowed)
    return found


def finite_array(
    argument: str, values: ArrayLike, *, ndim: int = 1, at_least: int = 0
) -> Floats:
    """Return `values` as floats of `ndim` dimensions and `at_least` that many rows.

    The first value that `finite` would refuse is named with its position.

    Examples
    --------
    >>> finite_array("x", [1, 2])
    array([1., 2.])
    >>> finite_array("x", [1.0, float("nan")])
    Traceback (most recent call last):
    daemon.spc.errors.NotFiniteError: x[1] = nan: must be a finite number
    """
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise ShapeError(
            argument=argument, value=type(values).__name__, allowed="numbers in rows"
        ) from None
    if array.ndim != ndim:
        allowed = f"an array of {ndim} dimension{'s' if ndim > 1 else ''}"
        raise ShapeError(
            argument=argument, value=f"shape {array.shape}", allowed=allowed
        )
    # One sum of squares tells in a single pass; only a suspect array is searched.
    if not isfinite(float(np.vdot(array, array))):
        bad = np.argwhere(~(np.abs(array) <= LARGEST))
        if len(bad):
            at = tuple(int(i) for i in bad[0])
            place = f"{argument}[{', '.join(map(str, at))}]"
            raise _unusable(place, array[at])
    if len(array) < at_least:
        raise TooFewError(
            argument=f"len({argument})", value=len(array), allowed=f">= {at_least}"
        )
    return array


def same_length(arguments: str, first: Sequence[object] | Floats, *rest: Floats) -> int:
    """Return the common length, refusing arrays that do not match.

    Examples
    --------
    >>> same_length("x, nominal", [1.0, 2.0], np.zeros(2))
    2
    """
    lengths = [len(first), *map(len, rest)]
    if len(set(lengths)) > 1:
        raise ShapeError(
            argument=f"len({arguments})", value=lengths, allowed="all equal"
        )
    return lengths[0]


def within_reach(function: Callable[P, R]) -> Callable[P, R]:
    """Return a function that refuses numbers too far apart for double precision.

    Each by itself may be one, and their ratio, or a power of it, none: that is told as
    one error instead of an overflow or a division by zero on the way.

    Examples
    --------
    >>> within_reach(lambda width, s: (width / s) ** 4)(1e99, 1e-99)
    Traceback (most recent call last):
    daemon.spc.errors.OutOfRangeError: numbers = (1e+99, 1e-99): must be closer together
    """

    @wraps(function)
    def checked(*given: P.args, **named: P.kwargs) -> R:
        try:
            with np.errstate(over="raise", divide="raise", invalid="raise"):
                return function(*given, **named)
        except ArithmeticError:
            raise OutOfRangeError(
                argument="numbers",
                value=(*given, *named.values()),
                allowed="closer together",
            ) from None

    return checked


def _unusable(argument: str, value: float) -> SpcError:
    if isfinite(value):
        allowed = f">= {-LARGEST:g} and <= {LARGEST:g}"
        return OutOfRangeError(argument=argument, value=value, allowed=allowed)
    return NotFiniteError(argument=argument, value=value)
