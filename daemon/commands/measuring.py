"""Measure units: by the bench, by scanner, or by hand."""

from collections.abc import Iterator, Sequence
from contextlib import nullcontext
from typing import Any

import click

from config.errors import QuantityError
from config.load import load
from config.quantity import Unit, parse, spell
from daemon.commands.manners import (
    as_json,
    as_table,
    home_of,
    interactive,
    opened,
    say,
)
from daemon.judging.inspections import AnswerError, answered, asked, question
from daemon.judging.product import ProductModel
from daemon.service.client import Client
from daemon.service.home import Home
from daemon.service.processes import answers, running_daemon
from daemon.station.orders import TypedReading
from daemon.station.typed_readings import NEW_SETUP, TypedError, readings_of

POLL_S = 0.5


class NotMeasuredError(Exception):
    """A unit was not measured; the daemon says why."""


@click.command()
@click.argument("serials", nargs=-1)
@click.option("--build", help="Left out: the newest build.")
@click.option(
    "--range",
    "ranges",
    multiple=True,
    help="Only this range; may be given again. Left out: all.",
)
@click.option("--rerun", is_flag=True, help="The unit was measured before.")
@click.option("--typed", is_flag=True, help="Type the readings of one unit.")
@click.option("--new-setup", is_flag=True, help=f"With --typed. {NEW_SETUP}")
@click.option("--note", help="Kept with the run.")
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def measure(
    context: click.Context,
    serials: tuple[str, ...],
    build: str | None,
    ranges: tuple[str, ...],
    rerun: bool,
    typed: bool,
    new_setup: bool,
    note: str | None,
    json_: bool,
) -> None:
    """Measure units, one after another.

    Without a serial, scan or type one a line until an empty line; without a
    terminal, one unit is measured and its serial counted on. One range across many
    units: name it with --range, or have plan.toml say order = "range".
    """
    home = home_of(context)
    if typed:
        _measure_typed(
            context, home, serials, build,
            rerun=rerun, note=note, new_setup=new_setup,
        )  # fmt: skip
        return
    if new_setup:
        message = "--new-setup goes with --typed: the daemon knows of its own bench."
        raise click.UsageError(message, context)
    settings = load(home.folder)
    passes = [ranges]
    if not ranges and settings.plan.reading.order == "range":
        passes = [(key,) for key in settings.product.ranges]
    ended = []
    with Client.of(home.data) as client:
        for one_pass in passes:
            if len(passes) > 1:
                say(f"All units on range {one_pass[0]}:")
            for serial in _serials(serials):
                ticket = client.measure(
                    build=build, serial=serial, ranges=one_pass, rerun=rerun, note=note
                )
                ended.append(follow(client, ticket))
                if not json_:
                    say(f"{ended[-1]['serial']}: {ended[-1]['verdict']}")
                    for remark in ended[-1]["remarks"]:
                        say(f"  {remark}")
    if json_:
        as_json(ended)


def _serials(given: Sequence[str]) -> Iterator[str | None]:
    if given:
        yield from given
    elif not interactive():
        yield None
    else:
        while serial := click.prompt(
            "Serial", default="", show_default=False, err=True
        ).strip():
            yield serial


def follow(client: Client, ticket: str) -> dict[str, Any]:
    """Wait for an order to end, passing on what the daemon asks for meanwhile.

    Raises
    ------
    NotMeasuredError
        It was not carried out, and why.
    """
    asked = None
    while True:
        seen = client.ticket(ticket, wait_s=POLL_S)
        if seen["state"] == "done":
            return seen
        if seen["state"] == "failed":
            raise NotMeasuredError(seen["message"])
        prompt = client.state()["prompt"]
        if prompt is not None and prompt["prompt"] != asked:
            asked = prompt["prompt"]
            if interactive():
                wants = prompt["wants"]
                said = click.prompt(
                    f"{prompt['text']} [{wants or 'Enter'}]",
                    default=None if wants else "",
                    show_default=False,
                    prompt_suffix=" " if wants else "",
                    err=True,
                )
                client.answer(asked, said if wants else "done")
            else:
                say(prompt["text"])


def _measure_typed(
    context: click.Context,
    home: Home,
    serials: Sequence[str],
    build: str | None,
    *,
    rerun: bool,
    note: str | None,
    new_setup: bool,
) -> None:
    if len(serials) != 1:
        message = "--typed takes exactly one serial."
        raise click.UsageError(message, context)
    if not interactive():
        message = "--typed asks questions and needs a terminal."
        raise click.UsageError(message, context)
    typed = _typed_readings(home)
    checks = _typed_checks(home, [one["range"] for one in typed])
    with nullcontext() if answers(home) else running_daemon(home, "--no-bench"):
        with Client.of(home.data) as client:
            ticket = client.measure(
                build=build,
                serial=serials[0],
                typed=typed,
                checks=checks,
                rerun=rerun,
                note=note,
                new_setup=new_setup,
            )
            done = follow(client, ticket)
        _show_unit(context, done)


def _typed_readings(home: Home) -> list[dict[str, Any]]:
    """Ask for every range's readings, check each at once, confirm the whole."""
    settings = load(home.folder)
    if settings.bench is None:
        message = "bench.toml is missing: the meters' accuracy must be known"
        raise NotMeasuredError(message)
    product = ProductModel.of(settings.product)
    into, out_of = Unit(settings.product.input_unit), Unit(settings.product.output_unit)
    say("Caution: set the source to zero before you touch leads or turn the switch.")
    readings: dict[str, TypedReading] = {}
    todo = list(product.keys)
    while todo:
        key = todo.pop(0)
        title = product.range(key).title
        reading = TypedReading(
            range=key,
            reference_zero=_quantity(f"{title}, source at zero: reference", into, "0"),
            output_zero=_quantity(f"{title}, source at zero: output", out_of, "0"),
            reference=_quantity(f"{title}, at level: reference", into),
            output=_quantity(f"{title}, at level: output", out_of),
        )
        try:
            readings_of([reading], product, settings.bench, at_s=0.0)
        except TypedError as exc:
            say(str(exc))
            todo.insert(0, key)
            continue
        readings[key] = reading
        if not todo:
            _show_typed(list(readings.values()), into, out_of)
            again = click.prompt(
                "Range to correct, or Enter to keep them",
                default="",
                show_default=False,
                type=click.Choice(["", *product.keys]),
                show_choices=False,
                err=True,
            )
            todo = [again] if again else []
    return [
        {
            "range": one.range,
            "reference": one.reference,
            "output": one.output,
            "reference_zero": one.reference_zero,
            "output_zero": one.output_zero,
        }
        for one in readings.values()
    ]


def _typed_checks(home: Home, ranges: Sequence[str]) -> list[dict[str, Any]]:
    """Ask for the checks beside the range errors."""
    plan = load(home.folder).plan.checks
    answers = []
    for name, check in asked(plan, typed=True, ranges=ranges).items():
        while True:
            text = click.prompt(question(name, check), err=True)
            try:
                answers.append({"name": name, "value": answered(name, check, text)})
                break
            except AnswerError as exc:
                say(str(exc))
    return answers


def _quantity(question: str, unit: Unit, default: str | None = None) -> float:
    while True:
        text = click.prompt(f"{question} ({unit})", default=default, err=True)
        try:
            return parse(text, unit)
        except QuantityError as exc:
            say(str(exc))


def _show_typed(readings: Sequence[TypedReading], into: Unit, out_of: Unit) -> None:
    say("")
    for one in readings:
        say(
            f"  {one.range}: in {spell(one.reference, into)}, "
            f"out {spell(one.output, out_of)}"
        )


def _show_unit(context: click.Context, done: dict[str, Any]) -> None:
    with opened(context) as at:
        rows = at.store.frame("unit_runs", serial=done["serial"])
        checks = at.store.frame(
            "check_results", product=at.product, after=done["number"] - 1
        )
    for remark in done["remarks"]:
        say(remark)
    rows = rows[rows["run"] == done["run"]]
    as_table(
        [
            {
                "range": one["range"],
                "error": f"{one['error_ppm']:+.0f}",
                "uncertainty": f"{2 * one['uncertainty_ppm']:.0f}",
                "limit": f"{one['limit_ppm']:.0f}",
                "verdict": one["verdict"],
            }
            for one in rows.to_dict("records")
        ],
        {
            "range": "range",
            "error": "error, ppm",
            "uncertainty": "U (k=2), ppm",
            "limit": "limit, ppm",
            "verdict": "verdict",
        },
    )
    checks = checks[checks["run"] == done["run"]]
    if not checks.empty:
        as_table(
            [
                {
                    "check": one["check"],
                    "value": f"{one['value']:.4g} {one['unit']}".strip(),
                    "verdict": one["verdict"],
                }
                for one in checks.to_dict("records")
            ],
            {"check": "check", "value": "value", "verdict": "verdict"},
        )
