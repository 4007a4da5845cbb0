"""What is kept of messages: the outbox, its deliveries, who took note."""

from collections.abc import Iterable, Sequence

from storage.door import cells
from storage.errors import RefusedValueError
from storage.recording import decide, require_decided
from storage.records import Decision
from storage.records_alerts import Acknowledgement, Alert, Delivery
from storage.tables import Reference, Transaction, keep, require

_KEY = ("alert", "target")


def queue_alerts(transaction: Transaction, alerts: Iterable[Alert]) -> None:
    """Keep messages that are to be sent."""
    for one in alerts:
        row = cells(one)
        require(transaction, [Reference(kind="product", key=one.product)])
        keep(transaction, "alert", row, key=_KEY)


def note_delivery(
    transaction: Transaction, delivery: Delivery, alerts: Sequence[Alert]
) -> None:
    """Keep how far a delivery is, and what follows from it; arrived stays arrived."""
    row = cells(delivery)
    ends = (delivery.next_at, delivery.delivered_at, delivery.dead_at)
    if sum(one is not None for one in ends) != 1:
        raise RefusedValueError(
            what="delivery",
            value=delivery.alert,
            allowed="must be delivered, given up, or tried again at a time",
        )
    require(transaction, [Reference(kind="alert", key=delivery.alert)])
    columns = [name for name in row if name not in _KEY]
    changes = ", ".join(f"{name} = excluded.{name}" for name in columns)
    transaction.run(
        f"insert into delivery ({', '.join(row)}) "  # noqa: S608 -- our own names
        f"values ({', '.join(f'${name}' for name in row)}) "
        f"on conflict (alert, target) do update set {changes} "
        "where delivery.delivered_at is null",
        row,
    )
    queue_alerts(transaction, alerts)


def acknowledge(
    transaction: Transaction, taken: Acknowledgement, decision: Decision
) -> None:
    """Keep who took note of a message, with its ledger row."""
    if taken.person != decision.person:
        raise RefusedValueError(
            what=f"person of acknowledgement {taken.alert!r}",
            value=taken.person,
            allowed=f"must be who decided it, {decision.person}",
        )
    require(transaction, [Reference(kind="alert", key=taken.alert)])
    if keep(transaction, "acknowledgement", cells(taken), key=("alert",)):
        decide(transaction, decision)
    else:
        require_decided(transaction, "acknowledgement", taken.alert, decision)
