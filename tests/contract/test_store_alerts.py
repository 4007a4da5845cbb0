"""The outbox: kept with what it tells, once, until it arrived or was given up."""

from dataclasses import replace
from datetime import timedelta

import pytest

from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.records_alerts import Acknowledgement, Delivery
from storage.store import Store
from tests.storage.samples import (
    ALERT,
    EVALUATION,
    PRODUCT,
    START,
    decided,
    record,
    run,
)

ARRIVED = Delivery(
    alert=ALERT.alert,
    target=ALERT.target,
    tries=1,
    tried_at=START,
    next_at=None,
    last_error=None,
    delivered_at=START,
    dead_at=None,
)
FAILED = replace(
    ARRIVED,
    delivered_at=None,
    next_at=START + timedelta(minutes=1),
    last_error="no answer",
)
TAKEN = Acknowledgement(alert=ALERT.alert, person="Ada Moreno", acknowledged_at=START)


def due(store: Store, minutes: float = 0.0, target: str = "production") -> list[str]:
    """Return which messages are to be sent so long after the start."""
    at = START + timedelta(minutes=minutes)
    return list(store.frame("alerts_due", target=target, at=at)["alert"])


def test_messages_are_kept_with_the_evaluation_or_not_at_all(store: Store) -> None:
    """What refuses one refuses the other: one transaction."""
    record(store, run(1))
    bad = replace(ALERT, product="another")
    with pytest.raises(RefusedValueError, match="product of alert"):
        store.record_evaluation(replace(EVALUATION, alerts=(bad,)))
    assert store.frame("signals", product=PRODUCT.product).empty
    store.record_evaluation(replace(EVALUATION, alerts=(ALERT,)))
    store.record_evaluation(replace(EVALUATION, alerts=(ALERT,)))
    assert due(store) == ["B-1-F1"]
    assert len(store.frame("signals", product=PRODUCT.product)) == 1


def test_a_message_with_other_words_under_the_same_id_is_a_conflict(
    store: Store,
) -> None:
    """One id, one message."""
    store.keep(ALERT)
    with pytest.raises(ConflictError, match="body"):
        store.keep(replace(ALERT, body="other"))


def test_a_failed_message_is_due_again_at_its_time(store: Store) -> None:
    """Backing off is kept, so a restart does not hurry."""
    store.keep(ALERT, replace(ALERT, target="chat"))
    store.note_delivery(FAILED)
    assert due(store) == []
    assert due(store, minutes=1) == ["B-1-F1"]
    assert due(store, target="chat") == ["B-1-F1"]


def test_what_arrived_stays_arrived(store: Store) -> None:
    """A late word of another try changes nothing."""
    store.keep(ALERT)
    store.note_delivery(ARRIVED)
    store.note_delivery(FAILED)
    row = store.frame("alerts", product=PRODUCT.product).iloc[0]
    assert row["delivered_at"] == START
    assert due(store, minutes=99) == []


def test_giving_up_comes_with_its_own_message(store: Store) -> None:
    """The dead letter and its alarm are one transaction."""
    store.keep(ALERT)
    dead = replace(FAILED, next_at=None, dead_at=START)
    with pytest.raises(NotFoundError):
        store.note_delivery(dead, [replace(ALERT, alert="x", product="nobody's")])
    assert due(store) == ["B-1-F1"]
    store.note_delivery(dead, [replace(ALERT, alert="x", target="chat")])
    assert due(store) == []
    assert due(store, target="chat") == ["x"]


def test_a_delivery_is_in_one_state(store: Store) -> None:
    """Neither nowhere nor in two."""
    store.keep(ALERT)
    for wrong in (
        replace(FAILED, next_at=None),
        replace(ARRIVED, dead_at=START),
    ):
        with pytest.raises(RefusedValueError, match="tried again at a time"):
            store.note_delivery(wrong)
    with pytest.raises(NotFoundError, match="alert"):
        store.note_delivery(replace(ARRIVED, alert="none"))


def test_taking_note_is_a_decision(store: Store) -> None:
    """Once, by a person, in the ledger."""
    store.keep(ALERT)
    decision = decided("Ada Moreno", "take note", ALERT.alert, START)
    taken = replace(TAKEN, person=decision.person)
    store.keep(taken, decision=decision)
    store.keep(taken, decision=decision)
    row = store.frame("alerts", product=PRODUCT.product).iloc[0]
    assert row["person"] == decision.person
    assert list(store.frame("decision")["action"]) == ["take note"]
    with pytest.raises(RefusedValueError, match="must be who decided it"):
        store.keep(replace(TAKEN, person="nobody"), decision=decision)
    with pytest.raises(NotFoundError, match="alert"):
        store.keep(replace(taken, alert="none"), decision=decision)
