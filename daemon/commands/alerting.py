"""Messages: what was told, whether it arrived, who took note; and a test."""

from collections.abc import Hashable
from datetime import UTC, datetime
from typing import Any

import click
import pandas as pd

from daemon.commands.manners import FAILURE, as_json, as_table, opened, out, say
from daemon.holds import NotAllowedError


@click.group()
def alerts() -> None:
    """Show messages and whether they arrived; take note; test the channels."""


@alerts.command("list")
@click.option("--all", "every", is_flag=True, help="Those that nobody waits for too.")
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def list_(context: click.Context, *, every: bool, json_: bool) -> None:
    """List messages that did not arrive or that nobody took note of."""
    with opened(context) as at:
        rows = at.store.frame("alerts", product=at.product).to_dict("records")
    shown = [
        row
        for row in rows
        if every or pd.isna(row["delivered_at"]) or pd.isna(row["acknowledged_at"])
    ]
    if json_:
        as_json(shown)
        return
    if not shown:
        say("Every message arrived, and somebody took note of each.")
        return
    as_table(
        [{**row, "state": state(row)} for row in shown],
        {
            "alert": "message",
            "target": "channel",
            "title": "what it says",
            "state": "state",
            "tries": "tries",
            "last_error": "last error",
            "person": "noted by",
        },
    )


def state(row: dict[Hashable, Any]) -> str:
    """Return how far a message is, in a word or two."""
    if not pd.isna(row["delivered_at"]):
        return "arrived"
    if not pd.isna(row["dead_at"]):
        return "given up"
    return "tried again" if row["tries"] else "waits"


@alerts.command()
@click.argument("messages", nargs=-1, required=True)
@click.option("--person", required=True, help="Who takes note; listed in plan.toml.")
@click.pass_context
def ack(context: click.Context, messages: tuple[str, ...], person: str) -> None:
    """Take note of MESSAGES: nobody is reminded of them any more."""
    from daemon.alerts.errors import UnknownMessageError  # noqa: PLC0415
    from storage.records import Decision  # noqa: PLC0415
    from storage.records_alerts import Acknowledgement  # noqa: PLC0415

    with opened(context) as at:
        people = at.settings.plan.people
        if person not in people:
            message = f"{person!r} may not take note; listed are {', '.join(people)}"
            raise NotAllowedError(message)
        # All are known before any is noted: a slip leaves nothing half done.
        known = set(at.store.frame("alerts", product=at.product)["alert"])
        for one in messages:
            if one not in known:
                raise UnknownMessageError(message=one)
        now = datetime.now(UTC)
        for one in messages:
            at.store.acknowledge(
                Acknowledgement(alert=one, person=person, acknowledged_at=now),
                Decision(
                    person=person,
                    action="take note",
                    subject=one,
                    reason="read",
                    decided_at=now,
                ),
            )
    say(f"{person} took note of {', '.join(messages)}.")


@alerts.command()
@click.argument("channels", nargs=-1)
@click.pass_context
def test(context: click.Context, channels: tuple[str, ...]) -> None:
    """Send a test message over CHANNELS, or over each; say whether it was taken."""
    from config.load import load  # noqa: PLC0415
    from daemon.alerts.channels import AppriseChannel  # noqa: PLC0415
    from daemon.alerts.errors import AlertError, UnknownTargetError  # noqa: PLC0415
    from daemon.alerts.policy import of_test  # noqa: PLC0415
    from daemon.commands.manners import home_of  # noqa: PLC0415

    known = {one.name: one for one in load(home_of(context).folder).alerts.channels}
    if not known:
        message = "no channel in alerts.toml; nothing was sent"
        raise click.ClickException(message)
    for name in channels:
        if name not in known:
            raise UnknownTargetError(channel=name, known=tuple(known))
    message_ = of_test(datetime.now(UTC))
    failed = False
    for name in channels or known:
        try:
            AppriseChannel(known[name]).send(
                title=message_.title, body="\n".join(message_.lines)
            )
        except AlertError as exc:
            failed = True
            out().print(f"{name}: {exc}", markup=False)
        else:
            out().print(f"{name}: taken", markup=False)
    if failed:
        context.exit(FAILURE)
