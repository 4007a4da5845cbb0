"""Who hears of what: from findings, holds and builds to messages; pure.

One message a finding. Later revisions of it are silent unless what they say is
another thing: another cause, range, part or reel, or that it was withdrawn; such a one
is marked and goes to whoever was told before. Ids
follow from what is told, so telling the same again adds nothing.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import floor

from config import Alerts
from daemon.presentation.figures import moment
from storage import Alert, Hold, Severity, Signal

LOUDNESS = (Severity.NOTICE, Severity.WARNING, Severity.HOLD)
SECONDS_PER_HOUR = 3600.0
LISTED = 20
WITHDRAWN = "withdrawn"
"""What was said of a finding that does not stand any more."""


AS_OF = (
    "So it stood after run {run}. Further units sharpen the numbers: holdpoint status "
    "has those of now."
)
"""A message is read later than it was sent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """What is told, before it is known to whom."""

    alert: str
    severity: Severity
    subject: str
    title: str
    lines: tuple[str, ...]
    made_at: datetime
    said: str = ""
    follows: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What was told of one subject so far: the first message, and the last key."""

    first: str
    said: str
    severity: Severity = Severity.NOTICE
    """The loudest so far."""


def louder(one: Severity, other: Severity) -> Severity:
    """Return the louder of two severities."""
    return max(one, other, key=LOUDNESS.index)


def addressed(
    message: Message, *, product: str, settings: Alerts, but: str | None = None
) -> tuple[Alert, ...]:
    """Return a message for each channel that wants its severity; `but` for one."""
    return tuple(
        Alert(
            alert=message.alert,
            target=channel.name,
            product=product,
            severity=message.severity,
            subject=message.subject,
            title=message.title,
            body="\n".join(message.lines),
            said=message.said,
            follows=message.follows,
            made_at=message.made_at,
        )
        for channel in settings.channels
        if channel.name != but
        and LOUDNESS.index(message.severity)
        >= LOUDNESS.index(Severity(channel.from_severity))
    )


def of_finding(
    signal: Signal, *, headline: str, lines: Sequence[str], told: Told | None
) -> Message | None:
    """Return what is told of a finding; None when it was told already.

    Nothing is told of one that was withdrawn before anybody heard of it.

    Parameters
    ----------
    headline, lines
        The finding in words.
    told
        What was told of it before, None for nothing.
    """
    if told is None and not signal.standing:
        return None
    said = "/".join(
        (signal.cause.value, *(one or "-" for one in (signal.range, signal.part)))
    )
    said = f"{said}/{signal.reel or '-'}" if signal.standing else WITHDRAWN
    if told is not None and told.said == said:
        return None
    first = Message(
        alert=f"finding {signal.signal}",
        severity=Severity.HOLD if signal.holds else Severity.WARNING,
        subject=signal.signal,
        title=headline,
        lines=(*lines, AS_OF.format(run=signal.number))
        if signal.standing
        else tuple(lines),
        made_at=signal.made_at,
        said=said,
    )
    if told is None:
        return first
    return replace(
        first,
        alert=f"{told.first}, revision {signal.revision}",
        severity=louder(first.severity, told.severity),
        title=f"Update: {headline}" if signal.standing else headline,
        follows=told.first,
    )


def of_hold(hold: Hold) -> Message:
    """Return what is told of a hold that no finding placed."""
    return Message(
        alert=f"hold {hold.hold}",
        severity=Severity.HOLD,
        subject=hold.signal or hold.hold,
        title=f"Hold {hold.scope.value} {hold.subject}: {hold.reason}.",
        lines=(f"Placed by {hold.placed_by}, {moment(hold.placed_at)}.",),
        made_at=hold.placed_at,
    )


def of_bad_again(run: str, serial: str, *, said: str, at: datetime) -> Message:
    """Return what is told of a unit that is held and reads as bad once more."""
    return Message(
        alert=f"measured again {run}",
        severity=Severity.NOTICE,
        subject=serial,
        title=said,
        lines=("Its test record shows every run.",),
        made_at=at,
    )


def of_doubt(
    doubt: str, *, session: str, reason: str, severity: Severity, at: datetime
) -> Message:
    """Return what is told of runs that no good check stands behind."""
    return Message(
        alert=f"doubt {doubt}",
        severity=severity,
        subject=doubt,
        title=f"Runs of session {session} are in doubt: {reason.rstrip('.')}.",
        lines=(
            "Their units must not leave until a good check or a person clears them.",
        ),
        made_at=at,
    )


def of_rejudged(
    serial: str, *, check: int, said: str, left: bool, at: datetime
) -> Message:
    """Return what is told of a unit whose verdict a closing check changed."""
    return Message(
        alert=f"judged again {serial}, run {check}",
        severity=Severity.HOLD if left else Severity.WARNING,
        subject=serial,
        title=f"{said}.",
        lines=("Its test record shows both judgements; the last one counts.",),
        made_at=at,
    )


def of_dead_letter(alert: Alert, *, reason: str, tries: int, at: datetime) -> Message:
    """Return the alarm that a message was given up."""
    return Message(
        alert=f"undelivered to {alert.target}: {alert.alert}",
        severity=Severity.HOLD,
        subject=alert.alert,
        title=f"Channel {alert.target} does not take messages: one was given up.",
        lines=(
            f"After {tries} tries: {reason}.",
            "The message was:",
            alert.title,
            alert.body,
        ),
        made_at=at,
    )


def is_dead_letter(alert: Alert) -> bool:
    """Whether a message is itself about one that was given up."""
    return alert.alert.startswith("undelivered to ")


def of_alarm(reason: str, at: datetime) -> Message:
    """Return what is told while the source may be on and out of reach."""
    return Message(
        alert=f"alarm {at:%Y-%m-%dT%H:%M:%S%z}",
        severity=Severity.HOLD,
        subject="source",
        title=f"Alarm at the bench: {reason.rstrip('.')}.",
        lines=("Disconnect it by hand; software cannot be relied on now.",),
        made_at=at,
    )


def of_stall(stalled: str, at: datetime) -> Message:
    """Return what is told while a part of the daemon does not go on."""
    return Message(
        alert=f"stalled {at:%Y-%m-%dT%H:%M:%S%z}",
        severity=Severity.HOLD,
        subject="daemon",
        title=f"The daemon is stalled: {stalled}.",
        lines=("Look at the bench, then stop the daemon and start it again.",),
        made_at=at,
    )


def of_test(at: datetime) -> Message:
    """Return a message that shows that a channel works."""
    return Message(
        alert=f"test {at:%Y-%m-%dT%H:%M:%S.%f%z}",
        severity=Severity.HOLD,
        subject="test",
        title="Test message: nothing is wrong.",
        lines=("Somebody asked whether messages arrive here. They do.",),
        made_at=at,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildDigest:
    """What a measured build came to."""

    build: str
    units: int
    first_pass_yield: float | None
    open_holds: int
    findings: tuple[str, ...]
    at: datetime


def digest_of(build: str) -> str:
    """Return the name of the message that sums up a build."""
    return f"digest {build}"


def of_build(digest: BuildDigest) -> Message:
    """Return the sum of one build, told once when all its units are measured."""
    passed = (
        "none was judged"
        if digest.first_pass_yield is None
        else f"first-pass yield {100 * digest.first_pass_yield:.1f} %"
    )
    stays = (
        "No hold stands on it."
        if digest.open_holds == 0
        else f"Holds to decide on: {digest.open_holds}."
    )
    return Message(
        alert=digest_of(digest.build),
        severity=Severity.NOTICE,
        subject=digest.build,
        title=f"Build {digest.build} is measured: {digest.units} units, {passed}.",
        lines=(stays, *digest.findings),
        made_at=digest.at,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """In which words, and how loud, people are reminded of one kind of matter."""

    one: str
    many: str
    severity: Severity


HOLDS = Waiting(one="A hold stands", many="{} holds stand", severity=Severity.HOLD)


def doubts(settings: Alerts) -> Waiting:
    """Return how people are reminded of runs in doubt: as loud as they were told."""
    return Waiting(
        one="Runs of a session are in doubt",
        many="{} doubts on runs stand",
        severity=Severity(settings.doubt_severity),
    )


def reminder(
    open_alerts: Iterable[Alert],
    *,
    of: Waiting,
    settings: Alerts,
    at: datetime,
) -> Message | None:
    """Return one reminder of all that nobody took note of, each interval once.

    Parameters
    ----------
    open_alerts
        Messages on what still stands and of which nobody took note, oldest first.
    of
        Whether they are on holds or on doubts.
    """
    waiting = list({one.alert: one for one in open_alerts}.values())
    if not waiting:
        return None
    oldest = waiting[0]
    every_s = settings.remind_every_hours * SECONDS_PER_HOUR
    passed = floor((at - oldest.made_at).total_seconds() / every_s)
    if passed < 1:
        return None
    # Who takes note names the message: each line begins with its name.
    lines = [f"{one.alert}: {one.title}" for one in waiting[:LISTED]]
    if len(waiting) > LISTED:
        lines.append(f"and {len(waiting) - LISTED} more")
    count = of.one if len(waiting) == 1 else of.many.format(len(waiting))
    return Message(
        alert=f"reminder {passed} of {oldest.alert}",
        severity=of.severity,
        subject=oldest.subject,
        title=f"Reminder: {count} and nobody has taken note.",
        lines=(
            *lines,
            "`holdpoint alerts ack MESSAGE --person NAME` ends the reminders of one.",
        ),
        made_at=at,
        follows=oldest.alert,
    )
