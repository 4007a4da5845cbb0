"""A PostgreSQL server of the tests' own: on a socket in a folder, gone afterwards."""

import os
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from functools import cached_property
from itertools import count
from pathlib import Path
from time import monotonic, sleep

import psycopg
from psycopg import sql

from storage.postgres import PostgresStore

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

    def new(self, template: str = "template0") -> str:
        """Make a database, like another one that nobody is connected to."""
        name = f"of_{os.getpid()}_{next(_named)}"
        with self._asked() as connection:
            connection.execute(
                sql.SQL("create database {} template {}").format(
                    sql.Identifier(name), sql.Identifier(template)
                )
            )
        return name

    def drop(self, database: str) -> None:
        """Remove a database, whoever is connected to it."""
        with self._asked() as connection:
            connection.execute(
                sql.SQL("drop database if exists {} with (force)").format(
                    sql.Identifier(database)
                )
            )

    def kill_and_start_again(self) -> None:
        """Kill all its processes at once, as a power cut would, and start it anew."""
        children = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children")
        for pid in (self.process.pid, *map(int, children.read_text().split())):
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
    """A server, begun once something asks for it, and databases to be copied."""

    def __init__(self, held: ExitStack) -> None:
        self._held = held
        self._templates: dict[str, str] = {}

    @cached_property
    def server(self) -> Server:
        """The server."""
        return self._held.enter_context(server())

    @contextmanager
    def like(self, name: str, fill: Callable[[PostgresStore], None]) -> Iterator[str]:
        """Give the address of a new database, filled as all of this name are."""
        if name not in self._templates:
            template = self.server.new()
            with PostgresStore(self.server.conninfo(template)) as store:
                fill(store)
            self._templates[name] = template
        copy = self.server.new(self._templates[name])
        try:
            yield self.server.conninfo(copy)
        finally:
            self.server.drop(copy)


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
