"""Which instruments a session was measured with."""

from dataclasses import replace
from datetime import timedelta

import pytest

from storage.errors import ConflictError, NotFoundError
from storage.store import Store
from tests.storage.samples import INSTRUMENT, SESSION, START, furnish


def test_a_session_s_instruments_are_kept_by_role(store: Store) -> None:
    furnish(store)
    by_hand = replace(
        INSTRUMENT,
        role="source",
        address="by hand",
        identity=None,
        serial_number=None,
        calibrated_at=None,
        due_at=None,
        remark=None,
    )
    store.keep(by_hand, INSTRUMENT)
    store.keep(INSTRUMENT)
    output, source = store.table("bench_instrument", session="session 1").to_pylist()
    assert (output["role"], output["serial_number"]) == ("output", "4711")
    assert (output["calibrated_at"], output["due_at"]) == ("2025-03-01", "2026-03-01")
    assert output["remark"] == INSTRUMENT.remark
    assert source["identity"] is source["due_at"] is source["remark"] is None


def test_another_instrument_in_the_same_session_is_a_conflict(store: Store) -> None:
    furnish(store)
    store.keep(INSTRUMENT)
    with pytest.raises(ConflictError, match="serial_number is '4711', not '4712'"):
        store.keep(replace(INSTRUMENT, serial_number="4712"))


def test_instruments_of_an_unknown_session_are_refused(store: Store) -> None:
    with pytest.raises(NotFoundError, match="unknown session 'session 9'"):
        store.keep(replace(INSTRUMENT, session="session 9"))


def test_the_latest_instrument_of_each_role_of_a_bench_is_known(store: Store) -> None:
    furnish(store)
    later = replace(SESSION, session="session 2", opened_at=START + timedelta(days=1))
    elsewhere = replace(later, session="session 3", bench="bench 2")
    for session in (later, elsewhere):
        store.keep(session)
    store.keep(INSTRUMENT, replace(INSTRUMENT, role="reference"))
    store.keep(
        replace(INSTRUMENT, session="session 2", serial_number="4712"),
    )
    store.keep(replace(INSTRUMENT, session="session 3", serial_number="4713"))
    rows = store.table("latest_instruments", bench="bench 1").to_pylist()
    assert [(one["role"], one["serial_number"], one["session"]) for one in rows] == [
        ("output", "4712", "session 2"),
        ("reference", "4711", "session 1"),
    ]
