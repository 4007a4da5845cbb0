"""Serials in words, everywhere alike."""

from collections.abc import Iterable

from storage import serial_order


def spans(serials: Iterable[str]) -> str:
    """Return serials in few words: neighbours as a range, all with their number.

    >>> spans(["PA-1", "PA-2", "PA-3"]), spans(["PA-1"]), spans(["PA-1", "PA-3"])
    ('PA-1 to PA-3 (3)', 'PA-1', 'PA-1, PA-3 (2)')

    One that a person left empty stands there too.

    >>> spans(["", "PA-1"])
    ', PA-1 (2)'
    """
    there = sorted(serials, key=serial_order)
    runs: list[list[str]] = []
    for one in there:
        if runs and serial_order(one) == _after(runs[-1][-1]):
            runs[-1].append(one)
        else:
            runs.append([one])
    said = [
        f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(run)  # noqa: PLR2004
        for run in runs
    ]
    number = "" if len(there) == 1 else f" ({len(there)})"
    return f"{', '.join(said)}{number}"


def _after(serial: str) -> tuple[tuple[int, int | str], ...]:
    """Return the place of the serial that is counted next, where it ends in digits."""
    if not serial:  # a person may have typed nothing
        return ()
    *head, (kind, last) = serial_order(serial)
    return (*head, (kind, last + 1 if isinstance(last, int) else last))
