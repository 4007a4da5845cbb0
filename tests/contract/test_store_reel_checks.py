"""Loose parts of a reel: kept once, evidence for whatever finding names it."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.store import Store
from tests.storage.samples import (
    EVALUATION,
    FITTING,
    PROOF,
    REEL,
    REEL_CHECK,
    SIGNAL,
    START,
    record,
    run,
)


def rows(store: Store, query: str, **given: Any) -> list[dict[str, Any]]:
    """Return the answer to a question."""
    found: list[dict[str, Any]] = store.table(query, **given).to_pylist()
    return found


def test_a_check_is_kept_once_and_never_otherwise(store: Store) -> None:
    store.keep(REEL_CHECK)
    store.keep(REEL_CHECK)
    (row,) = rows(store, "reel_checks")
    assert row["readings"] == list(REEL_CHECK.readings)
    assert (row["reel"], row["origin"], row["person"]) == ("reel 7", "typed", "Ada")
    with pytest.raises(ConflictError, match="person"):
        store.keep(replace(REEL_CHECK, person="Bea"))


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"readings": ()}, "one at least"),
        ({"uncertainty_ohm": 0.0}, "must be > 0"),
        ({"uncertainty_ohm": float("nan")}, "must be finite"),
    ],
)
def test_what_is_no_measurement_is_refused(
    store: Store, wrong: dict[str, Any], says: str
) -> None:
    with pytest.raises(RefusedValueError, match=says):
        store.keep(replace(REEL_CHECK, **wrong))


def test_the_reel_must_be_recorded(store: Store) -> None:
    with pytest.raises(NotFoundError, match="reel 'K-9'"):
        store.keep(replace(REEL_CHECK, reel="K-9"))


def test_it_becomes_evidence_once_a_finding_names_its_reel(store: Store) -> None:
    store.keep(REEL_CHECK)
    store.keep(replace(REEL, reel="reel 8"))
    store.keep(replace(REEL_CHECK, reel_check="reel check 2", reel="reel 8"))
    assert rows(store, "proofs", product="photoamp") == []
    record(store, run(1))
    store.record_evaluation(EVALUATION)
    (proof,) = rows(store, "proofs", product="photoamp")
    assert (proof["signal"], proof["kind"]) == (SIGNAL.signal, "loose parts")
    assert proof["readings"] == list(REEL_CHECK.readings)
    assert (proof["from_value"], proof["unit"]) == (REEL.nominal_ohm, "ohm")
    assert proof["uncertainty"] == REEL_CHECK.uncertainty_ohm
    elsewhere = replace(SIGNAL, revision=SIGNAL.revision + 1, reel="reel 8")
    store.record_evaluation(replace(EVALUATION, signals=(elsewhere,), holds=()))
    (proof,) = rows(store, "proofs", product="photoamp")
    assert proof["subject"] == "reel 8", "as the finding says now, not before"


def test_parts_measured_for_a_finding_are_told_of_the_reel_too(store: Store) -> None:
    record(store, run(1))
    store.record_evaluation(EVALUATION)
    store.keep(PROOF)
    later = START + timedelta(hours=1)
    store.keep(replace(REEL_CHECK, made_at=later))
    told = rows(store, "reel_checks")
    assert [one["origin"] for one in told] == ["for signal 1", "typed"]


def test_the_causes_of_a_finding_are_kept_as_data(store: Store) -> None:
    record(store, run(1))
    told = replace(SIGNAL, causes='{"bench": 0.02, "reel": 0.98}')
    store.record_evaluation(replace(EVALUATION, signals=(told,), holds=()))
    (row,) = rows(store, "signals", product="photoamp")
    assert row["causes"] == told.causes
    (row,) = rows(store, "signal", signal=told.signal)
    assert row["causes"] == told.causes
    with pytest.raises(RefusedValueError, match=r"signal\.causes"):
        store.record_evaluation(
            replace(EVALUATION, signals=(replace(told, causes="reel"),), holds=())
        )


def test_a_reel_is_not_fitted_before_it_came(store: Store) -> None:
    early = replace(FITTING, fitting="F9", fitted_at=REEL.received_at)
    store.keep(early)
    with pytest.raises(
        RefusedValueError, match="not be before reel reel 7 was received"
    ):
        store.keep(
            replace(
                early, fitting="F10", fitted_at=REEL.received_at - timedelta(hours=1)
            )
        )
