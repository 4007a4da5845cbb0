"""The endpoint file: its owner's alone, whole or absent."""

import os
import stat
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from storage import endpoint
from storage.endpoint import Endpoint
from storage.errors import SchemaError
from storage.statements import schema_version

TOKEN = "s3cret"  # noqa: S105 - opens nothing
OTHER = "another"
HERE = Endpoint(
    address="http://127.0.0.1:4711",
    pid=os.getpid(),
    token=TOKEN,
    schema="0001_first",
)


def test_what_was_written_is_read(tmp_path: Path) -> None:
    endpoint.write(tmp_path, HERE)
    assert endpoint.read(tmp_path) == HERE


def test_no_file_is_no_endpoint(tmp_path: Path) -> None:
    assert endpoint.read(tmp_path) is None


@pytest.mark.parametrize("mask", [0o000, 0o022, 0o077])
def test_only_the_owner_may_read_it_whatever_the_mask(
    tmp_path: Path, mask: int
) -> None:
    before = os.umask(mask)
    try:
        path = endpoint.write(tmp_path, HERE)
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_it_is_created_with_its_mode_and_never_opened_wider(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[tuple[int, int]] = []
    create = os.open

    def watch(path: str, flags: int, mode: int = 0o777) -> int:
        opened.append((flags, mode))
        return create(path, flags, mode)

    monkeypatch.setattr(os, "open", watch)
    endpoint.write(tmp_path, HERE)
    (flags, mode), _ = opened  # the second is the folder, to bring its list to the disk
    assert mode == 0o600
    assert flags & os.O_EXCL


def test_a_new_endpoint_replaces_an_old_one_of_any_mode(tmp_path: Path) -> None:
    path = endpoint.write(tmp_path, HERE)
    path.chmod(0o644)
    endpoint.write(tmp_path, replace(HERE, token=OTHER))
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [one.name for one in tmp_path.iterdir()] == [path.name]


def test_what_is_left_of_a_crash_is_in_nobodys_way(tmp_path: Path) -> None:
    (tmp_path / f"{endpoint.FILE_NAME}.{os.getpid()}.part").write_text("half")
    path = endpoint.write(tmp_path, HERE)
    assert [one.name for one in tmp_path.iterdir()] == [path.name]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        '"x"',
        '{"address": "a"}',
        "\x00",
        '{"address":"a","pid":"x","token":"t","schema":"s"}',
    ],
)
def test_a_file_that_is_no_endpoint_is_said_so(tmp_path: Path, text: str) -> None:
    (tmp_path / endpoint.FILE_NAME).write_text(text)
    with pytest.raises(SchemaError, match="not an endpoint file"):
        endpoint.read(tmp_path)


def test_one_removes_only_ones_own(tmp_path: Path) -> None:
    endpoint.write(tmp_path, HERE)
    endpoint.remove(tmp_path, replace(HERE, token=OTHER))
    assert endpoint.read(tmp_path) == HERE
    endpoint.remove(tmp_path, HERE)
    assert endpoint.read(tmp_path) is None
    endpoint.remove(tmp_path, HERE)


def test_it_is_stale_once_its_process_is_gone() -> None:
    with subprocess.Popen(
        [sys.executable, "-c", "input()"], stdin=subprocess.PIPE
    ) as p:
        there = replace(HERE, pid=p.pid)
        assert not there.stale
        assert p.stdin is not None
        p.stdin.close()
        p.wait()
        assert there.stale


def test_another_users_process_is_alive(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(pid: int, signal: int) -> None:
        raise PermissionError(pid, signal)

    monkeypatch.setattr(os, "kill", refuse)
    assert not HERE.stale


def test_the_token_shows_in_no_text() -> None:
    assert TOKEN not in repr(HERE)
    assert TOKEN not in str(HERE)


def test_a_request_says_which_schema_this_program_speaks() -> None:
    old = replace(HERE, schema="0000_older")
    assert old.headers[endpoint.SCHEMA_HEADER] == schema_version()
    assert old.headers["Authorization"] == f"Bearer {TOKEN}"
