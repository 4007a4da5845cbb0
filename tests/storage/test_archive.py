"""A copy counts only once it was read back."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import duckdb
import pytest

from storage import archive, local
from storage.errors import BusyError, SchemaError, WriteError
from storage.ledger import LedgerRow, verify
from storage.local import LocalStore
from tests.storage.samples import (
    END,
    ENDED,
    EVALUATION,
    PERSONS_HOLD,
    PLACED,
    furnish,
    record,
    run,
)


def filled(path: Path) -> LocalStore:
    """Return a store with runs, a hold and its end."""
    store = LocalStore(path)
    furnish(store)
    for number in (1, 2, 3):
        record(store, run(number))
    store.record_evaluation(EVALUATION)
    store.keep(END, decision=ENDED)
    return store


def test_a_copy_has_every_table_row_and_key(tmp_path: Path) -> None:
    with filled(tmp_path / "holdpoint.duckdb") as store:
        copy = Path(store.backup(str(tmp_path / "copies")))
    assert archive.check(copy)["range_result"] == 12
    with LocalStore(copy) as restored:
        assert record(restored, run(2)) == 2
        assert record(restored, run(4)) == 4
    with (
        duckdb.connect(str(copy)) as raw,
        pytest.raises(duckdb.ConstraintException),
    ):
        raw.execute("insert into product values ('photoamp', 'twice')")


def test_the_owner_keeps_the_file_while_it_is_copied(tmp_path: Path) -> None:
    path = tmp_path / "holdpoint.duckdb"
    with filled(path) as store:
        store.backup(str(tmp_path / "copies"))
        with pytest.raises(BusyError):
            LocalStore(path)
        assert record(store, run(4)) == 4


def test_runs_may_be_kept_while_a_copy_is_taken(tmp_path: Path) -> None:
    with filled(tmp_path / "holdpoint.duckdb") as store, ThreadPoolExecutor(2) as pool:
        copies = pool.submit(
            lambda: [store.backup(str(tmp_path / "copies")) for _ in range(4)]
        )
        numbers = [record(store, run(number)) for number in range(4, 24)]
        counts = [archive.check(Path(path)) for path in copies.result()]
    assert numbers == list(range(4, 24))
    assert all(one["range_result"] == 4 * one["run"] for one in counts)
    assert all(one["unit"] == one["run"] for one in counts)


def test_only_whole_copies_bear_a_copys_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(path: Path, counts: object) -> None:
        assert path.exists()
        raise SchemaError(where=str(path), detail=f"not {counts}")

    folder = tmp_path / "copies"
    with filled(tmp_path / "holdpoint.duckdb") as store:
        with monkeypatch.context() as broken:
            broken.setattr(archive, "check", fail)
            with pytest.raises(SchemaError):
                store.backup(str(folder))
        assert list(folder.iterdir()) == []
        assert len(list(folder.iterdir())) == 0
        store.backup(str(folder))
        (copy,) = folder.glob("holdpoint-*")
    assert copy.suffix == archive.SUFFIX


def test_a_folder_that_cannot_be_written_is_said_so(tmp_path: Path) -> None:
    (tmp_path / "copies").write_text("a file in the way")
    with filled(tmp_path / "holdpoint.duckdb") as store:
        with pytest.raises(WriteError, match="copies"):
            store.backup(str(tmp_path / "copies"))
        assert record(store, run(4)) == 4


def test_a_path_with_quotes_is_only_a_path(tmp_path: Path) -> None:
    folder = tmp_path / "it's; drop table run; --"
    with filled(tmp_path / "holdpoint.duckdb") as store:
        assert Path(store.backup(str(folder))).parent == folder
        assert store.table("unit_runs", serial="S001").num_rows == 4


def test_the_newest_copies_are_kept_and_others_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(local, "BACKUPS_KEPT", 2)
    folder = tmp_path / "copies"
    folder.mkdir()
    (folder / "before-0002_more-20260105T080000.000000Z.duckdb").touch()
    (folder / "notes.txt").touch()
    with filled(tmp_path / "holdpoint.duckdb") as store:
        made = [Path(store.backup(str(folder))) for _ in range(4)]
    assert made == sorted(made)
    assert {one.name for one in folder.iterdir()} == {
        *(one.name for one in made[-2:]),
        "before-0002_more-20260105T080000.000000Z.duckdb",
        "notes.txt",
        archive.ANCHORS,
    }


def test_a_copy_that_lacks_rows_is_refused(tmp_path: Path) -> None:
    with filled(tmp_path / "holdpoint.duckdb") as store:
        copy = Path(store.backup(str(tmp_path)))
    counts = archive.check(copy)
    with duckdb.connect(str(copy)) as raw:
        raw.execute("delete from range_result where range = '1 mA'")
    with pytest.raises(SchemaError, match="the copy of range_result is not whole"):
        archive.check(copy, counts)


@pytest.mark.parametrize(
    ("tampering", "row"),
    [
        ("update decision set person = 'Bob' where seq = 2", 2),
        ("update decision set reason = 'none' where seq = 1", 1),
        ("delete from decision where seq = 1", 1),
    ],
)
def test_a_copy_with_a_broken_ledger_is_refused(
    tmp_path: Path, tampering: str, row: int
) -> None:
    with filled(tmp_path / "holdpoint.duckdb") as store:
        copy = Path(store.backup(str(tmp_path)))
    with duckdb.connect(str(copy)) as raw:
        raw.execute(tampering)
    with pytest.raises(SchemaError, match=f"ledger is broken at row {row}"):
        archive.check(copy)


def test_a_file_that_is_no_copy_is_refused(tmp_path: Path) -> None:
    (tmp_path / "copy.duckdb").write_text("no database")
    with pytest.raises(SchemaError, match="cannot be read"):
        archive.check(tmp_path / "copy.duckdb")


def test_each_copy_notes_the_newest_row_of_the_ledger(tmp_path: Path) -> None:
    folder = tmp_path / "copies"
    with filled(tmp_path / "holdpoint.duckdb") as store:
        assert archive.anchors(folder) == ()
        store.backup(str(folder))
        store.keep(PERSONS_HOLD, decision=PLACED)
        store.backup(str(folder))
        rows = [LedgerRow(**one) for one in store.table("decision").to_pylist()]
    noted = archive.anchors(folder)
    assert [one.seq for one in noted] == [2, 3]
    assert verify(rows, noted) is None
    assert verify(rows[:2], noted) == 3
