"""What happened since somebody looked last: findings, holds, shipments."""

from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime

from daemon.presentation import capital, figures, sentences
from dashboard import data, look, visits
from dashboard.data import Shown
from storage import StorageError

MOST = 12
LATEST = datetime.max.replace(tzinfo=UTC)


def show(shown: Shown) -> None:
    """List it, the newest first."""
    visit = visits.last()
    told = sorted(events(shown, visit.since), reverse=True)
    title = (
        f"Since you last looked, {look.moment(visit.since)}"
        if visit.known
        else "In the last seven days"
    )
    lines = [f"{look.moment(at)}: {text}" for at, text in told[:MOST]]
    if more := len(told) - len(lines):
        lines.append(f"And {more} more.")
    left = 0
    with suppress(StorageError):
        asked = data.asked(shown, "left_since", since=visit.since)
        left = int(asked["units"].iloc[0])
    if left:
        lines.append(f"{figures.counted(left, 'unit')} left.")
    look.heading(title, lines or ["Nothing was found, held, decided or shipped."])


def events(shown: Shown, since: datetime) -> Iterator[tuple[datetime, str]]:
    """Yield what happened after a moment, each with when and a sentence."""
    first_made = dict(
        zip(shown.signals["signal"], shown.signals["first_made_at"], strict=True)
    )
    held: dict[str, datetime] = {}
    for hold in shown.holds:
        if hold.signal is not None:
            held[hold.signal] = min(hold.placed_at, held.get(hold.signal, LATEST))
    for one in shown.findings:
        # The units of a sheet were measured before it was read here.
        at = held.get(one.signal, first_made[one.signal].to_pydatetime())
        if at > since:
            name, _, where = sentences.name(one).partition(": ")
            yield at, f"{name} was raised{where and f': {where}'}."
        if not one.standing and one.made_at > since:
            yield one.made_at, sentences.withdrawn(one)
    for hold in shown.holds:
        if hold.placed_at > since:
            yield hold.placed_at, f"{capital(sentences.held(hold))} was held."
        if hold.ended_at is not None and hold.ended_at > since:
            yield (
                hold.ended_at,
                sentences.hold_ended(hold),
            )
    for state in shown.states:
        if state.opened_at > since:
            yield state.opened_at, f"Build {state.build} was opened."
