"""Several benches that record and tell while they, and their server, are killed.

Each bench is a process of its own: it records units, each with its watching, as fast
as it can, and exchanges with the shared database now and then. Both it and the server
are killed again and again (SIGKILL). Then all is told, and counted: what a bench has
must be there once, and nothing else. Before the kills all go on undisturbed for a
while: how many units come through, and what processor time each takes.
"""

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, nullcontext, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import click
import numpy as np
import psycopg
from psycopg import sql

from storage.errors import StorageError
from storage.exchanging import exchange
from storage.ledger import LedgerRow, verify
from storage.local import LocalStore
from storage.postgres import SCHEMA, PostgresStore
from storage.records import Evaluation, Run
from tests.storage.postgres_server import Server, server
from tests.storage.samples import CONFIGURATION, SESSION, furnish, record, run
from tests.studies.used import used_s

EVERY = 10
"""Units that are recorded between two exchanges."""
LIVES_S = (1.5, 4.0)
WARM_UP = 50
"""Units of each bench that are there before the pace is counted."""
CORES = 2
"""What a small maker's machine has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What was left after all kills."""

    benches: int
    kills: int
    server_kills: int
    recorded: int
    there: int
    lost: int
    doubled: int
    ledger_is_whole: bool
    units_per_s: float | None
    """Of all benches, into the shared database, with whatever else the machine did."""
    used_ms: float | None
    """Processor time that a unit took, of benches and server together: recorded and
    watched in the bench's own file, told, kept in the shared database."""
    server_used_ms: float | None
    """Of it, the server's."""
    units_per_s_of_two_cores: float | None
    """What two cores have time for by that, were they doing nothing else."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What it takes to tell units that wait, and to hear of the others'."""

    benches: int
    units: int
    units_per_s: float
    """One bench after another, with whatever else the machine did."""
    used_ms: float
    """Processor time that a unit took, of benches and server together: told by its
    bench, kept in the shared database, heard by each of the others."""
    server_used_ms: float
    """Of it, the server's."""
    units_per_s_of_two_cores: float


def live(folder: Path, bench: str, conninfo: str, most: int) -> None:
    """Record and exchange until killed, or until so many units are recorded.

    Without an address all of them wait.
    """
    with LocalStore(folder / f"{bench}.duckdb") as store:
        done = len(store.rows(Run))
        if conninfo:
            click.echo("begun")
        shared: PostgresStore | None = None
        while done < most:
            done += 1
            of = run(done, serial=f"{bench}-{done:06d}")
            record(store, replace(of, run=f"{bench} {done}", session=bench))
            store.record_evaluation(
                Evaluation(product="photoamp", number=done, signals=(), holds=())
            )
            if conninfo and done % EVERY == 0:
                with suppress(StorageError):
                    shared = shared or PostgresStore(conninfo)
                    exchange(store, shared, bench)


def study(
    *,
    benches: int,
    kills: int,
    server_kills: int,
    seed: int = 7,
    lives_s: tuple[float, float] = LIVES_S,
    pace_s: float = 0.0,
    others: Server | None = None,
) -> Found:
    """Kill and count.

    Parameters
    ----------
    lives_s
        How long a bench lives at least and at most, once it records.
    pace_s
        How long all go on undisturbed before; 0: they do not.
    others
        A server that others use too, and is not killed; left out, one of its own.
    """
    chance = np.random.default_rng(seed)
    names = [f"bench-{one + 1}" for one in range(benches)]
    with (
        TemporaryDirectory() as place,
        server() if others is None else nullcontext(others) as at,
    ):
        folder, conninfo = Path(place), at.conninfo(at.new())
        with PostgresStore(conninfo) as shared:
            for place_of, name in enumerate(names):
                _set_up(folder, name, shared, first=place_of == 0)
        pace = _paced(folder, names, at, conninfo, pace_s) if pace_s else None
        deaths, server_deaths = dict.fromkeys(names, 0), 0
        while min(deaths.values()) < kills or server_deaths < server_kills:
            with _living(folder, names, conninfo):
                time.sleep(chance.uniform(*lives_s))
                if server_deaths < server_kills:
                    at.kill_and_start_again()
                    server_deaths += 1
            for name in names:
                deaths[name] += 1
        return _counted(
            folder, names, conninfo, sum(deaths.values()), server_deaths, pace
        )


def telling(*, benches: int, units: int, others: Server | None = None) -> Told:
    """Record so many units at each bench, then tell all of them, and count.

    Parameters
    ----------
    others
        As in `study`.
    """
    names = [f"bench-{one + 1}" for one in range(benches)]
    with (
        TemporaryDirectory() as place,
        server() if others is None else nullcontext(others) as at,
        ExitStack() as held,
    ):
        conninfo = at.conninfo(at.new())
        shared = held.enter_context(PostgresStore(conninfo))
        for number, name in enumerate(names):
            _set_up(Path(place), name, shared, first=number == 0)
            live(Path(place), name, "", units)
        stores = {
            name: held.enter_context(LocalStore(Path(place) / f"{name}.duckdb"))
            for name in names
        }

        def used() -> tuple[float, float]:
            server_s = sum(map(used_s, [at.process.pid, *at.workers()]))
            return server_s, server_s + time.process_time()

        before_s, begun_s = used(), time.monotonic()
        while any(one.marks().waiting for one in stores.values()):
            for name, store in stores.items():
                exchange(store, shared, name)
        taken_s, after_s = time.monotonic() - begun_s, used()
        there = len(shared.rows(Run))
        used_ms = 1e3 * (after_s[1] - before_s[1]) / there
        return Told(
            benches=benches,
            units=there,
            units_per_s=there / taken_s,
            used_ms=used_ms,
            server_used_ms=1e3 * (after_s[0] - before_s[0]) / there,
            units_per_s_of_two_cores=CORES * 1e3 / used_ms,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pace:
    units: int
    taken_s: float
    used_s: float
    server_used_s: float


def _paced(
    folder: Path, names: list[str], at: Server, conninfo: str, pace_s: float
) -> _Pace:
    """Let all benches record and tell for a while; count what came through."""
    with (
        _living(folder, names, conninfo) as running,
        psycopg.connect(conninfo, autocommit=True) as asking,
    ):

        def counted(what: str) -> int:
            asked = sql.SQL("select count({}) from {}.run")
            found = asking.execute(asked.format(sql.SQL(what), sql.Identifier(SCHEMA)))
            (row,) = found.fetchall()
            return int(row[0])

        # By then all lines to the server are open, and the statements are translated.
        while counted("*") < WARM_UP * len(names):
            time.sleep(0.02)
        at_server = [at.process.pid, *at.workers()]

        def used() -> tuple[float, float]:
            server_s = sum(map(used_s, at_server))
            return server_s, server_s + sum(used_s(one.pid) for one in running)

        units, before_s = counted("*"), used()
        begun_s = time.monotonic()
        time.sleep(pace_s)
        taken_s = time.monotonic() - begun_s
        after_s = used()
        return _Pace(
            units=counted("*") - units,
            taken_s=taken_s,
            used_s=after_s[1] - before_s[1],
            server_used_s=after_s[0] - before_s[0],
        )


@contextmanager
def _living(
    folder: Path, names: list[str], conninfo: str
) -> Iterator[list["subprocess.Popen[bytes]"]]:
    """Let all benches live, from their first record on; kill them at the end."""
    with ExitStack() as held:
        running = []
        for name in names:
            running.append(held.enter_context(_born(folder, name, conninfo)))
            held.callback(running[-1].kill)
        for one in running:
            _wait_for(one)
        yield running


def _born(folder: Path, name: str, conninfo: str) -> "subprocess.Popen[bytes]":
    words = [sys.executable, "-m", "tests.studies.benches", str(folder), name]
    return subprocess.Popen(
        [*words, conninfo, "1000000"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )


def _wait_for(bench: "subprocess.Popen[bytes]") -> None:
    """Wait until a bench records."""
    assert bench.stdout is not None
    bench.stdout.readline()


def _set_up(folder: Path, name: str, shared: PostgresStore, *, first: bool) -> None:
    with LocalStore(folder / f"{name}.duckdb") as store:
        if first:
            furnish(store)
        exchange(store, shared, name)
        exchange(store, shared, name)
        store.keep(CONFIGURATION, replace(SESSION, session=name, bench=name))


def _counted(
    folder: Path,
    names: list[str],
    conninfo: str,
    kills: int,
    server_kills: int,
    pace: _Pace | None,
) -> Found:
    recorded: set[str] = set()
    with PostgresStore(conninfo) as shared:
        for name in names:
            with LocalStore(folder / f"{name}.duckdb") as store:
                while store.marks().waiting:
                    exchange(store, shared, name)
                recorded |= {one.run for one in store.rows(Run)}
        there = [one.run for one in shared.rows(Run)]
        numbers = shared.table(
            "watched_rows", product="photoamp", after=0, until=10**9
        ).column("number")
        assert sorted(set(numbers.to_pylist())) == list(range(1, len(there) + 1))
        return Found(
            benches=len(names),
            kills=kills,
            server_kills=server_kills,
            recorded=len(recorded),
            there=len(there),
            lost=len(recorded - set(there)),
            doubled=len(there) - len(set(there)),
            ledger_is_whole=verify(shared.rows(LedgerRow)) is None,
            units_per_s=None if pace is None else pace.units / pace.taken_s,
            used_ms=None if pace is None else 1e3 * pace.used_s / pace.units,
            server_used_ms=None
            if pace is None
            else 1e3 * pace.server_used_s / pace.units,
            units_per_s_of_two_cores=(
                None if pace is None else CORES * pace.units / pace.used_s
            ),
        )


if __name__ == "__main__":
    live(Path(sys.argv[1]), sys.argv[2], sys.argv[3], int(sys.argv[4]))
