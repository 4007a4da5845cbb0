"""The same Store from another process, through the daemon that owns the file."""

import json
import ssl
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self
from urllib.parse import quote

import httpx
import pyarrow as pa

from storage import wire
from storage.endpoint import Endpoint
from storage.errors import UnreachableError
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

if TYPE_CHECKING:
    import pandas as pd  # slow to load, and most commands never ask for a frame


_CONNECT_S = 2.0
_ANSWER_S = 60.0
_BACKUP_S = 3600.0


class RemoteStore:
    """Rows through a running daemon; see `storage.store.Store`.

    Safe to use from several threads; connections are kept open between requests.
    A request whose connection broke is sent once more: every command is idempotent.

    Raises
    ------
    UnreachableError
        From every method, when no daemon answers at the endpoint's address or it
        refuses the token.
    """

    def __init__(self, endpoint: Endpoint) -> None:
        self._address = endpoint.address
        self._client = httpx.Client(
            base_url=endpoint.address,
            headers=endpoint.headers,
            timeout=httpx.Timeout(_ANSWER_S, connect=_CONNECT_S),
            trust_env=False,  # a proxy must never see the token
            # No encryption on loopback: an empty context trusts nobody, and spares
            # the time it takes to read every authority's certificate.
            verify=ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT),
        )

    def put_configuration(self, configuration: Configuration) -> None:
        """Keep a snapshot of the settings."""
        self._command("put_configuration", configuration=configuration)

    def add_product(self, product: Product) -> None:
        """Keep an instrument type."""
        self._command("add_product", product=product)

    def add_build(self, build: Build) -> None:
        """Keep a build."""
        self._command("add_build", build=build)

    def add_reel(self, reel: Reel) -> None:
        """Keep a received reel."""
        self._command("add_reel", reel=reel)

    def fit_reel(self, fitting: Fitting) -> None:
        """Keep which reel feeds a part from a unit on."""
        self._command("fit_reel", fitting=fitting)

    def open_session(self, session: Session) -> None:
        """Keep a bench set-up."""
        self._command("open_session", session=session)

    def record_run(
        self,
        run: Run,
        results: Sequence[RangeResult],
        unit: Unit | None = None,
        checks: Sequence[CheckResult] = (),
        closes: Sequence[Rejudgement] = (),
    ) -> int:
        """Keep a run with all that belongs to it; return its run number."""
        number = self._command(
            "record_run",
            run=run,
            results=results,
            unit=unit,
            checks=checks,
            closes=closes,
        )
        return int(number)

    def record_evaluation(self, evaluation: Evaluation) -> None:
        """Keep signals and holds together with the watermark they were found at."""
        self._command("record_evaluation", evaluation=evaluation)

    def place_hold(self, hold: Hold, decision: Decision) -> None:
        """Keep a hold placed by a person, with its ledger row."""
        self._command("place_hold", hold=hold, decision=decision)

    def end_hold(self, end: HoldEnd, decision: Decision) -> None:
        """Keep who ended a hold, with its ledger row."""
        self._command("end_hold", end=end, decision=decision)

    def note_instruments(self, instruments: Sequence[BenchInstrument]) -> None:
        """Keep which instruments a session is measured with."""
        self._command("note_instruments", instruments=instruments)

    def raise_doubt(self, doubt: Doubt) -> None:
        """Keep a doubt on runs of a session."""
        self._command("raise_doubt", doubt=doubt)

    def end_doubt(self, end: DoubtEnd, decision: Decision) -> None:
        """Keep what ended a doubt, with its ledger row."""
        self._command("end_doubt", end=end, decision=decision)

    def record_cross_check(self, check: CrossCheck) -> None:
        """Keep a comparison of two meters."""
        self._command("record_cross_check", check=check)

    def add_units(self, units: Sequence[Unit]) -> None:
        """Keep the serials of boards that are yet to be measured."""
        self._command("add_units", units=units)

    def ship(self, shipment: Shipment, rule: ShipRule, decision: Decision) -> list[str]:
        """Keep that a unit left, or return what is against it."""
        return [
            str(one)
            for one in self._command(
                "ship", shipment=shipment, rule=rule, decision=decision
            )
        ]

    def reasons_against(self, serial: str, product: str, rule: ShipRule) -> list[str]:
        """Return every reason for which a unit may not leave now."""
        return [
            str(one)
            for one in self._command(
                "reasons_against", serial=serial, product=product, rule=rule
            )
        ]

    def take_back(self, back: UnitReturn, decision: Decision) -> None:
        """Keep that a shipped unit came back."""
        self._command("take_back", back=back, decision=decision)

    def record_rework(self, rework: Rework, decision: Decision) -> None:
        """Keep what was done to a unit."""
        self._command("record_rework", rework=rework, decision=decision)

    def note_step(self, step: ContainmentStep, decision: Decision) -> None:
        """Keep how far a unit of a containment is."""
        self._command("note_step", step=step, decision=decision)

    def add_past_shipment(self, past: PastShipment, decision: Decision) -> None:
        """Keep how many units without serials left on a day."""
        self._command("add_past_shipment", past=past, decision=decision)

    def add_receipt(self, receipt: ReelReceipt) -> None:
        """Keep what came with a reel."""
        self._command("add_receipt", receipt=receipt)

    def record_proof(self, proof: Proof) -> None:
        """Keep a measurement made to settle a finding."""
        self._command("record_proof", proof=proof)

    def record_reel_check(self, check: ReelCheck) -> None:
        """Keep what loose parts of a reel read."""
        self._command("record_reel_check", check=check)

    def queue_alerts(self, alerts: Sequence[Alert]) -> None:
        """Keep messages that are to be sent."""
        self._command("queue_alerts", alerts=alerts)

    def note_delivery(self, delivery: Delivery, alerts: Sequence[Alert] = ()) -> None:
        """Keep how far a delivery is, with the messages that follow from it."""
        self._command("note_delivery", delivery=delivery, alerts=alerts)

    def acknowledge(self, taken: Acknowledgement, decision: Decision) -> None:
        """Keep who took note of a message, with its ledger row."""
        self._command("acknowledge", taken=taken, decision=decision)

    def note_job(self, job: str, succeeded_at: datetime) -> None:
        """Keep when a scheduled job last succeeded."""
        self._command("note_job", job=job, succeeded_at=succeeded_at)

    def table(self, query: str, **parameters: Parameter) -> pa.Table:
        """Answer a named query as Arrow."""
        body = wire.encode_parameters(parameters)
        answer = self._post(f"/store/query/{quote(query, safe='')}", body)
        try:
            return pa.ipc.open_stream(answer).read_all()
        except pa.ArrowInvalid as exc:
            raise UnreachableError(address=self._address, reason=str(exc)) from exc

    def frame(self, query: str, **parameters: Parameter) -> "pd.DataFrame":
        """Answer a named query as a frame for people."""
        frame: pd.DataFrame = self.table(query, **parameters).to_pandas()
        return frame

    def backup(self, folder: str) -> str:
        """Have a consistent copy written into `folder`; return its path."""
        body = wire.encode_parameters({"folder": str(Path(folder).resolve())})
        return str(self._result(self._post("/store/backup", body, wait_s=_BACKUP_S)))

    def close(self) -> None:
        """Let go of the connections."""
        self._client.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _command(self, name: str, **arguments: object) -> Any:
        body = wire.encode_command(**arguments)
        return self._result(self._post(f"/store/command/{name}", body))

    def _post(self, path: str, body: bytes, *, wait_s: float = _ANSWER_S) -> bytes:
        if self._client.is_closed:
            raise UnreachableError(address=self._address, reason="it was closed")
        try:
            answer = self._send(path, body, wait_s)
        except httpx.HTTPError as exc:
            reason = str(exc) or type(exc).__name__
            raise UnreachableError(address=self._address, reason=reason) from exc
        if answer.is_success:
            return answer.content
        raise wire.decode_error(self._address, answer.content)

    def _send(self, path: str, body: bytes, wait_s: float) -> httpx.Response:
        request = self._client.build_request(
            "POST",
            path,
            content=body,
            headers={"Content-Type": wire.JSON},
            timeout=httpx.Timeout(wait_s, connect=_CONNECT_S),
        )
        try:
            return self._client.send(request)
        except (httpx.RemoteProtocolError, httpx.ReadError, httpx.WriteError):
            # The daemon may let go of an idle connection just as it is used.
            return self._client.send(request)

    def _result(self, body: bytes) -> Any:
        try:
            return json.loads(body)["result"]
        except (ValueError, KeyError, TypeError) as exc:
            raise UnreachableError(
                address=self._address, reason="it spoke in no known form"
            ) from exc
