"""Quantities as people write them: "90.02u", "900.4 mV", "4k7", "0.1 %".

One reader for questions, imports and typed readings, so that a text means the same
wherever it is typed. Prefixes are SI's; a prefix in the place of the decimal sign is
IEC 60062's. Case tells milli from mega and is kept strictly.
"""

import math
import re
from decimal import Decimal
from enum import StrEnum

from config.errors import QuantityError

__all__ = ["PERCENT_FROM_PPM", "Unit", "parse", "pointed", "spell", "with_signs"]

PERCENT_FROM_PPM = 100.0
"""Shares of this many ppm, and larger ones, are spelled in %."""


class Unit(StrEnum):
    """What a quantity is measured in; a parsed number is in this very unit."""

    AMPERE = "A"
    VOLT = "V"
    OHM = "ohm"
    SECOND = "s"
    CELSIUS = "degC"
    PPM = "ppm"


_SPELLINGS = {
    Unit.AMPERE: ("A", "amp", "amps", "ampere"),
    Unit.VOLT: ("V", "volt", "volts"),
    Unit.OHM: ("ohm", "ohms", "Ohm", "\N{GREEK CAPITAL LETTER OMEGA}", "R"),
    Unit.SECOND: ("s", "sec", "second", "seconds"),
    Unit.CELSIUS: ("degC", "\N{DEGREE SIGN}C", "C"),
}
_PREFIXES = {
    "p": -12,
    "n": -9,
    "u": -6,
    "\N{GREEK SMALL LETTER MU}": -6,
    "m": -3,
    "": 0,
    "k": 3,
    "K": 3,
    "M": 6,
    "G": 9,
    "T": 12,
}
_SHOWN = {
    Unit.OHM: "\N{GREEK CAPITAL LETTER OMEGA}",
    Unit.CELSIUS: "\N{DEGREE SIGN}C",
}
"""Signs of units that are written otherwise in files and in the names of columns."""
_SHARES = {"ppm": 0, "%": 4, "\N{PER MILLE SIGN}": 3}
"""Powers of ten from a share's mark to ppm."""

_SAME = str.maketrans(
    {
        "\N{MICRO SIGN}": "\N{GREEK SMALL LETTER MU}",
        "\N{OHM SIGN}": "\N{GREEK CAPITAL LETTER OMEGA}",
        "\N{MINUS SIGN}": "-",
        "\N{NO-BREAK SPACE}": " ",
        "\N{NARROW NO-BREAK SPACE}": " ",
        "\N{THIN SPACE}": " ",
    }
)
"""Characters that look alike and mean the same."""

_MU = "\N{GREEK SMALL LETTER MU}"
_NUMBER = re.compile(
    r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))(?:[eE]([+-]?[0-9]{1,3}))? *(.*)"
)
_MARKED = re.compile(rf"([+-]?[0-9]*)([RpnumkKMGT{_MU}])([0-9]+) *(.*)")
_DECIMAL_COMMA = re.compile(
    r"[+-]?(?:0,[0-9]+|[0-9]+,(?:[0-9]{1,2}|[0-9]{4,}))(?![0-9.,])"
)
"""A comma that can be nothing but a decimal sign: 1,000 may be a thousand."""
_TWO_READINGS = re.compile(r"[+-]?([1-9][0-9]{2,}),([1-9][0-9]{2,})(?![0-9.,])")
ALIKE = 0.5
"""Readings of one thing differ by less than this share: so 10031,10029 are two."""
_GROUPED = re.compile(r"[+-]?[0-9.]+(?:,|[' ][0-9]).*")

_IN_WORDS = re.compile(
    r"(?<=[0-9])( ?[pnumkMG\u00b5\u03bc]?)(A|V|[Oo]hms?|\u03a9|\u2126)\b"
)
"""A unit behind a number, in a text that is no quantity as a whole."""

_PREFIXED = {Unit.AMPERE, Unit.VOLT, Unit.OHM, Unit.SECOND}
_SPELLED = {power: mark for mark, power in _PREFIXES.items() if mark != "K"}
_SPELLED[-6] = "\N{MICRO SIGN}"
_EXAMPLES = {
    Unit.AMPERE: "a current such as 10u or 2.5 mA",
    Unit.VOLT: "a voltage such as 12 or 900.4 mV",
    Unit.OHM: "a resistance such as 10k, 4k7 or 499.9 ohm",
    Unit.SECOND: "a time such as 0.5 or 200 ms",
    Unit.CELSIUS: "a temperature in degrees Celsius such as 23.5",
    Unit.PPM: "a share such as 0.1 % or 100 ppm",
}


def parse(text: str, unit: Unit) -> float:
    """Return the number that a text means, in `unit`.

    A bare number is in `unit`, except that a share must say whether it is in %
    or ppm. A comma is a decimal sign where it can be nothing else. The result is the
    float nearest to what is written.

    Raises
    ------
    QuantityError
        The text is no quantity, one of another unit, or ambiguous.

    Examples
    --------
    >>> parse("90.02u", Unit.AMPERE), parse("900.4 mV", Unit.VOLT)
    (9.002e-05, 0.9004)
    >>> parse("4k7", Unit.OHM), parse("R47", Unit.OHM)
    (4700.0, 0.47)
    >>> parse("0.1 %", Unit.PPM), parse("0,1%", Unit.PPM)
    (1000.0, 1000.0)
    """
    plain = pointed(text.translate(_SAME).strip())
    if (value := _with_inner_mark(plain, unit)) is None:
        value = _with_mark_behind(text, plain, unit)
    if not math.isfinite(value):
        raise QuantityError(text=text, problem="too large a number")
    return value


def pointed(text: str) -> str:
    """Return a text with a point as its decimal sign, where a comma is surely one.

    Examples
    --------
    >>> pointed("0,125 V"), pointed("4,99k"), pointed("1,000"), pointed("10031,10029")
    ('0.125 V', '4.99k', '1,000', '10031,10029')
    """
    if two := _TWO_READINGS.match(text):
        first, second = (float(one) for one in two.groups())
        if abs(second / first - 1) < ALIKE:
            return text
    return text.replace(",", ".", 1) if _DECIMAL_COMMA.match(text) else text


def spell(value: float, unit: Unit) -> str:
    """Return the text of a number in `unit` that `parse` reads back exactly.

    Raises
    ------
    QuantityError
        The value is not finite.

    Examples
    --------
    >>> spell(9.002e-05, Unit.AMPERE), spell(499_900.0, Unit.OHM)
    ('90.02 µA', '499.9 kΩ')
    >>> spell(50.0, Unit.PPM), spell(5_000.0, Unit.PPM)
    ('50 ppm', '0.5 %')
    """
    if not math.isfinite(value):
        raise QuantityError(text=str(value), problem="must be finite")
    exact = Decimal(repr(value))
    size = exact.adjusted() if exact else 0
    if unit is Unit.PPM and abs(value) >= PERCENT_FROM_PPM:
        return f"{_written(exact, 4)} %"
    if unit not in _PREFIXED:
        return f"{_written(exact, 0)} {_SHOWN.get(unit, unit)}"
    exponent = 3 * (size // 3)
    if exponent not in _SPELLED:
        return f"{value!r} {_SHOWN.get(unit, unit)}"
    return f"{_written(exact, exponent)} {_SPELLED[exponent]}{_SHOWN.get(unit, unit)}"


def with_signs(text: str) -> str:
    """Return a title whose units have the signs that screens and papers show.

    Every keyboard has `u` and `ohm`, so files may say them; readers meet one spelling.

    Examples
    --------
    >>> with_signs("10 uA, into 5 kohm"), with_signs("10uA fuse")
    ('10 µA, into 5 kΩ', '10µA fuse')
    """

    def signed(found: re.Match[str]) -> str:
        prefix, unit = found.groups()
        sign = unit if unit in {"A", "V"} else _SHOWN[Unit.OHM]
        prefix = prefix.replace("u", _SPELLED[-6]).replace(_MU, _SPELLED[-6])
        return f"{prefix}{sign}"

    return _IN_WORDS.sub(signed, text)


def _with_inner_mark(plain: str, unit: Unit) -> float | None:
    """Read a text whose prefix stands for the decimal sign; None if it has none."""
    found = _MARKED.fullmatch(plain)
    if found is None or unit not in _PREFIXED:
        return None
    whole, mark, fraction, behind = found.groups()
    if behind not in {"", *_SPELLINGS[unit]} or (mark == "R" and unit is not Unit.OHM):
        return None
    return float(f"{whole}.{fraction}e{_PREFIXES.get(mark, 0)}")


def _with_mark_behind(text: str, plain: str, unit: Unit) -> float:
    """Read a number and what stands behind it."""
    found = _NUMBER.fullmatch(plain)
    if found is None:
        raise QuantityError(text=text, problem=f"must be {_EXAMPLES[unit]}")
    if _GROUPED.fullmatch(plain):
        problem = "write the decimal sign as a point, and the digits without gaps"
        raise QuantityError(text=text, problem=problem)
    number, exponent, mark = found.groups()
    power = _power(mark, unit)
    if power is None:
        what = f"{mark!r} does not belong here" if mark else "say whether % or ppm"
        raise QuantityError(text=text, problem=f"{what}; must be {_EXAMPLES[unit]}")
    return float(f"{number}e{int(exponent or 0) + power}")


def _power(mark: str, unit: Unit) -> int | None:
    """Return the power of ten that a mark stands for; None for a strange mark."""
    if unit is Unit.PPM:
        return _SHARES.get(mark)
    for spelling in _SPELLINGS[unit]:
        prefix = mark.removesuffix(spelling).rstrip()
        if prefix in _PREFIXES and (unit in _PREFIXED or not prefix):
            return _PREFIXES[prefix]
    return None


def _written(exact: Decimal, exponent: int) -> str:
    """Return a number over a power of ten, without exponent or idle zeros."""
    text = f"{exact.scaleb(-exponent):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
