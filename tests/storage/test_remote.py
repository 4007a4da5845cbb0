"""A daemon that is gone, strange or hasty is said so."""

import json
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from threading import Thread

import pytest

from storage import wire
from storage.endpoint import Endpoint
from storage.errors import (
    BusyError,
    ConflictError,
    MemoryLimitError,
    NotFoundError,
    RefusedValueError,
    RoleError,
    SchemaError,
    StorageError,
    UnreachableError,
    WriteError,
)
from storage.local import LocalStore
from storage.remote import RemoteStore
from storage.statements import schema_version
from tests.storage.samples import PRODUCT
from tests.storage.serving import TOKEN, serving

ERRORS = [
    NotFoundError(kind="build", key="B9"),
    ConflictError(kind="build", key="B1", detail="title is 'a', not 'b'"),
    RefusedValueError(what="reel.nominal_ohm", value="nan", allowed="must be finite"),
    BusyError(path="here", pid=4711),
    BusyError(path="here", pid=None),
    SchemaError(where="here", detail="too new"),
    WriteError(where="here", reason="disk full"),
    MemoryLimitError(where="here", memory_mb=128),
    UnreachableError(address="here", reason="gone"),
    RoleError(name="office", role="read", needed="decide"),
    StorageError("something else"),
]
PLACE = Endpoint(
    address="http://127.0.0.1:1", pid=1, token=TOKEN, schema=schema_version()
)


@contextmanager
def answering(*answers: bytes) -> Iterator[Endpoint]:
    """Answer each connection with given bytes, then close it."""
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve() -> None:
            with suppress(OSError):
                for answer in answers:
                    connection, _ = listener.accept()
                    with connection:
                        connection.recv(65_536)
                        connection.sendall(answer)

        thread = Thread(target=serve)
        thread.start()
        port = listener.getsockname()[1]
        try:
            yield replace(PLACE, address=f"http://127.0.0.1:{port}")
        finally:
            listener.shutdown(socket.SHUT_RDWR)  # whoever still waits for a caller
            thread.join()


def http(body: bytes, status: str = "200 OK") -> bytes:
    """Return an HTTP answer."""
    head = f"HTTP/1.1 {status}\r\nContent-Length: {len(body)}\r\n"
    return f"{head}Connection: close\r\n\r\n".encode() + body


@pytest.mark.parametrize("error", ERRORS, ids=str)
def test_an_error_comes_back_as_itself(error: StorageError) -> None:
    body = json.dumps(wire.encode_error(error)).encode()
    with (
        answering(http(body, "500 no")) as endpoint,
        RemoteStore(endpoint) as remote,
        pytest.raises(type(error)) as caught,
    ):
        remote.table("product")
    assert type(caught.value) is type(error)
    assert str(caught.value) == str(error)
    assert vars(caught.value) == vars(error)


def test_every_error_class_is_tried_here() -> None:
    """Those of the storage itself: no other comes over the wire."""
    own = {
        one
        for one in StorageError.__subclasses__()
        if one.__module__ == StorageError.__module__
    }
    assert {type(one) for one in ERRORS} == {StorageError, *own}


def test_a_dead_daemon_is_named_by_its_address(tmp_path: Path) -> None:
    with (
        LocalStore(tmp_path / "holdpoint.duckdb") as store,
        serving(store) as endpoint,
    ):
        remote = RemoteStore(endpoint)
        assert remote.table("product").num_rows == 0
    with remote, pytest.raises(UnreachableError, match=endpoint.address) as caught:
        remote.keep(PRODUCT)
    assert caught.value.address == endpoint.address


def test_a_connection_that_broke_is_tried_once_more() -> None:
    with (
        answering(b"", http(b'{"result": null}')) as endpoint,
        RemoteStore(endpoint) as remote,
    ):
        remote.keep(PRODUCT)


def test_a_connection_that_breaks_twice_is_given_up() -> None:
    with (
        answering(b"", b"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\n{") as endpoint,
        RemoteStore(endpoint) as remote,
        pytest.raises(UnreachableError, match=r"127\.0\.0\.1"),
    ):
        remote.keep(PRODUCT)


@pytest.mark.parametrize(
    "answer",
    [
        http(b"Internal Server Error", "500 no"),
        http(b"{}", "404 no"),
        http(b'{"error": "KeyError", "message": "", "fields": {}}', "500 no"),
        http(b'{"error": "BusyError", "message": "", "fields": {"x": 1}}', "500 no"),
        http(b"[]", "404 no"),
        http(b"no arrow"),
        b"HELO\r\n\r\n",
    ],
)
@pytest.mark.parametrize(
    "send",
    [
        lambda store: store.table("product"),
        lambda store: store.keep(PRODUCT),
        lambda store: store.backup("here"),
    ],
    ids=["query", "command", "backup"],
)
def test_something_else_at_the_address_is_said_so(
    answer: bytes, send: Callable[[RemoteStore], object]
) -> None:
    with (
        answering(answer, answer) as endpoint,
        RemoteStore(endpoint) as remote,
        pytest.raises(UnreachableError),
    ):
        send(remote)


def test_another_token_is_refused(tmp_path: Path) -> None:
    other = "another"
    with (
        LocalStore(tmp_path / "holdpoint.duckdb") as store,
        serving(store) as endpoint,
        RemoteStore(replace(endpoint, token=other)) as remote,
        pytest.raises(UnreachableError, match="token is not the daemon's"),
    ):
        remote.table("product")


def test_another_schema_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with LocalStore(tmp_path / "holdpoint.duckdb") as store, serving(store) as endpoint:
        monkeypatch.setattr("storage.endpoint.schema_version", lambda: "9999_more")
        with (
            RemoteStore(endpoint) as remote,
            pytest.raises(SchemaError, match="the caller's 9999_more"),
        ):
            remote.table("product")


def test_no_proxy_sees_the_token(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HTTP_PROXY", "http://127.0.0.1:1")
    monkeypatch.setenv("ALL_PROXY", "http://127.0.0.1:1")
    with (
        LocalStore(tmp_path / "holdpoint.duckdb") as store,
        serving(store) as endpoint,
        RemoteStore(endpoint) as remote,
    ):
        assert remote.table("product").num_rows == 0
