"""How a bench's instruments, doubts on its runs and comparisons of meters are kept."""

from collections.abc import Sequence

from storage.door import cells
from storage.errors import RefusedValueError
from storage.recording import decide, require_decided
from storage.records import BenchInstrument, CrossCheck, Decision, Doubt, DoubtEnd
from storage.tables import Reference, Transaction, keep, require


def note_instruments(
    transaction: Transaction, instruments: Sequence[BenchInstrument]
) -> None:
    """Keep the instruments of a session that is there already."""
    for one in instruments:
        row = cells(one)
        require(transaction, [Reference(kind="session", key=one.session)])
        keep(transaction, "bench_instrument", row, key=("session", "role"))


def raise_doubt(transaction: Transaction, doubt: Doubt) -> None:
    """Keep a doubt; the runs it names are there already."""
    row = cells(doubt)
    if doubt.from_number > doubt.to_number:
        raise RefusedValueError(
            what="doubt.to_number",
            value=doubt.to_number,
            allowed=f"must be from_number, {doubt.from_number}, or later",
        )
    require(
        transaction,
        [
            Reference(kind="product", key=doubt.product),
            Reference(kind="session", key=doubt.session),
            Reference(kind="run", key=doubt.from_number, column="number"),
            Reference(kind="run", key=doubt.to_number, column="number"),
        ],
    )
    keep(transaction, "doubt", row)


def end_doubt(transaction: Transaction, end: DoubtEnd, decision: Decision) -> None:
    """Keep the end of a doubt and the ledger row of the decision."""
    if end.ended_by != decision.person:
        raise RefusedValueError(
            what=f"ended_by of doubt {end.doubt!r}",
            value=end.ended_by,
            allowed=f"must be who decided it, {decision.person}",
        )
    row = cells(end)
    require(
        transaction,
        [
            Reference(kind="doubt", key=end.doubt),
            Reference(kind="run", key=end.check_run),
        ],
    )
    if keep(transaction, "doubt_end", row, key=("doubt",)):
        decide(transaction, decision)
    else:
        require_decided(transaction, "doubt end", end.doubt, decision)


def record_cross_check(transaction: Transaction, check: CrossCheck) -> None:
    """Keep a comparison of two meters."""
    row = cells(check)
    require(
        transaction,
        [
            Reference(kind="product", key=check.product),
            Reference(kind="session", key=check.session),
            Reference(kind="signal", key=check.signal),
        ],
    )
    keep(transaction, "cross_check", row)
