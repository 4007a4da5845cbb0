"""When to hold: pure policy, from signals and verdicts to holds.

A finding that holds puts its build on hold and, when it names a reel, that reel too,
so that the next build which takes the reel is held before its first unit is measured;
where readings cannot tell which of several parts is off, the reel of each. A
nonconforming run holds its unit, unless the unit was seated again and
reads right. Ids follow from what is held and why, so evaluating the same rows again
raises nothing twice.

What was released is accepted: the same finding holds it no more, and a new move of it
is a finding of its own. A finding that later evidence takes back ends no hold; whoever
decides is offered the end. If it stands again, what was ended meanwhile is held anew.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import uuid4

from config import HoldpointError
from daemon.presentation import sentences
from daemon.presentation.figures import moment
from daemon.watch import PLACED_BY
from storage import (
    Cause,
    CheckRow,
    Decision,
    Disposal,
    Hold,
    HoldEnd,
    HoldState,
    LatestResult,
    Scope,
    Signal,
    Verdict,
)

PLACE_HOLD = "place hold"
"""Ledger action."""


def from_signal(signal: Signal, reason: str) -> tuple[Hold, ...]:
    """Return the holds a finding asks for.

    None when it only warns, as of one unit that is odd alone, and none when it was
    withdrawn.
    """
    if not (signal.standing and signal.holds):
        return ()
    subjects = [(Scope.BUILD, signal.build)]
    if signal.cause is Cause.REEL:
        # Of parts that readings cannot tell apart, any may be of a bad reel.
        several = signal.basis.possible_parts
        reels = [one.reel for one in several if not one.seen_right] or [signal.reel]
        subjects += [(Scope.REEL, one) for one in dict.fromkeys(reels) if one]
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


def raised_again(
    asked: Hold,
    *,
    signal: Signal,
    holds: Sequence[HoldState],
    history: Sequence[Signal],
) -> Hold | None:
    """Return the hold to place: the asked one, a new one, or none.

    A new one when the last was ended while the finding was withdrawn: then nothing of
    what it says now was accepted.

    Parameters
    ----------
    asked
        From `from_signal`.
    signal
        The finding as it stands now.
    holds
        Every hold of the product with its end.
    history
        Revisions of the finding.
    """
    before = [
        one
        for one in holds
        if one.hold == asked.hold or one.hold.startswith(f"{asked.hold}#")
    ]
    if not before:
        return asked
    if any(one.ended_at is None for one in before):
        return None
    ended = max(one.end_after_number or 0 for one in before)
    known = [
        one for one in history if one.number <= ended and one.revision < signal.revision
    ]
    then = max(known, key=lambda one: one.revision, default=None)
    if then is None or then.standing:
        return None
    return replace(
        asked,
        hold=f"{asked.hold}#{len(before) + 1}",
        reason=f"{asked.reason}; held again: the finding stands again",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class EndOffer:
    """What a named person is offered for a hold that its finding asks for no more."""

    sentence: str
    reason: str
    evidence: str
    disposal: Disposal = Disposal.RELEASE


def end_offer(hold: Hold, signal: Signal | None) -> EndOffer | None:
    """Return the end that is offered of an open hold; None where its reason stands.

    Parameters
    ----------
    hold
        An open one.
    signal
        The latest revision of the finding that placed it, None for a hold of none.
    """
    if signal is None or hold.signal != signal.signal:
        return None
    held = (hold.scope, hold.subject)
    if not signal.standing:
        sentence = sentences.withdrawn(signal)
    elif held in {(one.scope, one.subject) for one in from_signal(signal, "")}:
        return None
    else:
        now = sentences.now(signal)
        sentence = f"Finding {signal.signal} asks for this hold no more: {now}."
    return EndOffer(
        sentence=sentence,
        reason=sentence,
        evidence=f"finding {signal.signal} as it stood on {moment(signal.made_at)}",
    )


def measured_right(
    hold: Hold, latest: Sequence[LatestResult], checks: Sequence[CheckRow]
) -> EndOffer | None:
    """Return the end that is offered of a unit's hold by verdict; None where it stands.

    Parameters
    ----------
    hold
        An open one on a unit.
    latest
        Latest result of each range of the unit.
    checks
        What was read beside the range errors in its latest run.
    """
    placed = [one for one in latest if hold.hold == f"{one.run}:{one.serial}"]
    verdicts = {one.verdict for one in latest} | {one.verdict for one in checks}
    if hold.placed_by != PLACED_BY or placed or verdicts != {Verdict.CONFORMING}:
        return None
    last = max(latest, key=lambda one: one.number)
    sentence = sentences.measured_right(last.serial, last.started_at)
    return EndOffer(
        sentence=sentence,
        reason=sentence,
        evidence=f"unit {last.serial}, measured on {moment(last.started_at)}",
    )


def by_hand(
    *,
    scope: Scope,
    subject: str,
    product: str,
    person: str,
    reason: str,
    people: Iterable[str],
    at: datetime,
    to_serial: str | None = None,
) -> tuple[Hold, Decision]:
    """Return the rows of a hold that a person places, and the ledger's line.

    Raises
    ------
    NotAllowedError
        The person is not listed, or gives no reason.
    """
    require_decision(person, reason, people, do="place a hold", done="a hold is placed")
    hold = Hold(
        hold=uuid4().hex[:12],
        scope=scope,
        subject=subject,
        product=product,
        signal=None,
        reason=reason.strip(),
        placed_by=person,
        placed_at=at,
        to_serial=to_serial,
    )
    decision = Decision(
        person=person,
        action=PLACE_HOLD,
        subject=hold.hold,
        reason=hold.reason,
        decided_at=at,
    )
    return hold, decision


def read_bad(
    verdicts: Iterable[tuple[str, Verdict]], checks: Iterable[tuple[str, Verdict]]
) -> str:
    """Return what of a run does not conform, in words; nothing where all does.

    Parameters
    ----------
    verdicts, checks
        As `from_verdicts` takes them.
    """
    return sentences.read_bad(
        [title for title, verdict in verdicts if verdict is Verdict.NONCONFORMING],
        [name for name, verdict in checks if verdict is Verdict.NONCONFORMING],
    )


def from_verdicts(
    *,
    run: str,
    serial: str,
    product: str,
    verdicts: Iterable[tuple[str, Verdict]],
    at: datetime,
    checks: Iterable[tuple[str, Verdict]] = (),
) -> tuple[Hold, ...]:
    """Return the hold on a unit of which a range or a check is nonconforming.

    Parameters
    ----------
    verdicts
        (range title, verdict) of every range of the run.
    checks
        (name, verdict) of every check beside them.
    """
    reason = read_bad(verdicts, checks)
    if not reason:
        return ()
    return (
        Hold(
            hold=f"{run}:{serial}",
            scope=Scope.UNIT,
            subject=serial,
            product=product,
            signal=None,
            reason=reason,
            placed_by=PLACED_BY,
            placed_at=at,
        ),
    )


class NotAllowedError(HoldpointError):
    """A decision that this person, or without a reason nobody, may take."""


def require_decision(
    person: str, reason: str, people: Iterable[str], *, do: str, done: str
) -> None:
    """Refuse a decision by somebody who is not listed, or without a reason.

    Parameters
    ----------
    do, done
        What is decided, as in "end a hold" and "a hold ends".

    Raises
    ------
    NotAllowedError
        Says which.
    """
    listed = tuple(people)
    if person not in listed:
        message = f"{person!r} may not {do}; listed are {', '.join(listed)}"
        raise NotAllowedError(message)
    if not reason.strip():
        message = f"{done} with a reason; none was given"
        raise NotAllowedError(message)


def ending(
    hold: str,
    *,
    disposal: Disposal,
    person: str,
    reason: str,
    people: Iterable[str],
    at: datetime,
    evidence: str | None = None,
) -> tuple[HoldEnd, Decision]:
    """Return the rows that end a hold: who, how and why, and the ledger's line.

    Parameters
    ----------
    evidence
        What shows it: the number of a report, a run, a certificate.

    Raises
    ------
    NotAllowedError
        The person is not listed, or gives no reason.
    """
    require_decision(person, reason, people, do="end a hold", done="a hold ends")
    end = HoldEnd(
        hold=hold,
        disposal=disposal,
        person=person,
        reason=reason.strip(),
        ended_at=at,
        evidence=(evidence or "").strip() or None,
    )
    # The ledger's rows are chained: evidence named there cannot be changed unseen.
    shown = f" (evidence: {end.evidence})" if end.evidence else ""
    decision = Decision(
        person=person,
        action=disposal.value,
        subject=hold,
        reason=f"{end.reason}{shown}",
        decided_at=at,
    )
    return end, decision
