"""Runs judged again by the check that closed them: kept once, and they count."""

from dataclasses import replace
from typing import Any

import pytest

from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.records import Verdict
from storage.store import Store
from tests.storage.samples import (
    CHECK,
    RANGES,
    REJUDGEMENT,
    SESSION,
    SHIP_RULE,
    record,
    results,
    run,
    unit,
)


def again(store: Store, after: int = 0) -> list[dict[str, Any]]:
    """Return what was judged again of the sample product."""
    rows = store.table("rejudgements", product="photoamp", after=after)
    found: list[dict[str, Any]] = rows.to_pylist()
    return found


def closed(store: Store) -> int:
    """Keep a run of a unit, and the check that judges it again."""
    record(store, run(1))
    return store.record_run(CHECK, results(CHECK), None, (), [REJUDGEMENT])


def test_both_judgements_of_a_range_are_kept(store: Store) -> None:
    number = closed(store)
    (row,) = again(store)
    assert (row["serial"], row["range"], row["check_number"]) == ("S001", "10 uA", 2)
    assert (row["first_error_ppm"], row["error_ppm"]) == (101.0, 61.0)
    assert (row["first_verdict"], row["verdict"]) == (
        Verdict.CONFORMING,
        Verdict.UNDECIDED,
    )
    assert row["latest"]
    assert again(store, after=number) == []
    rows = store.table("unit_runs", serial="S001").to_pylist()
    assert {one["range"]: one["again_error_ppm"] for one in rows} == {
        "1 uA": None,
        "10 uA": 61.0,
        "100 uA": None,
        "1 mA": None,
    }
    assert {one["error_ppm"] for one in rows} == {100.0, 101.0, 102.0, 103.0}


def test_the_latest_judgement_counts(store: Store) -> None:
    record(store, run(1))
    assert store.reasons_against("S001", "photoamp", SHIP_RULE) == [
        "its last run is not evaluated yet"
    ]
    store.record_run(CHECK, results(CHECK), None, (), [REJUDGEMENT])
    assert "undecided on range 10 uA" in store.reasons_against(
        "S001", "photoamp", SHIP_RULE
    )
    latest = store.table("latest_errors", product="photoamp").to_pylist()
    (of_range,) = (one for one in latest if one["range"] == "10 uA")
    assert (of_range["error_ppm"], of_range["verdict"]) == (61.0, Verdict.UNDECIDED)
    for query in ("builds", "yields"):
        (build, *_) = store.table(query, product="photoamp").to_pylist()
        assert build["first_pass_yield"] == 0.0


def test_a_later_run_takes_the_place_of_one_judged_again(store: Store) -> None:
    closed(store)
    rerun = run(3, serial="S001", rerun_of="run 1")
    store.record_run(rerun, results(rerun), unit(rerun))
    (row,) = again(store)
    assert not row["latest"]
    assert "undecided on range 10 uA" not in store.reasons_against(
        "S001", "photoamp", SHIP_RULE
    )


def test_a_check_repeated_judges_nothing_twice(store: Store) -> None:
    assert closed(store) == closed(store)
    assert len(again(store)) == 1
    with pytest.raises(ConflictError, match="error_ppm"):
        store.record_run(
            CHECK, results(CHECK), None, (), [replace(REJUDGEMENT, error_ppm=60.0)]
        )


def test_many_runs_are_closed_at_once(store: Store) -> None:
    units = [run(number) for number in range(3, 33)]
    for one in units:
        record(store, one)
    closes = [
        replace(REJUDGEMENT, run=one.run, range=key) for one in units for key in RANGES
    ]
    store.record_run(CHECK, results(CHECK), None, (), closes)
    assert len(again(store)) == len(closes) == 120


def test_what_a_check_may_not_close_keeps_nothing(store: Store) -> None:
    record(store, run(1))
    store.keep(replace(SESSION, session="another"))
    other = replace(run(3), session="another")
    record(store, other)
    for unknown in (
        replace(REJUDGEMENT, run="run 9"),
        replace(REJUDGEMENT, range="10 A"),
        replace(REJUDGEMENT, run=other.run),
    ):
        with pytest.raises(NotFoundError, match="unit's result in this session"):
            store.record_run(CHECK, results(CHECK), None, (), [REJUDGEMENT, unknown])
    for refused in (
        replace(REJUDGEMENT, check_run="run 1"),
        replace(REJUDGEMENT, error_ppm=float("nan")),
    ):
        with pytest.raises(RefusedValueError):
            store.record_run(CHECK, results(CHECK), None, (), [REJUDGEMENT, refused])
    with pytest.raises(RefusedValueError, match="a check's run alone"):
        store.record_run(run(4), results(run(4)), unit(run(4)), (), [REJUDGEMENT])
    assert again(store) == []
    checks = store.frame("range_rows", product="photoamp", after=0, kind="check")
    assert checks.empty
