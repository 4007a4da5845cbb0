"""The same Store from another process, through the daemon that owns the file."""

import json
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import pyarrow as pa

from storage import wire
from storage.endpoint import Endpoint
from storage.errors import UnreachableError
from storage.kept import Record
from storage.line import line_to
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
from storage.store import Parameter, Store

_CONNECT_S = 2.0
_ANSWER_S = 60.0
_BACKUP_S = 3600.0
Send = Callable[[], httpx.Response]


class RemoteStore(Store):
    """Rows through a running daemon; see `storage.store.Store`.

    Safe to use from several threads; connections are kept open between requests.
    A request whose connection broke is sent once more: every command is idempotent.

    Parameters
    ----------
    waiting
        Sends a request and waits for its answer; whoever must not wait for long for a
        daemon that hangs gives up here, by raising `httpx.TimeoutException`.

    Raises
    ------
    UnreachableError
        From every method, when no daemon answers at the endpoint's address or it
        refuses the token.
    """

    def __init__(
        self,
        endpoint: Endpoint,
        *,
        waiting: Callable[[Send], httpx.Response] = lambda send: send(),
    ) -> None:
        self._address = endpoint.address
        self._client = line_to(endpoint)
        self._waiting = waiting

    def keep(self, *rows: Record, decision: Decision | None = None) -> None:
        """Keep rows in one transaction, as their records declare."""
        name = "keep" if decision is None else "decide"
        body = wire.encode_rows(rows, decision)
        self._result(self._post(f"/store/command/{name}", body))

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

    def record_runs(self, runs: Sequence[WholeRun]) -> list[int]:
        """Keep several units' runs in one transaction; return their run numbers."""
        return [int(one) for one in self._command("record_runs", runs=runs)]

    def record_evaluation(self, evaluation: Evaluation) -> None:
        """Keep signals and holds together with the watermark they were found at."""
        self._command("record_evaluation", evaluation=evaluation)

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

    def note_delivery(self, delivery: Delivery, alerts: Sequence[Alert] = ()) -> None:
        """Keep how far a delivery is, with the messages that follow from it."""
        self._command("note_delivery", delivery=delivery, alerts=alerts)

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

    def changes(self) -> int:
        """Return a number that is another one once rows have been kept."""
        return int(self._result(self._post("/store/changes", b"")))

    def backup(self, folder: str) -> str:
        """Have a consistent copy written into `folder`; return its path."""
        body = wire.encode_parameters({"folder": str(Path(folder).resolve())})
        return str(self._result(self._post("/store/backup", body, wait_s=_BACKUP_S)))

    def close(self) -> None:
        """Let go of the connections."""
        self._client.close()

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
            return self._waiting(lambda: self._client.send(request))
        except (httpx.RemoteProtocolError, httpx.ReadError, httpx.WriteError):
            # The daemon may let go of an idle connection just as it is used.
            return self._waiting(lambda: self._client.send(request))

    def _result(self, body: bytes) -> Any:
        try:
            return json.loads(body)["result"]
        except (ValueError, KeyError, TypeError) as exc:
            raise UnreachableError(
                address=self._address, reason="it spoke in no known form"
            ) from exc
