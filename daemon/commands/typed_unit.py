"""A unit whose readings a person types: asked point by point, shown, then kept."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from functools import partial
from typing import Any

import click

from config import (
    Back,
    Dialogue,
    Product,
    Settings,
    Unit,
    meters_words,
    spell,
)
from daemon.commands.showing import Table, misuse, say, tell
from daemon.judging import Judge, ProductModel, answered, asked, question
from daemon.presentation import figures
from daemon.station import (
    TypedError,
    TypedReading,
    asked_of,
    readings_of,
    typed_value,
)

HOW = (
    "Type ? for help. Type back to answer the question before once more. Enter takes "
    "what stands in brackets."
)
CAUTION = "Caution: set the source to zero before you touch leads or turn the switch."
AT_ZERO_IN = (
    "The reference is the meter that reads what goes in. Write what it shows with the "
    "source at zero. Enter means 0."
)
AT_ZERO_OUT = (
    "The output is the meter that reads what comes out. Write what it shows with the "
    "source at zero. Enter means that it was not read."
)
AT_LEVEL = (
    "Set the source to about this level and wait until the display stands still. Write "
    "what it shows, with its unit, such as {}. The level need not be met exactly."
)
NOT_READ = "not read"
POINTS: Mapping[str, tuple[str | None, str]] = {
    "reference_zero": ("0", AT_ZERO_IN),
    "output_zero": (NOT_READ, AT_ZERO_OUT),
    "reference": (None, AT_LEVEL),
    "output": (None, AT_LEVEL),
}
"""Each reading of a range: what Enter means, and what is said of it on request."""


def require_ranges(product: Product, ranges: Sequence[str]) -> None:
    """Refuse a range that the product does not have, before anything is typed.

    Raises
    ------
    click.UsageError
        There is no such range.
    """
    for one in ranges:
        if one not in product.ranges:
            misuse(f"there is no range {one!r}; there are {', '.join(product.ranges)}")


def ask_unit(
    settings: Settings, ranges: Sequence[str], serial: str
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Ask for every reading and check of a unit; return them as the control takes them.

    Parameters
    ----------
    ranges
        Which are read; none means all.
    """
    product = ProductModel.of(settings.product)
    if settings.bench is None:
        say(meters_words(settings.plan.meters, settings.plan.output_meter))
    say(CAUTION)
    say(f"Unit {serial}. {HOW}")
    answers: list[tuple[str, str]] = []
    while True:
        dialogue = Dialogue(_put, say, given=answers)
        try:
            typed = _typed_readings(
                dialogue, settings, product, ranges or list(product.keys)
            )
            return (
                [asdict(one) for one in typed],
                _typed_checks(dialogue, settings, [one.range for one in typed]),
            )
        except Back:
            answers = dialogue.answers[:-1]


def _put(text: str) -> str:
    answer: str = click.prompt(text, default="", show_default=False, err=True)
    return answer


def _typed_readings(
    dialogue: Dialogue,
    settings: Settings,
    product: ProductModel,
    ranges: Sequence[str],
) -> list[TypedReading]:
    """Ask for every range's readings, check each at once, confirm the whole."""
    readings: dict[str, TypedReading] = {}
    todo = list(ranges)
    while todo:
        key = todo.pop(0)
        read: dict[str, Any] = {
            name: _quantity(dialogue, settings, product, key, name) for name in POINTS
        }
        reading = TypedReading(range=key, **read)
        try:
            readings_of([reading], product, settings.meters, at_s=0.0)
        except TypedError as exc:
            dialogue.say(str(exc))
            todo.insert(0, key)
            continue
        readings[key] = reading
        if not todo:
            if not dialogue.goes_on:
                tell(_as_typed(list(readings.values()), product, settings))
            again = _range_to_correct(dialogue, product, list(readings))
            todo = [again] if again else []
    return list(readings.values())


def _quantity(
    dialogue: Dialogue,
    settings: Settings,
    product: ProductModel,
    key: str,
    name: str,
) -> float | None:
    default, why = POINTS[name]
    unit = Unit(
        settings.product.input_unit
        if name.startswith("reference")
        else settings.product.output_unit
    )

    def read(text: str) -> float | None:
        if text == default == NOT_READ:
            return None
        return typed_value(settings, product, key, name, text)

    return dialogue.put(
        asked_of(settings, key, name),
        read,
        why=why.format(spell(_about(product, settings, key, name), unit)),
        default=default,
    )


def _about(product: ProductModel, settings: Settings, key: str, name: str) -> float:
    """Return about what a meter shows at a range's level, as an example."""
    level = settings.plan.reading.of(key).level_of_full_scale
    value = level * settings.product.ranges[key].full_scale
    if name.startswith("output"):
        value *= product.range(key).nominal_transfer
    return float(f"{value:.4g}")


def _typed_checks(
    dialogue: Dialogue, settings: Settings, ranges: Sequence[str]
) -> list[dict[str, Any]]:
    """Ask for the checks beside the range errors."""
    return [
        {
            "name": name,
            "value": dialogue.put(
                question(
                    name,
                    check,
                    check.range and settings.product.ranges[check.range].title,
                ),
                partial(answered, name, check),
                why="plan.toml asks for it beside the ranges. Write what you read "
                "or see.",
            ),
        }
        for name, check in asked(
            settings.plan.checks, typed=True, ranges=ranges
        ).items()
    ]


def _range_to_correct(
    dialogue: Dialogue, product: ProductModel, ranges: Sequence[str]
) -> str:
    """Ask for a range by its key or its title; nothing keeps all."""
    titles = {product.range(key).title: key for key in ranges}
    named = {
        _plain(name): key
        for name, key in [*titles.items(), *((key, key) for key in ranges)]
    }

    def read(text: str) -> str:
        told = _plain(text)
        if told and told not in named:
            message = f"{text!r}: must be one of {', '.join(titles)}, or nothing"
            raise ValueError(message)
        return named[told] if told else ""

    return dialogue.put(
        "Range to correct, or Enter to keep them",
        read,
        why="Look at the errors above. Name a range to read it again; Enter keeps all "
        "of them.",
        default="",
    )


def _plain(text: str) -> str:
    return text.replace(" ", "").replace("\N{MICRO SIGN}", "u").casefold()


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
