"""Arguments, refused at the door with their name, value and bound."""

from collections.abc import Callable, Iterable, Sequence
from functools import wraps
from math import isfinite
from typing import ParamSpec, TypeVar

import numpy as np

from daemon.metrology.errors import ArgumentError

P = ParamSpec("P")
R = TypeVar("R")

LARGEST = 1e150
"""Beyond this a square is no longer finite, and no measured value is."""


def finite(**values: float) -> None:
    """Refuse NaN, infinity and what is beyond 1e150."""
    for name, value in values.items():
        if not abs(value) <= LARGEST:
            bound = f">= {-LARGEST:g} and <= {LARGEST:g}"
            raise ArgumentError(
                name=name, value=value, bound=bound if isfinite(value) else "finite"
            )


def positive(**values: float) -> None:
    """Refuse what is not finite and above zero."""
    for name, value in values.items():
        if not 0 < value <= LARGEST:
            raise ArgumentError(name=name, value=value, bound="> 0 and finite")


def not_negative(**values: float) -> None:
    """Refuse what is not finite and at least zero."""
    for name, value in values.items():
        if not 0 <= value <= LARGEST:
            raise ArgumentError(name=name, value=value, bound=">= 0 and finite")


def not_zero(**values: float) -> None:
    """Refuse what is zero or not finite."""
    for name, value in values.items():
        if not 0 < abs(value) <= LARGEST:
            raise ArgumentError(name=name, value=value, bound="finite and not 0")


def probability(**values: float) -> None:
    """Refuse what is not strictly between 0 and 1."""
    for name, value in values.items():
        if not 0 < value < 1:
            raise ArgumentError(name=name, value=value, bound="> 0 and < 1")


def degrees_of_freedom(**values: float) -> None:
    """Refuse what is not above zero; infinity means "exactly known"."""
    for name, value in values.items():
        if not value > 0:
            raise ArgumentError(name=name, value=value, bound="> 0 (inf allowed)")


def sample(name: str, values: Iterable[float], *, at_least: int) -> tuple[float, ...]:
    """Return the readings, refusing too few of them and any that is not finite."""
    taken = tuple(map(float, values))
    if len(taken) < at_least:
        raise ArgumentError(
            name=f"number of {name}", value=len(taken), bound=f">= {at_least}"
        )
    # Readings are looked at often, and named only where one is refused.
    if not all(map(LARGEST.__ge__, map(abs, taken))):
        for place, value in enumerate(taken):
            finite(**{f"{name}[{place}]": value})
    return taken


def ordered(**limits: float) -> None:
    """Refuse two limits, low then high, that are equal, reversed or NaN."""
    (low, low_value), (high, high_value) = limits.items()
    if not low_value < high_value:
        raise ArgumentError(
            name=low, value=low_value, bound=f"< {high} ({high_value!r})"
        )


def same_length(name: str, values: Sequence[object], other: Sequence[object]) -> None:
    """Refuse two lists that should have one element each for the same things."""
    if len(values) != len(other):
        raise ArgumentError(
            name=f"number of {name}", value=len(values), bound=str(len(other))
        )


def within_reach(function: Callable[P, R]) -> Callable[P, R]:
    """Return a function that refuses numbers too far apart for double precision.

    Each by itself may be one, and their product or quotient none: that is told as one
    error instead of an overflow or a division by zero on the way.

    Examples
    --------
    >>> within_reach(lambda one, other: one / other)(1.0, 0.0)
    Traceback (most recent call last):
    daemon.metrology.errors.ArgumentError: numbers = (1.0, 0.0): must be closer together
    """

    @wraps(function)
    def checked(*given: P.args, **named: P.kwargs) -> R:
        try:
            with np.errstate(over="raise", divide="raise", invalid="raise"):
                return function(*given, **named)
        except ArithmeticError:
            raise ArgumentError(
                name="numbers",
                value=(*given, *named.values()),
                bound="closer together",
            ) from None

    return checked
