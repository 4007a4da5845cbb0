"""The history for any engine: what was measured, as Parquet by month, a piece a night.

Under the folder lie, for each product, ``results`` and ``rejudgements`` in folders
``year=2026/month=3`` (as engines that read such folders expect), and ``tables`` with
what grows slowly. A file is written once, read back by two libraries and compared with
the rows before it takes its name; what was written up to is noted last. A stop anywhere
leaves whole files, and the next run takes back those that were not noted.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from urllib.parse import quote

import duckdb
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from config.files import private_folder, sync, write_whole
from storage.errors import ConflictError, SchemaError, sentence
from storage.every_record import RECORDS
from storage.store import Store

BATCH_RUNS = 20_000
"""Runs that are in memory at once."""
NOTE = "written.json"
SLOW = ("build", "reel", "fitting", "session", "signal", "hold", "hold_end", "shipment")
"""Tables that are written whole each time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What one run has added."""

    results: int = 0
    rejudgements: int = 0
    files: int = 0


def write_history(
    store: Store, product: str, folder: Path, *, batch_runs: int = BATCH_RUNS
) -> Written:
    """Add what is new of a product; return how much that was.

    One at a time may write into a folder.

    Parameters
    ----------
    folder : Path
        Of the whole history; made where there is none.

    Raises
    ------
    ConflictError
        What is there is of other records, such as a store that was put back.
    SchemaError
        A file did not read back as the rows that were written.
    config.FileError
        A file could not be written; it is named.
    """
    root = private_folder(folder / f"product={quote(product, safe='')}")
    after = _noted(store, product, root)
    _take_back(root, after)
    results = rejudged = files = 0
    (latest,) = store.table("latest_run", product=product).column("number").to_pylist()
    while after < latest:
        until = min(latest, after + batch_runs)
        rows = store.table(
            "watched_rows", product=product, after=after, until=until, serial=None
        )
        again = store.table("rejudgements", product=product, after=after, until=until)
        for name, table, at in (
            ("results", rows, "started_at"),
            ("rejudgements", again, "made_at"),
        ):
            for place, part in _by_month(table, at):
                into = private_folder(root / name / place)
                _write(into / f"{after:012d}-{until:012d}.parquet", part)
                files += 1
        _note(root, rows, until)
        results, rejudged = results + rows.num_rows, rejudged + again.num_rows
        after = until
    tables = private_folder(root / "tables")
    for name in SLOW:
        _write(tables / f"{name}.parquet", _slow(store, product, name))
    return Written(results=results, rejudgements=rejudged, files=files)


def _slow(store: Store, product: str, name: str) -> pa.Table:
    """Return a table's rows of a product; all of those that are of none, as reels."""
    if name == "hold_end":
        ends = store.table(name)
        holds = store.table("hold", product=product)["hold"].combine_chunks()
        return ends.filter(pc.is_in(ends["hold"], value_set=holds))
    columns = {one.name for one in fields(RECORDS[name])}  # type: ignore[arg-type]
    return store.table(name, **({"product": product} if "product" in columns else {}))


def _noted(store: Store, product: str, root: Path) -> int:
    """Return up to which run was written; refuse what is of other records."""
    note = root / NOTE
    if not note.exists():
        return 0
    try:
        said = json.loads(note.read_text(encoding="utf-8"))
        until, number, run = int(said["until"]), int(said["number"]), said["run"]
    except (ValueError, KeyError, TypeError) as exc:
        raise SchemaError(
            where=str(note), detail="it is not as it was written"
        ) from exc
    rows = store.table(
        "watched_rows", product=product, after=number - 1, until=number, serial=None
    )
    if number and set(rows.column("run").to_pylist()) != {run}:
        raise ConflictError(
            kind="history",
            key=str(root),
            detail=f"run {number} is another one in these records; write the history "
            "of a store that was put back into an empty folder",
        )
    return until


def _note(root: Path, rows: pa.Table, until: int) -> None:
    """Note up to which run was written, and which the last of them is."""
    before = root / NOTE
    said = {"number": 0, "run": ""}
    if before.exists():
        said = json.loads(before.read_text(encoding="utf-8"))
    if rows.num_rows:
        last = rows.select(["number", "run"]).slice(rows.num_rows - 1)
        (said,) = last.to_pylist()
    write_whole(before, json.dumps({**said, "until": until}))


def _take_back(root: Path, until: int) -> None:
    """Remove files of a run that was stopped before it was noted."""
    for path in root.glob("*/year=*/month=*/*.parquet"):
        if int(path.name.partition("-")[0]) >= until:
            path.unlink()
    for path in root.rglob("*.part"):
        path.unlink()


def _by_month(table: pa.Table, at: str) -> Iterator[tuple[str, pa.Table]]:
    """Yield the rows of each month, in UTC, with its folder."""
    years, months = pc.year(table[at]), pc.month(table[at])
    seen = zip(years.to_pylist(), months.to_pylist(), strict=True)
    for year, month in sorted(set(seen)):
        mine = pc.and_(pc.equal(years, year), pc.equal(months, month))
        yield f"year={year}/month={month}", table.filter(mine)


def _write(path: Path, table: pa.Table) -> None:
    """Write a file that two readers have found to be as it should."""
    packed = pa.BufferOutputStream()
    pq.write_table(table, packed, compression="zstd")
    part = write_whole(path.with_suffix(".part"), packed.getvalue().to_pybytes())
    _prove(part, path, table)
    part.replace(path)
    sync(path.parent)


def _prove(part: Path, path: Path, table: pa.Table) -> None:
    """Read a file by two libraries, and compare every value with what was written.

    Raises
    ------
    SchemaError
        One of them reads something else, or cannot read it.
    """
    try:
        one = pq.read_table(part, partitioning=None)
        with duckdb.connect() as reader:
            other = reader.sql(
                "select * from read_parquet($part, hive_partitioning = false)",
                params={"part": str(part)},
            ).to_arrow_table()
        same = one.equals(table) and other.cast(table.schema).equals(table)
    except (pa.ArrowException, duckdb.Error) as exc:
        raise SchemaError(where=str(path), detail=sentence(exc)) from exc
    if not same:
        raise SchemaError(where=str(path), detail="it does not read back as the rows")
