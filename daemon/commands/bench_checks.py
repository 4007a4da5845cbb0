"""Ask the bench about itself: check standard, end of a session, second meter."""

import click

from config import Unit, parse
from daemon.commands.options import by_person
from daemon.commands.orders import ordered
from daemon.commands.showing import show


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
