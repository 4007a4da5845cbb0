"""Resistors: preferred values (IEC 60063), what is printed, trimming by one more."""

import re
from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import floor, log10
from types import MappingProxyType

from daemon.metrology.checks import ordered, positive
from daemon.metrology.errors import ArgumentError, MarkError, NoSolutionError

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

_ALL_DIGITS = sorted({*(10 * digits for digits in _E24), *SERIES["E192"]})

MULTIPLIERS: Mapping[str, int] = MappingProxyType(
    {"L": -3, "R": 0, "K": 3, "M": 6, "G": 9, "T": 12}
)
"""Power of ten of the letter that stands for the decimal point. L, a thousandth of an
ohm, is in use for low ohms."""

TOLERANCES_PERCENT: Mapping[str, float] = MappingProxyType(
    {
        "E": 0.005,
        "L": 0.01,
        "P": 0.02,
        "W": 0.05,
        "B": 0.1,
        "C": 0.25,
        "D": 0.5,
        "F": 1.0,
        "G": 2.0,
        "H": 3.0,
        "J": 5.0,
        "K": 10.0,
        "M": 20.0,
        "N": 30.0,
    }
)
"""Symmetrical tolerance by its letter, percent."""

_MARK = re.compile(r"(\d*)([LRKMGT])(\d*)([A-Z]?)")
_DIGITS = re.compile(r"([1-9]\d)(\d)|([1-9]\d\d)(\d)")
_PLACE = re.compile(r"(\d\d)([A-Z])")
LINK = "a link, not a resistor: its value is 0"

PLACE_MULTIPLIERS: Mapping[str, int] = MappingProxyType(
    {
        "Z": -3,
        "Y": -2,
        "X": -1,
        "S": -1,
        "A": 0,
        "B": 1,
        "H": 1,
        "C": 2,
        "D": 3,
        "E": 4,
        "F": 5,
    }
)
"""Power of ten of the letter behind a place in E96, as small 1 % parts are marked
(EIA-96, from memory). R, which stands there for a hundredth too, is left to IEC 60062:
68R is 68 ohm."""
PLACE_TOLERANCE_PERCENT = 1.0
"""What a mark by place in E96 says of the part (EIA-96, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Marked:
    """What a mark says; None for what it leaves out."""

    value_ohm: float
    tolerance_percent: float | None = None


class TrimKind(StrEnum):
    """How the trimming resistor is fitted."""

    PARALLEL = "in parallel"
    SERIES = "in series"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trim:
    """A trimming resistor and what it makes of the resistor.

    `error_ppm` is what stays of the error, ppm of the wanted value. `sensitivity` is
    how much of the trimming resistor's own tolerance and temperature coefficient
    reaches the result, dimensionless.
    """

    kind: TrimKind
    part_ohm: float
    result_ohm: float
    error_ppm: float
    sensitivity: float


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
        Both are the value itself where it is preferred.

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
    if series not in SERIES:
        known = ", ".join(SERIES)
        raise ArgumentError(name="series", value=series, bound=f"one of {known}")
    digits = SERIES[series]
    decade = floor(log10(value_ohm)) - len(str(digits[0])) + 1
    values = [float(f"{one}e{decade + by}") for by in (-1, 0, 1) for one in digits]
    # A preferred value that went through arithmetic is still preferred.
    for value in values:
        if abs(value / value_ohm - 1) < 1e-12:
            return value, value
    above = bisect_left(values, value_ohm)
    return values[above - 1], values[above]


def preferred_between(low: float, high: float) -> tuple[float, ...]:
    """Return the preferred values of E24 and E192 between two bounds, both included.

    Parameters
    ----------
    low, high : float
        Above zero, in any unit of which preferred values are multiples of powers of
        ten.

    Returns
    -------
    tuple of float
        Rising.

    Raises
    ------
    ArgumentError
        If a bound is not above zero.

    Examples
    --------
    >>> preferred_between(9_950.0, 10_250.0)
    (10000.0, 10100.0, 10200.0)
    """
    positive(low=low, high=high)
    decades = range(floor(log10(low)) - 2, floor(log10(high)) - 1)
    values = (float(f"{one}e{decade}") for decade in decades for one in _ALL_DIGITS)
    return tuple(value for value in values if low <= value <= high)


def read_mark(mark: str) -> Marked:
    """Read what is printed on a resistor, upper or lower case.

    Parameters
    ----------
    mark : str
        One of three: digits with a letter in place of the decimal point, then perhaps
        the tolerance letter, "4K7", "R47", "59R04", "4K7J" (IEC 60062); two or three
        digits and the power of ten as the last digit, "472", "4702"; a place in E96 and
        a letter for the power of ten, "01C", "68X" (EIA-96).

    Returns
    -------
    Marked
        Ohm, percent.

    Raises
    ------
    MarkError
        If the mark is none.

    Examples
    --------
    >>> read_mark("R10F")
    Marked(value_ohm=0.1, tolerance_percent=1.0)
    >>> read_mark("4702").value_ohm, read_mark("4k7").value_ohm
    (47000.0, 4700.0)
    >>> read_mark("01C"), read_mark("68X").value_ohm
    (Marked(value_ohm=10000.0, tolerance_percent=1.0), 49.9)
    """
    if "m" in mark:
        reason = "m may mean milli or mega: write M for mega, L for milli"
        raise MarkError(mark=mark, reason=reason)
    plain = mark.strip().upper()
    if (matched := _MARK.fullmatch(plain)) and (matched[1] or matched[3]):
        return _with_letter(mark, *matched.groups())
    if matched := _DIGITS.fullmatch(plain):
        digits, power = (one for one in matched.groups() if one is not None)
        return Marked(value_ohm=float(f"{digits}e{power}"))
    if (matched := _PLACE.fullmatch(plain)) and matched[2] in PLACE_MULTIPLIERS:
        place, values = int(matched[1]), SERIES["E96"]
        if not 1 <= place <= len(values):
            raise MarkError(mark=mark, reason=f"E96 has places 01 to {len(values)}")
        return Marked(
            value_ohm=float(f"{values[place - 1]}e{PLACE_MULTIPLIERS[matched[2]]}"),
            tolerance_percent=PLACE_TOLERANCE_PERCENT,
        )
    if plain and not plain.strip("0"):
        raise MarkError(mark=mark, reason=LINK)
    reason = (
        "must be digits with one of L R K M G T for the decimal point (4K7), three or "
        "four digits (4702), or a place in E96 and a letter (01C)"
    )
    raise MarkError(mark=mark, reason=reason)


def _with_letter(
    mark: str, whole: str, letter: str, part: str, tolerance: str
) -> Marked:
    if tolerance and tolerance not in TOLERANCES_PERCENT:
        known = " ".join(TOLERANCES_PERCENT)
        reason = f"unknown tolerance letter {tolerance!r}; known: {known}"
        raise MarkError(mark=mark, reason=reason)
    value_ohm = float(f"{whole}.{part}e{MULTIPLIERS[letter]}")
    if value_ohm == 0:
        raise MarkError(mark=mark, reason=LINK)
    return Marked(
        value_ohm=value_ohm,
        tolerance_percent=TOLERANCES_PERCENT[tolerance] if tolerance else None,
    )


def trim(
    actual_ohm: float,
    wanted_ohm: float,
    *,
    series: str = "E96",
    lowest_ohm: float = 1.0,
    highest_ohm: float = 10e6,
) -> Trim:
    """Return the preferred value that brings a resistor to what it should be.

    One in parallel brings it down, one in series brings it up.

    Parameters
    ----------
    actual_ohm, wanted_ohm : float
        What is fitted, and what it should be; above zero.
    series : str
        Series of IEC 60063, "E3" to "E192".
    lowest_ohm, highest_ohm : float
        What can be had.

    Returns
    -------
    Trim
        The value whose result is nearest to the wanted one.

    Raises
    ------
    NoSolutionError
        If there is nothing to trim, or the value that would trim cannot be had.
    ArgumentError
        If a value is not above zero or the series is unknown.

    Examples
    --------
    >>> down = trim(10_030.0, 10_000.0)
    >>> down.kind.value, down.part_ohm, round(down.error_ppm)
    ('in parallel', 3320000.0, -21)
    >>> round(down.sensitivity, 5)
    0.00301
    >>> trim(9_970.0, 10_000.0).part_ohm
    30.1
    """
    positive(actual_ohm=actual_ohm, wanted_ohm=wanted_ohm, lowest_ohm=lowest_ohm)
    ordered(lowest_ohm=lowest_ohm, highest_ohm=highest_ohm)
    if actual_ohm == wanted_ohm:
        reason = "it is what is wanted, so there is nothing to trim"
        raise NoSolutionError(subject=f"{actual_ohm:g} ohm", reason=reason)
    down = actual_ohm > wanted_ohm
    exact_ohm = abs(actual_ohm - wanted_ohm)
    if down:
        exact_ohm = actual_ohm * wanted_ohm / exact_ohm
    trims = [
        _fitted(actual_ohm, wanted_ohm, part_ohm, down=down)
        for part_ohm in neighbours(exact_ohm, series)
        if lowest_ohm <= part_ohm <= highest_ohm
    ]
    if not trims:
        raise NoSolutionError(
            subject="trimming resistor",
            reason=f"it would be {exact_ohm:.4g} ohm, and only {lowest_ohm:g} to "
            f"{highest_ohm:g} ohm can be had",
        )
    return min(trims, key=lambda one: abs(one.error_ppm))


def _fitted(
    actual_ohm: float, wanted_ohm: float, part_ohm: float, *, down: bool
) -> Trim:
    both_ohm = actual_ohm + part_ohm
    result_ohm = actual_ohm * part_ohm / both_ohm if down else both_ohm
    return Trim(
        kind=TrimKind.PARALLEL if down else TrimKind.SERIES,
        part_ohm=part_ohm,
        result_ohm=result_ohm,
        error_ppm=(result_ohm / wanted_ohm - 1) * 1e6,
        sensitivity=(actual_ohm if down else part_ohm) / both_ohm,
    )
