"""Measure units: by the bench, by scanner, or by hand."""

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

import click

from config import QuantityError, Settings, Unit, load, meters_words, parse, spell
from daemon.commands.opened import home_here, opened
from daemon.commands.orders import follow
from daemon.commands.showing import (
    Part,
    Shown,
    Table,
    interactive,
    misuse,
    say,
    show,
    shown,
)
from daemon.judging import AnswerError, Judge, ProductModel, answered, asked, question
from daemon.presentation import figures, points
from daemon.service import Client, Home, shared_daemon
from daemon.station import (
    NEW_SETUP,
    TypedError,
    TypedReading,
    asked_of,
    readings_of,
    require_measurable,
    require_on_range,
)
from storage import CheckRow, UnitRow, worst

PREPARING = (
    "Working it out. Once after an installation the statistics are prepared: a minute "
    "or more."
)


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
@shown
def measure(
    *,
    serials: tuple[str, ...],
    build: str | None,
    ranges: tuple[str, ...],
    rerun: bool,
    typed: bool,
    new_setup: bool,
    note: str | None,
) -> Shown:
    """Measure units, one after another.

    Without a serial, scan or type one a line until an empty line; without a
    terminal, one unit is measured and its serial counted on. One range across many
    units: name it with --range, or have plan.toml say order = "range".
    """
    home = home_here()
    if typed:
        return _measure_typed(
            home, serials, build=build, rerun=rerun, note=note, new_setup=new_setup
        )
    if new_setup:
        misuse("--new-setup goes with --typed: the daemon knows of its own bench.")
    if len(serials) > 1 and not interactive():
        misuse(
            "Name one serial at a time: without a terminal nobody can be asked to "
            "connect the next unit."
        )
    settings = load(home.folder)
    connected: str | None = None
    passes = [ranges]
    if not ranges and settings.plan.reading.order == "range":
        passes = [(key,) for key in settings.product.ranges]
    ended = []
    with Client.of(home.data) as client:
        for one_pass in passes:
            if len(passes) > 1:
                say(f"All units on range {one_pass[0]}:")
            for serial in _serials(serials):
                # Whoever scans a serial has that unit at hand; a list does not say so.
                if serials and connected not in {None, serial}:
                    _have_connected(serial)
                connected = serial
                ticket = client.measure(
                    build=build, serial=serial, ranges=one_pass, rerun=rerun, note=note
                )
                done = follow(client, ticket)
                ended.append(done)
                say(f"{done['serial']}: {done['verdict']}")
                for remark in done["remarks"]:
                    say(f"  {remark}")
    return Shown(ended)


def _have_connected(serial: str | None) -> None:
    click.prompt(
        f"Connect unit {serial}, then press Enter",
        default="",
        show_default=False,
        err=True,
    )


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


def _measure_typed(home: Home, serials: Sequence[str], **how: Any) -> Shown:
    if len(serials) != 1:
        misuse("--typed takes exactly one serial.")
    if not interactive():
        misuse("--typed asks questions and needs a terminal.")
    (serial,) = serials
    with opened() as at:  # nobody types twenty readings to be refused after the last
        how["build"] = require_measurable(
            at.store, at.product, serial, build=how["build"], again=how["rerun"]
        )
    # It comes up while the readings are typed.
    with shared_daemon(home) as records:
        typed = _typed_readings(home)
        checks = _typed_checks(home, [one["range"] for one in typed])
        waits = not records.ready
        if waits:
            say(PREPARING)
        records.wait()
        with Client.of(home.data) as client:
            done = follow(
                client,
                client.measure(serial=serial, typed=typed, checks=checks, **how),
                while_waiting=None if waits else PREPARING,
            )
        for remark in done["remarks"]:
            say(remark)
        return Shown([done], *_results(done))


def _typed_readings(home: Home) -> list[dict[str, Any]]:
    """Ask for every range's readings, check each at once, confirm the whole."""
    settings = load(home.folder)
    if settings.bench is None:
        say(meters_words(settings.plan.meters))
    product = ProductModel.of(settings.product)
    into, out_of = Unit(settings.product.input_unit), Unit(settings.product.output_unit)
    say("Caution: set the source to zero before you touch leads or turn the switch.")
    readings: dict[str, TypedReading] = {}
    todo = list(product.keys)
    while todo:
        key = todo.pop(0)
        reading = TypedReading(
            range=key,
            **{
                name: _quantity(settings, product, key, name, unit, default)
                for name, unit, default in (
                    ("reference_zero", into, "0"),
                    ("output_zero", out_of, "0"),
                    ("reference", into, None),
                    ("output", out_of, None),
                )
            },
        )
        try:
            readings_of([reading], product, settings.meters, at_s=0.0)
        except TypedError as exc:
            say(str(exc))
            todo.insert(0, key)
            continue
        readings[key] = reading
        if not todo:
            show(_as_typed(list(readings.values()), product, settings))
            again = _range_to_correct(product)
            todo = [again] if again else []
    return [asdict(one) for one in readings.values()]


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


def _quantity(
    settings: Settings,
    product: ProductModel,
    key: str,
    name: str,
    unit: Unit,
    default: str | None,
) -> float:
    while True:
        text = click.prompt(asked_of(settings, key, name), default=default, err=True)
        try:
            value = parse(text, unit)
            require_on_range(name, value, product, key)
        except (QuantityError, TypedError) as exc:
            say(str(exc))
        else:
            return value


def _range_to_correct(product: ProductModel) -> str:
    """Ask for a range by its key or its title; nothing keeps all."""
    titles = {product.range(key).title: key for key in product.keys}
    named = {
        name.replace(" ", "").replace("\N{MICRO SIGN}", "u").casefold(): key
        for name, key in [*titles.items(), *((key, key) for key in product.keys)]
    }
    while True:
        text = click.prompt(
            "Range to correct, or Enter to keep them",
            default="",
            show_default=False,
            err=True,
        )
        told = text.replace(" ", "").replace("\N{MICRO SIGN}", "u").casefold()
        if not told:
            return ""
        if told in named:
            return named[told]
        say(f"{text!r}: must be one of {', '.join(titles)}, or nothing")


def _as_typed(
    typed: Sequence[TypedReading], product: ProductModel, settings: Settings
) -> Table:
    """Return what was typed, as it was understood, with each range's error."""
    into, out_of = Unit(settings.product.input_unit), Unit(settings.product.output_unit)
    read = readings_of(typed, product, settings.meters, at_s=0.0)
    judge = Judge(product, settings.meters, settings.plan.judging).learned(read)
    judged = [judge.unit("", one, {}) for one in read]
    return Table(
        list(zip(typed, judged, strict=True)),
        {
            "range": lambda both: product.range(both[0].range).title,
            "in": lambda both: spell(both[0].reference, into),
            "out": lambda both: spell(both[0].output, out_of),
            "error": lambda both: figures.measured(
                both[1].error_ppm,
                figures.COVERAGE * both[1].uncertainty_ppm,
                both[1].limit_ppm,
            ),
            "limit": lambda both: figures.allowance(both[1].limit_ppm),
            "verdict": lambda both: both[1].verdict,
        },
    )


def _worst(row: UnitRow) -> str:
    point = worst(row.judged_points)
    return "" if point is None else points.judged_at(point)


def _error(row: UnitRow) -> str:
    expanded_ppm = figures.COVERAGE * row.uncertainty_ppm
    return figures.measured(row.error_ppm, expanded_ppm, row.limit_ppm)


def _expanded(row: UnitRow) -> str:
    unit = figures.ShareUnit.of((row.limit_ppm,))
    return f"{unit.half(figures.COVERAGE * row.uncertainty_ppm)} {unit.name}"


def _results(done: dict[str, Any]) -> Iterator[Part]:
    """Show a run's errors, and its checks where there are any."""
    with opened() as at:
        rows = at.store.rows(UnitRow, serial=done["serial"])
        checks = at.rows(CheckRow, after=done["number"] - 1)
        titles = {key: one.title for key, one in at.settings.product.ranges.items()}
    yield Table(
        [one for one in rows if one.run == done["run"]],
        {
            "range": lambda one: titles.get(one.range, one.range),
            "error": _error,
            "uncertainty": _expanded,
            "limit": lambda one: figures.allowance(one.limit_ppm),
            "verdict": "verdict",
            "worst point": _worst,
        },
    )
    if mine := [one for one in checks if one.run == done["run"]]:
        yield Table(
            mine,
            {
                "check": "check",
                "value": lambda one: f"{one.value:.4g} {one.unit}".strip(),
                "verdict": "verdict",
            },
        )
