"""Serials as people count them."""

import re

from config.errors import HoldpointError
from storage.serials import serial_order, takes_over

__all__ = ["SerialRangeError", "counted_serials", "serial_order", "takes_over"]

MOST = 1000
_COUNTED = r"(.*?)(\d{1,18})"
"""What a serial begins with, and the digits that count; more than 18 never do."""


class SerialRangeError(HoldpointError, ValueError):
    """No range of serials: its ends do not count up, or to too many."""


def counted_serials(given: str) -> list[str]:
    """Return the serials from one to another that count up; a single one as it is.

    Raises
    ------
    SerialRangeError
        The ends begin differently, do not end in digits, or do not count up.

    Examples
    --------
    >>> counted_serials("PA-09..PA-11")
    ['PA-09', 'PA-10', 'PA-11']
    """
    first, dots, last = given.partition("..")
    if not dots:
        return [given]
    begin, end = (re.fullmatch(_COUNTED, one) for one in (first, last))
    if begin is None or end is None or begin[1] != end[1]:
        message = f"{given!r}: both ends of a range end in digits and begin alike"
        raise SerialRangeError(message)
    numbers = range(int(begin[2]), int(end[2]) + 1)
    if not 1 <= len(numbers) <= MOST:
        message = f"{given!r}: a range counts up, to {MOST} serials at most"
        raise SerialRangeError(message)
    return [f"{begin[1]}{number:0{len(begin[2])}}" for number in numbers]
