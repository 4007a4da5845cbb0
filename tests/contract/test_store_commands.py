"""What every Store keeps, refuses and repeats."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from storage.answers import Mark
from storage.errors import (
    ConflictError,
    NotFoundError,
    StorageError,
    UnreachableError,
)
from storage.ledger import LedgerRow, verify
from storage.records import Decision, Evaluation, HoldEnd, RunKind
from storage.store import Store
from tests.storage.samples import (
    CONFIGURATION,
    END,
    ENDED,
    EVALUATION,
    FITTING,
    HOLD,
    PERSONS_HOLD,
    PLACED,
    PRODUCT,
    RANGES,
    SIGNAL,
    START,
    everything,
    record,
    record_all,
    results,
    run,
    unit,
)


def ledger(store: Store) -> list[LedgerRow]:
    """Return the ledger's rows."""
    return [LedgerRow(**row) for row in store.table("decision").to_pylist()]


def test_every_command_repeated_changes_nothing(empty: Store) -> None:
    record_all(empty)
    kept = everything(empty)
    assert all(kept.values())
    record_all(empty)
    assert everything(empty) == kept


def test_a_repeated_run_returns_the_same_number(store: Store) -> None:
    assert [record(store, run(n)) for n in (1, 2, 1, 3, 2)] == [1, 2, 1, 3, 2]


def test_settings_stored_again_later_are_the_same_settings(store: Store) -> None:
    later = replace(CONFIGURATION, stored_at=START + timedelta(days=1))
    store.keep(later)
    (row,) = store.table("configuration", configuration="c0ffee").to_pylist()
    assert row["stored_at"] == START


def test_a_run_with_other_ranges_under_its_id_is_a_conflict(store: Store) -> None:
    record(store, run(1))
    with pytest.raises(ConflictError, match="1 uA, 10 uA, 100 uA, 1 mA"):
        store.record_run(run(1), results(run(1), RANGES[:3]), unit(run(1)))


def test_a_serial_of_another_build_is_a_conflict(store: Store) -> None:
    record(store, run(1))
    with pytest.raises(ConflictError, match="build is 'B1', not 'B2'"):
        record(store, run(2, serial="S001", build="B2"))


def test_a_build_of_another_product_is_a_conflict(store: Store) -> None:
    store.keep(replace(PRODUCT, product="other"))
    with pytest.raises(ConflictError, match="product is 'photoamp', not 'other'"):
        record(store, replace(run(1), product="other"))


def test_another_serial_is_no_rerun(store: Store) -> None:
    record(store, run(1))
    with pytest.raises(ConflictError, match="serial is 'S001', not 'S002'"):
        record(store, run(2, rerun_of="run 1"))


def test_a_fitting_from_another_builds_unit_is_a_conflict(store: Store) -> None:
    record(store, run(1))
    other = replace(FITTING, fitting="F2", build="B2", from_serial="S001")
    with pytest.raises(ConflictError, match="unit 'S001'"):
        store.keep(other)


def test_a_fitting_may_start_at_a_unit_yet_to_be_measured(store: Store) -> None:
    store.keep(replace(FITTING, fitting="F2", from_serial="S020"))
    assert store.table("fitting", product="photoamp").num_rows == 2


def test_a_run_that_fails_leaves_no_unit(store: Store) -> None:
    with pytest.raises(NotFoundError):
        record(store, replace(run(1), session="unknown"))
    with pytest.raises(NotFoundError, match="unknown unit 'S001'"):
        store.record_run(run(1), results(run(1)))


def test_a_check_standard_is_no_unit(store: Store) -> None:
    check = run(1, kind=RunKind.CHECK, serial="check 1", build=None)
    assert store.record_run(check, results(check)) == 1
    (build, _) = store.table("builds", product="photoamp").to_pylist()
    assert build["units"] == 0


def test_a_finding_may_be_raised_by_the_check_standard(store: Store) -> None:
    check = run(1, kind=RunKind.CHECK, serial="check 1", build=None)
    store.record_run(check, results(check))
    seen = replace(SIGNAL, first_serial="check 1", raised_serial="check 1")
    store.record_evaluation(replace(EVALUATION, signals=(seen,), holds=()))
    assert store.table("signals", product="photoamp").num_rows == 1


def test_a_finding_never_changes_where_it_was_raised(store: Store) -> None:
    record(store, run(1))
    record(store, run(2))
    store.record_evaluation(EVALUATION)
    moved = replace(SIGNAL, revision=2, number=2, raised_serial="S002")
    with pytest.raises(ConflictError, match="raised_serial is 'S001', not 'S002'"):
        store.record_evaluation(
            Evaluation(product="photoamp", number=2, signals=(moved,))
        )


def test_the_watermark_never_goes_back(store: Store) -> None:
    for number in (1, 2, 3):
        record(store, run(number))
    for number, mark in ((2, 2), (1, 2), (3, 3), (0, 3)):
        store.record_evaluation(Evaluation(product="photoamp", number=number))
        assert store.rows(Mark, product="photoamp") == [Mark(number=mark)]


def test_what_was_said_at_the_watermark_stays_as_long_as_it(store: Store) -> None:
    for number in (1, 2, 3):
        record(store, run(number))
    for number, said, kept in (
        (1, "none", "none"),
        (2, "one", "one"),
        (1, "late", "one"),
        (2, None, "one"),
        (2, "better", "better"),
        (3, None, None),
    ):
        store.record_evaluation(
            Evaluation(
                product="photoamp",
                number=number,
                history=said,
                worked_out_with=said and f"of {said}",
                ahead=said and f"after {said}",
            )
        )
        (mark,) = store.rows(Mark, product="photoamp")
        assert mark.history == kept
        assert mark.worked_out_with == (kept and f"of {kept}")
        assert mark.ahead == (kept and f"after {kept}")


def test_each_product_has_its_own_watermark(store: Store) -> None:
    store.keep(replace(PRODUCT, product="other"))
    record(store, run(1))
    store.record_evaluation(Evaluation(product="photoamp", number=1))
    assert store.rows(Mark, product="other") == [Mark(number=0)]


def test_an_evaluation_is_kept_whole_or_not_at_all(store: Store) -> None:
    record(store, run(1))
    unknown = replace(HOLD, hold="hold 9", subject="reel 9")
    with pytest.raises(NotFoundError):
        store.record_evaluation(replace(EVALUATION, holds=(HOLD, unknown)))
    assert store.table("signals", product="photoamp").num_rows == 0
    assert store.table("holds", product="photoamp").num_rows == 0
    assert store.table("decision").num_rows == 0
    assert store.rows(Mark, product="photoamp") == [Mark(number=0)]


def test_every_hold_and_every_end_has_its_ledger_row(store: Store) -> None:
    record(store, run(1))
    store.record_evaluation(EVALUATION)
    store.keep(PERSONS_HOLD, decision=PLACED)
    store.keep(END, decision=ENDED)
    rows = ledger(store)
    assert [(row.person, row.action, row.subject) for row in rows] == [
        ("holdpoint", "place hold", "hold 1"),
        ("Ada", "place hold", "hold 2"),
        ("Ada", "release", "hold 1"),
    ]
    assert rows[0].decided_at == HOLD.placed_at
    assert verify(rows) is None


def test_a_refused_hold_leaves_no_ledger_row(store: Store) -> None:
    with pytest.raises(NotFoundError):
        store.keep(replace(PERSONS_HOLD, subject="B9"), decision=PLACED)
    assert ledger(store) == []


def test_a_job_keeps_its_latest_success(store: Store) -> None:
    later = START + timedelta(hours=1)
    for at in (START, later, START):
        store.note_job("backup", at)
    assert store.table("jobs").to_pylist() == [{"job": "backup", "succeeded_at": later}]


def test_the_number_of_changes_moves_when_rows_are_kept_and_then_alone(
    store: Store,
) -> None:
    seen = [store.changes()]
    record(store, run(1))
    seen.append(store.changes())
    with pytest.raises(NotFoundError):
        store.keep(replace(PERSONS_HOLD, subject="B9"), decision=PLACED)
    store.table("holds", product=PRODUCT.product)
    assert store.changes() == seen[-1]
    store.keep(PERSONS_HOLD, decision=PLACED)
    seen.append(store.changes())
    store.note_job("backup", START)
    seen.append(store.changes())
    assert len(set(seen)) == len(seen)


def test_threads_get_one_number_each_while_others_read(store: Store) -> None:
    def write(number: int) -> int:
        return record(store, run(number))

    def read(_: int) -> int:
        rows = store.table("range_rows", product="photoamp", after=0, kind=None)
        return int(rows.num_rows)

    with ThreadPoolExecutor(8) as pool:
        reads = pool.map(read, range(24))
        numbers = list(pool.map(write, range(1, 25)))
        assert all(rows % len(RANGES) == 0 for rows in reads)
    assert sorted(numbers) == list(range(1, 25))


def test_a_closed_store_says_so(store: Store) -> None:
    store.close()
    store.close()
    with pytest.raises(UnreachableError, match="it was closed"):
        store.keep(PRODUCT)
    with pytest.raises(UnreachableError, match="it was closed"):
        store.table("product")


def test_errors_of_the_library_never_get_out(store: Store) -> None:
    wrong: Any = object()
    with pytest.raises(StorageError):
        store.keep(replace(PRODUCT, title=wrong))


@pytest.mark.parametrize("disposal", ["release", "scrap"])
def test_a_hold_ends_once(store: Store, disposal: str) -> None:
    record(store, run(1))
    store.record_evaluation(EVALUATION)
    store.keep(END, decision=ENDED)
    again = HoldEnd(
        hold="hold 1",
        disposal=END.disposal.__class__(disposal),
        person="Bob",
        reason="me too",
        ended_at=END.ended_at,
    )
    decision = Decision(
        person="Bob",
        action=disposal,
        subject="hold 1",
        reason="me too",
        decided_at=END.ended_at,
    )
    with pytest.raises(ConflictError, match="'hold 1' is already recorded"):
        store.keep(again, decision=decision)
    assert len(ledger(store)) == 2
