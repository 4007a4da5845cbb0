"""The Store over a DuckDB file that this process owns."""

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from threading import Lock
from typing import Any, Self, TypeVar

import pyarrow as pa

from storage import archive, commands, sharing, shipping, statements, telling_all, wire
from storage.door import Cell, cell
from storage.engine import Engine, StoreLimits
from storage.errors import BusyError, StorageError
from storage.just_kept import JustKept
from storage.kept import Record, Row
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
from storage.records_sharing import NotShared, SharedView
from storage.records_shipping import Shipment, ShipRule
from storage.runs import record_run, record_runs
from storage.store import Parameter, Store
from storage.tables import Transaction
from storage.typed import asked, typed_columns

R = TypeVar("R", bound=Row)
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

    def __init__(
        self,
        path: Path,
        limits: StoreLimits | None = None,
    ) -> None:
        self.path = path.resolve()
        self._backing_up = Lock()
        self._noting = Lock()
        self._noted: Anchor | None = None
        self._counting = Lock()
        self._just_kept = JustKept()
        self._looked_at = 0
        """Transactions kept when the ledger's newest row was last looked at."""
        self._marks: tuple[int, sharing.Marks] | None = None
        """How far the sharing was, at so many transactions kept."""
        self._database = Engine(self.path, limits)
        self.shares = self.marks().shares
        """Whether what is kept is written down for a shared database."""

    @property
    def kept_beside_runs(self) -> int:
        """How many transactions kept more than runs and what was found in them."""
        return self._database.beside_runs

    @classmethod
    def open_briefly(
        cls,
        path: Path,
        limits: StoreLimits | None = None,
        *,
        wait_s: float = 5.0,
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
            # Said again it changes nothing, and need not be told again.
            if commands.keep(transaction, rows, decision) and self.shares:
                sharing.note_rows(transaction, rows, decision)

    @contextmanager
    def _recording(self) -> Iterator[tuple[Transaction, JustKept]]:
        """Give a transaction of runs and what is known, which it may add to."""
        # One at a time from before the transaction until what it kept is known: the
        # next one counts on from its run numbers.
        with self._counting:
            try:
                with self._database.transaction(of_runs=True) as transaction:
                    beside_runs = self._database.beside_runs
                    known = JustKept(beside_runs=beside_runs)
                    if self._just_kept.beside_runs == beside_runs:
                        known = self._just_kept.copy()
                    yield transaction, known
            except BaseException:
                self._just_kept = JustKept()
                raise
            self._just_kept = known

    def record_run(
        self,
        run: Run,
        results: Sequence[RangeResult],
        unit: Unit | None = None,
        checks: Sequence[CheckResult] = (),
        closes: Sequence[Rejudgement] = (),
    ) -> int:
        """Keep a run with all that belongs to it; return its run number."""
        with self._recording() as (transaction, known):
            number = record_run(
                transaction, run, results, unit, checks, closes, known=known
            )
            if self.shares:
                body = wire.encode_command(
                    run=run, results=results, unit=unit, checks=checks, closes=closes
                )
                sharing.note(transaction, "record_run", body)
            return number

    def record_runs(self, runs: Sequence[WholeRun]) -> list[int]:
        """Keep several units' runs in one transaction; return their run numbers."""
        with self._recording() as (transaction, known):
            numbers = record_runs(transaction, runs, known)
            if self.shares:
                body = wire.encode_command(runs=runs)
                sharing.note(transaction, "record_runs", body)
            return numbers

    def record_evaluation(self, evaluation: Evaluation) -> None:
        """Keep signals and holds together with the watermark they were found at."""
        with self._recording() as (transaction, known):
            commands.record_evaluation(transaction, evaluation, known)
            if self.shares:
                sharing.note_watched(transaction, evaluation)

    def ship(self, shipment: Shipment, rule: ShipRule, decision: Decision) -> list[str]:
        """Keep that a unit left, or return what is against it."""
        with self._database.transaction() as transaction:
            against = shipping.ship(transaction, shipment, rule, decision)
            if self.shares and not against:
                sharing.note_shipped(transaction, shipment, decision)
            return against

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
        return self._database.table(*_asked(query, parameters))

    def rows(
        self, kind: type[R], query: str | None = None, /, **parameters: Parameter
    ) -> list[R]:
        """Return typed rows; see the Store."""
        statement = _asked(query or asked(kind), parameters)
        return typed_columns(kind, self._database.columns(*statement))

    def watched_after(self, product: str, number: int) -> list[dict[str, Any]]:
        """Return the rows of a product's runs above a number; see the Store."""
        known = self._just_kept
        rows = None
        if known.beside_runs == self._database.beside_runs:
            rows = known.watched_after(product, number)
        return super().watched_after(product, number) if rows is None else rows

    def changes(self) -> int:
        """Return a number that is another one once rows have been kept."""
        return self._database.commits

    def backup(self, folder: str) -> str:
        """Write a consistent copy into `folder`, keep the newest; return its path."""
        with self._backing_up, self._database.copying() as cursor:
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

    # What goes between this file and a shared database: see `storage.sharing`.

    def share(self, *, on: bool) -> None:
        """Write down from now on what is kept, or nothing any more."""
        with self._database.transaction() as transaction:
            (sharing.begin if on else sharing.end)(transaction)
            self.shares = on

    def marks(self) -> sharing.Marks:
        """Return how far the sharing is."""
        # Asked twice a second: seven questions for what no transaction has changed.
        commits = self._database.commits
        known = self._marks
        if known is None or known[0] != commits:
            with self._database.asking() as asking:
                known = self._marks = (commits, sharing.marks(asking))
        return known[1]

    def digest_of(self, seq: int) -> str | None:
        """Return the digest of what waits under a count; None where nothing does."""
        with self._database.asking() as asking:
            return sharing.digest_of(asking, seq)

    def outgoing(self, most: int, bench: str) -> list[sharing.Entry]:
        """Return the oldest commands that are yet to be told, at most so many."""
        with self._database.asking() as asking:
            return sharing.outgoing(asking, most, bench)

    def told(
        self, to: int, refused: Sequence[NotShared] = (), *, whole: bool = False
    ) -> None:
        """Note that all up to the count `to` was told, and what was refused there."""
        with self._database.transaction() as transaction:
            sharing.note_told(transaction, to, refused, whole=whole)

    def begin_anew(self, *, there: int, last: int, from_start: bool) -> None:
        """Count on from what the shared database has; see `sharing.begin_anew`."""
        with self._database.transaction() as transaction:
            sharing.begin_anew(
                transaction, there=there, last=last, from_start=from_start
            )

    def hear(
        self, entry: sharing.Entry, bench: str, *, is_own: bool = False
    ) -> NotShared | None:
        """Keep what another bench recorded or decided; return why it could not be.

        Either way it was heard: it is not asked for again. `is_own` says that this
        bench told it once, and lost it.
        """
        refused = None
        try:
            with self._database.transaction() as transaction:
                sharing.hear(transaction, entry, bench)
                if not is_own:
                    sharing.note_heard(transaction, entry)
        except sharing.REFUSED as exc:
            refused = sharing.refusal(entry, exc)
            with self._database.transaction() as transaction:
                if not is_own:
                    sharing.note_heard(transaction, entry, refused)
        return refused

    def hear_all(
        self, entries: Sequence[sharing.Entry], bench: str
    ) -> list[NotShared | None]:
        """Keep what others recorded or decided, as `hear` does; fewer transactions."""
        heard: list[NotShared | None] = []
        for piece in sharing.rows_of(entries):
            if isinstance(piece, sharing.Entry):
                heard.append(self.hear(piece, bench))
                continue
            try:
                with self._database.transaction() as transaction:
                    sharing.hear_plain(transaction, piece)
                    sharing.note_heard(transaction, piece[-1].entry)
                heard += [None] * len(piece)
            except sharing.REFUSED:
                heard += [self.hear(one.entry, bench) for one in piece]
        return heard

    def heard_to(self, place: int) -> None:
        """Note that all up to a place of the shared log was heard."""
        with self._database.transaction() as transaction:
            sharing.note_heard_to(transaction, place)

    def note_view(self, view: SharedView) -> None:
        """Note what the shared database said last of a product."""
        with self._database.transaction() as transaction:
            sharing.note_view(transaction, view)

    def everything(self, bench: str) -> Iterator[sharing.Entry]:
        """Return all that was recorded so far as commands, piece by piece."""

        def asked(
            piece: Callable[[Transaction], list[sharing.Entry]],
        ) -> list[sharing.Entry]:
            with self._database.asking() as asking:
                return piece(asking)

        return telling_all.everything(bench, asked)

    def fill(self, table: str, rows: pa.Table) -> None:
        """Add the rows of another store's whole table to an empty one."""
        with self._database.transaction() as transaction:
            if rows.num_rows:
                transaction.fill(table, rows.to_pylist())

    def close(self) -> None:
        """Let go of the file, once those who read it now are done."""
        # What cannot be noted now is noted at the next decision.
        with suppress(StorageError):
            self.note_newest()
        self._database.close()


def _asked(
    query: str, parameters: Mapping[str, Parameter]
) -> tuple[str, dict[str, Cell]]:
    """Return the statement of a query, and what it is given."""
    names = frozenset(parameters)
    given = {name: cell(name, value) for name, value in parameters.items()}
    given |= dict.fromkeys(statements.left_out(query, names))
    return statements.text(query, names), given
