"""Messages: what was told, whether it arrived, who took note; and a test."""

from collections.abc import Collection
from datetime import UTC, datetime

import click

from daemon.alerts import noted, state
from daemon.commands.opened import home_here, opened
from daemon.commands.options import by_person
from daemon.commands.showing import Shown, fail, listed, say, show, shown
from storage import AlertState, NotFoundError, meant


@click.command("list")
@click.option("--all", "every", is_flag=True, help="Those that nobody waits for too.")
@shown
def alerts_list(*, every: bool) -> Shown:
    """List messages nobody has noted.

    Those that did not arrive are among them.
    """
    with opened() as at:
        rows = at.rows(AlertState)
    waiting = [
        row
        for row in rows
        if every or row.delivered_at is None or row.acknowledged_at is None
    ]
    return listed(waiting, {
        "message": "alert", "channel": "target", "what it says": "title",
        "state": _state, "tries": "tries", "last error": "last_error",
        "noted by": "person",
    }, nothing="No message waits for anybody.")  # fmt: skip


@click.command("ack")
@click.argument("messages", nargs=-1, required=True)
@by_person("Who takes note; listed in plan.toml.")
def alerts_ack(messages: tuple[str, ...], person: str) -> None:
    """Take note of messages.

    Nobody is reminded of MESSAGES any more.
    """
    with opened() as at:
        known = {one.alert for one in at.rows(AlertState)}
        messages = tuple(_meant(one, known) for one in messages)
        for taken, decision in noted(
            messages,
            known=known,
            person=person,
            people=at.settings.plan.people,
            at=datetime.now(UTC),
        ):
            at.store.keep(taken, decision=decision)
    say(f"{person} took note of {', '.join(messages)}.")


def _meant(given: str, known: Collection[str]) -> str:
    """Return the message that is meant; what is none is refused where it is noted."""
    try:
        return meant(given, known, kind="message")
    except NotFoundError:
        return given


@click.command("test")
@click.argument("channels", nargs=-1)
def alerts_test(channels: tuple[str, ...]) -> None:
    """Send a test message.

    It goes over CHANNELS, or over each; says whether it was taken.
    """
    from config import load  # noqa: PLC0415
    from daemon.alerts import (  # noqa: PLC0415
        AlertError,
        AppriseChannel,
        UnknownTargetError,
        of_test,
    )

    known = {one.name: one for one in load(home_here().folder).alerts.channels}
    if not known:
        message = "no channel in alerts.toml; nothing was sent"
        raise click.ClickException(message)
    for name in channels:
        if name not in known:
            raise UnknownTargetError(channel=name, known=tuple(known))
    told = of_test(datetime.now(UTC))
    failed = False
    for name in channels or known:
        try:
            AppriseChannel(known[name]).send(
                title=told.title, body="\n".join(told.lines)
            )
        except AlertError as exc:
            failed = True
            show(f"{name}: {exc}")
        else:
            show(f"{name}: taken")
    if failed:
        fail()


def _state(one: AlertState) -> str:
    return state(
        delivered=one.delivered_at is not None,
        dead=one.dead_at is not None,
        tries=one.tries,
    )
