"""Preferred values of resistors (IEC 60063)."""

from bisect import bisect_left
from collections.abc import Mapping
from math import floor, log10
from types import MappingProxyType

from daemon.metrology.checks import positive
from daemon.metrology.errors import ArgumentError

# The two-digit series is a table: its middle is not the rounded power of ten.
_E24 = (
    *(10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30),
    *(33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91),
)


def _three_digits(size: int) -> tuple[int, ...]:
    rounded = [round(100 * 10 ** (place / size)) for place in range(size)]
    # The one value of the standard that is not the rounded power, in E192.
    return tuple(920 if value == 919 else value for value in rounded)


SERIES: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {
        "E3": _E24[::8],
        "E6": _E24[::4],
        "E12": _E24[::2],
        "E24": _E24,
        "E48": _three_digits(48),
        "E96": _three_digits(96),
        "E192": _three_digits(192),
    }
)
"""Significant digits of one decade, two up to E24 and three from E48."""


def neighbours(value_ohm: float, series: str) -> tuple[float, float]:
    """Return the preferred values just below and just above a value.

    Parameters
    ----------
    value_ohm : float
        Above zero; any unit will do.
    series : str
        "E3", "E6", "E12", "E24", "E48", "E96" or "E192".

    Returns
    -------
    tuple of float
        Below and above, in the same unit; both are the value itself where it
        is preferred.

    Raises
    ------
    ArgumentError
        If the value is not above zero or the series is unknown.

    Examples
    --------
    >>> neighbours(4_500.0, "E12")
    (3900.0, 4700.0)
    """
    positive(value_ohm=value_ohm)
    digits = _digits(series)
    decade = floor(log10(value_ohm)) - len(str(digits[0])) + 1
    values = [
        _scaled(digit, decade + shift) for shift in (-1, 0, 1) for digit in digits
    ]
    # A preferred value that went through arithmetic is still preferred.
    for value in values:
        if abs(value / value_ohm - 1) < 1e-12:
            return value, value
    above = bisect_left(values, value_ohm)
    return values[above - 1], values[above]


def nearest(value_ohm: float, series: str) -> float:
    """Return the preferred value nearest to a value, by ratio.

    Parameters
    ----------
    value_ohm : float
        Above zero; any unit will do.
    series : str
        As for `neighbours`.

    Returns
    -------
    float
        In the same unit.

    Raises
    ------
    ArgumentError
        If the value is not above zero or the series is unknown.

    Examples
    --------
    >>> nearest(4_500.0, "E12"), nearest(0.0101, "E96")
    (4700.0, 0.0102)
    """
    below, above = neighbours(value_ohm, series)
    return below if value_ohm / below <= above / value_ohm else above


def _digits(series: str) -> tuple[int, ...]:
    if series not in SERIES:
        raise ArgumentError(
            name="series", value=series, bound=f"one of {', '.join(SERIES)}"
        )
    return SERIES[series]


def _scaled(digits: int, exponent: int) -> float:
    """Return digits times a power of ten, correctly rounded."""
    return float(f"{digits}e{exponent}")
