"""When to hold: pure policy, from signals and verdicts to holds.

A finding that holds puts its build on hold and, when it names a reel, that reel
too, so that the next build which takes the reel is held before its first unit
is measured. A nonconforming run holds its unit. Ids follow from what is held
and why, so evaluating the same rows again raises nothing twice.
"""

from collections.abc import Iterable
from datetime import datetime

from storage.records import (
    Cause,
    Decision,
    Disposal,
    Hold,
    HoldEnd,
    Scope,
    Signal,
    Verdict,
)

PLACED_BY = "holdpoint"
"""Who placed a hold that no person placed."""


def from_signal(signal: Signal, reason: str) -> tuple[Hold, ...]:
    """Return the holds a finding asks for, none when it only warns."""
    if not signal.holds:
        return ()
    subjects = [(Scope.BUILD, signal.build)]
    if signal.cause is Cause.REEL and signal.reel is not None:
        subjects.append((Scope.REEL, signal.reel))
    return tuple(
        Hold(
            hold=f"{signal.signal}:{subject}",
            scope=scope,
            subject=subject,
            product=signal.product,
            signal=signal.signal,
            reason=reason,
            placed_by=PLACED_BY,
            placed_at=signal.made_at,
        )
        for scope, subject in subjects
    )


def from_verdicts(
    *,
    run: str,
    serial: str,
    product: str,
    verdicts: Iterable[tuple[str, Verdict]],
    at: datetime,
) -> tuple[Hold, ...]:
    """Return the hold on a unit of which a range is nonconforming, or none.

    Parameters
    ----------
    verdicts
        (range title, verdict) of every range of the run.
    """
    outside = [title for title, verdict in verdicts if verdict is Verdict.NONCONFORMING]
    if not outside:
        return ()
    return (
        Hold(
            hold=f"{run}:{serial}",
            scope=Scope.UNIT,
            subject=serial,
            product=product,
            signal=None,
            reason=f"Outside its error limit: {', '.join(outside)}",
            placed_by=PLACED_BY,
            placed_at=at,
        ),
    )


class NotAllowedError(Exception):
    """A decision that this person, or without a reason nobody, may take."""


def ending(
    hold: str,
    *,
    disposal: Disposal,
    person: str,
    reason: str,
    people: Iterable[str],
    at: datetime,
) -> tuple[HoldEnd, Decision]:
    """Return the rows that end a hold: who, how and why, and the ledger's line.

    Raises
    ------
    NotAllowedError
        The person is not listed, or gives no reason.
    """
    listed = tuple(people)
    if person not in listed:
        message = f"{person!r} may not end a hold; listed are {', '.join(listed)}"
        raise NotAllowedError(message)
    if not reason.strip():
        message = "a hold ends with a reason; none was given"
        raise NotAllowedError(message)
    end = HoldEnd(
        hold=hold, disposal=disposal, person=person, reason=reason.strip(), ended_at=at
    )
    decision = Decision(
        person=person,
        action=disposal.value,
        subject=hold,
        reason=end.reason,
        decided_at=at,
    )
    return end, decision
