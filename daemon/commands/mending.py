"""Mistakes are mended: what was recorded wrong, by a named person and with the reason.

What a row said before is kept, and each correction is a line in the ledger.
"""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

import click

from config import Unit as Quantity, parse
from daemon.commands.opened import Opened, opened
from daemon.commands.options import DAY, by_person
from daemon.commands.showing import Shown, listed, misuse, say, shown
from daemon.presentation import shown_value
from daemon.traceability import correct, reel_changes
from storage import (
    Amended,
    Fitting,
    NotFoundError,
    Reel,
    ReelReceipt,
    ShipmentState,
    meant,
)

REASON = click.option("--reason", required=True, help="Why it is corrected.")
UNCHANGED = "nothing is to be corrected: name what is to be otherwise"


@click.command("list")
@shown
def reel_list() -> Shown:
    """List reels, with what came with them."""
    with opened() as at:
        receipts = {one.reel: one for one in at.store.rows(ReelReceipt)}
        fitted: dict[str, list[str]] = {}
        for one in at.rows(Fitting):
            fitted.setdefault(one.reel, []).append(f"{one.part} of {one.build}")
        rows = [
            {
                "reel": one.reel,
                "nominal_ohm": one.nominal_ohm,
                "tolerance_ppm": one.tolerance_ppm,
                "supplier": one.supplier,
                "lot": one.lot_code,
                "received_at": one.received_at,
                "quantity": receipts[one.reel].quantity
                if one.reel in receipts
                else None,
                "fitted": fitted.get(one.reel, []),
            }
            for one in at.store.rows(Reel)
        ]
    return listed(
        rows,
        {
            "reel": "reel",
            "value": lambda one: shown_value("nominal_ohm", one["nominal_ohm"]),
            "tolerance": lambda one: shown_value("tolerance_ppm", one["tolerance_ppm"]),
            "supplier": "supplier",
            "lot": "lot",
            "came in": ("received_at", "%Y-%m-%d"),
            "parts": "quantity",
            "carried by": lambda one: ", ".join(one["fitted"]) or None,
        },
        nothing="No reel is recorded.",
    )


@click.command("edit")
@click.argument("name", metavar="REEL")
@click.option("--nominal", help="For example 4k99 or 10k.")
@click.option("--tolerance", help="For example 0.1%.")
@click.option("--supplier", help="Who sold it.")
@click.option("--lot", "lot_code", help="The supplier's lot code.")
@click.option("--received", type=DAY, help="Day it came in.")
@click.option("--quantity", type=click.IntRange(min=1), help="How many parts came.")
@click.option("--marking", help="What is printed on the parts.")
@click.option("--date-code", help="When the parts were made, as printed.")
@click.option("--invoice", help="Its number.")
@click.option("--claim-until", type=DAY, help="Last day of a claim.")
@by_person()
@REASON
def reel_edit(name: str, person: str, reason: str, **given: Any) -> None:
    """Correct what is recorded of a reel.

    Name what is to be otherwise. What was recorded before is kept.
    """
    says: dict[str, object] = {
        column: value for column, value in given.items() if value is not None
    }
    if not says:
        misuse(UNCHANGED)
    for column, unit in (("nominal", Quantity.OHM), ("tolerance", Quantity.PPM)):
        if column in says:
            value = parse(str(says.pop(column)), unit)
            says["nominal_ohm" if unit is Quantity.OHM else "tolerance_ppm"] = value
    if isinstance(day := says.pop("received", None), datetime):
        says["received_at"] = day.replace(tzinfo=UTC)
    if isinstance(day := says.get("claim_until"), datetime):
        says["claim_until"] = day.replace(tzinfo=UTC)
    with opened() as at:
        name = _whole(name, [one.reel for one in at.store.rows(Reel)])
        _corrected(at, name, reel_changes(at.store, name, says), person, reason)


def _whole(given: str, known: Iterable[str]) -> str:
    """Return the reel of a name, case apart: what only begins so is another's."""
    alike = {one for one in known if one.casefold() == given.casefold()}
    if not alike:
        raise NotFoundError(kind="reel", key=given)
    return meant(given, sorted(alike), kind="reel")


@click.command("edit")
@click.argument("name", metavar="BUILD")
@click.option("--units", type=click.IntRange(min=1), help="How many are planned.")
@by_person()
@REASON
def build_edit(name: str, units: int | None, person: str, reason: str) -> None:
    """Correct the planned units of a build."""
    if units is None:
        misuse(UNCHANGED)
    with opened() as at:
        says = {"planned_units": units}
        _corrected(at, name, {Amended.BUILD: says}, person, reason)


@click.command("edit")
@click.argument("serial")
@click.option("--serial", "right", help="The right serial.")
@click.option("--build", help="The right build.")
@by_person()
@REASON
def unit_edit(
    serial: str, right: str | None, build: str | None, person: str, reason: str
) -> None:
    """Correct a serial, or the build of a unit.

    All that was measured of the unit goes with it. The product is looked through again
    at the next measurement.
    """
    says: dict[str, object] = {}
    if right is not None:
        says["serial"] = right
    if build is not None:
        says["build"] = build
    if not says:
        misuse(UNCHANGED)
    with opened() as at:
        _corrected(at, serial, {Amended.UNIT: says}, person, reason)


@click.command("list")
@click.option("--build", help="Show this build alone.")
@shown
def fitting_list(build: str | None) -> Shown:
    """List which reel each part comes from.

    It says since which unit.
    """
    with opened() as at:
        rows = [one for one in at.rows(Fitting) if build in {None, one.build}]
    return listed(
        rows,
        {
            "fitting": "fitting",
            "build": "build",
            "part": "part",
            "reel": "reel",
            "from": lambda one: one.from_serial or "the first unit",
            "recorded for": ("fitted_at", "%Y-%m-%d"),
        },
        nothing="No reel feeds a part.",
    )


@click.command("undo")
@click.argument("name", metavar="FITTING")
@by_person()
@REASON
def fitting_undo(name: str, person: str, reason: str) -> None:
    """Take back which part a reel feeds.

    It is for what was recorded by mistake. FITTING is its id in `holdpoint fitting
    list`, or as much of it as tells it apart.
    Record the right one with `holdpoint reel fit`.
    """
    with opened() as at:
        known = {one.fitting: one for one in at.rows(Fitting)}
        name = meant(name, known, kind="fitting")
        _corrected(at, name, {Amended.FITTING: None}, person, reason)
        one = known[name]
    say(
        f"Part {one.part} of build {one.build} does not come from reel {one.reel} any "
        "more. The product is looked through again at the next measurement."
    )


@click.command("list")
@shown
def shipment_list() -> Shown:
    """List units that left, the latest first."""
    with opened() as at:
        rows = at.rows(ShipmentState)
    return listed(
        sorted(rows, key=lambda one: one.shipped_at, reverse=True),
        {
            "unit": "serial",
            "order": "destination",
            "left": ("shipped_at", "%Y-%m-%d"),
            "person": "person",
            "override": "override_reason",
            "came back": ("returned_at", "%Y-%m-%d"),
        },
        nothing="No unit has left.",
    )


@click.command("undo")
@click.argument("serial")
@by_person()
@REASON
def shipment_undo(serial: str, person: str, reason: str) -> None:
    """Take back that a unit left.

    It is for a unit that never did. One that left and came back is recorded with
    `holdpoint return` instead.
    """
    with opened() as at:
        left = [one for one in at.rows(ShipmentState) if one.serial == serial]
        if not left:
            raise NotFoundError(kind="shipment of unit", key=serial)
        last = max(left, key=lambda one: one.shipped_at)
        _corrected(at, last.shipment, {Amended.SHIPMENT: None}, person, reason)
    say(
        f"Unit {serial} is in the house: its shipment for {last.destination} is undone."
    )


def _corrected(
    at: Opened,
    subject: str,
    changes: Mapping[Amended, Mapping[str, object] | None],
    person: str,
    reason: str,
) -> None:
    """Put rows right and say what changed."""
    for one in correct(
        at.store,
        at.product,
        subject,
        changes,
        person=person,
        reason=reason,
        people=at.settings.plan.people,
        at=datetime.now(UTC),
    ):
        say(f"{subject}: {one}.")
