"""The Store protocol: what can be recorded and asked, wherever the rows live."""

from collections.abc import Sequence
from datetime import datetime
from types import TracebackType
from typing import TYPE_CHECKING, Any, Protocol, Self, TypeVar

import pyarrow as pa

from storage.kept import Record, Row
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
from storage.typed import asked, plain_rows, typed

if TYPE_CHECKING:
    import pandas as pd  # slow to load, and most commands never ask for a frame


Parameter = str | int | float | bool | datetime | None
"""What a query may be given."""

R = TypeVar("R", bound=Row)
LATEST = 2**62
"""A number that no run has."""


class Store(Protocol):
    """Rows in, rows or frames out.

    Every command is one transaction, and its return is the acknowledgement.
    Repeating a command with the same rows changes nothing; the same id with
    other content is a `ConflictError`; naming what is not recorded is a
    `NotFoundError`. Queries are the files of `storage/sql/queries`, by name; a
    record's own table is read by its name, by any of its fields.
    """

    @property
    def kept_beside_runs(self) -> int | None:
        """How many transactions kept more than runs and what was found in them.

        Whoever asks again and again what people recorded asks for nothing while it
        stays. None where others write too.
        """
        return None

    def keep(self, *rows: Record, decision: Decision | None = None) -> None:
        """Keep rows in one transaction, as their records declare.

        Parameters
        ----------
        *rows : Record
            In an order in which each names only what is kept before it.
        decision : Decision, optional
            Line for the ledger of the one row that a person decides; such a row
            never comes without. What ends a hold or a doubt ends it once.
        """
        ...

    def record_run(
        self,
        run: Run,
        results: Sequence[RangeResult],
        unit: Unit | None = None,
        checks: Sequence[CheckResult] = (),
        closes: Sequence[Rejudgement] = (),
    ) -> int:
        """Keep a run, its ranges, its checks and, when new, its unit.

        Returns its run number. A check keeps with it how it judges the units' runs
        again that it `closes`, each once.

        Run numbers count up in commit order. A serial that another build or
        product already has is a `ConflictError`.
        """
        ...

    def record_runs(self, runs: Sequence[WholeRun]) -> list[int]:
        """Keep several units' runs in one transaction: all of them, or none.

        Returns their run numbers. For what is long, such as a sheet of units: some
        ten times as fast as one after another.
        """
        ...

    def record_evaluation(self, evaluation: Evaluation) -> None:
        """Keep signals and holds together with the watermark they were found at."""
        ...

    def ship(self, shipment: Shipment, rule: ShipRule, decision: Decision) -> list[str]:
        """Keep that a unit left, or return what is against it.

        The check and the record are one transaction: a hold that was committed
        before is heard. Nothing was kept when a reason is returned. An override
        keeps the reasons with the shipment; a serial that is unknown, or away
        already, stays whatever is said.
        """
        ...

    def reasons_against(self, serial: str, product: str, rule: ShipRule) -> list[str]:
        """Return every reason for which a unit may not leave now."""
        ...

    def note_delivery(self, delivery: Delivery, alerts: Sequence[Alert] = ()) -> None:
        """Keep how far a delivery is, with the messages that follow from it."""
        ...

    def note_job(self, job: str, succeeded_at: datetime) -> None:
        """Keep when a scheduled job last succeeded."""
        ...

    def table(self, query: str, **parameters: Parameter) -> pa.Table:
        """Answer a named query, or read a record's table, as Arrow."""
        ...

    def watched_after(self, product: str, number: int) -> list[dict[str, Any]]:
        """Return the query `watched_rows` of all runs above a number, as plain rows.

        What this process has just kept itself need not be read back.
        """
        return plain_rows(
            self.table(
                "watched_rows", product=product, after=number, until=LATEST, serial=None
            )
        )

    def frame(self, query: str, **parameters: Parameter) -> "pd.DataFrame":
        """Answer a named query, or read a record's table, as a frame for people."""
        frame: pd.DataFrame = self.table(query, **parameters).to_pandas()
        return frame

    def rows(
        self, kind: type[R], query: str | None = None, /, **parameters: Parameter
    ) -> list[R]:
        """Return typed rows.

        Parameters
        ----------
        kind : type of row
            A record, read from its own table by any of its fields, or a row of
            `storage.answers`, asked by its query.
        query : str, optional
            Another named query that has all columns of `kind`.
        """
        return typed(kind, self.table(query or asked(kind), **parameters))

    def changes(self) -> int:
        """Return a number that is another one once rows have been kept.

        Counts from where the file was opened, so it says nothing after the next
        opening. Whoever asks again and again asks for rows only after it has changed:
        it is to be read before them.
        """
        ...

    def backup(self, folder: str) -> str:
        """Write a consistent copy of everything into `folder`; return its path."""
        ...

    def close(self) -> None:
        """Let go of the file or connection."""
        ...

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
