"""Ask the bench about itself: check standard, second meter, runs in doubt."""

from datetime import UTC, datetime
from typing import Any

import click

from config.quantity import Unit, parse
from daemon.client import Client
from daemon.commands.manners import as_json, as_table, home_of, opened, out, say


def _followed(context: click.Context, work: str, **what: Any) -> None:
    """Have the daemon do it and print what came of it."""
    # Loaded late: turning the source off loads this file and must not wait.
    from daemon.commands.measuring import follow  # noqa: PLC0415

    with Client.of(home_of(context).data) as client:
        out().print(follow(client, client.work(work, **what))["message"])


@click.command("check")
@click.pass_context
def bench_check(context: click.Context) -> None:
    """Run the check standard now, on every range."""
    _followed(context, "check")


@click.command("end")
@click.pass_context
def bench_end(context: click.Context) -> None:
    """End the session with a check that closes what it measured.

    Say so before you touch leads, meter ranges or nulls, and at the end of the day.
    """
    _followed(context, "end session")


@click.command("compare")
@click.argument("serial")
@click.argument("range_", metavar="RANGE")
@click.option("--meter", required=True, help="The other meter, as you call it.")
@click.option(
    "--accuracy",
    required=True,
    help="Largest error of its reading by its data sheet, for example 0.05%.",
)
@click.option(
    "--role",
    type=click.Choice(["output", "reference"]),
    default="output",
    show_default=True,
    help="Which of the bench's meters it stands beside.",
)
@click.option("--person", help="Who reads it.")
@click.option("--finding", help="The finding that asks for it.")
@click.pass_context
def bench_compare(
    context: click.Context,
    serial: str,
    range_: str,
    meter: str,
    accuracy: str,
    role: str,
    person: str | None,
    finding: str | None,
) -> None:
    """Read one range of the connected unit with a second meter beside the bench's.

    The output holds its level while you read. Connect the second meter first: volts
    in parallel, current in series, never the other way round.
    """
    second = {
        "range": range_,
        "meter": meter,
        "accuracy_ppm": parse(accuracy, Unit.PPM),
        "role": role,
        "person": person,
        "signal": finding,
    }
    _followed(context, "compare", serial=serial, second=second)


@click.group()
def doubt() -> None:
    """Show and end doubts: runs that no good check stands behind."""


@doubt.command("list")
@click.option("--all", "every", is_flag=True, help="Those that ended too.")
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def doubt_list(context: click.Context, every: bool, json_: bool) -> None:
    """List which runs are in doubt, and why."""
    with opened(context) as at:
        rows = at.store.frame("doubts", product=at.product)
        runs = at.store.frame("runs_in_doubt", product=at.product)
    if not every:
        rows = rows[rows["ended_by"].isna()]
    serials = runs.groupby("doubt")["serial"].agg(", ".join)
    listed = [
        {**one, "serials": serials.get(one["doubt"])} for one in rows.to_dict("records")
    ]
    if json_:
        as_json(listed)
        return
    if not listed:
        say("No run is in doubt.")
        return
    as_table(
        listed,
        {
            "doubt": "doubt",
            "serials": "units",
            "reason": "reason",
            "ended_by": "ended by",
            "ended_reason": "because",
        },
    )


@doubt.command("end")
@click.argument("name")
@click.option("--person", required=True, help="Who decides; listed in plan.toml.")
@click.option("--reason", required=True, help="Why these runs may be trusted.")
@click.pass_context
def doubt_end(context: click.Context, name: str, person: str, reason: str) -> None:
    """End a doubt: a named person takes the decision.

    A good check in the same session ends it without one.
    """
    from daemon.standing import ending  # noqa: PLC0415 -- loads the statistics

    with opened(context) as at:
        end, decision = ending(
            name,
            person=person,
            reason=reason,
            people=at.settings.plan.people,
            at=datetime.now(UTC),
        )
        at.store.keep(end, decision=decision)
    say(f"Doubt {name} ended.")
