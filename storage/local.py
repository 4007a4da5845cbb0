"""The Store over a DuckDB file that this process owns.

One cursor writes, under a lock; each question has a cursor of its own. Whatever
goes wrong inside a transaction ends in ROLLBACK and an exception: a COMMIT after an
error would report success and keep nothing.
"""

import os
import re
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from threading import Condition, Lock, RLock
from types import TracebackType
from typing import TYPE_CHECKING, Self

import duckdb
import pyarrow as pa

from storage import (
    archive,
    recording,
    recording_alerts,
    recording_bench,
    recording_shipping,
    shipping,
    statements,
)
from storage.door import Cell, cell
from storage.errors import (
    BusyError,
    RefusedValueError,
    SchemaError,
    StorageError,
    UnreachableError,
    WriteError,
    sentence,
)
from storage.migrate import migrate
from storage.recording_runs import record_run
from storage.records import (
    BenchInstrument,
    Build,
    CheckResult,
    Configuration,
    CrossCheck,
    Decision,
    Doubt,
    DoubtEnd,
    Evaluation,
    Fitting,
    Hold,
    HoldEnd,
    Product,
    Proof,
    RangeResult,
    Reel,
    ReelCheck,
    Rejudgement,
    Run,
    Session,
    Unit,
)
from storage.records_alerts import Acknowledgement, Alert, Delivery
from storage.records_shipping import (
    ContainmentStep,
    PastShipment,
    ReelReceipt,
    Rework,
    Shipment,
    ShipRule,
    UnitReturn,
)
from storage.store import Parameter
from storage.tables import Transaction

if TYPE_CHECKING:
    import pandas as pd  # slow to load, and most commands never ask for a frame


BACKUPS_KEPT = 14
_FIRST_PAUSE_S = 0.02
_LONGEST_PAUSE_S = 0.25
_OWNER = re.compile(r"PID (\d+)")

# Nothing is ever fetched while the program runs.
_OFFLINE = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
}

_owned: set[Path] = set()
_owning = Lock()


class LocalStore:
    """Rows in a file of this process's own; see `storage.store.Store`.

    Safe to use from several threads. Opening creates the file or brings it to this
    program's schema, taking a copy of its rows into `backups` beside it first.

    Raises
    ------
    BusyError
        When another process, or another LocalStore of this one, has the file.
    SchemaError
        When it is no database, damaged, or newer than this program.
    """

    def __init__(self, path: Path) -> None:
        self.path = path.resolve()
        self._backing_up = Lock()
        self._database = _Database(self.path)

    @classmethod
    def open_briefly(cls, path: Path, *, wait_s: float = 5.0) -> Self:
        """Open a file that another command may have for a moment.

        Raises
        ------
        BusyError
            When it is still in use after `wait_s` seconds.
        """
        deadline_s = time.monotonic() + wait_s
        pause_s = _FIRST_PAUSE_S
        while True:
            try:
                return cls(path)
            except BusyError:
                if time.monotonic() + pause_s > deadline_s:
                    raise
            time.sleep(pause_s)
            pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)

    def put_configuration(self, configuration: Configuration) -> None:
        """Keep a snapshot of the settings."""
        with self._database.transaction() as transaction:
            recording.put_configuration(transaction, configuration)

    def add_product(self, product: Product) -> None:
        """Keep an instrument type."""
        with self._database.transaction() as transaction:
            recording.add_product(transaction, product)

    def add_build(self, build: Build) -> None:
        """Keep a build."""
        with self._database.transaction() as transaction:
            recording.add_build(transaction, build)

    def add_reel(self, reel: Reel) -> None:
        """Keep a received reel."""
        with self._database.transaction() as transaction:
            recording.add_reel(transaction, reel)

    def fit_reel(self, fitting: Fitting) -> None:
        """Keep which reel feeds a part from a unit on."""
        with self._database.transaction() as transaction:
            recording.fit_reel(transaction, fitting)

    def open_session(self, session: Session) -> None:
        """Keep a bench set-up."""
        with self._database.transaction() as transaction:
            recording.open_session(transaction, session)

    def record_run(
        self,
        run: Run,
        results: Sequence[RangeResult],
        unit: Unit | None = None,
        checks: Sequence[CheckResult] = (),
        closes: Sequence[Rejudgement] = (),
    ) -> int:
        """Keep a run with all that belongs to it; return its run number."""
        with self._database.transaction() as transaction:
            return record_run(transaction, run, results, unit, checks, closes)

    def record_evaluation(self, evaluation: Evaluation) -> None:
        """Keep signals and holds together with the watermark they were found at."""
        with self._database.transaction() as transaction:
            recording.record_evaluation(transaction, evaluation)

    def place_hold(self, hold: Hold, decision: Decision) -> None:
        """Keep a hold placed by a person, with its ledger row."""
        with self._database.transaction() as transaction:
            recording.place_hold(transaction, hold, decision)

    def end_hold(self, end: HoldEnd, decision: Decision) -> None:
        """Keep who ended a hold, with its ledger row."""
        with self._database.transaction() as transaction:
            recording.end_hold(transaction, end, decision)

    def note_instruments(self, instruments: Sequence[BenchInstrument]) -> None:
        """Keep which instruments a session is measured with."""
        with self._database.transaction() as transaction:
            recording_bench.note_instruments(transaction, instruments)

    def raise_doubt(self, doubt: Doubt) -> None:
        """Keep a doubt on runs of a session."""
        with self._database.transaction() as transaction:
            recording_bench.raise_doubt(transaction, doubt)

    def end_doubt(self, end: DoubtEnd, decision: Decision) -> None:
        """Keep what ended a doubt, with its ledger row."""
        with self._database.transaction() as transaction:
            recording_bench.end_doubt(transaction, end, decision)

    def record_cross_check(self, check: CrossCheck) -> None:
        """Keep a comparison of two meters."""
        with self._database.transaction() as transaction:
            recording_bench.record_cross_check(transaction, check)

    def add_units(self, units: Sequence[Unit]) -> None:
        """Keep the serials of boards that are yet to be measured."""
        with self._database.transaction() as transaction:
            recording_shipping.add_units(transaction, units)

    def ship(self, shipment: Shipment, rule: ShipRule, decision: Decision) -> list[str]:
        """Keep that a unit left, or return what is against it."""
        with self._database.transaction() as transaction:
            return recording_shipping.ship(transaction, shipment, rule, decision)

    def reasons_against(self, serial: str, product: str, rule: ShipRule) -> list[str]:
        """Return every reason for which a unit may not leave now."""
        with self._database.transaction() as transaction:
            return shipping.against(transaction, serial, product, rule)

    def take_back(self, back: UnitReturn, decision: Decision) -> None:
        """Keep that a shipped unit came back."""
        with self._database.transaction() as transaction:
            recording_shipping.take_back(transaction, back, decision)

    def record_rework(self, rework: Rework, decision: Decision) -> None:
        """Keep what was done to a unit."""
        with self._database.transaction() as transaction:
            recording_shipping.record_rework(transaction, rework, decision)

    def note_step(self, step: ContainmentStep, decision: Decision) -> None:
        """Keep how far a unit of a containment is."""
        with self._database.transaction() as transaction:
            recording_shipping.note_step(transaction, step, decision)

    def add_past_shipment(self, past: PastShipment, decision: Decision) -> None:
        """Keep how many units without serials left on a day."""
        with self._database.transaction() as transaction:
            recording_shipping.add_past_shipment(transaction, past, decision)

    def add_receipt(self, receipt: ReelReceipt) -> None:
        """Keep what came with a reel."""
        with self._database.transaction() as transaction:
            recording_shipping.add_receipt(transaction, receipt)

    def record_proof(self, proof: Proof) -> None:
        """Keep a measurement made to settle a finding."""
        with self._database.transaction() as transaction:
            recording.record_proof(transaction, proof)

    def record_reel_check(self, check: ReelCheck) -> None:
        """Keep what loose parts of a reel read."""
        with self._database.transaction() as transaction:
            recording.record_reel_check(transaction, check)

    def queue_alerts(self, alerts: Sequence[Alert]) -> None:
        """Keep messages that are to be sent."""
        with self._database.transaction() as transaction:
            recording_alerts.queue_alerts(transaction, alerts)

    def note_delivery(self, delivery: Delivery, alerts: Sequence[Alert] = ()) -> None:
        """Keep how far a delivery is, with the messages that follow from it."""
        with self._database.transaction() as transaction:
            recording_alerts.note_delivery(transaction, delivery, alerts)

    def acknowledge(self, taken: Acknowledgement, decision: Decision) -> None:
        """Keep who took note of a message, with its ledger row."""
        with self._database.transaction() as transaction:
            recording_alerts.acknowledge(transaction, taken, decision)

    def note_job(self, job: str, succeeded_at: datetime) -> None:
        """Keep when a scheduled job last succeeded."""
        with self._database.transaction() as transaction:
            recording.note_job(transaction, job, succeeded_at)

    def table(self, query: str, **parameters: Parameter) -> pa.Table:
        """Answer a named query as Arrow."""
        known = statements.query(query)
        known.check(frozenset(parameters))
        given = {name: cell(name, value) for name, value in parameters.items()}
        return self._database.table(known.text, given)

    def frame(self, query: str, **parameters: Parameter) -> "pd.DataFrame":
        """Answer a named query as a frame for people."""
        frame: pd.DataFrame = self.table(query, **parameters).to_pandas()
        return frame

    def backup(self, folder: str) -> str:
        """Write a consistent copy into `folder`, keep the newest; return its path."""
        with self._backing_up, self._database.reading() as cursor:
            copy = archive.back_up(cursor, Path(folder).resolve(), self.path.stem)
            archive.keep_newest(copy.parent, self.path.stem, BACKUPS_KEPT)
        return str(copy)

    def close(self) -> None:
        """Let go of the file, once those who read it now are done."""
        self._database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


class _Database:
    """The one connection: a writing cursor under a lock, reading cursors by need.

    When the library stops its instance for good (a full disk during a checkpoint),
    all cursors are let go, the file is opened again, and the caller is told that
    its transaction was not kept.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._writing = RLock()
        self._state = Condition()
        self._readers = 0
        self._pausing = False
        self._closed = False
        _own(path)
        try:
            self._connection: duckdb.DuckDBPyConnection | None = _connect(path)
        except BaseException:
            _disown(path)
            raise

    @contextmanager
    def transaction(self) -> Iterator[Transaction]:
        with self._writing:
            with self._state:
                connection = self._connected()
            writer = connection.cursor()
            try:
                writer.execute("begin transaction")
                yield _Writing(writer)
                writer.execute("commit")
            except duckdb.FatalException as exc:
                # An open cursor would keep the dead instance alive.
                writer.close()
                self._reopen(connection)
                raise WriteError(where=str(self._path), reason=sentence(exc)) from exc
            except duckdb.Error as exc:
                _roll_back(writer)
                raise WriteError(where=str(self._path), reason=sentence(exc)) from exc
            except BaseException:
                _roll_back(writer)
                raise
            finally:
                writer.close()

    @contextmanager
    def reading(self) -> Iterator[duckdb.DuckDBPyConnection]:
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

    def table(self, sql: str, parameters: Mapping[str, Cell]) -> pa.Table:
        connection = self._connection
        try:
            try:
                return self._table(sql, parameters)
            except duckdb.FatalException:
                # The instance died of somebody's write; the file itself is whole.
                self._reopen(connection)
                return self._table(sql, parameters)
        except (duckdb.ConversionException, duckdb.InvalidInputException) as exc:
            raise RefusedValueError(
                what="parameters",
                value=str(dict(parameters)),
                allowed=f"must be of the columns' types: {sentence(exc)}",
            ) from exc
        except duckdb.Error as exc:
            raise SchemaError(where=str(self._path), detail=sentence(exc)) from exc

    def _table(self, sql: str, parameters: Mapping[str, Cell]) -> pa.Table:
        with self.reading() as cursor:
            return cursor.sql(sql, params=dict(parameters)).to_arrow_table()

    def close(self) -> None:
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
            self._connection = _connect(self._path)
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
                self._connection = _connect(self._path)

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

    def __init__(self, cursor: duckdb.DuckDBPyConnection) -> None:
        self._cursor = cursor

    def ask(self, sql: str, parameters: Mapping[str, Cell]) -> list[dict[str, object]]:
        answer = self._cursor.execute(sql, dict(parameters))
        names = [str(column[0]) for column in answer.description]
        return [dict(zip(names, row, strict=True)) for row in answer.fetchall()]

    def run(self, sql: str, parameters: Mapping[str, Cell]) -> None:
        self._cursor.execute(sql, dict(parameters))


def _roll_back(cursor: duckdb.DuckDBPyConnection) -> None:
    # A COMMIT that failed has ended its transaction already.
    with suppress(duckdb.Error):
        cursor.execute("rollback")


def _connect(path: Path) -> duckdb.DuckDBPyConnection:
    try:
        connection = duckdb.connect(str(path), config=dict(_OFFLINE))
    except duckdb.Error as exc:
        raise _not_opened(path, exc) from exc
    try:
        connection.execute("set global timezone = 'UTC'")
        migrate(
            connection,
            where=str(path),
            before_each=lambda step: _back_up_before(connection, path, step),
        )
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
    if "lock" in text and (owner := _OWNER.search(text)):
        return BusyError(path=str(path), pid=int(owner[1]))
    if "Could not set lock" in text:
        return BusyError(path=str(path), pid=None)
    if path.is_file():
        return SchemaError(where=str(path), detail=text)
    return WriteError(where=str(path), reason=text)


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
