"""Serials as people count them."""

import re


def serial_order(serial: str) -> tuple[tuple[int, int | str], ...]:
    """Return a key that sorts serials as people count: digits as numbers.

    >>> sorted(["A10", "A9"], key=serial_order)
    ['A9', 'A10']
    """
    pieces = re.split(r"(\d+)", serial)
    return tuple((0, int(p)) if p.isdecimal() else (1, p) for p in pieces if p)
