"""The history as Parquet: every row once, whatever stops it, read by two engines."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import duckdb
import pandas as pd
import pyarrow.parquet as pq
import pytest

from storage import history
from storage.errors import ConflictError, SchemaError
from storage.history import write_history
from storage.local import LocalStore
from storage.records import Product, Run
from tests.storage.samples import (
    BUILD,
    CHECK,
    END,
    ENDED,
    PERSONS_HOLD,
    PLACED,
    REJUDGEMENT,
    furnish,
    record,
    results,
    run,
)

PRODUCT = "photoamp"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[LocalStore]:
    with LocalStore(tmp_path / "holdpoint.duckdb") as one:
        furnish(one)
        yield one


def measured(store: LocalStore, number: int, *, days: int = 0) -> None:
    of = run(number)
    at = of.started_at + timedelta(days=days)
    record(store, replace(of, started_at=at, finished_at=at))


def kept(store: LocalStore) -> set[tuple[str, str]]:
    rows = store.table(
        "watched_rows", product=PRODUCT, after=0, until=10**9, serial=None
    ).to_pylist()
    return {(one["run"], one["range"]) for one in rows}


def by_duckdb(folder: Path, what: str = "results") -> list[tuple[str, str]]:
    with duckdb.connect() as reader:
        return reader.execute(
            "select run, range from read_parquet($path, hive_partitioning = true)",
            {"path": f"{folder}/*/{what}/*/*/*.parquet"},
        ).fetchall()


def by_pandas(folder: Path, what: str = "results") -> list[tuple[str, str]]:
    (root,) = folder.glob("product=*")
    frame = pd.read_parquet(root / what)
    return [*zip(frame["run"], frame["range"], strict=True)]


def whole(store: LocalStore, folder: Path) -> None:
    """Assert that both readers find every row once."""
    for found in (by_duckdb(folder), by_pandas(folder)):
        assert len(found) == len(set(found))
        assert set(found) == kept(store)


def test_each_run_adds_what_is_new_by_month(store: LocalStore, tmp_path: Path) -> None:
    folder = tmp_path / "history"
    for number in (1, 2, 3):
        measured(store, number, days=40 * number)
    first = write_history(store, PRODUCT, folder, batch_runs=2)
    assert first.results == 12
    whole(store, folder)
    assert {one.name for one in folder.glob("*/results/*/*")} == {
        "month=2", "month=3", "month=5",
    }  # fmt: skip
    assert write_history(store, PRODUCT, folder).results == 0
    measured(store, 4)
    assert write_history(store, PRODUCT, folder).results == 4
    whole(store, folder)
    builds = pd.read_parquet(next(folder.glob("*/tables/build.parquet")))
    assert builds["build"].tolist() == ["B1", "B2"]


def test_what_was_judged_again_is_added_with_its_check(
    store: LocalStore, tmp_path: Path
) -> None:
    record(store, run(1))
    store.record_run(CHECK, results(CHECK), closes=[REJUDGEMENT])
    assert write_history(store, PRODUCT, tmp_path / "history").rejudgements == 1
    assert by_duckdb(tmp_path / "history", "rejudgements") == [("run 1", "10 uA")]


@pytest.mark.parametrize("stopped_at", range(1, 9))
def test_a_stop_anywhere_neither_loses_nor_doubles(
    store: LocalStore,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    stopped_at: int,
) -> None:
    folder = tmp_path / "history"
    for number in range(1, 6):
        measured(store, number, days=40 * (number % 2))
    steps = 0

    def stopping(name: str) -> None:
        does = getattr(history, name)

        def step(*given: object) -> object:
            nonlocal steps
            steps += 1
            if steps == stopped_at:
                raise KeyboardInterrupt
            return does(*given)

        monkeypatch.setattr(history, name, step)

    for name in ("_write", "_note"):
        stopping(name)
    with pytest.raises(KeyboardInterrupt):
        write_history(store, PRODUCT, folder, batch_runs=2)
    monkeypatch.undo()
    measured(store, 6)
    write_history(store, PRODUCT, folder, batch_runs=3)
    whole(store, folder)
    assert not [*folder.rglob("*.part")]


def test_a_store_that_was_put_back_is_refused(
    store: LocalStore, tmp_path: Path
) -> None:
    measured(store, 1)
    write_history(store, PRODUCT, tmp_path / "history")
    with LocalStore(tmp_path / "other.duckdb") as other:
        furnish(other)
        record(other, replace(run(9), run="another"))
        with pytest.raises(ConflictError, match="into an empty folder"):
            write_history(other, PRODUCT, tmp_path / "history")
        assert len(other.rows(Run)) == 1


@pytest.mark.parametrize("reader", ["pyarrow", "duckdb"])
def test_a_file_that_reads_otherwise_never_takes_its_name(
    store: LocalStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reader: str
) -> None:
    measured(store, 1)
    real = pq.read_table
    if reader == "pyarrow":
        monkeypatch.setattr(pq, "read_table", lambda *a, **k: real(*a, **k).slice(1))
    else:
        monkeypatch.setattr("storage.history.duckdb", _Shortened(duckdb.connect))
    with pytest.raises(SchemaError, match="does not read back"):
        write_history(store, PRODUCT, tmp_path / "history")
    assert not [*(tmp_path / "history").rglob("*.parquet")]


class _Shortened:
    """A database library that loses a row."""

    Error = duckdb.Error

    def __init__(self, connect: object) -> None:
        self._connect = connect

    def connect(self, **named: object) -> object:
        return _Lossy(self._connect(**named))  # type: ignore[operator]


class _Lossy:
    def __init__(self, real: duckdb.DuckDBPyConnection) -> None:
        self._real = real

    def __enter__(self) -> "_Lossy":
        return self

    def __exit__(self, *_: object) -> None:
        self._real.close()

    def sql(self, text: str, params: object) -> duckdb.DuckDBPyRelation:
        return self._real.sql(f"{text} offset 1", params=params)


def test_a_folder_has_the_builds_and_holds_of_its_product_alone(
    store: LocalStore, tmp_path: Path
) -> None:
    """Engines take the product from the folder's name: another's rows would be its."""
    store.keep(Product(product="other", title="Other"))
    store.keep(replace(BUILD, build="X1", product="other"))
    store.keep(PERSONS_HOLD, decision=PLACED)
    hold = PERSONS_HOLD.hold
    store.keep(replace(END, hold=hold), decision=replace(ENDED, subject=hold))
    folder = tmp_path / "history"
    for product in (PRODUCT, "other"):
        write_history(store, product, folder)

    def kept_of(product: str, name: str) -> list[str]:
        file = folder / f"product={product}" / "tables" / f"{name}.parquet"
        read: list[str] = (
            pq.ParquetFile(file)
            .read()[name if name != "hold_end" else "hold"]
            .to_pylist()
        )
        return read

    assert kept_of(PRODUCT, "build") == ["B1", "B2"]
    assert kept_of("other", "build") == ["X1"]
    for name in ("hold", "hold_end"):
        assert kept_of(PRODUCT, name) == [hold]
        assert kept_of("other", name) == []
    assert kept_of("other", "reel") == kept_of(PRODUCT, "reel") == ["reel 7"]
