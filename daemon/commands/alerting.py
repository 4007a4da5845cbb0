"""Messages: what was told, whether it arrived, who took note; and a test."""

from datetime import UTC, datetime

import click
import pandas as pd

from daemon.alerts.noting import noted, state
from daemon.commands.manners import FAILURE, as_json, as_table, opened, out, say


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


@alerts.command()
@click.argument("messages", nargs=-1, required=True)
@click.option("--person", required=True, help="Who takes note; listed in plan.toml.")
@click.pass_context
def ack(context: click.Context, messages: tuple[str, ...], person: str) -> None:
    """Take note of MESSAGES: nobody is reminded of them any more."""
    with opened(context) as at:
        for taken, decision in noted(
            messages,
            known=set(at.store.frame("alerts", product=at.product)["alert"]),
            person=person,
            people=at.settings.plan.people,
            at=datetime.now(UTC),
        ):
            at.store.keep(taken, decision=decision)
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
