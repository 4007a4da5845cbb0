"""Numbers in cells as people write them: decimal comma or point, thousands parted.

Which sign parts the decimals is a matter of the whole sheet: a cell such as "1,800"
alone does not tell. Where the sheet does not tell either, the cell is refused.
"""

import re
from collections import Counter
from collections.abc import Iterable
from datetime import datetime
from math import nan
from typing import Literal

from config import QuantityError, Unit, parse
from daemon.station.grids import Exact

Sign = Literal[".", ",", ""]
"""What parts the decimals; nothing where the sheet uses both, or neither."""

LOWEST_C, HIGHEST_C = -40.0, 100.0
"""Between which a temperature is one of a room, a chamber or a bench."""
_CELSIUS = re.compile(r"([+\-\u2212]?[0-9]*\.?[0-9]+)\s*(?:\u00b0?\s*C|deg\s?C)?")
GROUP = 3
"""Digits between two signs of thousands."""
MONTHS = 12
_THOUSANDS = re.compile(r"[1-9][0-9]{0,2}")
_NUMBER = re.compile(r"([+\-\u2212]?)([0-9][0-9.,]*|[.,][0-9]+)")
_GAPS = re.compile(r"(?<=[0-9])['\u2019\u00a0\u202f\u2009 ](?=[0-9]{3}(?![0-9]))")
_OVERLOAD = re.compile(
    r"[+\-\u2212]?\s*(?:[O0]\.?\s?L\.?|OVLD|OVER|OVERLOAD|OVERFLOW|[-.]{2,}|9\.9E\+?37)",
    re.IGNORECASE,
)
_FAILED = re.compile(r"#[A-Z/0!?]+", re.IGNORECASE)
_DATES = (
    "%d.%m.%Y", "%d.%m.%y", "%d-%m-%Y", "%Y/%m/%d", "%d %b %Y", "%d %B %Y", "%d-%b-%Y",
)  # fmt: skip
_TIMES = ("", " %H:%M", " %H:%M:%S")
_SLASHED = re.compile(r"([0-9]{1,2})/([0-9]{1,2})/([0-9]{4})(.*)")


class CellError(ValueError):
    """A cell that cannot be used, in a few words for a person."""


def sign_of(cells: Iterable[str]) -> Sign:
    """Return what parts the decimals in these cells.

    >>> sign_of(["0,9003", "1.800,5"]), sign_of(["0.9", "1,800"])
    (',', '.')
    >>> sign_of(["0,9", "0.9"])
    ''
    """
    votes = Counter(
        sign for cell in cells if not isinstance(cell, Exact) and (sign := _votes(cell))
    )
    if votes[","] and votes["."]:
        return ""
    return "," if votes[","] else "." if votes["."] else ""


def _votes(cell: str) -> Sign:
    """Return what parts the decimals in one cell, nothing where it does not tell."""
    found = _NUMBER.match(_GAPS.sub("", cell))
    if found is None:
        return ""
    digits = found[2]
    signs = [one for one in digits if one in ".,"]
    if not signs:
        return ""
    last = digits.rindex(signs[-1])
    if len(set(signs)) > 1:  # one parts thousands, the last one decimals
        return "," if signs[-1] == "," else "."
    whole, behind = digits[:last], digits[last + 1 :]
    if len(signs) > 1:  # 1.800.000: it parts thousands, so the other one decimals
        return "," if signs[-1] == "." else "."
    if _THOUSANDS.fullmatch(whole) and len(behind) == GROUP:
        return ""
    return "," if signs[-1] == "," else "."


def quantity(text: str, unit: str, sign: Sign) -> float:
    """Return a cell in A or V.

    Parameters
    ----------
    unit
        Of a bare number, with a prefix where there is one.
    sign
        What parts the decimals in the sheet.

    Raises
    ------
    CellError
        Says why it is no number that can be used.
    """
    if _FAILED.fullmatch(text):
        message = f"{text} is a formula that failed; put the reading there"
        raise CellError(message)
    if _OVERLOAD.fullmatch(text):
        message = f"{text!r} is an overload of the meter and no reading"
        raise CellError(message)
    base = Unit.VOLT if unit.endswith("V") else Unit.AMPERE
    plain = text if isinstance(text, Exact) else _pointed(text, sign)
    bare = re.fullmatch(r"[+\-\u2212]?[0-9.]+(?:[eE][+\-]?[0-9]+)?", plain)
    try:
        return parse(f"{plain} {unit}" if bare else plain, base)
    except QuantityError as exc:
        raise CellError(str(exc)) from exc


def celsius(text: str, sign: Sign) -> float:
    """Return a cell with a temperature, degree Celsius; its unit may be written behind.

    Raises
    ------
    CellError
        Says why it is none at which anybody measures.
    """
    plain = text if isinstance(text, Exact) else _pointed(text, sign)
    found = _CELSIUS.fullmatch(plain.strip())
    value_c = nan if found is None else float(found[1].replace("\u2212", "-"))
    if not LOWEST_C <= value_c <= HIGHEST_C:
        message = (
            f"{text!r} is no temperature in \N{DEGREE SIGN}C; write it such as 23.1, "
            f"from {LOWEST_C:g} to {HIGHEST_C:g}, or leave it blank"
        )
        raise CellError(message)
    return value_c


def _pointed(text: str, sign: Sign) -> str:
    """Return a text with a decimal point and nothing between thousands."""
    closed = _GAPS.sub("", text)
    found = _NUMBER.match(closed)
    if found is None:
        return closed
    digits, behind = found[2], closed[found.end() :]
    signs = {one for one in digits if one in ".,"}
    if not signs:
        return closed
    mine = _votes(closed) or sign
    if not mine and signs == {","}:
        as_decimal, as_thousands = digits.replace(",", "."), digits.replace(",", "")
        message = (
            f"{text!r} may mean {float(as_decimal):g} or {as_thousands}; write it "
            "without a comma"
        )
        raise CellError(message)
    mine = mine or "."
    other = "," if mine == "." else "."
    return f"{found[1]}{digits.replace(other, '').replace(mine, '.')}{behind}"


def moment(text: str) -> datetime:
    """Return a date, with or without a time, as it is written; local where no zone is.

    Raises
    ------
    CellError
        It is no date, or day and month cannot be told apart.

    Examples
    --------
    >>> moment("02.03.2026 09:15").isoformat()[:16]
    '2026-03-02T09:15'
    """
    return _read_moment(text).astimezone()


def _read_moment(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        pass
    if slashed := _SLASHED.fullmatch(text):
        one, two = int(slashed[1]), int(slashed[2])
        if one <= MONTHS and two <= MONTHS and one != two:
            message = f"{text!r}: which is the month? Write it as {slashed[3]}-MM-DD"
            raise CellError(message)
        day, month = (one, two) if one > MONTHS or one == two else (two, one)
        text = f"{slashed[3]}-{month:02d}-{day:02d}{slashed[4]}"
        try:
            return datetime.fromisoformat(text)
        except ValueError:
            pass
    for form in _DATES:
        for of_day in _TIMES:
            try:
                # The zone is the sheet's: local, given by the caller.
                return datetime.strptime(text, form + of_day)  # noqa: DTZ007
            except ValueError:
                continue
    message = f"{text!r} is no date; write it as 2026-03-02 09:15"
    raise CellError(message)
