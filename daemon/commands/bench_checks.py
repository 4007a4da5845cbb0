"""Ask the bench about itself: check standard, end of a session, second meter."""

import click

from config import Unit, parse
from daemon.commands.opened import home_here
from daemon.commands.options import by_person
from daemon.commands.orders import ANSWER, asking, ordered
from daemon.commands.showing import interactive, misuse, say, show
from daemon.service import Client

ANSWERED = "Somebody answered it meanwhile."
DROPPED = "The order that waited for {subject} is dropped; nothing was measured."


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
@click.option("--drop", is_flag=True, help="Drop the order that waits to be connected.")
def bench_answer(value: str | None, *, drop: bool) -> None:
    """Answer what the bench asks.

    Do what it asks for, then confirm with this command, or say VALUE where it wants
    one. It is for an order that nobody follows: another program gave it, or its
    terminal was closed.
    """
    with Client.of(home_here().data) as client:
        prompt = client.state()["prompt"]
        if prompt is None:
            say("The bench asks nothing now.")
            return
        wants = prompt["wants"]
        if drop:
            taken = client.drop(prompt["prompt"])
            say(DROPPED.format(subject=prompt["subject"]) if taken else ANSWERED)
            return
        if value is None and interactive():
            value = click.prompt(
                asking(prompt["text"], wants),
                default=None if wants else "",
                show_default=False,
                prompt_suffix=" ",
                err=True,
            )
        else:
            show(prompt["text"])
        if wants and value is None:
            misuse(f"it wants a value in {wants}: {ANSWER} VALUE")
        # No other command of the bench needs to know what an answer means.
        from daemon.station import not_allowed  # noqa: PLC0415

        if (said := not_allowed(wants, value or "")) is not None:
            misuse(said)
        if not client.answer(prompt["prompt"], *([value] if wants and value else [])):
            say(ANSWERED)


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
