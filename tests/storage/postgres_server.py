"""A PostgreSQL server of the tests' own: on a socket in a folder, gone afterwards."""

import os
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from dataclasses import dataclass
from functools import cached_property
from itertools import count
from pathlib import Path
from time import monotonic, sleep

import psycopg
from psycopg import sql

from storage.postgres import SCHEMA, PostgresStore

_PATIENCE_S = 120.0
_OWNER = "postgres"
"""The server refuses to run as root: then this account of its package runs it."""
_named = count(1)


@dataclass(slots=True)
class Server:
    """A running server; whoever reaches its folder may do everything."""

    folder: Path
    process: "subprocess.Popen[bytes]"

    def conninfo(self, database: str) -> str:
        """Return the address of one of its databases."""
        return f"host={self.folder} user={_OWNER} dbname={database}"

    def new(self) -> str:
        """Make a database."""
        name = f"of_{os.getpid()}_{next(_named)}"
        with self._asked() as connection:
            connection.execute(
                sql.SQL("create database {} template template0").format(
                    sql.Identifier(name)
                )
            )
        return name

    def workers(self) -> list[int]:
        """Return the numbers of the processes that it has started."""
        children = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children")
        return [int(one) for one in children.read_text().split()]

    def kill_and_start_again(self) -> None:
        """Kill all its processes at once, and start it anew."""
        for pid in (self.process.pid, *self.workers()):
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self.process.wait()
        (self.folder / "data" / "postmaster.pid").unlink(missing_ok=True)
        self.process = _started(self.folder)
        _wait_for(self)

    def stop(self) -> None:
        """End it."""
        self.process.terminate()
        try:
            self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()

    def _asked(self) -> "psycopg.Connection[tuple[object, ...]]":
        return psycopg.connect(self.conninfo("postgres"), autocommit=True)


class Databases:
    """A server, begun once something asks for it, and databases that are used again."""

    def __init__(self, held: ExitStack) -> None:
        self._held = held
        self._free: list[str] = []

    @cached_property
    def server(self) -> Server:
        """The server."""
        return self._held.enter_context(server())

    @contextmanager
    def filled(self, fill: Callable[[PostgresStore], None]) -> Iterator[str]:
        """Give the address of a database of its own with what `fill` keeps in it."""
        name = self._free.pop() if self._free else self.server.new()
        conninfo = self.server.conninfo(name)
        with PostgresStore(conninfo) as store:
            fill(store)
        yield conninfo
        # Emptying takes a thirtieth of the time that a new one does.
        _empty(conninfo)
        self._free.append(name)

    def empty(self) -> AbstractContextManager[str]:
        """Give the address of a database of its own without rows."""
        return self.filled(lambda _: None)


def _empty(conninfo: str) -> None:
    """Take all rows out of a database, as if nothing had ever been kept in it."""
    with psycopg.connect(conninfo, autocommit=True) as connection:
        connection.execute(sql.SQL("set search_path = {}").format(sql.SQL(SCHEMA)))
        found = connection.execute(
            "select table_name from information_schema.tables where table_schema = %s "
            "and table_type = 'BASE TABLE' and table_name <> 'schema_migrations'",
            (SCHEMA,),
        ).fetchall()
        # Few rows are deleted in half the time that new files for all tables take;
        # no trigger is to follow a reference or to refuse.
        connection.execute("set session_replication_role = replica")
        one = sql.SQL("delete from {}")
        emptied = (one.format(sql.Identifier(str(name))) for (name,) in found)
        connection.execute(sql.SQL("; ").join(emptied))
        connection.execute("insert into commits values (0)")


@contextmanager
def server() -> Iterator[Server]:
    """Run a server until the block ends."""
    # A socket's path must be short, and its owner must reach it.
    folder = Path(tempfile.mkdtemp(prefix="hp-pg-"))
    if os.geteuid() == 0:
        shutil.chown(folder, _OWNER)
    try:
        subprocess.run(
            [
                *(_program("initdb"), "-D", str(folder / "data"), "-U", _OWNER),
                *("-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync"),
            ],
            check=True,
            cwd=folder,
            stdout=subprocess.DEVNULL,
            user=_user(),
        )
        one = Server(folder, _started(folder))
        try:
            _wait_for(one)
            yield one
        finally:
            one.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _user() -> str | None:
    return _OWNER if os.geteuid() == 0 else None


def _started(folder: Path) -> "subprocess.Popen[bytes]":
    with (folder / "log").open("ab") as log:
        return subprocess.Popen(
            [
                *(_program("postgres"), "-D", str(folder / "data")),
                *("-c", "listen_addresses="),
                *("-c", f"unix_socket_directories={folder}"),
                *("-c", "fsync=off", "-c", "max_connections=60"),
            ],
            cwd=folder,
            stdout=log,
            stderr=log,
            user=_user(),
        )


def _wait_for(one: Server) -> None:
    deadline_s = monotonic() + _PATIENCE_S
    while True:
        try:
            psycopg.connect(one.conninfo("postgres")).close()
        except psycopg.OperationalError:
            if monotonic() > deadline_s or one.process.poll() is not None:
                raise
            sleep(0.05)
        else:
            return


def _program(name: str) -> str:
    for folder in sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True):
        if (folder / name).exists():
            return str(folder / name)
    found = shutil.which(name)
    if found is None:
        message = f"{name} is not installed: the package postgresql has it"
        raise FileNotFoundError(message)
    return found
