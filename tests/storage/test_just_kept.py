"""What was just kept is known without reading it back, value by value as it stands."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from storage import LATEST, Product, RunKind, WholeRun, plain_rows
from storage.errors import ConflictError
from storage.just_kept import MOST_RUNS, JustKept
from storage.local import LocalStore
from tests.storage.samples import (
    EVALUATION,
    PRODUCT,
    START,
    furnish,
    record,
    results,
    run,
    unit,
)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[LocalStore]:
    with LocalStore(tmp_path / "holdpoint.duckdb") as opened:
        furnish(opened)
        yield opened


def read_back(store: LocalStore, number: int) -> list[dict[str, Any]]:
    table = store.table(
        "watched_rows",
        product=PRODUCT.product,
        after=number,
        until=LATEST,
        serial=None,
    )
    return plain_rows(table)


def known(store: LocalStore, number: int) -> list[dict[str, Any]] | None:
    return store._just_kept.watched_after(PRODUCT.product, number)


def test_runs_that_were_just_kept_are_as_they_are_read_back(store: LocalStore) -> None:
    first = run(1)
    record(store, first)
    again = replace(run(2, serial=first.serial, rerun_of=first.run), ambient_c=None)
    store.record_run(again, results(again)[:2])
    check = run(3, kind=RunKind.CHECK, serial="check 1", build=None)
    store.record_run(check, results(check))
    whole = replace(run(4), ambient_c=23)
    unsure = [
        replace(one, error_ppm=7, conformance_probability=0.5, limit_ppm=2000)
        for one in results(whole)
    ]
    store.record_run(whole, unsure, unit(whole))
    some = [run(5), run(6), run(7, serial="S006", rerun_of="run 6")]
    store.record_runs(
        [
            WholeRun(run=one, results=tuple(results(one)), unit=unit(one), checks=())
            for one in some
        ]
    )
    for number in range(8):
        found = known(store, number)
        assert (
            found == read_back(store, number) == store.watched_after("photoamp", number)
        )
        kinds = [[type(value) for value in row.values()] for row in found or []]
        assert kinds == [
            [type(value) for value in row.values()] for row in read_back(store, number)
        ]
        assert [[*row] for row in found or []] == [
            [*row] for row in read_back(store, number)
        ]
    assert {row["repeat"] for row in known(store, 1) or []} == {0, 1}


def test_a_run_of_another_product_is_not_among_them(store: LocalStore) -> None:
    record(store, run(1))
    assert store.watched_after("something else", 0) == []
    assert len(store.watched_after("photoamp", 0)) == len(results(run(1)))


def test_once_something_else_was_kept_they_are_read(store: LocalStore) -> None:
    record(store, run(1))
    store.keep(Product(product="another", title="Another"))
    assert store._just_kept.beside_runs != store.kept_beside_runs
    record(store, run(2))
    assert known(store, 0) is None
    assert store.watched_after("photoamp", 0) == read_back(store, 0)
    assert known(store, 1) == read_back(store, 1)


def test_what_was_refused_is_not_known(store: LocalStore) -> None:
    record(store, run(1))
    other = replace(run(1), note="another")
    with pytest.raises(ConflictError):
        store.record_run(other, results(other), unit(other))
    assert store.watched_after("photoamp", 0) == read_back(store, 0)
    assert record(store, run(2)) == 2


def test_a_run_that_is_told_again_keeps_its_number(store: LocalStore) -> None:
    record(store, run(1))
    assert record(store, run(2)) == 2
    assert record(store, run(1)) == 1
    assert record(store, run(3)) == 3
    assert store.watched_after("photoamp", 0) == read_back(store, 0)


def test_numbers_count_on_whoever_keeps_runs_beside(store: LocalStore) -> None:
    many = [run(number) for number in range(1, 25)]
    with ThreadPoolExecutor(4) as threads:
        numbers = list(threads.map(lambda one: record(store, one), many))
    assert sorted(numbers) == list(range(1, 25))
    assert store.watched_after("photoamp", 0) == read_back(store, 0)


def test_of_many_runs_the_latest_are_known() -> None:
    kept = JustKept()
    row = {"product": "p", **dict.fromkeys(("run", "kind", "serial", "build"), "x")}
    row |= dict.fromkeys(("session", "started_at", "origin", "rerun_of"), "x")
    row |= dict.fromkeys(("ambient_c", "configuration"), "x")
    for number in range(1, MOST_RUNS + 11):
        kept.add(number, row, [], {"said": "true"})
    kept.took({}, MOST_RUNS + 10)
    assert len(kept.runs) == MOST_RUNS
    assert kept.watched_after("p", 9) is None
    assert kept.watched_after("p", 10) == []


def test_how_far_it_was_watched_goes_on_and_never_back(store: LocalStore) -> None:
    for number in range(1, 4):
        record(store, run(number))

    def watched_to(number: int, history: str | None) -> tuple[object, ...]:
        store.record_evaluation(
            replace(
                EVALUATION,
                number=number,
                signals=(),
                holds=(),
                alerts=(),
                lines=(),
                history=history,
                worked_out_with="w",
            )
        )
        (row,) = store.table("watermark", product="photoamp").to_pylist()
        return row["number"], row["history"]

    assert watched_to(1, "one") == (1, "one")
    assert watched_to(3, "three") == (3, "three")
    assert watched_to(3, None) == (3, "three")
    assert watched_to(2, "two") == (3, "three")
    store.keep(Product(product="another", title="Another"))
    assert watched_to(2, "two") == (3, "three")
    record(store, replace(run(4), started_at=START))
    assert watched_to(4, None) == (4, None)
