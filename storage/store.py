"""The Store protocol: what can be recorded and asked, wherever the rows live."""

from collections.abc import Sequence
from datetime import datetime
from types import TracebackType
from typing import TYPE_CHECKING, Protocol, Self

import pyarrow as pa

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

if TYPE_CHECKING:
    import pandas as pd  # slow to load, and most commands never ask for a frame


Parameter = str | int | float | bool | datetime | None
"""What a query may be given."""


class Store(Protocol):
    """Rows in, frames out.

    Every command is one transaction, and its return is the acknowledgement.
    Repeating a command with the same rows changes nothing; the same id with
    other content is a `ConflictError`; naming what is not recorded is a
    `NotFoundError`. Queries are the files of `storage/sql/queries`, by name.
    """

    def put_configuration(self, configuration: Configuration) -> None:
        """Keep a snapshot of the settings."""
        ...

    def add_product(self, product: Product) -> None:
        """Keep an instrument type."""
        ...

    def add_build(self, build: Build) -> None:
        """Keep a build."""
        ...

    def add_reel(self, reel: Reel) -> None:
        """Keep a received reel."""
        ...

    def fit_reel(self, fitting: Fitting) -> None:
        """Keep which reel feeds a part from a unit on."""
        ...

    def open_session(self, session: Session) -> None:
        """Keep a bench set-up."""
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

    def record_evaluation(self, evaluation: Evaluation) -> None:
        """Keep signals and holds together with the watermark they were found at."""
        ...

    def place_hold(self, hold: Hold, decision: Decision) -> None:
        """Keep a hold placed by a person, with its ledger row."""
        ...

    def end_hold(self, end: HoldEnd, decision: Decision) -> None:
        """Keep who ended a hold, with its ledger row. Ending twice is a conflict."""
        ...

    def note_instruments(self, instruments: Sequence[BenchInstrument]) -> None:
        """Keep which instruments a session is measured with, one a role."""
        ...

    def raise_doubt(self, doubt: Doubt) -> None:
        """Keep a doubt on runs of a session."""
        ...

    def end_doubt(self, end: DoubtEnd, decision: Decision) -> None:
        """Keep what ended a doubt, with its ledger row. Ending twice is a conflict."""
        ...

    def record_cross_check(self, check: CrossCheck) -> None:
        """Keep a comparison of two meters."""
        ...

    def add_units(self, units: Sequence[Unit]) -> None:
        """Keep the serials of boards that are yet to be measured."""
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

    def take_back(self, back: UnitReturn, decision: Decision) -> None:
        """Keep that a shipped unit came back."""
        ...

    def record_rework(self, rework: Rework, decision: Decision) -> None:
        """Keep what was done to a unit."""
        ...

    def note_step(self, step: ContainmentStep, decision: Decision) -> None:
        """Keep how far a unit of a containment is."""
        ...

    def add_past_shipment(self, past: PastShipment, decision: Decision) -> None:
        """Keep how many units without serials left on a day."""
        ...

    def add_receipt(self, receipt: ReelReceipt) -> None:
        """Keep what came with a reel."""
        ...

    def record_proof(self, proof: Proof) -> None:
        """Keep a measurement made to settle a finding."""
        ...

    def record_reel_check(self, check: ReelCheck) -> None:
        """Keep what loose parts of a reel read."""
        ...

    def queue_alerts(self, alerts: Sequence[Alert]) -> None:
        """Keep messages that are to be sent, one a target."""
        ...

    def note_delivery(self, delivery: Delivery, alerts: Sequence[Alert] = ()) -> None:
        """Keep how far a delivery is, with the messages that follow from it."""
        ...

    def acknowledge(self, taken: Acknowledgement, decision: Decision) -> None:
        """Keep who took note of a message, with its ledger row."""
        ...

    def note_job(self, job: str, succeeded_at: datetime) -> None:
        """Keep when a scheduled job last succeeded."""
        ...

    def table(self, query: str, **parameters: Parameter) -> pa.Table:
        """Answer a named query as Arrow."""
        ...

    def frame(self, query: str, **parameters: Parameter) -> "pd.DataFrame":
        """Answer a named query as a frame for people."""
        ...

    def backup(self, folder: str) -> str:
        """Write a consistent copy of everything into `folder`; return its path."""
        ...

    def close(self) -> None:
        """Let go of the file or connection."""
        ...

    def __enter__(self) -> Self: ...

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...
