"""The file has one owner; whatever is wrong with it is said in one sentence."""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread
from typing import NoReturn

import duckdb
import pytest

from storage import engine
from storage.door import Cell
from storage.engine import StoreLimits
from storage.errors import BusyError, MemoryLimitError, SchemaError, WriteError
from storage.local import LocalStore
from tests.storage.samples import PRODUCT, furnish, record, run

FATAL = duckdb.FatalException("FATAL Error: no space left")
OWNER = """
import sys
from pathlib import Path
from storage.local import LocalStore
with LocalStore(Path(sys.argv[1])):
    print("open", flush=True)
    sys.stdin.read()
"""


@contextmanager
def owned_elsewhere(path: Path) -> Iterator[int]:
    """Have another process own the file; give its number."""
    with subprocess.Popen(
        [sys.executable, "-c", OWNER, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"open\n"
        yield process.pid
        process.communicate()


def test_a_file_of_another_process_is_busy_and_says_whose(tmp_path: Path) -> None:
    path = tmp_path / "holdpoint.duckdb"
    with owned_elsewhere(path) as pid:
        with pytest.raises(BusyError, match=f"in use by process {pid}") as caught:
            LocalStore(path)
        assert (caught.value.path, caught.value.pid) == (str(path), pid)
        with pytest.raises(BusyError):
            LocalStore.open_briefly(path, wait_s=0.05)
    LocalStore(path).close()


def test_a_file_is_owned_once_in_a_process_too(tmp_path: Path) -> None:
    path = tmp_path / "holdpoint.duckdb"
    with LocalStore(path), pytest.raises(BusyError) as caught:
        LocalStore(tmp_path / "." / "holdpoint.duckdb")
    assert caught.value.pid == os.getpid()
    LocalStore(path).close()


def test_closing_twice_takes_the_file_from_nobody_else(tmp_path: Path) -> None:
    path = tmp_path / "holdpoint.duckdb"
    first = LocalStore(path)
    first.close()
    with LocalStore(path):
        first.close()
        with pytest.raises(BusyError):
            LocalStore(path)


def test_a_brief_opening_waits_until_the_file_is_free(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "holdpoint.duckdb"
    holder = LocalStore(path)
    pauses: list[float] = []

    def pause(seconds: float) -> None:
        pauses.append(seconds)
        if len(pauses) == 3:
            holder.close()

    monkeypatch.setattr(time, "sleep", pause)
    with LocalStore.open_briefly(path, wait_s=60.0) as store:
        furnish(store)
    assert pauses == sorted(pauses)
    assert len(pauses) == 3


@pytest.mark.parametrize("content", [b"no database", b"x" * 20_000])
def test_a_file_that_is_no_database_is_refused_and_left_alone(
    tmp_path: Path, content: bytes
) -> None:
    path = tmp_path / "holdpoint.duckdb"
    path.write_bytes(content)
    with pytest.raises(SchemaError, match=r"holdpoint\.duckdb cannot be read"):
        LocalStore(path)
    assert path.read_bytes() == content


def test_a_damaged_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "holdpoint.duckdb"
    with LocalStore(path) as store:
        furnish(store)
    whole = path.read_bytes()
    path.write_bytes(whole[:9_000])
    with pytest.raises(SchemaError):
        LocalStore(path)


def test_a_folder_that_is_not_there_is_said_so(tmp_path: Path) -> None:
    with pytest.raises(WriteError, match="missing"):
        LocalStore(tmp_path / "missing" / "holdpoint.duckdb")


def test_nothing_is_written_into_a_store_that_could_not_be_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise SchemaError(where="here", detail="no")

    path = tmp_path / "holdpoint.duckdb"
    with monkeypatch.context() as broken:
        broken.setattr(engine, "migrate", fail)
        with pytest.raises(SchemaError):
            LocalStore(path)
    LocalStore(path).close()


def test_an_interrupted_command_is_rolled_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        furnish(store)
        with monkeypatch.context() as broken:
            broken.setattr("storage.runs._Keeping._agree", interrupt)
            with pytest.raises(KeyboardInterrupt):
                record(store, run(1))
        assert record(store, run(2)) == 1


def test_an_error_inside_a_transaction_never_ends_in_a_silent_commit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A COMMIT after a failed statement would report success and keep nothing."""
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        furnish(store)
        with monkeypatch.context() as broken:
            broken.setattr("storage.runs._COPIED", ("kind",))
            with pytest.raises(WriteError):
                record(store, run(1))
        assert store.table("unit_runs", serial="S001").num_rows == 0
        assert record(store, run(1)) == 1


def test_closing_waits_for_whoever_reads(tmp_path: Path) -> None:
    store = LocalStore(tmp_path / "holdpoint.duckdb")
    closing = Event()

    def close() -> None:
        closing.set()
        store.close()

    with store._database.reading() as cursor:
        closer = Thread(target=close)
        closer.start()
        closing.wait()
        assert cursor.execute("select 42").fetchall() == [(42,)]
    closer.join()


def test_nothing_is_fetched_and_times_are_utc(tmp_path: Path) -> None:
    with (
        LocalStore(tmp_path / "holdpoint.duckdb") as store,
        store._database.reading() as cursor,
    ):
        for setting, value in (
            ("TimeZone", "UTC"),
            ("autoinstall_known_extensions", False),
            ("autoload_known_extensions", False),
        ):
            found = cursor.execute("select current_setting($1)", [setting]).fetchall()
            assert found == [(value,)]


def test_a_dead_instance_is_opened_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        furnish(store)

        def die(*_: object) -> None:
            raise FATAL

        dead = store._database._connection
        with monkeypatch.context() as broken:
            broken.setattr("storage.runs._Keeping._agree", die)
            with pytest.raises(WriteError, match="FATAL"):
                record(store, run(1))
        assert store._database._connection is not dead
        assert record(store, run(1)) == 1
        store.keep(PRODUCT)


def test_an_instance_that_dies_while_read_is_opened_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        furnish(store)
        answer = store._database._table
        deaths = [FATAL]

        def die_once(sql: str, parameters: dict[str, Cell]) -> object:
            if deaths:
                raise deaths.pop()
            return answer(sql, parameters)

        dead = store._database._connection
        with monkeypatch.context() as broken:
            broken.setattr(store._database, "_table", die_once)
            assert store.table("product").num_rows == 1
        assert store._database._connection is not dead


def test_a_file_that_cannot_be_opened_again_is_opened_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        furnish(store)

        def die(*_: object) -> None:
            raise FATAL

        def refuse(path: Path, _: StoreLimits) -> None:
            raise WriteError(where=str(path), reason="disk full")

        with monkeypatch.context() as broken:
            broken.setattr("storage.runs._Keeping._agree", die)
            broken.setattr(engine, "_connect", refuse)
            with pytest.raises(WriteError, match="FATAL"):
                record(store, run(1))
            with pytest.raises(WriteError, match="disk full"):
                store.table("product")
        assert record(store, run(1)) == 1


def test_a_copy_that_lacks_memory_names_what_it_might_take(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Four times the settings' limit; no more once it is done, or has failed."""

    def too_much(*_: object) -> NoReturn:
        message = "could not allocate block of size 256 KiB"
        raise duckdb.OutOfMemoryException(message)

    limits = StoreLimits(memory_mb=128, threads=1)
    with LocalStore(tmp_path / "holdpoint.duckdb", limits) as store:
        furnish(store)
        with monkeypatch.context() as broken:
            broken.setattr("storage.archive._copy", too_much)
            with pytest.raises(
                MemoryLimitError,
                match="the 512 MB of memory that a copy may take, 4 times memory_limit",
            ) as refused:
                store.backup(str(tmp_path / "copies"))
        assert "it is 128 now" in str(refused.value)
        with pytest.raises(MemoryLimitError, match="the 128 MB of memory that the"):
            store._database.table(
                "select list(n order by n desc) from range(100000000) t(n)", {}
            )
        assert store.backup(str(tmp_path / "copies"))


def test_the_file_s_library_takes_no_more_than_it_may(tmp_path: Path) -> None:
    limits = StoreLimits(memory_mb=128, threads=1)
    with LocalStore(tmp_path / "holdpoint.duckdb", limits) as store:
        database = store._database
        (found,) = database.table(
            "select current_setting('memory_limit') as memory, "
            "current_setting('threads') as threads",
            {},
        ).to_pylist()
        assert found == {"memory": "122.0 MiB", "threads": 1}
        with pytest.raises(
            MemoryLimitError, match=r"more than the 128 MB .* memory_limit_mb in"
        ):
            database.table(
                "select list(n order by n desc) from range(100000000) t(n)", {}
            )

        def cannot_commit() -> None:
            with database.transaction() as transaction:
                transaction.run("create table much as select 1 as n", {})
                message = "Failed to commit: could not allocate block of size 256 KiB"
                raise duckdb.TransactionException(message)

        with pytest.raises(MemoryLimitError, match="nothing was changed"):
            cannot_commit()
        furnish(store)
        assert store.rows(type(PRODUCT)) == [PRODUCT]
