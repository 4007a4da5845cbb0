"""The Store over PostgreSQL: one record of several benches.

Transactions follow one another, as they do over a file: each begins by taking one lock
of the database, so that run numbers have no gaps and a hold that was committed before
is heard. Roles, TLS and copies are PostgreSQL's own; the address says which.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Lock, RLock
from typing import Any

import psycopg
import pyarrow as pa
from psycopg import sql
from psycopg.rows import class_row, dict_row
from psycopg.types.numeric import FloatLoader

from config.files import private_folder
from storage import commands, shipping, statements, wire
from storage.benches import BenchCheck, BenchState, BenchUnit, BenchWork
from storage.dialect import steps, translated
from storage.door import Cell, cell
from storage.engine import StoreLimits
from storage.errors import (
    ConflictError,
    RefusedValueError,
    SchemaError,
    UnreachableError,
    WriteError,
    sentence,
)
from storage.kept import Record
from storage.local import LocalStore
from storage.migrate import check_done
from storage.records import (
    CheckResult,
    Decision,
    Evaluation,
    RangeResult,
    Rejudgement,
    Run,
    Unit,
    WholeRun,
)
from storage.records_alerts import Alert, Delivery
from storage.records_sharing import NotShared
from storage.records_shipping import Shipment, ShipRule
from storage.runs import record_run, record_runs
from storage.sharing import (
    HEARD,
    REFUSED,
    Entry,
    Plain,
    digest,
    refusal,
    rows_of,
    shipped_body,
    take,
    take_plain,
)
from storage.statements import Migration, migrations, shared_migrations
from storage.store import Parameter, Store
from storage.tables import Transaction, insert, keep_row

SCHEMA = "holdpoint"
_ONE_AFTER_ANOTHER = 0x401D_9017
"""The lock that every transaction takes; any number that nobody else uses."""
_CONNECT_S = 5
_PASSWORD = re.compile(r"(?<=:)[^:@/]+(?=@)|(?<=password=)\S+")

_RECORD = f"""
create table if not exists {SCHEMA}.schema_migrations (
    name       text collate "C" not null primary key,
    sha256     text not null,
    applied_at timestamptz not null
)
"""

_ARROW: dict[str, pa.DataType] = {
    "text": pa.string(),
    "varchar": pa.string(),
    "int8": pa.int64(),
    "int4": pa.int64(),
    "float8": pa.float64(),
    "numeric": pa.float64(),
    "bool": pa.bool_(),
    "timestamptz": pa.timestamp("us", tz="UTC"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """Where the database is, as PostgreSQL's own libraries take it."""

    conninfo: str

    def __str__(self) -> str:
        """Return the address without a password."""
        return _PASSWORD.sub("...", self.conninfo)


@dataclass(frozen=True, slots=True, kw_only=True)
class Log:
    """The shared log: its `last` place, and up to which of its counts a bench has told.

    `digest` is of what the bench told last; None before anything, or where it was not
    asked for.
    """

    last: int
    told: int
    digest: str | None


class PostgresStore(Store):
    """Rows in a PostgreSQL database; see `storage.store.Store`.

    Safe to use from several threads. Opening brings the database to this program's
    schema.

    Parameters
    ----------
    conninfo : str
        Address as libpq takes it, a URL or ``key=value`` pairs.
    limits : StoreLimits, optional
        What the file of a backup may take of this machine while it is written.

    Raises
    ------
    UnreachableError
        From every method, when the database does not answer.
    SchemaError
        When it is newer than this program.
    """

    def __init__(self, conninfo: str, limits: StoreLimits | None = None) -> None:
        self.address = Address(conninfo=conninfo)
        self._limits = limits
        self._writing = RLock()
        self._writer: psycopg.Connection[Any] | None = None
        self._resting: list[psycopg.Connection[Any]] = []
        self._taking = Lock()
        self._closed = False
        with self._answering():
            connection = self._connect()
            try:
                _migrate(connection, str(self.address))
            except BaseException:
                connection.close()
                raise
            self._writer = connection

    def keep(self, *rows: Record, decision: Decision | None = None) -> None:
        """Keep rows in one transaction, as their records declare."""
        with self.transaction() as transaction:
            new = commands.keep(transaction, rows, decision)
            said = [one for one in rows if isinstance(one, HEARD)]
            if new and said:
                self._say(transaction, "keep", wire.encode_rows(said, decision))

    def record_run(
        self,
        run: Run,
        results: Sequence[RangeResult],
        unit: Unit | None = None,
        checks: Sequence[CheckResult] = (),
        closes: Sequence[Rejudgement] = (),
    ) -> int:
        """Keep a run with all that belongs to it; return its run number."""
        with self.transaction() as transaction:
            return record_run(transaction, run, results, unit, checks, closes)

    def record_runs(self, runs: Sequence[WholeRun]) -> list[int]:
        """Keep several units' runs in one transaction; return their run numbers."""
        with self.transaction() as transaction:
            return record_runs(transaction, runs)

    def record_evaluation(self, evaluation: Evaluation) -> None:
        """Keep signals and holds together with the watermark they were found at."""
        with self.transaction() as transaction:
            commands.record_evaluation(transaction, evaluation)

    def ship(self, shipment: Shipment, rule: ShipRule, decision: Decision) -> list[str]:
        """Keep that a unit left, or return what is against it."""
        with self.transaction() as transaction:
            against = shipping.ship(transaction, shipment, rule, decision)
            if not against:
                body = shipped_body(transaction, shipment, decision)
                self._say(transaction, "shipped", body)
            return against

    def reasons_against(self, serial: str, product: str, rule: ShipRule) -> list[str]:
        """Return every reason for which a unit may not leave now."""
        with self.transaction() as transaction:
            return shipping.against(transaction, serial, product, rule)

    def note_delivery(self, delivery: Delivery, alerts: Sequence[Alert] = ()) -> None:
        """Keep how far a delivery is, with the messages that follow from it."""
        with self.transaction() as transaction:
            commands.note_delivery(transaction, delivery, alerts)

    def note_job(self, job: str, succeeded_at: datetime) -> None:
        """Keep when a scheduled job last succeeded."""
        with self.transaction() as transaction:
            commands.note_job(transaction, job, succeeded_at)

    def table(self, query: str, **parameters: Parameter) -> pa.Table:
        """Answer a named query, or read a record's table, as Arrow."""
        names = frozenset(parameters)
        text = translated(statements.text(query, names))
        given = {name: cell(name, value) for name, value in parameters.items()}
        given |= dict.fromkeys(statements.left_out(query, names))
        with self._reader() as connection:
            try:
                return _arrow(connection.execute(text, given))
            except (psycopg.DataError, psycopg.errors.UndefinedFunction) as exc:
                raise RefusedValueError(
                    what="parameters",
                    value=str(given),
                    allowed=f"must be of the columns' types: {sentence(exc)}",
                ) from exc

    def log_of(self, bench: str, file: int, *, known: int = 0) -> Log:
        """Return how far a bench has told.

        The first file that comes with a bench's name has it. Up to the count `known`
        the bench knows what it told: without a digest, since an import is long.

        Raises
        ------
        ConflictError
            Another bench's file has the name.
        """
        with self._reader() as connection:
            row = connection.execute(
                "select (select file from bench where bench = %(bench)s), "
                "(select coalesce(max(number), 0) from bench_log), "
                "coalesce(last.seq, 0), last.body from (select 1) as one left join ("
                "select seq, case when seq > %(known)s then body end as body "
                "from bench_log "
                "where bench = %(bench)s and seq is not null order by seq desc limit 1"
                ") as last on true",
                {"bench": bench, "known": known},
            ).fetchone()
        owner, last, told, body = row or (None, 0, 0, None)
        if owner is None:
            with self.transaction() as transaction:
                columns: dict[str, Cell] = {"bench": bench, "file": file}
                keep_row(transaction, "bench", columns, key=("bench",))
        elif owner != file:
            raise ConflictError(
                kind="bench",
                key=bench,
                detail="another bench's records have this name in the shared database; "
                "give this bench a name of its own in sharing.toml",
            )
        return Log(
            last=int(last),
            told=int(told),
            digest=None if body is None else digest(str(body)),
        )

    def benches(self) -> list[str]:
        """Return the names of the benches that have told something."""
        with self._reader() as connection:
            rows = connection.execute("select bench from bench order by bench")
            return [str(name) for (name,) in rows.fetchall()]

    def bench_states(self, product: str, *, builds: int = 6) -> list[BenchState]:
        """Return each bench, and what it measured of the product's newest builds."""
        with self._reader() as connection:
            told = connection.execute(
                "select bench.bench, (select max(delivered_at) from bench_log "
                "where bench_log.bench = bench.bench) from bench order by bench.bench"
            ).fetchall()
            works = connection.execute(
                "select measured_at.bench, run.build, count(distinct run.serial), "
                "max(run.started_at) from run join measured_at using (session) "
                "where run.product = %(product)s and run.kind = 'unit' "
                "and run.build in (select build from build where product = %(product)s "
                "order by opened_at desc, build desc limit %(builds)s) "
                "group by measured_at.bench, run.build "
                "order by max(run.started_at) desc, measured_at.bench, run.build",
                {"product": product, "builds": builds},
            ).fetchall()
        return [
            BenchState(
                bench=bench,
                told_at=told_at,
                works=tuple(
                    BenchWork(bench=bench, build=build, units=units, last_run_at=at)
                    for of, build, units, at in works
                    if of == bench
                ),
            )
            for bench, told_at in told
        ]

    def bench_checks(
        self, product: str, *, most: int, since: datetime
    ) -> list[BenchCheck]:
        """Return how each bench read the check standard since then, newest first.

        At most so many a bench, standard and range; those in doubt are among them.
        """
        with (
            self._reader() as connection,
            connection.cursor(row_factory=class_row(BenchCheck)) as cursor,
        ):
            return cursor.execute(
                "select bench, serial, range, number, started_at, error_ppm, "
                "uncertainty_ppm, own_uncertainty_ppm from (select "
                "measured_at.bench, one.*, row_number() over (partition by "
                "measured_at.bench, one.serial, one.range "
                "order by one.number desc) as newness from range_result as one "
                "join run on run.number = one.number "
                "join measured_at on measured_at.session = run.session "
                "where one.product = %s and one.kind = 'check' "
                "and one.started_at >= %s) as one where newness <= %s "
                "order by number desc, range",
                (product, since, most),
            ).fetchall()

    def bench_units(self, product: str, build: str) -> list[BenchUnit]:
        """Return each unit's latest results in a build, and who measured them."""
        with (
            self._reader() as connection,
            connection.cursor(row_factory=class_row(BenchUnit)) as cursor,
        ):
            return cursor.execute(
                "select measured_at.bench, one.serial, one.build, one.range, "
                "one.number, one.error_ppm from latest_result as one "
                "join run on run.number = one.number "
                "join measured_at on measured_at.session = run.session "
                "where one.product = %s and one.build = %s "
                "order by one.number, one.range",
                (product, build),
            ).fetchall()

    def take(self, entries: Sequence[Entry]) -> list[NotShared]:
        """Keep commands of one bench, in their order; return those that were refused.

        One transaction for all. What was told before is left out, so that telling
        twice changes nothing.
        """
        refused: list[NotShared] = []
        if not entries:
            return refused
        bench = entries[0].bench
        with self.transaction() as transaction:
            last, told, others = _heard_of(transaction, bench)
            new = [one for one in entries if one.number is None or one.number > told]
            for piece in rows_of(new):
                taken = _taken(transaction, piece, others)
                refused += [refusal(one, why) for one, why in taken if why is not None]
                _log(transaction, last, taken)
                last += len(taken)
        return refused

    def said(self, after: int, most: int, *, but_by: str | None = None) -> list[Entry]:
        """Return what was told after a place of the log, at most so many, by others."""
        with self._reader() as connection:
            rows = connection.execute(
                "select number, bench, command, body from bench_log "
                "where number > %s and bench is distinct from %s and refused is null "
                "and command <> 'amended' order by number limit %s",
                (after, but_by, most),
            ).fetchall()
        return [
            Entry(number=number, bench=of, command=command, body=body, runs={})
            for number, of, command, body in rows
        ]

    def told_by(self, bench: str, *, since: int, to: int) -> list[Entry]:
        """Return what a bench told from one of its counts to another, in its order."""
        with self._reader() as connection:
            rows = connection.execute(
                "select seq, command, body from bench_log where bench = %s "
                "and seq between %s and %s and refused is null order by seq",
                (bench, since, to),
            ).fetchall()
        return [
            Entry(number=seq, bench=bench, command=command, body=body, runs={})
            for seq, command, body in rows
        ]

    def changes(self) -> int:
        """Return a number that is another one once rows have been kept, by anybody."""
        with self._reader() as connection:
            row = connection.execute("select number from commits").fetchone()
        return 0 if row is None else int(row[0])

    def backup(self, folder: str) -> str:
        """Write everything, of one moment, as a bench's file; return its path.

        PostgreSQL's own tools copy the database itself; this is a copy that every
        Holdpoint reads.
        """
        place = Path(folder).resolve()
        private_folder(place)
        with (
            TemporaryDirectory(dir=place) as beside,
            LocalStore(Path(beside) / "shared.duckdb", self._limits) as copy,
        ):
            with self._reader() as connection:
                connection.execute("begin isolation level repeatable read read only")
                try:
                    for name in _tables(connection):
                        rows = connection.execute(
                            sql.SQL("select * from {}").format(sql.Identifier(name))
                        )
                        copy.fill(name, _arrow(rows))
                finally:
                    connection.execute("rollback")
            return copy.backup(folder)

    def _say(self, transaction: Transaction, command: str, body: bytes) -> None:
        """Put into the log what was decided here, for the benches to hear."""
        (row,) = transaction.ask(
            "select coalesce(max(number), 0) as last from bench_log", {}
        )
        entry = Entry(
            number=None, bench="", command=command, body=body.decode(), runs={}
        )
        _log(transaction, int(str(row["last"])), [(entry, None)])

    def close(self) -> None:
        """Let go of the connections."""
        with self._writing, self._taking:
            self._closed = True
            for one in (self._writer, *self._resting):
                if one is not None:
                    one.close()
            self._writer = None
            self._resting.clear()

    @contextmanager
    def transaction(self) -> Iterator["_Writing"]:
        """Give the one open transaction; commit it, or roll it back and raise.

        Raises
        ------
        UnreachableError
            The database does not answer. Where the line broke during the commit, it
            may have been kept: every command may be repeated.
        """
        with self._writing, self._answering():
            connection = self._ready(self._writer)
            self._writer = connection
            try:
                connection.execute("begin")
                connection.execute(
                    "select pg_advisory_xact_lock(%s)", (_ONE_AFTER_ANOTHER,)
                )
                yield _Writing(connection)
                connection.execute("update commits set number = number + 1")
                connection.execute("commit")
            except BaseException:
                with suppress(psycopg.Error):
                    connection.execute("rollback")
                raise

    @contextmanager
    def _reader(self) -> Iterator[psycopg.Connection[Any]]:
        with self._taking:
            resting = self._resting.pop() if self._resting else None
        with self._answering():
            connection = self._ready(resting)
            try:
                yield connection
            except psycopg.OperationalError:
                connection.close()
                raise
            finally:
                with self._taking:
                    if self._closed:
                        connection.close()
                    elif not connection.closed:
                        self._resting.append(connection)

    def _ready(
        self, connection: psycopg.Connection[Any] | None
    ) -> psycopg.Connection[Any]:
        """Return an open line that answers: a line may be cut while it rests."""
        if self._closed:
            raise UnreachableError(address=str(self.address), reason="it was closed")
        if connection is not None and not connection.closed:
            try:
                connection.execute("select 1")
            except psycopg.OperationalError:
                connection.close()
            else:
                return connection
        return self._connect()

    def _connect(self) -> psycopg.Connection[Any]:
        connection: psycopg.Connection[Any] = psycopg.connect(
            self.address.conninfo,
            autocommit=True,
            connect_timeout=_CONNECT_S,
            application_name="holdpoint",
            options=f"-c timezone=UTC -c search_path={SCHEMA}",
        )
        connection.adapters.register_loader("numeric", FloatLoader)
        return connection

    @contextmanager
    def _answering(self) -> Iterator[None]:
        """Say in our words what the library says."""
        try:
            yield
        except psycopg.OperationalError as exc:
            raise UnreachableError(
                address=str(self.address), reason=_PASSWORD.sub("...", sentence(exc))
            ) from exc
        except psycopg.errors.InsufficientPrivilege as exc:
            raise WriteError(where=str(self.address), reason=sentence(exc)) from exc
        except psycopg.Error as exc:
            raise SchemaError(where=str(self.address), detail=sentence(exc)) from exc


class _Writing:
    """The open transaction as the commands see it."""

    def __init__(self, connection: psycopg.Connection[Any]) -> None:
        self._connection = connection

    def ask(self, sql: str, parameters: Mapping[str, Cell]) -> list[dict[str, object]]:
        with self._connection.cursor(row_factory=dict_row) as cursor:
            return cursor.execute(translated(sql), dict(parameters)).fetchall()

    def run(self, sql: str, parameters: Mapping[str, Cell]) -> None:
        self._connection.execute(translated(sql), dict(parameters))

    @contextmanager
    def undone_if_refused(self) -> Iterator[None]:
        """Undo what is done inside where it raises; the transaction goes on."""
        self._connection.execute("savepoint one")
        try:
            yield
        except BaseException:
            self._connection.execute("rollback to savepoint one")
            raise
        finally:
            self._connection.execute("release savepoint one")

    def fill(self, table: str, rows: Sequence[Mapping[str, Cell]]) -> None:
        names = list(rows[0])
        copying = sql.SQL("copy {} ({}) from stdin").format(
            sql.Identifier(table), sql.SQL(", ").join(map(sql.Identifier, names))
        )
        with self._connection.cursor() as cursor, cursor.copy(copying) as copy:
            for row in rows:
                copy.write_row([row[name] for name in names])


def _taken(
    transaction: "_Writing", piece: list[Plain] | Entry, others: frozenset[str]
) -> list[tuple[Entry, Exception | None]]:
    """Keep commands; return each with why it could not be kept."""
    if not isinstance(piece, Entry):
        with suppress(*REFUSED), transaction.undone_if_refused():
            take_plain(transaction, piece)
            return [(one.entry, None) for one in piece]
    taken: list[tuple[Entry, Exception | None]] = []
    for entry in [piece] if isinstance(piece, Entry) else [one.entry for one in piece]:
        try:
            with transaction.undone_if_refused():
                take(transaction, entry, others)
            taken.append((entry, None))
        except REFUSED as exc:
            taken.append((entry, exc))
    return taken


def _log(
    transaction: Transaction,
    last: int,
    taken: Sequence[tuple[Entry, Exception | None]],
) -> None:
    """Put commands into the log after its last place, with why one was refused.

    An empty bench is the database itself.
    """
    now = datetime.now(UTC)
    rows: list[dict[str, Cell]] = [
        {
            "number": number,
            "bench": entry.bench,
            "seq": entry.number,
            "command": entry.command,
            "body": entry.body,
            "refused": None if refused is None else str(refused),
            "delivered_at": now,
        }
        for number, (entry, refused) in enumerate(taken, last + 1)
    ]
    insert(transaction, "bench_log", rows)


def _heard_of(transaction: Transaction, bench: str) -> tuple[int, int, frozenset[str]]:
    """Return the log's last place, what a bench has told, and the other benches."""
    (row,) = transaction.ask(
        "select coalesce((select max(number) from bench_log), 0) as last, "
        "coalesce((select max(seq) from bench_log where bench = $bench), 0) as told, "
        "array(select bench from bench where bench <> $bench) as others",
        {"bench": bench},
    )
    others: Any = row["others"]
    return int(str(row["last"])), int(str(row["told"])), frozenset(others)


def _migrate(connection: psycopg.Connection[Any], where: str) -> None:
    """Bring the database to this program's schema, in one transaction."""
    functions, *others = shared_migrations()
    with connection.transaction():
        connection.execute("select pg_advisory_xact_lock(%s)", (_ONE_AFTER_ANOTHER,))
        if _is_there(connection):
            done = _done(connection)
        else:
            connection.execute(
                sql.SQL("create schema if not exists {}").format(sql.Identifier(SCHEMA))
            )
            connection.execute(_RECORD)
            done = {}
        of_file = {name: value for name, value in done.items() if not _is_shared(name)}
        shared = {name: value for name, value in done.items() if _is_shared(name)}
        check_done(migrations(), of_file, where)
        check_done((functions, *others), shared, where)
        for step in (functions, *migrations(), *others):
            if step.name not in done:
                _run(connection, step, where)


def _is_there(connection: psycopg.Connection[Any]) -> bool:
    found = connection.execute(
        "select to_regclass(%s)", (f"{SCHEMA}.schema_migrations",)
    ).fetchone()
    return found is not None and found[0] is not None


def _done(connection: psycopg.Connection[Any]) -> dict[str, str]:
    rows = connection.execute(
        "select name, sha256 from schema_migrations order by name"
    ).fetchall()
    return {str(name): str(sha256) for name, sha256 in rows}


def _is_shared(name: str) -> bool:
    return name.startswith("shared_")


def _run(connection: psycopg.Connection[Any], step: Migration, where: str) -> None:
    try:
        if _is_shared(step.name):
            connection.execute(step.text.encode())
        else:
            for one in steps(step.text):
                connection.execute(one.encode(), {})
        connection.execute(
            "insert into schema_migrations values (%s, %s, %s)",
            (step.name, step.sha256, datetime.now(UTC)),
        )
    except psycopg.OperationalError:
        raise
    except psycopg.Error as exc:
        raise SchemaError(
            where=where, detail=f"step {step.name}: {sentence(exc)}"
        ) from exc


def _tables(connection: psycopg.Connection[Any]) -> list[str]:
    """Return the tables that a bench's file has too."""
    rows = connection.execute(
        "select table_name from information_schema.tables "
        "where table_schema = %s and table_type = 'BASE TABLE' "
        "and table_name not in ('schema_migrations', 'bench', 'bench_log', "
        "'awaited', 'commits', 'measured_at') "
        "order by table_name",
        (SCHEMA,),
    ).fetchall()
    return [str(name) for (name,) in rows]


def _arrow(cursor: psycopg.Cursor[Any]) -> pa.Table:
    """Return a cursor's rows as Arrow, of the types that a file answers with."""
    described = cursor.description or []
    rows = cursor.fetchall()
    columns = zip(*rows, strict=True) if rows else ([] for _ in described)
    return pa.table(
        [
            pa.array(list(values), type=_type(cursor, one.type_code))
            for one, values in zip(described, columns, strict=True)
        ],
        names=[one.name for one in described],
    )


def _type(cursor: psycopg.Cursor[Any], oid: int) -> pa.DataType:
    info = cursor.adapters.types.get(oid)
    if info is None:
        return pa.string()
    one = _ARROW.get(info.name, pa.string())
    return pa.list_(one) if info.array_oid == oid else one
