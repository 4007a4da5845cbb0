"""Doubts on runs, their endings, and comparisons of meters."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.records import DoubtCause, RunKind
from storage.store import Store
from tests.storage.samples import (
    CLEARED,
    CROSS_CHECK,
    DOUBT,
    DOUBT_END,
    EVALUATION,
    START,
    record,
    run,
)


def rows(store: Store, query: str = "doubts") -> list[dict[str, Any]]:
    """Return the answer to a question about the sample product."""
    found: list[dict[str, Any]] = store.table(query, product="photoamp").to_pylist()
    return found


def three_units(store: Store) -> None:
    """Keep three runs of units, and a check after the second."""
    record(store, run(1))
    record(store, run(2))
    record(store, run(3, kind=RunKind.CHECK, serial="check 1", build=None))
    record(store, run(4))


def test_a_doubt_stands_until_it_is_ended(store: Store) -> None:
    three_units(store)
    store.keep(replace(DOUBT, to_number=3))
    (row,) = rows(store)
    assert (row["from_number"], row["to_number"]) == (1, 3)
    assert row["cause"] == DoubtCause.OUT_OF_CONTROL
    assert row["session"] == "session 1"
    assert row["ended_by"] is row["ended_reason"] is row["ended_at"] is None
    store.keep(DOUBT_END, decision=CLEARED)
    (row,) = rows(store)
    assert (row["ended_by"], row["ended_reason"]) == ("Ada", DOUBT_END.reason)
    assert row["ended_at"] == DOUBT_END.ended_at
    assert row["reason"] == DOUBT.reason


def test_units_of_the_session_between_the_numbers_are_in_doubt(store: Store) -> None:
    three_units(store)
    store.keep(replace(DOUBT, to_number=3))
    in_doubt = rows(store, "runs_in_doubt")
    assert [one["serial"] for one in in_doubt] == ["S001", "S002"]
    store.keep(DOUBT_END, decision=CLEARED)
    assert rows(store, "runs_in_doubt") == []


def test_who_ended_a_doubt_is_in_the_ledger(store: Store) -> None:
    three_units(store)
    store.keep(DOUBT)
    store.keep(DOUBT_END, decision=CLEARED)
    (row,) = store.table("decision").to_pylist()
    assert (row["person"], row["subject"]) == ("Ada", "doubt 1")


def test_ending_a_doubt_again_otherwise_is_a_conflict(store: Store) -> None:
    three_units(store)
    store.keep(DOUBT)
    store.keep(DOUBT_END, decision=CLEARED)
    store.keep(DOUBT_END, decision=CLEARED)
    later = START + timedelta(days=1)
    with pytest.raises(ConflictError, match="ended_at"):
        store.keep(replace(DOUBT_END, ended_at=later), decision=CLEARED)
    with pytest.raises(ConflictError, match="another decision"):
        store.keep(DOUBT_END, decision=replace(CLEARED, decided_at=later))


def test_a_doubt_about_what_is_not_recorded_is_refused(store: Store) -> None:
    three_units(store)
    with pytest.raises(NotFoundError, match="unknown run '9'"):
        store.keep(replace(DOUBT, to_number=9))
    with pytest.raises(NotFoundError, match="unknown session 'other'"):
        store.keep(replace(DOUBT, session="other"))
    with pytest.raises(RefusedValueError, match="must be from_number, 4, or later"):
        store.keep(replace(DOUBT, from_number=4))
    with pytest.raises(NotFoundError, match="unknown doubt 'doubt 1'"):
        store.keep(DOUBT_END, decision=CLEARED)
    assert rows(store) == []


def test_only_who_decided_can_have_ended_a_doubt(store: Store) -> None:
    three_units(store)
    store.keep(DOUBT)
    with pytest.raises(RefusedValueError, match="must be who decided it, Jon"):
        store.keep(DOUBT_END, decision=replace(CLEARED, person="Jon"))


def test_a_comparison_of_meters_is_kept_with_the_finding_that_asked(
    store: Store,
) -> None:
    record(store, run(1))
    with pytest.raises(NotFoundError, match="unknown signal 'signal 1'"):
        store.keep(CROSS_CHECK)
    store.record_evaluation(EVALUATION)
    store.keep(CROSS_CHECK)
    (row,) = rows(store, "cross_check")
    assert row["signal"] == "signal 1"
    assert row["normalised_error"] == CROSS_CHECK.normalised_error
    assert row["agree"] is True
    assert row["person"] is None
