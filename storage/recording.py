"""What each command keeps, inside a transaction that somebody else holds open.

Every function here is idempotent by id, checks what it names, and leaves the
decision to commit to its caller; it knows no database library.
"""

import json
from collections.abc import Mapping
from datetime import datetime

from storage import ledger
from storage.door import Cell, cell, cells
from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.records import (
    Build,
    Configuration,
    Decision,
    Evaluation,
    Fitting,
    Hold,
    HoldEnd,
    Product,
    Proof,
    Reel,
    ReelCheck,
    Scope,
    Session,
    Signal,
)
from storage.serials import within
from storage.tables import Reference, Transaction, compare, find, insert, keep, require

PLACE_HOLD = "place hold"
"""Ledger action of a hold that watching the rows placed."""


def put_configuration(transaction: Transaction, configuration: Configuration) -> None:
    """Keep a snapshot; the same settings stored again later change nothing."""
    row = cells(configuration)
    keep(transaction, "configuration", row, unlike=("stored_at",))


def add_product(transaction: Transaction, product: Product) -> None:
    """Keep an instrument type."""
    keep(transaction, "product", cells(product))


def add_build(transaction: Transaction, build: Build) -> None:
    """Keep a build."""
    row = cells(build)
    require(transaction, [Reference(kind="product", key=build.product)])
    keep(transaction, "build", row)


def add_reel(transaction: Transaction, reel: Reel) -> None:
    """Keep a received reel."""
    keep(transaction, "reel", cells(reel))


def fit_reel(transaction: Transaction, fitting: Fitting) -> None:
    """Keep a fitting; its first serial may be one that is yet to be measured."""
    row = cells(fitting)
    require(
        transaction,
        [
            Reference(kind="product", key=fitting.product),
            Reference(kind="build", key=fitting.build),
            Reference(kind="reel", key=fitting.reel),
        ],
    )
    _same_product(transaction, fitting.build, fitting.product)
    for reel in transaction.ask(
        "select received_at from reel where reel = $reel and received_at > $fitted_at",
        {"reel": row["reel"], "fitted_at": row["fitted_at"]},
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
    keep(transaction, "fitting", row)


def open_session(transaction: Transaction, session: Session) -> None:
    """Keep a bench set-up."""
    row = cells(session)
    known = Reference(kind="configuration", key=session.configuration)
    require(transaction, [known])
    keep(transaction, "session", row)


def record_evaluation(transaction: Transaction, evaluation: Evaluation) -> None:
    """Keep signals, holds with ledger rows, messages, and how far it was watched."""
    number = cell("evaluation.number", evaluation.number)
    require(transaction, [Reference(kind="product", key=evaluation.product)])
    if evaluation.number > 0:
        known = Reference(kind="run", key=evaluation.number, column="number")
        require(transaction, [known])
    for signal in evaluation.signals:
        _same_evaluation("signal", signal.signal, signal.product, evaluation)
        _keep_signal(transaction, signal)
    for hold in evaluation.holds:
        _same_evaluation("hold", hold.hold, hold.product, evaluation)
        if _keep_hold(transaction, hold):
            decision = Decision(
                person=hold.placed_by,
                action=PLACE_HOLD,
                subject=hold.hold,
                reason=hold.reason,
                decided_at=hold.placed_at,
            )
            decide(transaction, decision)
    for alert in evaluation.alerts:
        _same_evaluation("alert", alert.alert, alert.product, evaluation)
        keep(transaction, "alert", cells(alert), key=("alert", "target"))
    _advance(transaction, evaluation.product, number)


def place_hold(transaction: Transaction, hold: Hold, decision: Decision) -> None:
    """Keep a person's hold and the ledger row of the decision."""
    _same_person("hold", hold.hold, hold.placed_by, decision)
    if _keep_hold(transaction, hold):
        decide(transaction, decision)
    else:
        require_decided(transaction, "hold", hold.hold, decision)


def end_hold(transaction: Transaction, end: HoldEnd, decision: Decision) -> None:
    """Keep the end of a hold and the ledger row of the decision."""
    _same_person("hold end", end.hold, end.person, decision)
    row = cells(end)
    held = find(transaction, "hold", {"hold": end.hold})
    if held is None:
        raise NotFoundError(kind="hold", key=end.hold)
    if _keep_placed(transaction, "hold_end", row, str(held["product"])):
        decide(transaction, decision)
    else:
        require_decided(transaction, "hold end", end.hold, decision)


def record_proof(transaction: Transaction, proof: Proof) -> None:
    """Keep a measurement made to settle a finding."""
    row = cells(proof)
    if not proof.readings:
        raise RefusedValueError(
            what="proof.readings", value="none", allowed="must be one at least"
        )
    if proof.uncertainty <= 0:
        raise RefusedValueError(
            what="proof.uncertainty", value=proof.uncertainty, allowed="must be > 0"
        )
    require(transaction, [Reference(kind="signal", key=proof.signal)])
    keep(transaction, "proof", row)


def record_reel_check(transaction: Transaction, check: ReelCheck) -> None:
    """Keep what loose parts of a reel read."""
    row = cells(check)
    if not check.readings:
        raise RefusedValueError(
            what="reel check.readings", value="none", allowed="must be one at least"
        )
    if check.uncertainty_ohm <= 0:
        raise RefusedValueError(
            what="reel check.uncertainty_ohm",
            value=check.uncertainty_ohm,
            allowed="must be > 0",
        )
    require(transaction, [Reference(kind="reel", key=check.reel)])
    keep(transaction, "reel_check", row)


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


def _keep_signal(transaction: Transaction, signal: Signal) -> None:
    row = cells(signal)
    _check_object("signal.evidence", signal.evidence)
    if signal.causes is not None:
        _check_object("signal.causes", signal.causes)
    if signal.standing == bool((signal.withdrawn or "").strip()):
        raise RefusedValueError(
            what="signal.withdrawn",
            value=signal.withdrawn,
            allowed="must say why, of a finding that does not stand alone",
        )
    require(
        transaction,
        [
            Reference(kind="build", key=signal.build),
            Reference(kind="reel", key=signal.reel),
        ],
    )
    for serial in (signal.first_serial, signal.raised_serial):
        measured = find(transaction, "unit", {"serial": serial}) or transaction.ask(
            "select 1 as found from run where serial = $serial limit 1",
            {"serial": serial},
        )
        if not measured:
            raise NotFoundError(kind="serial", key=serial)
    earlier = transaction.ask(
        "select raised_serial, product from signal where signal = $signal limit 1",
        {"signal": signal.signal},
    )
    for one in earlier:
        unchanged = {name: row[name] for name in ("raised_serial", "product")}
        compare("signal", signal.signal, one, unchanged)
    keep(transaction, "signal", row, key=("signal", "revision"))


def _check_object(what: str, text: str) -> None:
    try:
        found = json.loads(text)
    except ValueError:
        found = None
    if not isinstance(found, dict):
        raise RefusedValueError(
            what=what, value=text[:80], allowed="must be a JSON object"
        )


def _keep_hold(transaction: Transaction, hold: Hold) -> bool:
    row = cells(hold)
    named = [
        Reference(kind="product", key=hold.product),
        Reference(kind="signal", key=hold.signal),
    ]
    match hold.scope:
        case Scope.SERIALS:
            _check_serials(hold)
        case Scope.UNIT:
            named.append(Reference(kind="unit", key=hold.subject, column="serial"))
        case _:
            named.append(Reference(kind=hold.scope.value, key=hold.subject))
    require(transaction, named)
    return _keep_placed(transaction, "hold", row, hold.product)


def _keep_placed(
    transaction: Transaction, table: str, row: Mapping[str, Cell], product: str
) -> bool:
    """Keep a hold or its end with the product's highest run number now.

    Returns whether it is new.

    The Store looks itself, inside the transaction: watching the rows again then takes
    the row exactly between the same runs.
    """
    (last,) = transaction.ask(
        "select coalesce(max(number), 0) as number from run where product = $product",
        {"product": product},
    )
    number = cell("after_number", int(str(last["number"])))
    placed = {**row, "after_number": number}
    return keep(transaction, table, placed, key=("hold",), unlike=("after_number",))


def _check_serials(hold: Hold) -> None:
    """Refuse a range of serials that cannot be counted through."""
    last = hold.to_serial
    if last is None or not within(last, hold.subject, last):
        raise RefusedValueError(
            what="hold.to_serial",
            value=last,
            allowed=f"must be a serial of the form of {hold.subject}, not before it",
        )


def decide(transaction: Transaction, decision: Decision) -> None:
    """Add a row to the ledger, chained to the last."""
    cells(decision)
    rows = transaction.ask("select * from decision order by seq desc limit 1", {})
    last = ledger.LedgerRow(**rows[0]) if rows else None  # type: ignore[arg-type]
    insert(transaction, "decision", [cells(ledger.chain(decision, last))])


def require_decided(
    transaction: Transaction, kind: str, key: str, decision: Decision
) -> None:
    """Refuse a repeated command that comes with another decision than before."""
    if find(transaction, "decision", cells(decision)) is None:
        raise ConflictError(
            kind=kind, key=key, detail="with another decision in the ledger"
        )


def _same_product(transaction: Transaction, build: str, product: str) -> None:
    kept = find(transaction, "build", {"build": build})
    if kept is not None:
        compare("build", build, kept, {"product": product})


def _same_evaluation(kind: str, key: str, product: str, of: Evaluation) -> None:
    if product != of.product:
        raise RefusedValueError(
            what=f"product of {kind} {key!r}",
            value=product,
            allowed=f"must be the evaluation's, {of.product}",
        )


def _same_person(kind: str, key: str, person: str, decision: Decision) -> None:
    if person != decision.person:
        raise RefusedValueError(
            what=f"person of {kind} {key!r}",
            value=person,
            allowed=f"must be who decided it, {decision.person}",
        )


def _advance(transaction: Transaction, product: str, number: Cell) -> None:
    transaction.run(
        "insert into watermark (product, number) values ($product, $number) "
        "on conflict (product) do update set "
        "number = greatest(watermark.number, excluded.number)",
        {"product": product, "number": number},
    )
