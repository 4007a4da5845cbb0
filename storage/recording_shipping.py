"""How shipments, returns, rework and the steps of a containment are kept."""

import json
from collections.abc import Sequence

from storage import shipping
from storage.door import Cell, cells
from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.recording import decide, require_decided
from storage.records import Decision, Unit
from storage.records_shipping import (
    ContainmentStep,
    PastShipment,
    ReelReceipt,
    Rework,
    ReworkKind,
    Shipment,
    ShipRule,
    UnitReturn,
)
from storage.tables import Reference, Transaction, compare, find, insert, keep, require

_NEEDED = {
    ReworkKind.REPLACE: ("part", "reel"),
    ReworkKind.REGRADE: ("range", "limit_ppm"),
    ReworkKind.TRIM: ("range", "part", "trim_kind", "trim_ohm"),
}


def add_units(transaction: Transaction, units: Sequence[Unit]) -> None:
    """Keep the serials of boards that are yet to be measured."""
    for unit in units:
        row = cells(unit)
        require(transaction, [Reference(kind="product", key=unit.product)])
        build = find(transaction, "build", {"build": unit.build})
        if build is None:
            raise NotFoundError(kind="build", key=unit.build)
        compare("build", unit.build, build, {"product": unit.product})
        keep(transaction, "unit", row, key=("serial",))


def ship(
    transaction: Transaction, shipment: Shipment, rule: ShipRule, decision: Decision
) -> list[str]:
    """Keep that a unit left, unless something is against it; return what is.

    An override is kept together with every reason that it overrides.
    """
    _same_person("shipment", shipment.shipment, shipment.person, decision)
    row = cells(shipment)
    before = find(transaction, "shipment", {"shipment": shipment.shipment})
    if before is not None:
        compare("shipment", shipment.shipment, before, row)
        require_decided(transaction, "shipment", shipment.shipment, decision)
        return []
    if not shipment.destination.strip():
        raise RefusedValueError(
            what="shipment.destination",
            value=repr(shipment.destination),
            allowed="must name an order",
        )
    reasons = shipping.against(transaction, shipment.serial, shipment.product, rule)
    final = [one for one in reasons if one in shipping.FINAL]
    if final or (reasons and shipment.override_reason is None):
        return reasons
    insert(transaction, "shipment", [{**row, "against": json.dumps(reasons)}])
    decide(transaction, decision)
    return []


def take_back(transaction: Transaction, back: UnitReturn, decision: Decision) -> None:
    """Keep that a shipped unit came back."""
    _same_person("return", back.unit_return, back.person, decision)
    row = cells(back)
    named: dict[str, Cell] = {"serial": back.serial, "product": back.product}
    there = find(transaction, "unit_return", {"unit_return": back.unit_return})
    if there is None:
        moves = transaction.ask(
            "select (select count(*) from shipment "
            "where serial = $serial and product = $product) "
            "- (select count(*) from unit_return "
            "where serial = $serial and product = $product) as away",
            named,
        )
        if not moves or int(str(moves[0]["away"])) < 1:
            raise ConflictError(
                kind="unit", key=back.serial, detail="in the house, it never left"
            )
    _kept(transaction, "unit_return", row, decision)


def record_rework(transaction: Transaction, rework: Rework, decision: Decision) -> None:
    """Keep what was done to a unit."""
    _same_person("rework", rework.rework, rework.person, decision)
    row = cells(rework)
    for name in _NEEDED[rework.kind]:
        if row[name] is None:
            raise RefusedValueError(
                what=f"rework.{name}",
                value=None,
                allowed=f"a {rework.kind.value} must name it",
            )
    require(
        transaction,
        [
            Reference(kind="product", key=rework.product),
            Reference(kind="unit", key=rework.serial, column="serial"),
            Reference(kind="reel", key=rework.reel),
        ],
    )
    _kept(transaction, "rework", row, decision)


def note_step(
    transaction: Transaction, step: ContainmentStep, decision: Decision
) -> None:
    """Keep how far a unit of a containment is."""
    _same_person("step", step.containment_step, step.person, decision)
    row = cells(step)
    known = [
        Reference(kind="product", key=step.product),
        Reference(kind="unit", key=step.serial, column="serial"),
    ]
    if find(transaction, "signal", {"signal": step.subject}) is None:
        known.append(Reference(kind="reel", key=step.subject))
    require(transaction, known)
    _kept(transaction, "containment_step", row, decision)


def add_past_shipment(
    transaction: Transaction, past: PastShipment, decision: Decision
) -> None:
    """Keep how many units without serials left on a day."""
    _same_person("past shipment", past.past_shipment, past.person, decision)
    row = cells(past)
    if past.units < 1:
        raise RefusedValueError(
            what="past shipment.units", value=past.units, allowed="must be 1 or more"
        )
    require(
        transaction,
        [
            Reference(kind="product", key=past.product),
            Reference(kind="build", key=past.build),
        ],
    )
    _kept(transaction, "past_shipment", row, decision)


def add_receipt(transaction: Transaction, receipt: ReelReceipt) -> None:
    """Keep what came with a reel."""
    row = cells(receipt)
    if receipt.quantity < 1:
        raise RefusedValueError(
            what="reel receipt.quantity",
            value=receipt.quantity,
            allowed="must be 1 or more",
        )
    require(transaction, [Reference(kind="reel", key=receipt.reel)])
    keep(transaction, "reel_receipt", row, key=("reel",))


def _kept(
    transaction: Transaction,
    table: str,
    row: dict[str, Cell],
    decision: Decision,
) -> None:
    """Keep a decided row once, with its line in the ledger."""
    if keep(transaction, table, row):
        decide(transaction, decision)
    else:
        require_decided(transaction, table.replace("_", " "), str(row[table]), decision)


def _same_person(kind: str, key: str, person: str, decision: Decision) -> None:
    if person != decision.person:
        raise RefusedValueError(
            what=f"person of {kind} {key!r}",
            value=person,
            allowed=f"must be who decided it, {decision.person}",
        )
