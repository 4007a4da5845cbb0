"""What leaves, what comes back, where everything is, and who must be told."""

from collections.abc import Callable
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar
from uuid import uuid4

import click

from daemon.commands.manners import (
    FAILURE,
    Opened,
    as_json,
    as_table,
    expanded,
    opened,
    out,
    say,
)
from daemon.metrology.correction import correction
from daemon.whereabouts.containment import Containment
from daemon.whereabouts.containment import contain as contained
from daemon.whereabouts.sheets import cards, page, table
from daemon.whereabouts.shipping import BY_PLAN, Gate, orders_of, require_listed
from daemon.whereabouts.steps import note as noted
from daemon.whereabouts.tracing import Records
from daemon.whereabouts.tracing import trace as traced
from daemon.words import capital
from storage.errors import StorageError
from storage.records import Decision
from storage.records_shipping import PastShipment, Step, UnitReturn

Command = TypeVar("Command", bound=Callable[..., Any])
PERSON = "HOLDPOINT_PERSON"


def by_person(command: Command) -> Command:
    """Ask who decides; the environment may say it for a whole session."""
    return click.option(
        "--person",
        required=True,
        envvar=PERSON,
        show_envvar=True,
        help="Who decides; listed in plan.toml.",
    )(command)


def decision(person: str, action: str, subject: str, reason: str) -> Decision:
    """Return a line for the ledger, of now."""
    return Decision(
        person=person,
        action=action,
        subject=subject,
        reason=reason,
        decided_at=datetime.now(UTC),
    )


def records_of(at: Opened) -> Records:
    """Ask the Store for units, reels and moves."""
    return Records.of(at.store, at.product, at.settings.product.ranges)


@click.command()
@click.argument("serials", nargs=-1, callback=expanded)
@click.option("--to", "to", help="Reference of the order; no personal data.")
@by_person
@click.option("--reseller", is_flag=True, help="It goes to a reseller's shelf.")
@click.option("--override", help="Why it leaves all the same; shown for ever.")
@click.option(
    "--orders",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="A shop's list of orders, CSV with a row a unit.",
)
@click.option("--serial-column", default="serial", show_default=True)
@click.option("--order-column", default="order", show_default=True)
@click.option("--check", is_flag=True, help="Only say whether they may leave.")
@click.option("--past", type=click.IntRange(min=1), help="So many without serials.")
@click.option("--build", help="With --past: of which build.")
@click.option(
    "--on", type=click.DateTime(["%Y-%m-%d"]), help="With --past: on which day."
)
@click.pass_context
def ship(
    context: click.Context,
    *,
    serials: tuple[str, ...],
    to: str | None,
    person: str,
    reseller: bool,
    override: str | None,
    orders: Path | None,
    serial_column: str,
    order_column: str,
    check: bool,
    past: int | None,
    build: str | None,
    on: datetime | None,
) -> None:
    """Record that units leave, or say for each why it stays.

    SERIALS are single ones or a range such as PA-1001..PA-1030.

    What is held, not measured (fully, or as the sample plan in plan.toml allows), not
    conforming, or of a bench in doubt stays. The
    check and the record are one step: a hold placed meanwhile is heard.
    """
    if past is not None:
        if to is None or build is None or on is None or serials:
            message = "--past goes with --to, --build and --on, without serials"
            raise click.UsageError(message, context)
        _keep_past(context, past, build, on.replace(tzinfo=UTC), to, person)
        return
    if orders is None and to is None and not check:
        message = "say for which order with --to, or give a list with --orders"
        raise click.UsageError(message, context)
    wanted = [(serial, to or "") for serial in serials]
    if orders is not None:
        listed = orders_of(orders, serial=serial_column, order=order_column)
        wanted += [(one.serial, one.order) for one in listed]
    stayed = 0
    with opened(context) as at:
        gate = Gate(at.settings, at.store)
        for serial, order in wanted:
            if check:
                reasons = gate.against(serial)
            else:
                reasons = gate.ship(
                    serial,
                    to=order,
                    person=person,
                    at=datetime.now(UTC),
                    reseller=reseller,
                    override=override,
                )
            stayed += bool(reasons)
            by_plan = override is None and not reasons and gate.by_plan(serial)
            said = answer(reasons, left=not check, by_plan=by_plan)
            out().print(f"{serial}: {said}", markup=False)
    if stayed:
        context.exit(FAILURE)


def answer(reasons: list[str], *, left: bool, by_plan: bool = False) -> str:
    """Say whether a unit may leave, or every reason for which it stays.

    >>> answer([], left=False), answer(["it was never measured"], left=True)
    ('May leave.', 'Stays: it was never measured.')
    >>> answer([], left=True, by_plan=True)
    'Has left, measured by plan.'
    """
    if not reasons:
        how = f", {BY_PLAN}" if by_plan else ""
        return f"{'Has left' if left else 'May leave'}{how}."
    return f"Stays: {'; '.join(one.rstrip('.') for one in reasons)}."


def _keep_past(
    context: click.Context, units: int, build: str, on: datetime, to: str, person: str
) -> None:
    with opened(context) as at:
        require_listed(person, at.settings.plan.people)
        at.store.keep(
            PastShipment(
                past_shipment=uuid4().hex,
                product=at.product,
                build=build,
                units=units,
                destination=to,
                person=person,
                shipped_at=on,
            ),
            decision=Decision(
                person=person,
                action="note past shipment",
                subject=build,
                reason=f"{units} units for {to}",
                decided_at=on,
            ),
        )
    say(f"{units} units of build {build} left on {on:%Y-%m-%d}, without serials.")


@click.command("return")
@click.argument("serial")
@by_person
@click.option("--reason", required=True, help="Why it came back.")
@click.pass_context
def return_(context: click.Context, serial: str, person: str, reason: str) -> None:
    """Record that a unit came back; it is measured before it leaves again."""
    line = decision(person, "take back", serial, reason)
    with opened(context) as at:
        require_listed(person, at.settings.plan.people)
        at.store.keep(
            UnitReturn(
                unit_return=uuid4().hex,
                serial=serial,
                product=at.product,
                person=person,
                reason=reason,
                returned_at=line.decided_at,
            ),
            decision=line,
        )
    say(f"Unit {serial} is back in the house.")


@click.command()
@click.argument("subject", metavar="SERIAL|REEL|BUILD")
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def trace(context: click.Context, subject: str, json_: bool) -> None:
    """Follow reel, part, build, serial and shipment, both ways."""
    with opened(context) as at:
        found = traced(records_of(at), subject)
    if json_:
        as_json(asdict(found))
        return
    out().print(found.headline, style="bold", markup=False)
    for line in found.lines:
        out().print(line, markup=False)


@click.command()
@click.argument("subject", metavar="FINDING|REEL")
@click.option(
    "--out",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    help="Write the lists (CSV, and a page to print) and customers' cards here.",
)
@click.option(
    "--step",
    type=click.Choice([one.value for one in Step]),
    help="Note for --unit how far it is.",
)
@click.option("--unit", "units", multiple=True, help="With --step; may be given again.")
@click.option("--note", default="", help="With --step.")
@click.option("--person", envvar=PERSON, help="With --step: who says so.")
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def contain(
    context: click.Context,
    *,
    subject: str,
    folder: Path | None,
    step: str | None,
    units: tuple[str, ...],
    note: str,
    person: str | None,
    json_: bool,
) -> None:
    """List every serial that a finding or a reel concerns, and what to do with it."""
    if (step is None) != (not units) or (step is not None and person is None):
        message = "--step goes with --unit and --person"
        raise click.UsageError(message, context)
    with opened(context) as at:
        if step is not None and person is not None:
            require_listed(person, at.settings.plan.people)
            for serial in units:
                noted(at.store, at.product, subject, serial, Step(step), person, note)
        found = contained(at.store, records_of(at), subject)
    if folder is not None:
        for path in write(found, folder):
            say(f"Wrote {path}")
    if json_:
        as_json({"headline": found.headline(), "units": [u.row() for u in found.units]})
        return
    tell(found)


def write(found: Containment, folder: Path) -> list[Path]:
    """Write the lists and cards; return the files."""
    folder.mkdir(parents=True, exist_ok=True)
    made = []
    for name, text in (
        ("containment.csv", table(found)),
        ("containment.html", page(found)),
        ("cards.csv", cards(found)),
    ):
        path = folder / name
        path.write_text(text, encoding="utf-8", newline="")
        made.append(path)
    return made


def tell(found: Containment) -> None:
    """Print the lists."""
    out().print(found.headline(), style="bold", markup=False)
    for line in found.lines():
        out().print(line, markup=False)
    shown = {
        "serial": "unit",
        "destination": "order",
        "probability": "carries",
        "basis": "error",
        "error_ppm": "ppm",
        "low_ppm": "from",
        "high_ppm": "to",
        "nonconforming": "outside",
        "todo": "what to do",
        "step": "done",
    }
    for name, units in found.listed().items():
        if name == "not concerned":
            out().print(f"\nNot concerned: {len(units)}", markup=False)
            continue
        out().print(f"\n{capital(name)}: {len(units)}", style="bold")
        as_table([one.row() for one in units], shown)


@click.command()
@click.argument("serial")
@click.option("--json", "json_", is_flag=True, help="For a program.")
@click.pass_context
def card(context: click.Context, serial: str, json_: bool) -> None:
    """Say by what a customer multiplies each range's readings: 1/(1+e)."""
    with opened(context) as at:
        records = records_of(at)
        records.unit(serial)
        rows = []
        for key, one in records.errors_of(serial).items():
            made = correction(one.error_ppm, one.uncertainty_ppm)
            rows.append(
                {
                    "range": at.settings.product.ranges[key].title,
                    "error_ppm": round(one.error_ppm),
                    "factor": f"{made.factor:.6f}",
                    "expanded": f"{made.expanded:.6f}",
                }
            )
    if json_:
        as_json(rows)
        return
    if not rows:
        raise UnmeasuredError(serial)
    as_table(
        rows,
        {
            "range": "range",
            "error_ppm": "error, ppm",
            "factor": "multiply by",
            "expanded": "+/- (k = 2)",
        },
    )


class UnmeasuredError(StorageError):
    """A unit of which nothing is known."""

    def __init__(self, serial: str) -> None:
        super().__init__(f"unit {serial} was never measured")
