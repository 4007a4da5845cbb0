"""The Store over HTTP on this machine: named commands and questions, nothing else.

Every request carries a bearer token and the schema it was written for, and names
this machine as its host, so that a page in somebody's browser cannot reach in. What a
token may do is said by its role, and by the role that each route needs (`ways`).
"""

import hmac
import socket
from collections.abc import Awaitable, Callable, Sequence
from ipaddress import ip_address
from pathlib import Path

import pyarrow as pa
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from storage import wire
from storage.endpoint import SCHEMA_HEADER
from storage.errors import (
    BusyError,
    ConflictError,
    NotFoundError,
    RefusedValueError,
    RoleError,
    SchemaError,
    StorageError,
    UnreachableError,
    WriteError,
)
from storage.limits import Limits
from storage.roles import Caller, Role
from storage.statements import schema_version
from storage.store import Store
from storage.ways import CALLER, Way

_STATUS: dict[type[StorageError], int] = {
    NotFoundError: 404,
    ConflictError: 409,
    RefusedValueError: 422,
    BusyError: 503,
    SchemaError: 500,
    WriteError: 507,
    UnreachableError: 503,
    RoleError: 403,
}


HEALTH = "/health"


def application(
    store: Store,
    token: str,
    extra_routes: Sequence[Way] = (),
    *,
    stalled: Callable[[], str | None] = lambda: None,
    known: Callable[[str], Caller | None] = lambda _: None,
) -> Starlette:
    """Return the daemon's whole web application: the Store and `extra_routes`.

    Every route, the extra ones too, stands behind the same guard. `GET /health` alone
    needs no token, and says nothing but whether all goes on.

    Parameters
    ----------
    token
        Of whoever runs the daemon: it may all.
    stalled
        Says which part does not go on, None when all do.
    known
        Says whose another token is, None where it is nobody's; asked at each request.
    """

    async def health(_: Request) -> JSONResponse:
        if stalled() is None:
            return JSONResponse({"status": "ok"})
        return JSONResponse({"status": "stalled"}, status_code=503)

    return Starlette(
        routes=[Route(HEALTH, health), *routes(store), *extra_routes],
        middleware=[
            Middleware(Guard, token=token, schema=schema_version(), known=known),
            Middleware(Limits),
        ],
        exception_handlers={StorageError: _refused, Exception: _mistaken},
    )


def routes(store: Store) -> list[Way]:
    """Return the Store's own routes.

    `POST /store/command/NAME` takes a JSON object of the command's arguments and
    answers `{"result": ...}`. `POST /store/query/NAME` takes a JSON object of
    parameters and answers an Arrow IPC stream. `POST /store/backup` takes
    `{"folder": ...}`, `POST /store/changes` nothing. An error is `{"error": class,
    "message": ..., "fields": ...}`.
    """

    def command(name: str) -> Callable[[Request], Awaitable[Response]]:
        async def answer(request: Request) -> Response:
            body = await request.body()

            def work() -> object:
                return wire.send_command(store, name, body)

            # The database blocks; the event loop must not.
            return JSONResponse({"result": await run_in_threadpool(work)})

        return answer

    async def no_command(request: Request) -> Response:
        raise NotFoundError(kind="command", key=request.path_params["name"])

    async def query(request: Request) -> Response:
        name = request.path_params["name"]
        body = await request.body()

        def work() -> bytes:
            return _stream(store.table(name, **wire.decode_parameters(body)))

        return Response(await run_in_threadpool(work), media_type=wire.ARROW)

    async def backup(request: Request) -> Response:
        folder = wire.decode_parameters(await request.body()).get("folder")
        if not isinstance(folder, str) or not Path(folder).is_absolute():
            raise RefusedValueError(
                what="folder", value=folder, allowed="must be a whole path"
            )
        return JSONResponse({"result": await run_in_threadpool(store.backup, folder)})

    async def changes(_: Request) -> Response:
        return JSONResponse({"result": store.changes()})

    def posted(
        path: str, endpoint: Callable[[Request], Awaitable[Response]], role: Role
    ) -> Way:
        return Way(path, endpoint, role=role, methods=["POST"])

    return [
        *(
            posted(f"/store/command/{name}", command(name), role)
            for name, role in wire.COMMANDS.items()
        ),
        posted("/store/command/{name}", no_command, Role.READ),
        posted("/store/changes", changes, Role.READ),
        posted("/store/query/{name}", query, Role.READ),
        # It writes where it is told to, on this machine.
        posted("/store/backup", backup, Role.OWN),
    ]


def listen(port: int = 0) -> socket.socket:
    """Return a socket on this machine's loopback for the application; 0: any port.

    Raises
    ------
    OSError
        When the port is in use.
    """
    listener = socket.create_server(("127.0.0.1", port))
    # Accepted connections inherit it. Without, an answer's body waits 40 ms for the
    # acknowledgement of its head.
    listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return listener


class Guard:
    """Let nothing through that does not prove itself."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        token: str,
        schema: str,
        known: Callable[[str], Caller | None] = lambda _: None,
    ) -> None:
        self._app = app
        self._credential = f"Bearer {token}".encode()
        self._schema = schema
        self._known = known

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it with one sentence."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
        elif scope["type"] == "http":
            try:
                refusal = self._refusal(Request(scope))
            except StorageError as exc:
                refusal = _answer(_STATUS.get(type(exc), 500), exc)
            await (refusal or self._app)(scope, receive, send)
        else:
            await send({"type": "websocket.close", "code": 1008})

    def _refusal(self, request: Request) -> Response | None:
        if not _loopback(request.headers.get("host", "")):
            return _answer(
                421,
                UnreachableError(
                    address=request.headers.get("host", "no host"),
                    reason="the request must name this machine as its host",
                ),
            )
        if request.scope["path"] == HEALTH and request.method in {"GET", "HEAD"}:
            return None
        caller = self._caller(request.headers.get("authorization", ""))
        if caller is None:
            error = UnreachableError(
                address=request.headers["host"],
                reason="the token is not the daemon's, or was revoked",
            )
            return _answer(401, error, {"WWW-Authenticate": "Bearer"})
        request.scope[CALLER] = caller
        schema = request.headers.get(SCHEMA_HEADER, "none")
        if schema != self._schema:
            return _answer(
                409,
                SchemaError(
                    where=request.headers["host"],
                    detail=f"the daemon's schema is {self._schema}, the caller's "
                    f"{schema}; restart whichever is older",
                ),
            )
        return None

    def _caller(self, given: str) -> Caller | None:
        """Return who shows this credential."""
        if hmac.compare_digest(given.encode(), self._credential):
            return Caller(name="the daemon's own", role=Role.OWN)
        scheme, _, token = given.partition(" ")
        return self._known(token) if scheme == "Bearer" and token else None


def _loopback(host: str) -> bool:
    name = host.rsplit(":", 1)[0] if not host.endswith("]") else host
    try:
        return ip_address(name.strip("[]")).is_loopback
    except ValueError:
        return name.lower() == "localhost"


def _stream(table: pa.Table) -> bytes:
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table)
    body: bytes = sink.getvalue().to_pybytes()
    return body


async def _refused(_: Request, error: Exception) -> Response:
    if not isinstance(error, StorageError):
        raise error
    return _answer(_STATUS.get(type(error), 500), error)


async def _mistaken(request: Request, error: Exception) -> Response:  # noqa: ARG001
    """Answer what is a mistake of the program: the log has it, the caller a sentence.

    The framework raises it again once this is sent.
    """
    sentence = (
        "the program made a mistake with this request; nothing of it was kept, and "
        "daemon.log says more"
    )
    said = {"error": sentence, "message": sentence, "fields": {}}
    return JSONResponse(said, status_code=500)


def _answer(
    status: int, error: StorageError, headers: dict[str, str] | None = None
) -> Response:
    return JSONResponse(wire.encode_error(error), status_code=status, headers=headers)
