"""Many runs in one transaction say the same as one after another."""

from dataclasses import replace

import pytest

from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.records import RunKind, WholeRun
from storage.store import Store
from tests.storage.samples import RANGES, SUPPLY, everything, record, results, run, unit


def whole(number: int, **other: object) -> WholeRun:
    one = replace(run(number), **other)  # type: ignore[arg-type]
    check = replace(SUPPLY, run=one.run)
    checks = (check,) if number % 3 else ()
    return WholeRun(run=one, results=tuple(results(one)), unit=unit(one), checks=checks)


def some(count: int) -> list[WholeRun]:
    """Return units' runs, some of a unit that was measured before."""
    runs: list[WholeRun] = []
    for number in range(1, count + 1):
        serial = f"S{(number % 20):03d}"
        before = next((one.run for one in runs if one.run.serial == serial), None)
        runs.append(
            whole(
                number,
                serial=serial,
                rerun_of=before and before.run,
                note="again" if before else None,
            )
        )
    return runs


@pytest.mark.parametrize("count", [0, 1, 2, 33])
def test_they_are_kept_as_if_one_after_another(store: Store, count: int) -> None:
    runs = some(count)
    half = count // 2
    for one in runs[:half]:
        store.record_run(one.run, one.results, one.unit, one.checks)
    assert store.record_runs(runs[half:]) == list(range(half + 1, count + 1))
    together = everything(store)
    # Recorded once more one by one, each is compared with what is kept, and no other.
    for number, one in enumerate(runs, 1):
        assert store.record_run(one.run, one.results, one.unit, one.checks) == number
    assert everything(store) == together
    rows = store.table(
        "watched_rows", product="photoamp", after=0, until=count, serial=None
    ).to_pylist()
    assert [row["number"] for row in rows] == [
        number for number in range(1, count + 1) for _ in RANGES
    ]
    seen: dict[tuple[str, str], int] = {}
    for row in rows:
        of = (row["serial"], row["range"])
        assert row["repeat"] == seen.get(of, 0)
        seen[of] = row["repeat"] + 1


def test_what_is_there_already_is_there_once(store: Store) -> None:
    runs = some(30)
    numbers = store.record_runs(runs[:20])
    kept = everything(store)
    assert store.record_runs(runs[:20]) == numbers
    assert everything(store) == kept
    assert store.record_runs([*runs[10:], runs[0]]) == [*range(11, 31), 1]
    assert store.record_runs([runs[5], runs[5]]) == [6, 6]


@pytest.mark.parametrize(
    ("wrong", "error"),
    [
        ({"session": "s9"}, NotFoundError),
        ({"build": "B9"}, NotFoundError),
        ({"rerun_of": "run 99"}, NotFoundError),
        ({"serial": "S001", "build": "B2"}, ConflictError),
        ({"serial": "S103", "build": "B2"}, ConflictError),
        ({"serial": "S002", "rerun_of": "run 1"}, ConflictError),
        ({"kind": RunKind.CHECK, "build": None}, RefusedValueError),
    ],
)
def test_one_that_is_refused_leaves_none_of_them(
    store: Store, wrong: dict[str, object], error: type[Exception]
) -> None:
    record(store, run(1))
    kept = everything(store)
    runs = [whole(number, serial=f"S{number + 100}") for number in range(2, 14)]
    with pytest.raises(error):
        store.record_runs([*runs, whole(40, **{"serial": "S300", **wrong})])
    assert everything(store) == kept


def test_one_that_says_something_else_than_the_kept_one_is_a_conflict(
    store: Store,
) -> None:
    runs = some(14)
    store.record_runs(runs)
    other = replace(runs[7], results=runs[7].results[:2])
    with pytest.raises(ConflictError):
        store.record_runs([*some(16)[14:], other])
    assert store.table("run").num_rows == 14
