"""The DuckDB file that this process owns: who may write, who reads, what goes wrong.

One cursor writes, under a lock; each question has a cursor of its own. Whatever
goes wrong inside a transaction ends in ROLLBACK and an exception: a COMMIT after an
error would report success and keep nothing.
"""

import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Condition, Lock, RLock
from typing import TypeVar

import duckdb
import pyarrow as pa

from config.files import FILE_MODE
from storage import archive
from storage.door import Cell
from storage.errors import (
    BusyError,
    MemoryLimitError,
    RefusedValueError,
    SchemaError,
    StorageError,
    UnreachableError,
    WriteError,
    sentence,
)
from storage.migrate import migrate
from storage.tables import Transaction
from storage.typed import in_utc

_OF_DAMAGE = (duckdb.IOException, duckdb.FatalException, duckdb.InternalException)
_NO_MEMORY = "could not allocate"
_OWNER = re.compile(r"PID (\d+)")

# Nothing is ever fetched while the program runs.
_OFFLINE = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreLimits:
    """What the file's library may take of the machine.

    `memory_mb` is of its own memory, not of the process; what needs more is done with
    files beside the store, or refused.
    """

    memory_mb: int = 256
    threads: int = 2


MOST_PARSED = 500
"""Statements that are known parsed: more than a day's work asks different ones."""
COPY_TIMES = 4
"""A copy of everything works out all indexes anew: so many times the memory."""

A = TypeVar("A")
_TIME = duckdb.sqltypes.TIMESTAMP_TZ

_owned: set[Path] = set()
_owning = Lock()


class Engine:
    """The one connection: a writing cursor under a lock, reading cursors by need.

    When the library stops its instance for good (a full disk during a checkpoint),
    all cursors are let go, the file is opened again, and the caller is told that
    its transaction was not kept.
    """

    def __init__(self, path: Path, limits: StoreLimits | None = None) -> None:
        self._path = path
        self._limits = limits or StoreLimits()
        self._times = 1
        """How many times the memory of `limits` may be taken just now."""
        self._writing = RLock()
        self._state = Condition()
        self._readers = 0
        self._pausing = False
        self._closed = False
        self.commits = 0
        """Transactions kept so far."""
        self.beside_runs = 0
        """Those that kept more than runs and what was found in them."""
        self._parsed: dict[str, duckdb.Statement] = {}
        _own(path)
        try:
            self._connection: duckdb.DuckDBPyConnection | None = _connect(
                path, self._limits
            )
        except BaseException:
            _disown(path)
            raise

    @contextmanager
    def transaction(self, *, of_runs: bool = False) -> Iterator[Transaction]:
        """Give the one open transaction; commit it, or roll it back and raise.

        Parameters
        ----------
        of_runs
            Whether it keeps nothing but runs and what was found in them.
        """
        with self._writing:
            with self._state:
                connection = self._connected()
            writer = connection.cursor()
            try:
                writer.begin()
                yield _Writing(writer, self._parse)
                writer.commit()
                self.commits += 1
                self.beside_runs += not of_runs
            except duckdb.FatalException as exc:
                # An open cursor would keep the dead instance alive.
                writer.close()
                self._reopen(connection)
                raise WriteError(where=str(self._path), reason=sentence(exc)) from exc
            except duckdb.Error as exc:
                _roll_back(writer)
                self._refuse_if_too_much(exc)
                raise WriteError(where=str(self._path), reason=sentence(exc)) from exc
            except BaseException:
                _roll_back(writer)
                raise
            finally:
                writer.close()

    @contextmanager
    def reading(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """Give a cursor of its own."""
        with self._state:
            self._state.wait_for(lambda: not self._pausing)
            cursor = self._connected().cursor()
            self._readers += 1
        try:
            yield cursor
        finally:
            cursor.close()
            with self._state:
                self._readers -= 1
                self._state.notify_all()

    @contextmanager
    def copying(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """Give a cursor that copies everything; what memory it took is given back."""
        with self.reading() as cursor:
            most_mb = self._limits.memory_mb
            _allow(cursor, COPY_TIMES * most_mb)
            self._times = COPY_TIMES
            try:
                yield cursor
            except WriteError as exc:
                if isinstance(exc.__cause__, duckdb.Error):
                    self._refuse_if_too_much(exc.__cause__)
                raise
            finally:
                # Others may need more just now; it is set again after the next copy.
                with suppress(duckdb.Error):
                    _allow(cursor, most_mb)
                    self._times = 1

    @contextmanager
    def asking(self) -> Iterator[Transaction]:
        """Give what asks as a transaction does, and changes nothing."""
        with self.reading() as cursor:
            yield _Writing(cursor, self._parse)

    def table(self, sql: str, parameters: Mapping[str, Cell]) -> pa.Table:
        """Answer one statement that only reads."""
        return self._answered(self._table, sql, parameters)

    def columns(
        self, sql: str, parameters: Mapping[str, Cell]
    ) -> Mapping[str, Sequence[object]]:
        """Answer one statement that only reads, column by column; times in UTC.

        The library plans what it gives as Arrow twice: few rows take half as long so.
        """
        return self._answered(self._columns, sql, parameters)

    def _answered(
        self,
        ask: Callable[[str, Mapping[str, Cell]], A],
        sql: str,
        parameters: Mapping[str, Cell],
    ) -> A:
        connection = self._connection
        try:
            try:
                return ask(sql, parameters)
            except duckdb.FatalException:
                # The instance died of somebody's write; the file itself is whole.
                self._reopen(connection)
                return ask(sql, parameters)
        except (duckdb.ConversionException, duckdb.InvalidInputException) as exc:
            raise RefusedValueError(
                what="parameters",
                value=str(dict(parameters)),
                allowed=f"must be of the columns' types: {sentence(exc)}",
            ) from exc
        except duckdb.Error as exc:
            self._refuse_if_too_much(exc)
            detail = sentence(exc)
            if isinstance(exc, _OF_DAMAGE):
                detail = f"{detail}. {_way_back(self._path)}"
            raise SchemaError(where=str(self._path), detail=detail) from exc

    def _refuse_if_too_much(self, exc: duckdb.Error) -> None:
        """Say which setting is too small, where memory is what was missing."""
        # A COMMIT that cannot have its memory is another kind of error.
        if isinstance(exc, duckdb.OutOfMemoryException) or _NO_MEMORY in str(exc):
            raise MemoryLimitError(
                where=str(self._path),
                memory_mb=self._limits.memory_mb,
                times=self._times,
            ) from exc

    def _parse(self, sql: str) -> duckdb.Statement | str:
        """Return a statement parsed: one that was run before is parsed no more."""
        if (known := self._parsed.get(sql)) is not None:
            return known
        with self._state:
            connection = self._connected()
        found = connection.extract_statements(sql)
        if len(found) != 1:
            return sql
        if len(self._parsed) >= MOST_PARSED:
            self._parsed.clear()
        self._parsed[sql] = found[0]
        return found[0]

    def _table(self, sql: str, parameters: Mapping[str, Cell]) -> pa.Table:
        with self.reading() as cursor:
            return cursor.sql(sql, params=dict(parameters)).to_arrow_table()

    def _columns(
        self, sql: str, parameters: Mapping[str, Cell]
    ) -> dict[str, Sequence[object]]:
        with self.reading() as cursor:
            answer = cursor.execute(self._parse(sql), dict(parameters))
            kinds = {str(name): kind for name, kind, *_ in answer.description}
            rows = answer.fetchall()
        columns: Iterable[Sequence[object]] = (
            zip(*rows, strict=True) if rows else ((),) * len(kinds)
        )
        return {
            name: in_utc(column) if kind == _TIME else column
            for (name, kind), column in zip(kinds.items(), columns, strict=True)
        }

    def close(self) -> None:
        """Let go of the file, once those who read it now are done."""
        with self._writing, self._paused():
            if self._closed:
                return
            self._closed = True
            if self._connection is not None:
                self._connection.close()
                self._connection = None
            _disown(self._path)

    def _connected(self) -> duckdb.DuckDBPyConnection:
        if self._closed:
            raise UnreachableError(address=str(self._path), reason="it was closed")
        if self._connection is None:
            self._connection = _connect(self._path, self._limits)
        return self._connection

    def _reopen(self, dead: duckdb.DuckDBPyConnection | None) -> None:
        """Open the file again, unless somebody did since; later if it cannot be."""
        with self._writing, self._paused():
            if self._closed or self._connection is not dead:
                return
            if dead is not None:
                dead.close()
            self._connection = None
            with suppress(StorageError):
                self._connection = _connect(self._path, self._limits)

    @contextmanager
    def _paused(self) -> Iterator[None]:
        """Let nobody begin to read, and wait for those who do."""
        with self._state:
            self._pausing = True
            self._state.wait_for(lambda: self._readers == 0)
            try:
                yield
            finally:
                self._pausing = False
                self._state.notify_all()


class _Writing:
    """The open transaction as the commands see it."""

    def __init__(
        self,
        cursor: duckdb.DuckDBPyConnection,
        parse: Callable[[str], duckdb.Statement | str],
    ) -> None:
        self._cursor = cursor
        self._parse = parse

    def ask(self, sql: str, parameters: Mapping[str, Cell]) -> list[dict[str, object]]:
        answer = self._cursor.execute(self._parse(sql), dict(parameters))
        names = [str(column[0]) for column in answer.description]
        return [dict(zip(names, row, strict=True)) for row in answer.fetchall()]

    def run(self, sql: str, parameters: Mapping[str, Cell]) -> None:
        self._cursor.execute(self._parse(sql), dict(parameters))

    def fill(self, table: str, rows: Sequence[Mapping[str, Cell]]) -> None:
        # A column a parameter: to make an Arrow table of rows would load pandas.
        columns = {name: [row[name] for row in rows] for name in rows[0]}
        given = ", ".join(f"unnest(${name}) as {name}" for name in columns)
        sql = f"insert into {table} by name select {given}"
        self._cursor.execute(self._parse(sql), columns)


def _allow(cursor: duckdb.DuckDBPyConnection, memory_mb: int) -> None:
    cursor.execute(f"set global memory_limit = '{memory_mb}MB'")


def _roll_back(cursor: duckdb.DuckDBPyConnection) -> None:
    # A COMMIT that failed has ended its transaction already.
    with suppress(duckdb.Error):
        cursor.execute("rollback")


def _connect(path: Path, limits: StoreLimits) -> duckdb.DuckDBPyConnection:
    most = {
        "memory_limit": f"{limits.memory_mb}MB",
        "threads": str(limits.threads),
    }
    is_new = not path.exists()
    try:
        connection = duckdb.connect(str(path), config={**_OFFLINE, **most})
    except duckdb.Error as exc:
        raise _not_opened(path, exc) from exc
    try:
        if is_new:
            path.chmod(FILE_MODE)  # where the process lets others read what it makes
        connection.execute("set global timezone = 'UTC'")
        migrate(
            connection,
            where=str(path),
            before_each=lambda step: _back_up_before(connection, path, step),
        )
    except duckdb.Error as exc:
        # A block is read, and its checksum compared, when it is first asked for.
        with suppress(duckdb.Error):
            connection.close()
        raise _not_opened(path, exc) from exc
    except BaseException:
        connection.close()
        raise
    return connection


def _back_up_before(
    connection: duckdb.DuckDBPyConnection, path: Path, step: str
) -> None:
    with connection.cursor() as cursor:
        archive.back_up(cursor, path.parent / "backups", f"before-{step}")


def _not_opened(path: Path, exc: duckdb.Error) -> StorageError:
    text = sentence(exc)
    # On Windows the system says so in the person's language, and the library which
    # process it is in a line below.
    is_open = "already open in" in str(exc)
    if ("lock" in text or is_open) and (owner := _OWNER.search(str(exc))):
        return BusyError(path=str(path), pid=int(owner[1]))
    if is_open or "Could not set lock" in text or "used by another process" in text:
        return BusyError(path=str(path), pid=None)
    if path.is_file():
        return SchemaError(where=str(path), detail=f"{text}. {_way_back(path)}")
    return WriteError(where=str(path), reason=text)


def _way_back(path: Path) -> str:
    return (
        "If the file is damaged, `holdpoint restore FILE --aside` puts a copy back; "
        f"those of each night are in {path.parent / 'backups'}"
    )


def _own(path: Path) -> None:
    # The library would share one instance between two stores of a process, and
    # each would count its own run numbers.
    with _owning:
        if path in _owned:
            raise BusyError(path=str(path), pid=os.getpid())
        _owned.add(path)


def _disown(path: Path) -> None:
    with _owning:
        _owned.discard(path)
