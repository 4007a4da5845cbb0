"""Nothing passes the guard unproven, and nothing but names passes at all."""

import asyncio
import socket
from collections.abc import Iterator

import httpx
import pyarrow as pa
import pytest
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.types import Message

from storage.endpoint import SCHEMA_HEADER
from storage.errors import StorageError
from storage.local import LocalStore
from storage.roles import Role
from storage.server import Guard, listen
from storage.statements import schema_version
from storage.ways import Way
from tests.storage.samples import furnish
from tests.storage.serving import TOKEN, serving

HEADERS = {
    "Authorization": f"Bearer {TOKEN}",
    SCHEMA_HEADER: schema_version(),
}


async def hello(_: Request) -> PlainTextResponse:
    """Stand for a route of the daemon's control."""
    return PlainTextResponse("hello")


async def fail(_: Request) -> PlainTextResponse:
    """Stand for a fault of the daemon's control."""
    raise StorageError


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    """Return a bare client of the daemon's whole application."""
    folder = tmp_path_factory.mktemp("served")
    extra = [
        Way("/control/hello", hello, role=Role.READ, methods=["POST"]),
        Way("/control/fail", fail, role=Role.READ, methods=["POST"]),
    ]
    with LocalStore(folder / "holdpoint.duckdb") as store:
        furnish(store)
        with (
            serving(store, extra) as endpoint,
            httpx.Client(base_url=endpoint.address, trust_env=False) as client,
        ):
            yield client


PATHS = [
    "/store/query/product",
    "/store/command/keep",
    "/store/backup",
    "/control/hello",
    "/nothing",
]


def refusal(answer: httpx.Response) -> tuple[int, str]:
    """Return a refusal's status and error class, and see that it is one sentence."""
    said = answer.json()
    assert set(said) == {"error", "message", "fields"}
    assert said["message"]
    assert "\n" not in said["message"]
    return answer.status_code, said["error"]


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize(
    "given",
    [
        None,
        "",
        "Bearer",
        f"Bearer {TOKEN}x",
        f"Bearer {TOKEN[:-1]}",
        f"bearer {TOKEN}",
        f"Basic {TOKEN}",
        TOKEN,
    ],
)
def test_another_token_is_refused_everywhere(
    client: httpx.Client, path: str, given: str | None
) -> None:
    headers = {**HEADERS, "Authorization": given or ""}
    if given is None:
        del headers["Authorization"]
    answer = client.post(path, headers=headers, content=b"{}")
    assert refusal(answer) == (401, "UnreachableError")
    assert answer.headers["www-authenticate"] == "Bearer"


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize(
    "host",
    [
        "",
        "example.org",
        "192.168.1.20:4711",
        "0.0.0.0:4711",
        "127.0.0.1.example.org",
        "localhost.example.org:80",
        "[::2]:80",
        "1.2.3.4",
        ":80",
    ],
)
def test_another_host_is_refused_everywhere(
    client: httpx.Client, path: str, host: str
) -> None:
    answer = client.post(path, headers={**HEADERS, "Host": host}, content=b"{}")
    assert refusal(answer) == (421, "UnreachableError")


@pytest.mark.parametrize(
    "host", ["127.0.0.1:4711", "127.0.0.1", "localhost:1", "LOCALHOST", "[::1]:1"]
)
def test_this_machine_by_any_name_is_let_in(client: httpx.Client, host: str) -> None:
    answer = client.post("/control/hello", headers={**HEADERS, "Host": host})
    assert answer.text == "hello"


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("schema", [None, "", "0000_older", "9999_newer"])
def test_another_schema_is_refused_everywhere(
    client: httpx.Client, path: str, schema: str | None
) -> None:
    headers = {**HEADERS, SCHEMA_HEADER: schema or ""}
    if schema is None:
        del headers[SCHEMA_HEADER]
    answer = client.post(path, headers=headers, content=b"{}")
    assert refusal(answer) == (409, "SchemaError")
    assert schema_version() in answer.json()["message"]


def test_the_token_is_asked_for_before_the_schema_is_told(client: httpx.Client) -> None:
    answer = client.post("/store/query/product")
    assert refusal(answer) == (401, "UnreachableError")
    assert schema_version() not in answer.text


def test_whether_all_goes_on_is_told_without_a_token(client: httpx.Client) -> None:
    answer = client.get("/health")
    assert (answer.status_code, answer.json()) == (200, {"status": "ok"})
    assert client.get("/health", headers={"Host": "example.org"}).status_code == 421
    assert client.post("/health").status_code == 401


def test_no_web_socket_gets_in() -> None:
    sent: list[Message] = []

    async def inside(*_: object) -> None:
        pytest.fail("a web socket got in")

    async def receive() -> Message:
        return {"type": "websocket.connect"}

    async def send(message: Message) -> None:
        sent.append(message)

    guard = Guard(inside, token=TOKEN, schema=schema_version())
    headers = [(b"host", b"127.0.0.1"), (b"authorization", f"Bearer {TOKEN}".encode())]
    asyncio.run(guard({"type": "websocket", "headers": headers}, receive, send))
    assert sent == [{"type": "websocket.close", "code": 1008}]


@pytest.mark.parametrize("method", ["GET", "PUT", "DELETE", "OPTIONS"])
def test_only_post_is_answered(client: httpx.Client, method: str) -> None:
    answer = client.request(method, "/store/query/product", headers=HEADERS)
    assert answer.status_code == 405


@pytest.mark.parametrize(
    ("path", "body", "status", "error"),
    [
        ("/store/query/nothing", b"{}", 404, "NotFoundError"),
        ("/store/query/product", b"", 422, "RefusedValueError"),
        ("/store/query/product", b"[]", 422, "RefusedValueError"),
        ("/store/query/product", b"not json", 422, "RefusedValueError"),
        ("/store/query/product", b'{"x": [1]}', 422, "RefusedValueError"),
        ("/store/query/product", b'{"x": {"utc": 3}}', 422, "RefusedValueError"),
        ("/store/query/product", b'{"x": {"utc": "now"}}', 422, "RefusedValueError"),
        ("/store/query/watermark", b"{}", 422, "RefusedValueError"),
        ("/store/query/watermark", b'{"product": NaN}', 422, "RefusedValueError"),
        ("/store/command/table", b"{}", 404, "NotFoundError"),
        ("/store/command/close", b"{}", 404, "NotFoundError"),
        ("/store/command/backup", b'{"folder": "/tmp"}', 404, "NotFoundError"),
        ("/store/command/__init__", b"{}", 404, "NotFoundError"),
        ("/store/command/keep", b"", 422, "RefusedValueError"),
        ("/store/command/keep", b"{}", 422, "RefusedValueError"),
        ("/store/command/keep", b'{"rows": 1}', 422, "RefusedValueError"),
        (
            "/store/command/keep",
            b'{"rows": [{"product": {"product": "p", "title": 1}}]}',
            422,
            "RefusedValueError",
        ),
        (
            "/store/command/keep",
            b'{"rows": [{"product": {"product": "p", "title": "t", "more": 1}}]}',
            422,
            "RefusedValueError",
        ),
        (
            "/store/command/keep",
            b'{"rows": [{"product": {"product": "p", "title": "t"}}], "more": 1}',
            422,
            "RefusedValueError",
        ),
        (
            "/store/command/keep",
            b'{"rows": [{"job": {"job": "j", "succeeded_at": "2026-01-05T08:00Z"}}]}',
            422,
            "RefusedValueError",
        ),
        (
            "/store/command/keep",
            b'{"rows": [{"run": {}}]}',
            422,
            "RefusedValueError",
        ),
        ("/store/command/keep", b'{"rows": [{}]}', 422, "RefusedValueError"),
        (
            "/store/command/keep",
            b'{"rows": [{"product": null}]}',
            422,
            "RefusedValueError",
        ),
        (
            "/store/command/keep",
            b'{"rows": [{"product": {"product": "p", "title": "t"}, "more": 1}]}',
            422,
            "RefusedValueError",
        ),
        ("/store/backup", b"{}", 422, "RefusedValueError"),
        ("/store/backup", b'{"folder": 1}', 422, "RefusedValueError"),
        ("/store/backup", b'{"folder": "relative"}', 422, "RefusedValueError"),
        ("/control/fail", b"", 500, "StorageError"),
    ],
)
def test_a_request_that_is_wrong_is_told_so(
    client: httpx.Client, path: str, body: bytes, status: int, error: str
) -> None:
    answer = client.post(path, headers=HEADERS, content=body)
    if status == 500:
        assert (answer.status_code, answer.json()["error"]) == (status, error)
    else:
        assert refusal(answer) == (status, error)


@pytest.mark.parametrize("path", ["/", "/store", "/store/sql", "/store/query/"])
def test_there_are_no_other_doors(client: httpx.Client, path: str) -> None:
    assert client.post(path, headers=HEADERS, content=b"{}").status_code == 404


def test_sql_in_a_parameter_is_only_text(client: httpx.Client) -> None:
    body = b"""{"product": "x'; drop table product; --"}"""
    answer = client.post("/store/query/watermark", headers=HEADERS, content=body)
    assert answer.status_code == 200
    again = client.post("/store/query/product", headers=HEADERS, content=b"{}")
    assert pa.ipc.open_stream(again.content).read_all().num_rows == 1


def test_the_port_is_of_this_machine_alone() -> None:
    with listen() as listener:
        host, port = listener.getsockname()
        assert host == "127.0.0.1"
        assert port > 0
        with pytest.raises(OSError, match="in use"):
            listen(port)


def test_an_answer_never_waits_for_an_acknowledgement() -> None:
    with (
        listen() as listener,
        socket.create_connection(listener.getsockname()),
        listener.accept()[0] as accepted,
    ):
        assert accepted.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
