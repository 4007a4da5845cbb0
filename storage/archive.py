"""Backups: a consistent copy beside the running store, proven before it counts."""

import os
import secrets
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from config.files import AS_IT_IS, FILE_MODE, patiently, private_folder, sync
from storage.errors import SchemaError, WriteError, sentence
from storage.ledger import Anchor, LedgerRow, Restored, anchors_of, verify
from storage.typed import typed

SUFFIX = ".duckdb"
ANCHORS = "ledger-anchors.txt"
"""Beside the copies: the newest row of the ledger at each of them, a line each."""


def back_up(database: duckdb.DuckDBPyConnection, folder: Path, stem: str) -> Path:
    """Write a copy of everything into `folder` and prove that it can be restored.

    Parameters
    ----------
    database : connection
        Of its own for this call, one call at a time a folder; others may write
        meanwhile, the copy is of one moment. The store's file is never opened by
        its path: closing it again would let go of the owner's lock.
    stem : str
        Start of the copy's name; a time in UTC follows.

    Raises
    ------
    WriteError
        When the copy could not be written.
    SchemaError
        When it was written and does not read back as the same rows.
    """
    made_at = datetime.now(UTC).strftime("%Y%m%dT%H%M%S.%fZ")
    path = folder / f"{stem}-{made_at}{SUFFIX}"
    part = folder / f"{stem}.part"
    try:
        private_folder(folder)
        _remove(part)  # a copy that a crash cut short
        try:
            counts = _copy(database, part)
            part.chmod(FILE_MODE)
            check(part, counts)
            sync(part)
            patiently(lambda: part.rename(path))
            _note_anchor(path)
            sync(folder)
        finally:
            _remove(part)
    except (duckdb.Error, OSError) as exc:
        raise WriteError(where=str(path), reason=sentence(exc)) from exc
    return path


def check(path: Path, counts: Mapping[str, int] | None = None) -> Mapping[str, int]:
    """Open a copy, count its rows, verify its ledger; return rows by table.

    Parameters
    ----------
    counts : mapping of str to int, optional
        What the counts must be.

    Raises
    ------
    SchemaError
        When the copy is no database, lacks rows, or has a broken ledger.
    """
    try:
        with duckdb.connect(str(path), read_only=True) as copy:
            found = _count(copy)
            rows = _ledger(copy)
    except duckdb.Error as exc:
        raise SchemaError(where=str(path), detail=sentence(exc)) from exc
    if counts is not None and found != counts:
        short = [name for name in counts if found.get(name) != counts[name]]
        raise SchemaError(
            where=str(path), detail=f"the copy of {', '.join(short)} is not whole"
        )
    broken = verify(rows)
    if broken is not None:
        raise SchemaError(
            where=str(path), detail=f"the ledger is broken at row {broken}"
        )
    return found


def ledger(path: Path) -> tuple[LedgerRow, ...]:
    """Return the ledger of a file of records that nobody has open, oldest row first.

    Raises
    ------
    SchemaError
        When the file is no database, or has no ledger.
    """
    try:
        with duckdb.connect(str(path), read_only=True) as records:
            return _ledger(records)
    except duckdb.Error as exc:
        raise SchemaError(where=str(path), detail=sentence(exc)) from exc


def _ledger(database: duckdb.DuckDBPyConnection) -> tuple[LedgerRow, ...]:
    rows = database.sql("select * from decision order by seq").to_arrow_table()
    return tuple(typed(LedgerRow, rows))


def anchors(folder: Path) -> tuple[Anchor | Restored, ...]:
    """Return what the copies in a folder noted of the ledger; none without copies.

    Restores are among them, in the order of the file.

    Raises
    ------
    SchemaError
        When the file of anchors cannot be read.
    """
    path = folder / ANCHORS
    try:
        return anchors_of(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return ()
    except (OSError, UnicodeDecodeError) as exc:
        raise SchemaError(where=str(path), detail=sentence(exc)) from exc


def _note_anchor(copy: Path) -> None:
    """Note the newest row of a copy's ledger beside it."""
    with duckdb.connect(str(copy), read_only=True) as database:
        note_newest(copy.parent, newest(database))


def newest(database: duckdb.DuckDBPyConnection) -> Anchor | None:
    """Return what is noted of the ledger's newest row; None of an empty one."""
    try:
        rows = database.execute(
            "select seq, row_hash from decision order by seq desc limit 1"
        ).fetchall()
    except duckdb.Error as exc:
        raise SchemaError(where="the ledger", detail=sentence(exc)) from exc
    return Anchor(seq=rows[0][0], row_hash=rows[0][1]) if rows else None


def note_newest(folder: Path, anchor: Anchor | None) -> None:
    """Note the newest row of a ledger in a folder, unless it is the last one noted.

    Lines are only ever added.

    Raises
    ------
    WriteError
        When the file of anchors cannot be written.
    """
    if anchor is None or anchor in anchors(folder)[-1:]:
        return
    path = folder / ANCHORS
    try:
        private_folder(folder)
        flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | AS_IT_IS
        handle = os.open(path, flags, FILE_MODE)
        with os.fdopen(handle, "ab") as file:
            size = file.tell()
            try:
                file.write(f"{anchor.line(datetime.now(UTC))}\n".encode())
                file.flush()
                os.fsync(handle)
            except OSError:
                os.truncate(path, size)  # half a line would count as a row never kept
                raise
    except OSError as exc:
        raise WriteError(where=str(path), reason=exc.strerror or str(exc)) from exc


def keep_newest(folder: Path, stem: str, number: int) -> None:
    """Remove all but the newest `number` copies of `stem` in `folder`."""
    copies = sorted(
        one
        for one in folder.iterdir()
        if one.name.startswith(f"{stem}-") and one.suffix == SUFFIX
    )
    for old in copies[: max(len(copies) - number, 0)]:
        old.unlink(missing_ok=True)


def _copy(database: duckdb.DuckDBPyConnection, part: Path) -> dict[str, int]:
    source = _name(database)
    alias = f"copy_{secrets.token_hex(8)}"
    quoted = str(part).replace("'", "''")
    database.execute(f"attach '{quoted}' as {alias}")
    try:
        database.execute("begin transaction")
        try:
            counts = _count(database)
            database.execute(f'copy from database "{source}" to {alias}')
            database.execute("commit")
        except BaseException:
            with suppress(duckdb.Error):
                database.execute("rollback")
            raise
        # Only what is in the file itself moves with it.
        database.execute(f"checkpoint {alias}")
    finally:
        database.execute(f"detach {alias}")
    return counts


def _name(database: duckdb.DuckDBPyConnection) -> str:
    return str(database.execute("select current_database()").fetchall()[0][0])


def _count(database: duckdb.DuckDBPyConnection) -> dict[str, int]:
    names = database.execute(
        "select table_name from duckdb_tables() "
        "where database_name = current_database() order by table_name"
    ).fetchall()
    counts = {}
    for (name,) in names:
        # The name comes from the catalogue of our own schema.
        sql = f'select count(*) from "{name}"'  # noqa: S608
        counts[str(name)] = int(database.execute(sql).fetchall()[0][0])
    return counts


def _remove(part: Path) -> None:
    part.unlink(missing_ok=True)
    part.with_name(f"{part.name}.wal").unlink(missing_ok=True)
