"""How a row that was recorded by mistake is put right, in the transaction that says so.

The row as it was is kept with the amendment, and the ledger names who decided it.
"""

import json
from collections.abc import Mapping
from dataclasses import fields
from datetime import UTC, datetime

from storage.answers import HoldState
from storage.door import Cell, cell, require_id
from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.every_record import RECORDS
from storage.holding import is_carried, keeping
from storage.kept import words
from storage.records_amending import Amended, Amendment
from storage.records_line import LineBench, LineMark, LinePiece, LineSegment
from storage.tables import Reference, Transaction, find, insert, require

_LINE = (LineMark, LineSegment, LinePiece, LineBench)
_OF_SERIAL = ("unit", "run", "range_result", "check_result", "cross_check")
_DECIDED_ON = ("shipment", "unit_return", "rework", "containment_step")
"""Where a person decided by the serial, and the ledger says so."""
_OF_BUILD = ("unit", "run", "range_result", "check_result")
NOTHING = "{}"
"""The row before of what came with a reel, where nothing was recorded of it."""
_WATCHED = (Amended.UNIT, Amended.FITTING)
"""What the line of the product is worked out from."""


def row_text(row: Mapping[str, object]) -> str:
    """Return a row as JSON, times in UTC.

    >>> row_text({"reel": "K-1", "quantity": 5})
    '{"quantity": 5, "reel": "K-1"}'
    """
    return json.dumps(
        {
            name: value.astimezone(UTC).isoformat()
            if isinstance(value, datetime)
            else value
            for name, value in row.items()
        },
        sort_keys=True,
        ensure_ascii=False,
    )


def amend(transaction: Transaction, amendment: Amendment) -> dict[str, Cell]:
    """Put a row right, unless that was done by the same amendment before.

    Returns the whole row as it was.

    Raises
    ------
    NotFoundError
        The row is not recorded.
    ConflictError
        It says something else by now, or what it is to say is another row's.
    RefusedValueError
        A hold, open or ended in scrap or rework, would no longer stand on a unit.
    """
    same = find(transaction, "amendment", {"amendment": amendment.amendment})
    if same is not None:
        return {"before": str(same["before"])}
    kind, product = Amended(amendment.kind), amendment.product
    table = kind.value
    key = RECORDS[table].kept.key[0]
    row = find(transaction, table, {key: amendment.subject})
    if row is None and kind is Amended.REEL_RECEIPT and amendment.before == NOTHING:
        _receive(transaction, amendment)
        return {"before": NOTHING}
    if row is None or row.get("product", product) != product:
        raise NotFoundError(kind=table, key=amendment.subject)
    named = [one.name for one in fields(RECORDS[table])]  # type: ignore[arg-type]
    if row_text({name: row[name] for name in named}) != amendment.before:
        raise ConflictError(
            kind=table,
            key=amendment.subject,
            detail="somebody corrected it meanwhile; look at it again",
        )
    after = None if amendment.after is None else json.loads(amendment.after)
    builds = {str(one["build"]) for one in (row, after or {}) if one.get("build")}
    held = keeping(transaction, product, builds) if kind in _WATCHED else {}
    if after is None:
        if kind is Amended.FITTING and is_carried(
            transaction, product, amendment.subject
        ):
            _require_free(transaction, product, str(row["reel"]))
        if kind is Amended.SHIPMENT:
            _require_away(transaction, row)
        transaction.run(
            f"delete from {table} where {key} = $key",  # noqa: S608 -- our own names
            {"key": amendment.subject},
        )
    elif kind is Amended.UNIT:
        _unit(transaction, amendment, after)
    else:
        changed = {name: now for name, (_, now) in amendment.changed().items()}
        sets = ", ".join(f"{name} = ${name}" for name in changed)
        transaction.run(
            f"update {table} set {sets} where {key} = $key",  # noqa: S608
            {"key": amendment.subject}
            | {name: _cell(name, value) for name, value in changed.items()},
        )
    if kind in _WATCHED:
        renamed = {amendment.subject: str(after["serial"])} if after else {}
        _require_held_as_before(held, keeping(transaction, product, builds), renamed)
        for one in _LINE:
            transaction.run(
                f"delete from {one.kept.table} where product = $product",  # noqa: S608
                {"product": product},
            )
    # What the store itself had filled in is kept too.
    return {"before": row_text(row)}


def _cell(name: str, value: object) -> Cell:
    """Return a corrected value as its column holds it."""
    if name in {"received_at", "claim_until"} and isinstance(value, str):
        value = datetime.fromisoformat(value)
    if name in {"nominal_ohm", "tolerance_ppm"} and not (
        isinstance(value, int | float) and value > 0
    ):
        raise RefusedValueError(what=name, value=value, allowed="must be > 0")
    if name in {"planned_units", "quantity"} and not (
        isinstance(value, int) and value > 0
    ):
        raise RefusedValueError(what=name, value=value, allowed="must be 1 or more")
    return cell(name, value)


def _receive(transaction: Transaction, amendment: Amendment) -> None:
    """Record what came with a reel of which nothing was recorded so far."""
    given = {name: _cell(name, now) for name, (_, now) in amendment.changed().items()}
    if "quantity" not in given:
        raise RefusedValueError(
            what="quantity", value=None, allowed="must say how many parts came with it"
        )
    require(transaction, [Reference(kind="reel", key=amendment.subject)])
    insert(transaction, "reel_receipt", [{"reel": amendment.subject, **given}])


def _require_away(transaction: Transaction, row: Mapping[str, object]) -> None:
    """Refuse to take a shipment back of a unit that came back or left again since."""
    given = {
        "serial": cell("serial", row["serial"]),
        "shipped_at": cell("shipped_at", row["shipped_at"]),
    }
    later = transaction.ask(
        "select 1 as later from unit_return "
        "where serial = $serial and returned_at >= $shipped_at "
        "union all select 1 from shipment "
        "where serial = $serial and shipped_at > $shipped_at",
        given,
    )
    if later:
        raise ConflictError(
            kind="shipment",
            key=str(row["serial"]),
            detail="the unit came back or left again since; it is history",
        )


def _unit(
    transaction: Transaction, amendment: Amendment, after: Mapping[str, object]
) -> None:
    """Give a unit its right serial, or its right build, in every row that names it."""
    old, new = amendment.subject, str(after["serial"])
    build = str(after["build"])
    found = find(transaction, "build", {"build": build})
    if found is None or found["product"] != amendment.product:
        raise NotFoundError(kind="build", key=build)
    if new != old:
        require_id("serial", new)
        taken = find(transaction, "unit", {"serial": new})
        if taken is not None:
            raise ConflictError(
                kind="serial", key=new, detail=f"of a unit of build {taken['build']}"
            )
        if find(transaction, "build", {"build": new}) is not None:
            raise ConflictError(kind="serial", key=new, detail="the name of a build")
    for table in _DECIDED_ON:
        if find(transaction, table, {"serial": old}) is not None:
            raise ConflictError(
                kind="unit",
                key=old,
                detail=f"in the {words(RECORDS[table])} records by this serial; it can "
                "be corrected only before that",
            )
    for table in _OF_BUILD:
        transaction.run(
            f"update {table} set build = $build where serial = $old",  # noqa: S608
            {"build": build, "old": old},
        )
    given = {"old": old, "new": new}
    for table in _OF_SERIAL:
        transaction.run(
            f"update {table} set serial = $new where serial = $old",  # noqa: S608
            given,
        )
    for table, column in (
        ("fitting", "from_serial"),
        ("signal", "first_serial"),
        ("signal", "raised_serial"),
    ):
        transaction.run(
            f"update {table} set {column} = $new where {column} = $old",  # noqa: S608
            given,
        )
    transaction.run(
        "update hold set subject = $new where scope = 'unit' and subject = $old", given
    )


def _require_free(transaction: Transaction, product: str, reel: str) -> None:
    """Refuse to take back by what a unit has parts of a reel that is held."""
    for one in transaction.ask(
        "select hold from open_hold "
        "where product = $product and scope = 'reel' and subject = $reel",
        {"product": product, "reel": reel},
    ):
        raise RefusedValueError(
            what="reel",
            value=reel,
            allowed=f"hold {one['hold']} stands on it; end the hold first",
        )


def _require_held_as_before(
    before: Mapping[str, Mapping[str, HoldState]],
    after: Mapping[str, Mapping[str, HoldState]],
    renamed: Mapping[str, str],
) -> None:
    """Refuse what would take any unit out of a hold: a person ends it, by name."""
    for serial, holds in before.items():
        still = after.get(renamed.get(serial, serial), {})
        for one in holds.values():
            if one.hold in still:
                continue
            why = (
                "would not stand on it any more; end the hold first"
                if one.disposal is None
                else f"ended in {one.disposal}, which must stay so for this unit"
            )
            raise RefusedValueError(
                what="unit",
                value=serial,
                allowed=f"hold {one.hold} ({one.scope} {one.subject}) {why}",
            )
