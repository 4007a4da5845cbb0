"""Marks on resistors, read and written (IEC 60062)."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TypeVar

from daemon.metrology.checks import positive
from daemon.metrology.errors import MarkError

MULTIPLIERS: Mapping[str, int] = MappingProxyType(
    {"L": -3, "R": 0, "K": 3, "M": 6, "G": 9, "T": 12}
)
"""Power of ten of the letter that stands for the decimal point."""

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Colour:
    """What one colour means in each place; None where it has no meaning."""

    digit: int | None
    exponent: int | None
    tolerance_percent: float | None
    tempco_ppm_per_k: float | None
    tempco_letter: str | None


def _colour(
    digit: int | None,
    exponent: int | None,
    tolerance_percent: float | None = None,
    tempco_ppm_per_k: float | None = None,
    tempco_letter: str | None = None,
) -> Colour:
    return Colour(
        digit=digit,
        exponent=exponent,
        tolerance_percent=tolerance_percent,
        tempco_ppm_per_k=tempco_ppm_per_k,
        tempco_letter=tempco_letter,
    )


COLOURS: Mapping[str, Colour] = MappingProxyType(
    {
        "black": _colour(0, 0, None, 250.0, "U"),
        "brown": _colour(1, 1, 1.0, 100.0, "S"),
        "red": _colour(2, 2, 2.0, 50.0, "R"),
        "orange": _colour(3, 3, 0.05, 15.0, "P"),
        "yellow": _colour(4, 4, 0.02, 25.0, "Q"),
        "green": _colour(5, 5, 0.5, 20.0, "Z"),
        "blue": _colour(6, 6, 0.25, 10.0, "Z"),
        "violet": _colour(7, 7, 0.1, 5.0, "M"),
        "grey": _colour(8, 8, 0.01, 1.0, "K"),
        "white": _colour(9, 9),
        "gold": _colour(None, -1, 5.0),
        "silver": _colour(None, -2, 10.0),
        "pink": _colour(None, -3),
        "none": _colour(None, None, 20.0),
    }
)
"""Colour code. Older tables give grey as 0.05 %."""

Number = TypeVar("Number", int, float)

_MARK = re.compile(r"(\d*)([LRKMGT])(\d*)([A-Z]?)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Marked:
    """What a mark says; None for what it leaves out."""

    value_ohm: float
    tolerance_percent: float | None = None
    tempco_ppm_per_k: float | None = None


def read_mark(mark: str) -> Marked:
    """Read a letter-and-digit mark, with or without a tolerance letter.

    Parameters
    ----------
    mark : str
        Digits with a letter in place of the decimal point, then perhaps the
        tolerance letter: "4K7", "R47", "59R04", "4K7J".

    Returns
    -------
    Marked
        Ohm, percent (IEC 60062, letter and digit code). The letter L, a
        thousandth of an ohm, is in use for low ohms.

    Raises
    ------
    MarkError
        If the mark is none.

    Examples
    --------
    >>> read_mark("5K904").value_ohm
    5904.0
    >>> read_mark("R10F")
    Marked(value_ohm=0.1, tolerance_percent=1.0, tempco_ppm_per_k=None)
    """
    matched = _MARK.fullmatch(mark)
    if matched is None or not (matched[1] or matched[3]):
        raise MarkError(
            mark=mark,
            reason="must be digits with one of L R K M G T for the decimal point",
        )
    whole, letter, part, tolerance = matched.groups()
    if tolerance and tolerance not in TOLERANCES_PERCENT:
        raise MarkError(
            mark=mark,
            reason=f"unknown tolerance letter {tolerance!r}; known: "
            f"{' '.join(TOLERANCES_PERCENT)}",
        )
    value_ohm = float(f"{whole}.{part}e{MULTIPLIERS[letter]}")
    if value_ohm == 0:
        raise MarkError(mark=mark, reason="a link, not a resistor: its value is 0")
    return Marked(
        value_ohm=value_ohm,
        tolerance_percent=TOLERANCES_PERCENT[tolerance] if tolerance else None,
    )


def write_mark(value_ohm: float, tolerance_percent: float | None = None) -> str:
    """Write a value as a letter-and-digit mark.

    Parameters
    ----------
    value_ohm : float
        Four significant digits at most, from 0.0001 ohm to below 1000 Tohm.
    tolerance_percent : float, optional
        One that has a letter.

    Returns
    -------
    str
        The mark: at least one digit beside the letter's place is always
        written, as in "1R0" and "R10".

    Raises
    ------
    ArgumentError
        If the value is not above zero.
    MarkError
        If the value or tolerance has no mark.

    Examples
    --------
    >>> write_mark(4700.0, 5.0), write_mark(0.47), write_mark(59.04)
    ('4K7J', 'R47', '59R04')
    """
    positive(value_ohm=value_ohm)
    mantissa, _, exponent_text = f"{value_ohm:.3e}".partition("e")
    if abs(float(f"{mantissa}e{exponent_text}") / value_ohm - 1) > 1e-9:
        raise MarkError(
            mark=f"{value_ohm!r} ohm", reason="needs more than four significant digits"
        )
    exponent = int(exponent_text)
    # Tenths of an ohm are written with R, not as hundreds of thousandths.
    group = 0 if exponent == -1 else exponent // 3 * 3
    letters = {power: letter for letter, power in MULTIPLIERS.items()}
    if exponent == -4:
        group = -3
    if group not in letters:
        raise MarkError(
            mark=f"{value_ohm!r} ohm", reason="outside 0.0001 ohm to 1000 Tohm"
        )
    digits = mantissa.replace(".", "").rstrip("0")
    whole = max(exponent - group + 1, 0)
    before = digits[:whole].ljust(whole, "0")
    after = digits[whole:]
    if len(before + after) < 2:
        after = after.ljust(2 - len(before), "0")
    return before + letters[group] + after + _tolerance_letter(tolerance_percent)


def _tolerance_letter(tolerance_percent: float | None) -> str:
    if tolerance_percent is None:
        return ""
    for letter, percent in TOLERANCES_PERCENT.items():
        if percent == tolerance_percent:
            return letter
    raise MarkError(
        mark=f"{tolerance_percent!r} %",
        reason="no letter for this tolerance; known: "
        + ", ".join(f"{percent:g} %" for percent in TOLERANCES_PERCENT.values()),
    )


def read_colours(bands: Sequence[str]) -> Marked:
    """Read colour bands.

    Parameters
    ----------
    bands : sequence of str
        Three bands (two digits, multiplier; 20 %), four (and tolerance), five
        (three digits, multiplier, tolerance) or six (and temperature
        coefficient), in reading order.

    Returns
    -------
    Marked
        Ohm, percent, ppm/K (IEC 60062, colour code).

    Raises
    ------
    MarkError
        If a colour is unknown or has no meaning in its place.

    Examples
    --------
    >>> read_colours(["yellow", "violet", "red", "gold"]).value_ohm
    4700.0
    """
    mark = " ".join(bands)
    if not 3 <= len(bands) <= 6:
        raise MarkError(mark=mark, reason="must have three to six bands")
    for band in bands:
        if band not in COLOURS:
            raise MarkError(
                mark=mark,
                reason=f"unknown colour {band!r}; known: {', '.join(COLOURS)}",
            )
    places = 3 if len(bands) >= 5 else 2
    # Three bands leave the tolerance band out: no colour at all is 20 %.
    taken = [COLOURS[band] for band in (*bands, "none")]
    digits = [_meaning(mark, one.digit, "digit") for one in taken[:places]]
    exponent = _meaning(mark, taken[places].exponent, "multiplier")
    tolerance = _meaning(mark, taken[places + 1].tolerance_percent, "tolerance")
    value_ohm = float(f"{''.join(str(digit) for digit in digits)}e{exponent}")
    if value_ohm == 0:
        raise MarkError(mark=mark, reason="a link, not a resistor: its value is 0")
    return Marked(
        value_ohm=value_ohm,
        tolerance_percent=tolerance,
        tempco_ppm_per_k=_meaning(
            mark, taken[5].tempco_ppm_per_k, "temperature coefficient"
        )
        if len(bands) == 6
        else None,
    )


def write_colours(marked: Marked) -> tuple[str, ...]:
    """Return the colour bands of a value.

    Parameters
    ----------
    marked : Marked
        Two significant digits give three or four bands, three give five; a
        temperature coefficient always gives six.

    Returns
    -------
    tuple of str
        Colours in reading order; 20 % is no fourth band.

    Raises
    ------
    ArgumentError
        If the value is not above zero.
    MarkError
        If value, tolerance or temperature coefficient has no bands.

    Examples
    --------
    >>> write_colours(Marked(value_ohm=4700.0, tolerance_percent=5.0))
    ('yellow', 'violet', 'red', 'gold')
    >>> write_colours(Marked(value_ohm=0.499, tolerance_percent=1.0))
    ('yellow', 'white', 'white', 'pink', 'brown')
    """
    positive(value_ohm=marked.value_ohm)
    mark = f"{marked.value_ohm!r} ohm"
    mantissa, _, exponent_text = f"{marked.value_ohm:.2e}".partition("e")
    if abs(float(f"{mantissa}e{exponent_text}") / marked.value_ohm - 1) > 1e-9:
        raise MarkError(mark=mark, reason="needs more than three significant digits")
    digits = mantissa.replace(".", "")
    two = digits.endswith("0") and marked.tempco_ppm_per_k is None
    shown = digits[:2] if two else digits
    tolerance = marked.tolerance_percent
    if tolerance is None or (tolerance == 20.0 and not two):
        raise MarkError(
            mark=mark, reason=f"tolerance {tolerance!r} % has no band beside its digits"
        )
    bands = [
        *(_band(mark, "digit", int(digit)) for digit in shown),
        _band(mark, "exponent", int(exponent_text) - len(shown) + 1),
        _band(mark, "tolerance_percent", tolerance),
    ]
    if marked.tempco_ppm_per_k is not None:
        bands.append(_band(mark, "tempco_ppm_per_k", marked.tempco_ppm_per_k))
    return tuple(band for band in bands if band != "none")


def read_tempco_letter(letter: str) -> tuple[float, ...]:
    """Return the temperature coefficients that a letter may stand for.

    Parameters
    ----------
    letter : str
        One letter.

    Returns
    -------
    tuple of float
        Ppm/K, largest first; the letter Z stands for two of the coloured ones.

    Raises
    ------
    MarkError
        If the letter is unknown.

    Examples
    --------
    >>> read_tempco_letter("R")
    (50.0,)
    """
    found = [
        one.tempco_ppm_per_k
        for one in COLOURS.values()
        if one.tempco_letter == letter and one.tempco_ppm_per_k is not None
    ]
    if not found:
        raise MarkError(mark=letter, reason="unknown temperature coefficient letter")
    return tuple(sorted(found, reverse=True))


def _band(mark: str, field: str, wanted: float) -> str:
    for name, colour in COLOURS.items():
        if getattr(colour, field) == wanted:
            return name
    raise MarkError(
        mark=mark, reason=f"no colour for {field.replace('_', ' ')} {wanted:g}"
    )


def _meaning(mark: str, value: Number | None, place: str) -> Number:
    if value is None:
        raise MarkError(
            mark=mark, reason=f"a colour that is no {place} is in its place"
        )
    return value
