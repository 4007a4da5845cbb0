"""How far messages are in words, and a person's note of them."""

from collections.abc import Collection, Sequence
from datetime import datetime

from daemon.alerts.errors import UnknownMessageError
from daemon.holds import NotAllowedError
from storage import Acknowledgement, Decision

TAKE_NOTE = "take note"
"""Ledger action."""


def state(*, delivered: bool, dead: bool, tries: int) -> str:
    """Return how far a message is, in a word or two.

    Examples
    --------
    >>> state(delivered=False, dead=False, tries=2)
    'tried again'
    """
    if delivered:
        return "arrived"
    if dead:
        return "given up"
    return "tried again" if tries else "waits"


def noted(
    messages: Sequence[str],
    *,
    known: Collection[str],
    person: str,
    people: Sequence[str],
    at: datetime,
) -> list[tuple[Acknowledgement, Decision]]:
    """Return the rows by which a person takes note of messages: of all, or of none.

    Raises
    ------
    NotAllowedError
        The person is not listed.
    UnknownMessageError
        A message was never told.
    """
    if person not in people:
        message = f"{person!r} may not take note; listed are {', '.join(people)}"
        raise NotAllowedError(message)
    for one in messages:
        if one not in known:
            raise UnknownMessageError(message=one)
    return [
        (
            Acknowledgement(alert=one, person=person, acknowledged_at=at),
            Decision(
                person=person,
                action=TAKE_NOTE,
                subject=one,
                reason="read",
                decided_at=at,
            ),
        )
        for one in messages
    ]
