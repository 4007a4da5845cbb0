"""When to hold: pure policy, from signals and verdicts to holds.

A finding that holds puts its build on hold and, when it names a reel, that reel
too, so that the next build which takes the reel is held before its first unit
is measured. A nonconforming run holds its unit. Ids follow from what is held
and why, so evaluating the same rows again raises nothing twice.
"""

from collections.abc import Iterable
from datetime import datetime

from storage.records import Cause, Hold, Scope, Signal, Verdict

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
            hold=f"{signal.signal}:{scope}",
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
            hold=f"{run}:{Scope.UNIT}",
            scope=Scope.UNIT,
            subject=serial,
            product=product,
            signal=None,
            reason=f"Outside its error limit: {', '.join(outside)}",
            placed_by=PLACED_BY,
            placed_at=at,
        ),
    )
