"""The Store over a DuckDB file that this process owns."""

import time
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from threading import Lock
from typing import Self

import pyarrow as pa

from storage import archive, commands, shipping, statements
from storage.door import cell
from storage.engine import Engine, StoreLimits
from storage.errors import BusyError, StorageError
from storage.kept import Record
from storage.ledger import Anchor
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
from storage.records_shipping import Shipment, ShipRule
from storage.runs import record_run, record_runs
from storage.store import Parameter, Store

BACKUPS_KEPT = 14
_FIRST_PAUSE_S = 0.02
_LONGEST_PAUSE_S = 0.25


class LocalStore(Store):
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

    def __init__(self, path: Path, limits: StoreLimits | None = None) -> None:
        self.path = path.resolve()
        self._backing_up = Lock()
        self._noting = Lock()
        self._noted: Anchor | None = None
        self._looked_at = 0
        """Transactions kept when the ledger's newest row was last looked at."""
        self._database = Engine(self.path, limits)

    @classmethod
    def open_briefly(
        cls, path: Path, limits: StoreLimits | None = None, *, wait_s: float = 5.0
    ) -> Self:
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
                return cls(path, limits)
            except BusyError:
                if time.monotonic() + pause_s > deadline_s:
                    raise
            time.sleep(pause_s)
            pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)

    def keep(self, *rows: Record, decision: Decision | None = None) -> None:
        """Keep rows in one transaction, as their records declare."""
        with self._database.transaction() as transaction:
            commands.keep(transaction, rows, decision)

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

    def record_runs(self, runs: Sequence[WholeRun]) -> list[int]:
        """Keep several units' runs in one transaction; return their run numbers."""
        with self._database.transaction() as transaction:
            return record_runs(transaction, runs)

    def record_evaluation(self, evaluation: Evaluation) -> None:
        """Keep signals and holds together with the watermark they were found at."""
        with self._database.transaction() as transaction:
            commands.record_evaluation(transaction, evaluation)

    def ship(self, shipment: Shipment, rule: ShipRule, decision: Decision) -> list[str]:
        """Keep that a unit left, or return what is against it."""
        with self._database.transaction() as transaction:
            return shipping.ship(transaction, shipment, rule, decision)

    def reasons_against(self, serial: str, product: str, rule: ShipRule) -> list[str]:
        """Return every reason for which a unit may not leave now."""
        with self._database.transaction() as transaction:
            return shipping.against(transaction, serial, product, rule)

    def note_delivery(self, delivery: Delivery, alerts: Sequence[Alert] = ()) -> None:
        """Keep how far a delivery is, with the messages that follow from it."""
        with self._database.transaction() as transaction:
            commands.note_delivery(transaction, delivery, alerts)

    def note_job(self, job: str, succeeded_at: datetime) -> None:
        """Keep when a scheduled job last succeeded."""
        with self._database.transaction() as transaction:
            commands.note_job(transaction, job, succeeded_at)

    def table(self, query: str, **parameters: Parameter) -> pa.Table:
        """Answer a named query, or read a record's table, as Arrow."""
        names = frozenset(parameters)
        text = statements.text(query, names)
        given = {name: cell(name, value) for name, value in parameters.items()}
        given |= dict.fromkeys(statements.left_out(query, names))
        return self._database.table(text, given)

    def changes(self) -> int:
        """Return a number that is another one once rows have been kept."""
        return self._database.commits

    def backup(self, folder: str) -> str:
        """Write a consistent copy into `folder`, keep the newest; return its path."""
        with self._backing_up, self._database.reading() as cursor:
            copy = archive.back_up(cursor, Path(folder).resolve(), self.path.stem)
            archive.keep_newest(copy.parent, self.path.stem, BACKUPS_KEPT)
        return str(copy)

    def note_newest(self) -> None:
        """Note the ledger's newest row beside the copies, unless it is noted there.

        From then on it is seen when that row is removed, with all that it decided.

        Raises
        ------
        WriteError
            When the file of anchors cannot be written.
        """
        with self._noting:
            commits = self._database.commits
            if commits == self._looked_at:
                return
            with self._database.reading() as cursor:
                newest = archive.newest(cursor)
            if newest is not None and newest != self._noted:
                archive.note_newest(self.path.parent / "backups", newest)
                self._noted = newest
            self._looked_at = commits

    def close(self) -> None:
        """Let go of the file, once those who read it now are done."""
        # What cannot be noted now is noted at the next decision.
        with suppress(StorageError):
            self.note_newest()
        self._database.close()
