"""Where everything is, who must be told, and how a customer corrects."""

from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

import click

from config import write_whole
from daemon.commands.opened import Opened, opened
from daemon.commands.options import by_person, documents_folder, into_folder
from daemon.commands.showing import (
    Headline,
    Part,
    Shown,
    Table,
    listed,
    misuse,
    say,
    shown,
)
from daemon.judging import ProductModel
from daemon.metrology import correction
from daemon.presentation import capital, figures
from daemon.traceability import (
    CLEAR,
    Containment,
    Records,
    cards,
    contain as contained,
    note as noted,
    page,
    records_about,
    require_listed,
    table,
    trace as traced,
)
from storage import Step, StorageError


class UnmeasuredError(StorageError):
    """A unit of which nothing is known."""

    def __init__(self, serial: str) -> None:
        super().__init__(f"unit {serial} was never measured")


def records_of(at: Opened, *about: str) -> Records:
    """Ask the Store for units, reels and moves; about what is named, else all."""
    return Records.of(
        at.store, at.product, at.settings.product.ranges, about=about or None
    )


@click.command()
@click.argument("subject", metavar="SERIAL|REEL|BUILD")
@shown
def trace(subject: str) -> Shown:
    """Follow a unit, a reel or a build both ways.

    It goes from reel to part, build, serial and shipment, and back.
    """
    with opened() as at:
        titles = {key: one.title for key, one in at.settings.product.ranges.items()}
        found = traced(records_of(at, subject), subject, titles, with_errors=True)
    return Shown(asdict(found), Headline(found.headline), *found.lines)


@click.command()
@click.argument("subject", metavar="FINDING|REEL")
@click.option(
    "--write", is_flag=True,
    help="Write the lists (CSV, and a page to print) and customers' cards.",
)  # fmt: skip
@into_folder("Folder for them. Left out: documents, beside the settings.", default=None)
@click.option(
    "--step", type=click.Choice([one.value for one in Step]),
    help="Note for --unit how far it is.",
)  # fmt: skip
@click.option(
    "--unit",
    "units",
    multiple=True,
    help="Which unit --step is noted for; may be given again.",
)
@click.option("--note", default="", help="A note to keep with --step.")
@by_person("Who notes it; needed with --step.", required=False)
@shown
def contain(
    *,
    subject: str,
    write: bool,
    into: Path | None,
    step: str | None,
    units: tuple[str, ...],
    note: str,
    person: str | None,
) -> Shown:
    """List every unit that a finding concerns.

    A reel may be named too. What to do with each unit is said.
    """
    if (step is None) != (not units) or (step is not None and person is None):
        misuse("--step goes with --unit and --person")
    with opened() as at:
        if step is not None and person is not None:
            require_listed(person, at.settings.plan.people)
            for serial in units:
                noted(at.store, at.product, subject, serial, Step(step), person, note)
        records = records_about(
            at.store, at.product, at.settings.product.ranges, subject
        )
        found = contained(
            at.store, records, subject, ProductModel.of(at.settings.product)
        )
    if write or into is not None:
        for path in write_lists(found, into or documents_folder()):
            say(f"{path.name} is written to {path.parent.resolve()}.")
    return Shown(
        {"headline": found.headline(), "units": [u.row() for u in found.units]},
        *_parts(found),
    )


def write_lists(found: Containment, folder: Path) -> list[Path]:
    """Write the lists and cards; return the files."""
    folder.mkdir(parents=True, exist_ok=True)
    made = []
    for name, text in (
        ("containment.csv", table(found)),
        ("containment.html", page(found)),
        ("cards.csv", cards(found)),
    ):
        made.append(write_whole(folder / name, text, for_all=True))
    return made


def _parts(found: Containment) -> Iterator[Part]:
    yield Headline(found.headline())
    yield from found.lines()
    for name, units in found.listed().items():
        if name == CLEAR:
            continue
        yield Headline(f"\n{capital(name)}: {len(units)}")
        yield Table(
            [one.said() for one in units],
            {
                "unit": "serial", "order": "destination",
                "has such a part": "probability", "error is": "basis",
                "error": "error_ppm", "from": "low_ppm", "to (95 %)": "high_ppm",
                "outside its limit": "nonconforming", "what to do": "todo",
                "done": "step",
            },
        )  # fmt: skip
    yield f"\nNot concerned: {found.clear}"


@click.command()
@click.argument("serial")
@shown
def card(serial: str) -> Shown:
    """Give a unit's correction factors.

    A customer multiplies each range's readings by its factor, 1/(1+e).
    """
    with opened() as at:
        records = records_of(at, serial)
        records.unit(serial)
        rows: list[dict[str, object]] = []
        for key, one in records.errors_of(serial).items():
            title = at.settings.product.ranges[key].title
            if one.only_compared:
                say(
                    f"Range {title} has no factor: it was only compared with a "
                    "known-good unit, so its error is not known."
                )
                rows.append(
                    {
                        "range": title, "error_ppm": None, "error": "", "factor": "",
                        "expanded": "",
                    }
                )  # fmt: skip
                continue
            made = correction(one.error_ppm, one.uncertainty_ppm)
            rows.append(
                {
                    "range": title,
                    "error_ppm": round(one.error_ppm),
                    "error": figures.measured(
                        one.error_ppm,
                        figures.COVERAGE * one.uncertainty_ppm,
                        one.limit_ppm,
                    ),
                    "factor": figures.known(made.factor, made.expanded),
                    "expanded": figures.known(made.expanded, made.expanded),
                }
            )
    if not rows:
        raise UnmeasuredError(serial)
    return listed(rows, {
        "range": "range", "error": "error", "multiply by": "factor",
        "\N{PLUS-MINUS SIGN} (k = 2)": "expanded",
    })  # fmt: skip
