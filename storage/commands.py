"""What each command keeps, inside a transaction that somebody else holds open.

Every command is idempotent by id, checks what it names, and leaves the decision to
commit to its caller; none knows a database library.
"""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

from storage import ledger
from storage.amending import amend
from storage.door import Cell, cell, cells, require_id, table_of
from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.just_kept import JustKept
from storage.kept import Kept, Record
from storage.ledger import LedgerRow
from storage.records import (
    Build,
    Decision,
    Evaluation,
    Fitting,
    Hold,
    HoldEnd,
    Reel,
    Scope,
    Signal,
    Unit,
)
from storage.records_alerts import Alert, Delivery
from storage.records_amending import Amendment
from storage.records_gauge import GaugeStudy
from storage.records_line import (
    KeptLine,
    LineBench,
    LineMark,
    LinePiece,
    LineSegment,
)
from storage.records_shipping import UnitReturn
from storage.seals import seal, text_of
from storage.tables import (
    Reference,
    Transaction,
    compare,
    find,
    insert,
    keep_row,
    require,
)

_LINE = (LineMark, LineSegment, LinePiece, LineBench)
_NAMED = (Build, Reel, Unit, GaugeStudy)
"""What people name, and type again."""
_AT_ONCE = 20
"""Rows a statement: planning one of thousands takes seconds."""
PLACE_HOLD = "place hold"
"""Ledger action of a hold that watching the rows placed."""


def keep(
    transaction: Transaction, rows: Sequence[Record], decision: Decision | None
) -> list[Record]:
    """Keep rows that may be kept alone, in their order; return those that are new.

    A decision goes with one row that a person decides, or with several corrections.
    """
    decided = 0
    for one in rows:
        table_of(one)
        if one.kept.decided is not None:
            decided += 1
            if decision is None:
                raise RefusedValueError(
                    what=f"decision of {one.kept.decided.word} {_key(one)!r}",
                    value=None,
                    allowed="must come with it",
                )
    together = decided > 1 and all(isinstance(one, Amendment) for one in rows)
    if decision is not None and decided != 1 and not together:
        raise RefusedValueError(
            what="decision",
            value=decision.subject,
            allowed="goes with one row that a person decides",
        )
    new = [one for one in rows if keep_one(transaction, one, decision)]
    decide(transaction, [one for one in new if one.kept.decided], decision)
    return new


def keep_one(
    transaction: Transaction, row: Record, decision: Decision | None = None
) -> bool:
    """Keep one row as its record declares; return whether it is new.

    The line of a decision in the ledger is left to the caller, who knows all its rows.
    """
    kept = row.kept
    if decision is not None and kept.decided is not None:
        same_person(row, decision)
    columns = cells(row)
    row.check()
    if isinstance(row, _NAMED) and not _is_kept(transaction, row):
        require_id(row.kept.key[0], str(columns[row.kept.key[0]]))
    require(transaction, _references(kept, columns))
    for name, alike in kept.alike.items():
        target = str(kept.refers[name])
        table, column = target.partition(".")[0], target.partition(".")[2] or target
        named = find(transaction, table, {column: columns[name]}) or {}
        wanted = {one: columns[one] for one in alike}
        compare(table, str(columns[name]), named, wanted)
    rule = _RULES.get(type(row))
    filled = {} if rule is None else rule(transaction, row)
    new = keep_row(
        transaction,
        kept.table,
        {**columns, **filled},
        key=kept.key,
        unlike=(*kept.may_differ, *filled),
    )
    if decision is not None and kept.decided is not None and not new:
        require_same(transaction, row, decision)
    return new


def _is_kept(transaction: Transaction, row: Record) -> bool:
    """Whether there is a row of this key: what an earlier version kept may be odd."""
    columns = cells(row)
    key = {name: columns[name] for name in row.kept.key}
    return find(transaction, row.kept.table, key) is not None


# What was said stays as long as no later run was watched.
_TOLD = ("history", "worked_out_with", "ahead")
_WATCHED_TO = (
    "update watermark set number = greatest(number, $number), "  # noqa: S608
    + ", ".join(
        f"{told} = case when $number < number then {told} "
        f"when $number > number then cast(${told} as text) "
        f"else coalesce(cast(${told} as text), {told}) end"
        for told in _TOLD
    )
    + " where product = $product returning number"
)
# Where it is known to stand below; to tell of the row takes as long again.
_WATCHED_ON = """
update watermark set
    number = $number, history = $history, worked_out_with = $worked_out_with,
    ahead = $ahead
where product = $product
"""


def record_evaluation(
    transaction: Transaction, evaluation: Evaluation, known: JustKept | None = None
) -> None:
    """Keep signals, holds with ledger rows, messages, and how far it was watched.

    Parameters
    ----------
    known
        What need not be asked; added to.
    """
    known = JustKept() if known is None else known
    number = cell("evaluation.number", evaluation.number)
    if not known.has(evaluation.product, evaluation.number):
        named = [Reference(kind="product", key=evaluation.product)]
        if evaluation.number > 0:
            named.append(Reference(kind="run", key=evaluation.number, column="number"))
        require(transaction, named)
    found: tuple[Signal | Hold | Alert, ...]
    found = (*evaluation.signals, *evaluation.holds, *evaluation.alerts)
    for one in found:
        if one.product != evaluation.product:
            raise RefusedValueError(
                what=f"product of {one.kept.table} {getattr(one, one.kept.table)!r}",
                value=one.product,
                allowed=f"must be the evaluation's, {evaluation.product}",
            )
        if keep_one(transaction, one) and isinstance(one, Hold):
            decision = Decision(
                person=one.placed_by,
                action=PLACE_HOLD,
                subject=one.hold,
                reason=one.reason,
                decided_at=one.placed_at,
            )
            decide(transaction, [one], decision)
    for line in evaluation.lines:
        _keep_line(transaction, evaluation.product, line)
    mark = {
        "product": evaluation.product,
        "number": number,
        **{
            told: cell(f"evaluation.{told}", getattr(evaluation, told))
            for told in _TOLD
        },
    }
    stood = known.marks.get(evaluation.product)
    if stood is not None and stood < evaluation.number:
        transaction.run(_WATCHED_ON, mark)
        known.marks[evaluation.product] = evaluation.number
        return
    # At every unit: an insert that gives way to an update takes twice as long.
    if kept := transaction.ask(_WATCHED_TO, mark):
        known.marks[evaluation.product] = int(str(kept[0]["number"]))
    else:
        insert(transaction, "watermark", [mark])
        known.marks[evaluation.product] = evaluation.number


def _keep_line(transaction: Transaction, product: str, line: KeptLine) -> None:
    """Keep what was worked out at a mark; drop what is not so, or asked for no more."""
    new: tuple[LineMark | LineSegment | LinePiece | LineBench, ...]
    new = (line.mark, *line.segments, *line.pieces, *line.bench)
    for one in (*new, *line.dropped):
        if one.product != product:
            raise RefusedValueError(
                what=f"product of {one.kept.table}",
                value=one.product,
                allowed=f"must be the evaluation's, {product}",
            )
        if one in new and one.number <= line.after:
            raise RefusedValueError(
                what=f"{one.kept.table}.number",
                value=one.number,
                allowed=f"must be above what stays, {line.after}",
            )
    for kind in _LINE:
        transaction.run(
            f"delete from {kind.kept.table} "  # noqa: S608 -- our own names
            "where product = $product and number > $after",
            {"product": product, "after": cell("line.after", line.after)},
        )
        rows = [cells(one) for one in new if isinstance(one, kind)]
        for first in range(0, len(rows), _AT_ONCE):
            insert(transaction, kind.kept.table, rows[first : first + _AT_ONCE])
    for mark in line.dropped:
        transaction.run(
            "delete from line_mark where product = $product and number = $number",
            {"product": product, "number": mark.number},
        )
    # A segment as it was is asked for by the marks before it was another.
    for old in transaction.ask(
        "delete from line_segment as old where old.product = $product and exists ("
        "select 1 from line_segment as new where new.product = $product "
        "and new.segment = old.segment and new.number > old.number "
        "and not exists (select 1 from line_mark where line_mark.product = $product "
        "and line_mark.number >= old.number and line_mark.number < new.number)) "
        "returning segment, number",
        {"product": product},
    ):
        transaction.run(
            "delete from line_piece where product = $product "
            "and segment = $segment and number = $number",
            {
                "product": product,
                "segment": cell("segment", old["segment"]),
                "number": cell("number", old["number"]),
            },
        )


def note_delivery(
    transaction: Transaction, delivery: Delivery, alerts: Sequence[Alert]
) -> None:
    """Keep how far a delivery is, and what follows from it; arrived stays arrived."""
    row = cells(delivery)
    delivery.check()
    require(transaction, _references(delivery.kept, row))
    changes = ", ".join(
        f"{name} = excluded.{name}" for name in row if name not in delivery.kept.key
    )
    transaction.run(
        f"insert into delivery ({', '.join(row)}) "  # noqa: S608 -- our own names
        f"values ({', '.join(f'${name}' for name in row)}) "
        f"on conflict (alert, target) do update set {changes} "
        "where delivery.delivered_at is null",
        row,
    )
    keep(transaction, alerts, None)


def note_job(transaction: Transaction, job: str, succeeded_at: datetime) -> None:
    """Keep the latest success of a job."""
    transaction.run(
        "insert into job (job, succeeded_at) values ($job, $succeeded_at) "
        "on conflict (job) do update set "
        "succeeded_at = greatest(job.succeeded_at, excluded.succeeded_at)",
        {
            "job": cell("job", job),
            "succeeded_at": cell("succeeded_at", succeeded_at),
        },
    )


def same_person(row: Record, decision: Decision) -> None:
    """Refuse a row whose person is not who decided it."""
    duty = row.kept.decided
    person = None if duty is None else getattr(row, duty.by)
    if duty is not None and person != decision.person:
        raise RefusedValueError(
            what=f"{duty.said} {_key(row)!r}",
            value=person,
            allowed=f"must be who decided it, {decision.person}",
        )


def require_same(transaction: Transaction, row: Record, decision: Decision) -> None:
    """Refuse a row that is kept already, with another decision.

    Raises
    ------
    ConflictError
        When it is.
    """
    if find(transaction, "decision", cells(decision)) is None:
        duty = row.kept.decided
        raise ConflictError(
            kind=row.kept.table if duty is None else duty.word,
            key=_key(row),
            detail="with another decision in the ledger",
        )


def decide(
    transaction: Transaction, rows: Sequence[Record], decision: Decision | None
) -> None:
    """Add a line to the ledger, chained to the last, that seals new rows; once for all.

    The rows are read back: what is sealed is what is kept.
    """
    if decision is None or not rows:
        return
    cells(decision)
    sealed = [(one.kept.table, _key(one), _kept_text(transaction, one)) for one in rows]
    seals = text_of((table, key, seal(text)) for table, key, text in sealed)
    last = transaction.ask("select * from decision order by seq desc limit 1", {})
    after = LedgerRow(**last[0]) if last else None  # type: ignore[arg-type]
    insert(transaction, "decision", [cells(ledger.chain(decision, after, seals))])


def _kept_text(transaction: Transaction, row: Record) -> str:
    """Return a row as it is kept, as the query `decided_rows` gives it."""
    table, (key,) = row.kept.table, row.kept.key
    (found,) = transaction.ask(
        f"select cast(to_json(one) as text) as kept_row from {table} as one "  # noqa: S608
        f"where {key} = $key",
        {"key": _key(row)},
    )
    return str(found["kept_row"])


def _key(row: Record) -> str:
    return "/".join(str(getattr(row, name)) for name in row.kept.key)


def _references(kept: Kept, columns: Mapping[str, Cell]) -> list[Reference]:
    return [
        Reference(
            kind=target.partition(".")[0],
            key=columns[name],
            column=target.partition(".")[2] or None,
            place=place,
        )
        for place, (name, targets) in enumerate(kept.refers.items())
        for target in ((targets,) if isinstance(targets, str) else targets)
    ]


# What a declaration cannot say: rules on what is recorded beside a row. Each returns
# the columns that the store itself fills in.


def _fitting(transaction: Transaction, fitting: Fitting) -> dict[str, Cell]:
    """Its first serial may be one that is yet to be measured."""
    for reel in transaction.ask(
        "select received_at from reel where reel = $reel and received_at > $fitted_at",
        {"reel": fitting.reel, "fitted_at": cells(fitting)["fitted_at"]},
    ):
        raise RefusedValueError(
            what="fitting.fitted_at",
            value=f"{fitting.fitted_at:%Y-%m-%d %H:%M}",
            allowed=f"must not be before reel {fitting.reel} was received, "
            f"{reel['received_at']:%Y-%m-%d %H:%M}",
        )
    if fitting.from_serial is not None:
        unit = find(transaction, "unit", {"serial": fitting.from_serial})
        if unit is not None:
            compare("unit", fitting.from_serial, unit, {"build": fitting.build})
    return _placed(transaction, fitting.product)


def _signal(transaction: Transaction, signal: Signal) -> dict[str, Cell]:
    for serial in (signal.first_serial, signal.raised_serial):
        measured = find(transaction, "unit", {"serial": serial}) or transaction.ask(
            "select 1 as found from run where serial = $serial limit 1",
            {"serial": serial},
        )
        if not measured:
            raise NotFoundError(kind="serial", key=serial)
    unchanged = {"raised_serial": signal.raised_serial, "product": signal.product}
    for one in transaction.ask(
        "select raised_serial, product from signal where signal = $signal limit 1",
        {"signal": signal.signal},
    ):
        compare("signal", signal.signal, one, unchanged)
    return {}


def _hold(transaction: Transaction, hold: Hold) -> dict[str, Cell]:
    if hold.scope != Scope.SERIALS:
        column = "serial" if hold.scope == Scope.UNIT else None
        named = Reference(kind=hold.scope.value, key=hold.subject, column=column)
        require(transaction, [named])
    return _placed(transaction, hold.product)


def _hold_end(transaction: Transaction, end: HoldEnd) -> dict[str, Cell]:
    held = find(transaction, "hold", {"hold": end.hold}) or {}
    return _placed(transaction, str(held["product"]))


def _placed(transaction: Transaction, product: str) -> dict[str, Cell]:
    """Return the product's highest run number now.

    The Store looks itself, inside the transaction: watching the rows again then takes
    the row exactly between the same runs.
    """
    (last,) = transaction.ask(
        "select coalesce(max(number), 0) as number from run where product = $product",
        {"product": product},
    )
    return {"after_number": cell("after_number", last["number"])}


def _unit_return(transaction: Transaction, back: UnitReturn) -> dict[str, Cell]:
    """Only a unit that is away comes back, and not before it left."""
    if find(transaction, "unit_return", {"unit_return": back.unit_return}) is not None:
        return {}
    (moves,) = transaction.ask(
        "select (select count(*) from shipment "
        "where serial = $serial and product = $product) "
        "- (select count(*) from unit_return "
        "where serial = $serial and product = $product) as away",
        {"serial": back.serial, "product": back.product},
    )
    if int(str(moves["away"])) < 1:
        raise ConflictError(
            kind="unit", key=back.serial, detail="in the house, it never left"
        )
    (last,) = transaction.ask(
        "select max(shipped_at) as left_at from shipment "
        "where serial = $serial and product = $product",
        {"serial": back.serial, "product": back.product},
    )
    if isinstance(last["left_at"], datetime) and back.returned_at < last["left_at"]:
        raise ConflictError(
            kind="unit",
            key=back.serial,
            detail=f"away since {last['left_at']:%Y-%m-%d %H:%M}, after this return",
        )
    return {}


_RULES: dict[type[Record], Callable[[Transaction, Any], dict[str, Cell]]] = {
    Fitting: _fitting,
    Signal: _signal,
    Hold: _hold,
    HoldEnd: _hold_end,
    UnitReturn: _unit_return,
    Amendment: amend,
}
