"""Ask the bench about itself: check standard, end of a session, second meter."""

import click

from config import Unit, parse
from daemon.commands.opened import home_here
from daemon.commands.options import by_person
from daemon.commands.orders import ordered
from daemon.commands.showing import interactive, misuse, say, show
from daemon.service import Client


@click.command("check")
def bench_check() -> None:
    """Run the check standard now.

    It is measured on every range.
    """
    show(ordered("check"))


@click.command("end")
def bench_end() -> None:
    """End the session with a check.

    The check closes what the session measured. Say so before you touch leads, meter
    ranges or nulls, and at the end of the day.
    """
    show(ordered("end session"))


@click.command("answer")
@click.argument("value", required=False)
def bench_answer(value: str | None) -> None:
    """Answer what the bench asks.

    Do what it asks for, then confirm with this command, or say VALUE where it wants
    one. It is for a unit that another program ordered: nobody else follows it.
    """
    with Client.of(home_here().data) as client:
        prompt = client.state()["prompt"]
        if prompt is None:
            say("The bench asks nothing now.")
            return
        show(prompt["text"])
        wants = prompt["wants"]
        if value is None and interactive():
            value = click.prompt(
                wants or "Press Enter once it is done",
                default=None if wants else "done",
                show_default=False,
                err=True,
            )
        if wants and value is None:
            misuse(f"it wants a value in {wants}: holdpoint bench answer VALUE")
        if not client.answer(prompt["prompt"], value or "done"):
            say("Somebody answered it meanwhile.")


@click.command("compare")
@click.argument("serial")
@click.argument("range_", metavar="RANGE")
@click.option("--meter", required=True, help="The other meter, as you call it.")
@click.option(
    "--accuracy", required=True,
    help="Largest error of its reading by its data sheet, for example 0.05%.",
)  # fmt: skip
@click.option(
    "--role", type=click.Choice(["output", "reference"]), default="output",
    show_default=True, help="Which of the bench's meters it stands beside.",
)  # fmt: skip
@by_person("Who reads it.", required=False)
@click.option("--finding", help="The finding that asks for it.")
def bench_compare(
    serial: str,
    range_: str,
    meter: str,
    accuracy: str,
    role: str,
    person: str | None,
    finding: str | None,
) -> None:
    """Read one range with a second meter.

    The connected unit's output holds its level while you read. Connect the second
    meter first: volts in parallel, current in series, never the other way round.
    """
    second = {
        "range": range_,
        "meter": meter,
        "accuracy_ppm": parse(accuracy, Unit.PPM),
        "role": role,
        "person": person,
        "signal": finding,
    }
    show(ordered("compare", serial=serial, second=second))
