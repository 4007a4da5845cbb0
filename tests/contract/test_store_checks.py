"""Checks kept with their run, and measurements that settle a finding."""

from dataclasses import replace
from math import nan
from typing import Any

import pytest

from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.records import CheckResult, Verdict
from storage.store import Store
from tests.storage.samples import (
    EVALUATION,
    PROOF,
    START,
    SUPPLY,
    record,
    results,
    run,
    unit,
)

LABEL = CheckResult(
    run="run 1",
    name="label",
    value=0.0,
    unit="",
    low=1.0,
    high=None,
    verdict=Verdict.NONCONFORMING,
)


def checks(store: Store, after: int = 0) -> list[dict[str, Any]]:
    """Return the checks of the sample product."""
    rows = store.table("check_results", product="photoamp", after=after)
    found: list[dict[str, Any]] = rows.to_pylist()
    return found


def test_checks_are_kept_with_their_run_in_their_order(store: Store) -> None:
    of = run(1)
    number = store.record_run(of, results(of), unit(of), [SUPPLY, LABEL])
    rows = checks(store)
    assert [one["check"] for one in rows] == ["supply current", "label"]
    assert {one["number"] for one in rows} == {number}
    assert (rows[0]["value"], rows[0]["unit"]) == (0.0123, "A")
    assert (rows[0]["low"], rows[0]["high"]) == (None, 0.015)
    assert (rows[1]["serial"], rows[1]["build"]) == ("S001", "B1")
    assert rows[1]["verdict"] == Verdict.NONCONFORMING
    assert checks(store, after=number) == []


def test_a_run_with_its_checks_is_kept_once(store: Store) -> None:
    of = run(1)
    first = store.record_run(of, results(of), unit(of), [SUPPLY])
    assert store.record_run(of, results(of), unit(of), [SUPPLY]) == first
    assert len(checks(store)) == 1
    with pytest.raises(ConflictError, match="value"):
        store.record_run(of, results(of), unit(of), [replace(SUPPLY, value=0.013)])
    with pytest.raises(ConflictError, match="supply current"):
        store.record_run(of, results(of), unit(of))


def test_a_run_is_not_kept_when_one_of_its_checks_is_refused(store: Store) -> None:
    of = run(1)
    for wrong in (
        [replace(SUPPLY, run="run 2")],
        [replace(SUPPLY, value=nan)],
        [SUPPLY, SUPPLY],
    ):
        with pytest.raises(RefusedValueError):
            store.record_run(of, results(of), unit(of), wrong)
    assert store.frame("unit_runs", serial="S001").empty


def test_a_proof_is_kept_once_with_its_finding(store: Store) -> None:
    record(store, run(1))
    with pytest.raises(NotFoundError, match="signal 1"):
        store.keep(PROOF)
    store.record_evaluation(EVALUATION)
    store.keep(PROOF)
    store.keep(PROOF)
    (row,) = store.table("proofs", product="photoamp").to_pylist()
    assert row["readings"] == [10_031.0, 10_029.5]
    assert (row["kind"], row["subject"]) == ("loose parts", "reel 7")
    assert (row["person"], row["made_at"]) == ("Ada", START)
    assert store.frame("proofs", product="another").empty
    with pytest.raises(ConflictError, match="person"):
        store.keep(replace(PROOF, person="Bea"))


@pytest.mark.parametrize("wrong", [{"readings": ()}, {"uncertainty": 0.0}])
def test_a_proof_without_readings_or_uncertainty_is_refused(
    store: Store, wrong: dict[str, Any]
) -> None:
    with pytest.raises(RefusedValueError):
        store.keep(replace(PROOF, **wrong))
