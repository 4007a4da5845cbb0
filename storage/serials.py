"""Serials as people count them, and what a serial carries.

The migration `views` says the same in SQL: a test holds both together.
"""

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # the records ask here in their turn
    from storage.records import Fitting
    from storage.records_shipping import Rework

from config.errors import HoldpointError

_DIGIT = re.compile("[0-9]")
_DIGITS = re.compile("([0-9]+)")
_LAST_DIGITS = re.compile("(.*?)([0-9]{1,18})", re.DOTALL)
MOST = 1000
_LONGEST = 1000
"""Digits that are counted as one number; Python refuses to read much longer ones."""


class SerialRangeError(HoldpointError, ValueError):
    """No range of serials: its ends do not count up, or to too many."""


def serial_order(serial: str) -> tuple[tuple[int, int | str], ...]:
    """Return a key that sorts serials as people count: digits as numbers.

    >>> sorted(["A10", "A9"], key=serial_order)
    ['A9', 'A10']
    """
    pieces = _DIGITS.split(serial)
    return tuple(
        (0, int(p)) if _DIGIT.match(p) and len(p) <= _LONGEST else (1, p)
        for p in pieces
        if p
    )


def serial_form(serial: str) -> str:
    """Return a serial with its digits left out of account.

    >>> serial_form("PA-3007")
    'PA-0000'
    """
    return _DIGIT.sub("0", serial)


def within(serial: str, first: str, last: str) -> bool:
    """Whether a serial lies in a range of serials of one form, both ends included.

    >>> within("PA-3007", "PA-3001", "PA-3010"), within("PA-30070", "PA-3001", "PA-9")
    (True, False)
    """
    return serial_form(serial) == serial_form(first) and first <= serial <= last


def reels_of(
    serial: str,
    fittings: "Iterable[Fitting]",
    replacements: "Iterable[Rework]" = (),
) -> dict[str, str]:
    """Return the reel that each part of a unit comes from, as far as recorded.

    Parameters
    ----------
    fittings
        Of the unit's build; one without `from_serial` is from the first unit on.
    replacements
        Parts that were replaced on this unit alone.

    Examples
    --------
    >>> from datetime import UTC, datetime
    >>> from storage.records import Fitting
    >>> whole = Fitting(
    ...     fitting="1", product="PA", build="B", part="R12", reel="K-1",
    ...     from_serial=None, fitted_at=datetime(2026, 1, 5, tzinfo=UTC),
    ... )
    >>> later = Fitting(
    ...     fitting="2", product="PA", build="B", part="R12", reel="K-2",
    ...     from_serial="A9", fitted_at=datetime(2026, 1, 6, tzinfo=UTC),
    ... )
    >>> reels_of("A8", [whole, later]), reels_of("A10", [whole, later])
    ({'R12': 'K-1'}, {'R12': 'K-2'})
    """
    order = serial_order(serial)
    reels: dict[str, str] = {}
    for one in sorted(
        fittings, key=lambda one: takes_over(one.from_serial, one.fitted_at)
    ):
        since = one.from_serial
        if since is None or serial_order(since) <= order:
            reels[one.part] = one.reel
    for other in sorted(replacements, key=lambda one: one.reworked_at):
        reels[str(other.part)] = str(other.reel)
    return reels


def takes_over(from_serial: str | None, fitted_at: Any) -> tuple[Any, ...]:
    """Return a key that sorts fittings as they take over from each other."""
    return (*begins(from_serial), fitted_at)


def begins(from_serial: str | None) -> tuple[Any, ...]:
    """Return a key that sorts fittings by the first unit; None is before all."""
    return (from_serial is not None, serial_order(from_serial or ""))


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
    begin, end = _LAST_DIGITS.fullmatch(first), _LAST_DIGITS.fullmatch(last)
    if begin is None or end is None or begin[1] != end[1]:
        message = f"{given!r}: both ends of a range begin the same and end in digits"
        raise SerialRangeError(message)
    numbers = range(int(begin[2]), int(end[2]) + 1)
    if not 1 <= len(numbers) <= MOST:
        message = f"{given!r}: a range counts up, to {MOST} serials at most"
        raise SerialRangeError(message)
    return [f"{begin[1]}{number:0{len(begin[2])}}" for number in numbers]


def counted_runs(serials: Iterable[str]) -> list[list[str]]:
    """Return serials in runs that count up, each of which a range can name.

    Examples
    --------
    >>> counted_runs(["PA-10", "PA-09", "PA-12", "x"])
    [['PA-09', 'PA-10'], ['PA-12'], ['x']]
    """
    runs: list[list[str]] = []
    for one in sorted(serials, key=serial_order):
        if runs and _counts_on(runs[-1][-1], one):
            runs[-1].append(one)
        else:
            runs.append([one])
    return runs


def _counts_on(before: str, serial: str) -> bool:
    try:
        return counted_serials(f"{before}..{serial}") == [before, serial]
    except SerialRangeError:
        return False
