"""Nobody takes the daemon's memory or its connections, by mistake or by patience."""

import json
import socket
from collections.abc import Iterator
from urllib.parse import urlsplit

import httpx
import pytest
from starlette.requests import Request
from starlette.responses import PlainTextResponse

from storage import limits
from storage.endpoint import SCHEMA_HEADER, Endpoint
from storage.local import LocalStore
from storage.roles import Role
from storage.statements import schema_version
from storage.ways import Way
from tests.storage.samples import furnish
from tests.storage.serving import TOKEN, serving

HEADERS = {"Authorization": f"Bearer {TOKEN}", SCHEMA_HEADER: schema_version()}
SOON_S = 0.2
WAIT_S = 20.0


async def length(request: Request) -> PlainTextResponse:
    """Stand for a route of the control that reads all of its body."""
    return PlainTextResponse(str(len(await request.body())))


async def spoilt(_: Request) -> PlainTextResponse:
    """Stand for a mistake of the program."""
    raise ZeroDivisionError


@pytest.fixture(scope="module")
def endpoint(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Endpoint]:
    """Return where the daemon's whole application is served."""
    extra = [
        Way("/control/length", length, role=Role.READ, methods=["POST"]),
        Way("/control/spoilt", spoilt, role=Role.READ, methods=["POST"]),
    ]
    with LocalStore(tmp_path_factory.mktemp("served") / "holdpoint.duckdb") as store:
        furnish(store)
        with serving(store, extra) as served:
            yield served


def dial(endpoint: Endpoint) -> socket.socket:
    at = urlsplit(endpoint.address)
    return socket.create_connection((str(at.hostname), int(at.port or 0)), WAIT_S)


def head(path: str, *more: str) -> bytes:
    lines = [f"POST {path} HTTP/1.1", "Host: 127.0.0.1"]
    lines += [f"{name}: {value}" for name, value in HEADERS.items()]
    return "\r\n".join([*lines, *more, "", ""]).encode()


def until_hung_up(line: socket.socket) -> bytes:
    """Return all that is answered, until the other side hangs up."""
    said = b""
    while data := line.recv(65536):
        said += data
    return said


def sentence_of(answer: bytes) -> tuple[int, str]:
    """Return status and sentence of a refusal."""
    first, _, body = answer.partition(b"\r\n\r\n")
    return int(first.split()[1]), str(json.loads(body)["message"])


@pytest.mark.parametrize(
    ("path", "most"),
    [
        ("/store/command/keep", limits.STORE_BYTES),
        ("/control/length", limits.CONTROL_BYTES),
    ],
)
@pytest.mark.parametrize("said", ["400000000", "9" * 400, "-1", "many"])
def test_a_body_that_is_said_to_be_too_long_is_refused_before_it_is_read(
    endpoint: Endpoint, path: str, most: int, said: str
) -> None:
    with dial(endpoint) as line:
        line.sendall(head(path, f"Content-Length: {said}"))
        answer = until_hung_up(line)
    if said.isdigit() and len(said) < 20:
        code, sentence = sentence_of(answer)
        assert (code, sentence) == (
            413,
            f"request = too long: must have {most} bytes at most",
        )
    else:
        assert answer.startswith(b"HTTP/1.1 4")


def test_a_body_of_unsaid_length_is_read_up_to_the_limit(endpoint: Endpoint) -> None:
    def pieces(count: int) -> Iterator[bytes]:
        yield from [b"x" * 50_000] * count

    with httpx.Client(base_url=endpoint.address, trust_env=False) as client:
        for count, status in ((20, 200), (21, 413)):
            answer = client.post(
                "/control/length", headers=HEADERS, content=pieces(count)
            )
            assert answer.status_code == status
        assert client.post("/control/length", headers=HEADERS).text == "0"


@pytest.mark.parametrize(
    "begun",
    [b"", b"P", b"POST /control/length HTTP/1.1\r\nHost: 127.0.0.1\r\nX: "],
    ids=["nothing", "a letter", "half a head"],
)
def test_whoever_does_not_end_the_head_is_hung_up(
    endpoint: Endpoint, monkeypatch: pytest.MonkeyPatch, begun: bytes
) -> None:
    monkeypatch.setattr(limits, "HEAD_S", SOON_S)
    with dial(endpoint) as line:
        line.sendall(head("/control/length", "Content-Length: 0") if begun else b"")
        if begun:
            assert line.recv(65536).startswith(b"HTTP/1.1 200")
        line.sendall(begun)
        assert sentence_of(until_hung_up(line)) == (
            408,
            "request = begun: must come within 10 s",
        )


def test_whoever_does_not_end_the_body_is_told_so(
    endpoint: Endpoint, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "BODY_S", SOON_S)
    with dial(endpoint) as line:
        line.sendall(head("/control/length", "Content-Length: 10") + b"12345")
        assert sentence_of(until_hung_up(line))[0] == 408


def test_a_head_without_end_is_refused(endpoint: Endpoint) -> None:
    with dial(endpoint) as line:
        line.sendall(b"POST / HTTP/1.1\r\nX: " + b"x" * limits.HEAD_BYTES)
        assert until_hung_up(line).startswith(b"HTTP/1.1 4")


def test_a_mistake_of_the_program_is_a_sentence_too(endpoint: Endpoint) -> None:
    with httpx.Client(base_url=endpoint.address, trust_env=False) as client:
        answer = client.post("/control/spoilt", headers=HEADERS)
    assert answer.status_code == 500
    assert answer.json()["error"].startswith("the program made a mistake")
