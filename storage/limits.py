"""How much, and how long, a request to this machine's daemon may take.

Whoever holds the token may still send too much by mistake, or begin a request and never
end it: neither may take the daemon's memory or its connections from the bench.
"""

import asyncio
import json
import time
from typing import Any

import uvicorn
from starlette.responses import JSONResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from storage import wire
from storage.errors import RefusedValueError

STORE_BYTES = 32_000_000
"""A piece of an import has fifty units, some megabytes at most."""
CONTROL_BYTES = 1_000_000
HEAD_BYTES = 32_768
HEAD_S = 10.0
"""For the first line and the headers, from the first byte or the last answer on."""
BODY_S = 60.0
_TOO_SLOW = json.dumps(
    wire.encode_error(
        RefusedValueError(
            what="request", value="begun", allowed=f"must come within {HEAD_S:g} s"
        )
    )
).encode()


class Limits:
    """Refuse a body that is too large, or that does not come."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on while it keeps the limits."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        of_store = scope["path"].startswith("/store/")
        most = STORE_BYTES if of_store else CONTROL_BYTES
        said = dict(scope["headers"]).get(b"content-length", b"0")
        if not said.isdigit() or len(said) > len(str(most)) or int(said) > most:
            await _too_large(most)(scope, receive, send)
            return
        due_s = time.monotonic() + BODY_S
        taken, whole = 0, False

        async def limited() -> Message:
            nonlocal taken, whole
            if whole:  # what comes now is that the caller has gone
                return await receive()
            left_s = due_s - time.monotonic()
            message = await asyncio.wait_for(receive(), max(left_s, 0.0))
            taken += len(message.get("body", b""))
            whole = not message.get("more_body", False)
            if taken > most:
                raise _LargeError(most)
            return message

        answered = False

        async def sending(message: Message) -> None:
            nonlocal answered
            answered = True
            await send(message)

        try:
            await self._app(scope, limited, sending)
        except _LargeError as exc:
            if not answered:
                await _too_large(exc.most)(scope, receive, send)
        except TimeoutError:
            if answered or whole:
                raise
            await _refusal(408, "slow", f"must come within {BODY_S:g} s")(
                scope, receive, send
            )


class _LargeError(Exception):
    def __init__(self, most: int) -> None:
        super().__init__(most)
        self.most = most


def _too_large(most: int) -> Response:
    return _refusal(413, "too long", f"must have {most} bytes at most")


def _refusal(status: int, value: str, allowed: str) -> Response:
    error = RefusedValueError(what="request", value=value, allowed=allowed)
    # What of the body is still on the way is not read.
    return JSONResponse(
        wire.encode_error(error), status_code=status, headers={"Connection": "close"}
    )


class _Punctual(H11Protocol):
    """Hang up on whoever begins a request and does not send its head."""

    _head_due: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Expect a head from now on."""
        super().connection_made(transport)
        self._expect()

    def data_received(self, data: bytes) -> None:
        """Take what came; a head that goes on for long is not waited for."""
        super().data_received(data)
        self._expect()

    def on_response_complete(self) -> None:
        """Expect the next head."""
        super().on_response_complete()
        self._expect()

    def connection_lost(self, exc: Exception | None) -> None:
        """Expect nothing more."""
        self._forget()
        super().connection_lost(exc)

    def _expect(self) -> None:
        cycle: Any = self.cycle  # none before the first request
        if cycle is not None and not cycle.response_complete:
            self._forget()
        elif self._head_due is None:
            self._head_due = self.loop.call_later(HEAD_S, self._hang_up)

    def _forget(self) -> None:
        if self._head_due is not None:
            self._head_due.cancel()
            self._head_due = None

    def _hang_up(self) -> None:
        if not self.transport.is_closing():
            head = (
                "HTTP/1.1 408 Request Timeout\r\nContent-Type: application/json\r\n"
                f"Content-Length: {len(_TOO_SLOW)}\r\nConnection: close\r\n\r\n"
            )
            self.transport.write(head.encode() + _TOO_SLOW)
            self.transport.close()


def http_server(app: ASGIApp, *, log_level: str = "warning") -> uvicorn.Server:
    """Return what serves an application within the limits."""
    protocol: Any = _Punctual
    return uvicorn.Server(
        uvicorn.Config(
            app,
            http=protocol,
            ws="none",
            h11_max_incomplete_event_size=HEAD_BYTES,
            log_level=log_level,
            lifespan="off",
            access_log=False,
            server_header=False,
        )
    )
