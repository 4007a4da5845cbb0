"""Tokens for other programs: given once, kept hashed, revoked at once."""

import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from config.files import FILE_MODE, FOLDER_MODE
from storage.errors import (
    ConflictError,
    NotFoundError,
    RefusedValueError,
    SchemaError,
)
from storage.roles import GIVEN, Role
from storage.tokens import (
    FOLDER,
    Token,
    caller_of,
    give_token,
    given_tokens,
    revoke_token,
)

AT = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)


@pytest.mark.parametrize("role", GIVEN)
def test_a_token_is_known_by_its_name_and_role_until_it_is_revoked(
    tmp_path: Path, role: Role
) -> None:
    token = give_token(tmp_path, "packing PC", role, at=AT)
    other = give_token(tmp_path, "office", Role.READ, at=AT)
    found = caller_of(tmp_path, token)
    assert found is not None
    assert (found.name, found.role) == ("packing PC", role)
    assert [one.name for one in given_tokens(tmp_path)] == ["office", "packing PC"]
    revoke_token(tmp_path, "packing PC")
    assert caller_of(tmp_path, token) is None
    assert caller_of(tmp_path, other) is not None
    assert given_tokens(tmp_path) == [Token(name="office", role=Role.READ, given_at=AT)]


def test_nothing_on_the_disk_lets_anybody_in(tmp_path: Path) -> None:
    token = give_token(tmp_path, "office", Role.DECIDE, at=AT)
    folder = tmp_path / FOLDER
    (path,) = folder.iterdir()
    assert token not in path.read_text("utf-8")
    assert token not in path.name
    assert caller_of(tmp_path, path.stem) is None
    if os.name != "nt":
        assert path.stat().st_mode & 0o777 == FILE_MODE
        assert folder.stat().st_mode & 0o777 == FOLDER_MODE


@pytest.mark.parametrize(
    "token", ["", "another", "../endpoint", "x" * 10_000, "µ\udcff", "\0"]
)
def test_what_was_never_given_is_nobody_s(tmp_path: Path, token: str) -> None:
    give_token(tmp_path, "office", Role.READ, at=AT)
    assert caller_of(tmp_path, token) is None
    assert caller_of(tmp_path / "nothing here", token) is None


def test_a_name_in_use_is_refused_and_free_once_revoked(tmp_path: Path) -> None:
    first = give_token(tmp_path, "office", Role.DECIDE, at=AT)
    with pytest.raises(ConflictError, match="revoke it first"):
        give_token(tmp_path, "office", Role.READ, at=AT)
    found = caller_of(tmp_path, first)
    assert found is not None
    assert found.role is Role.DECIDE
    revoke_token(tmp_path, "office")
    second = give_token(tmp_path, "office", Role.READ, at=AT)
    assert second != first
    assert caller_of(tmp_path, first) is None


def test_the_daemon_s_own_role_is_never_given(tmp_path: Path) -> None:
    with pytest.raises(RefusedValueError, match="read, record, decide"):
        give_token(tmp_path, "office", Role.OWN, at=AT)
    assert given_tokens(tmp_path) == []
    token = give_token(tmp_path, "office", Role.DECIDE, at=AT)
    (path,) = (tmp_path / FOLDER).iterdir()
    text = path.read_text("utf-8")
    path.write_text(text.replace("decide", "own"), "utf-8")
    with pytest.raises(SchemaError, match="no token may have the role own"):
        caller_of(tmp_path, token)


@pytest.mark.parametrize("name", ["", " office", "of\nfice", "x" * 1000])
def test_a_name_that_nobody_can_type_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(RefusedValueError, match="name of a token"):
        give_token(tmp_path, name, Role.READ, at=AT)


def test_a_token_that_is_unknown_cannot_be_revoked(tmp_path: Path) -> None:
    with pytest.raises(NotFoundError, match="unknown token 'office'"):
        revoke_token(tmp_path, "office")


@pytest.mark.parametrize("damaged", ["", "{}", "[]", '{"name": "office"}', "\0"])
def test_a_damaged_file_lets_nobody_in_and_is_named(
    tmp_path: Path, damaged: str
) -> None:
    token = give_token(tmp_path, "office", Role.READ, at=AT)
    (path,) = (tmp_path / FOLDER).iterdir()
    path.write_text(damaged, "utf-8")
    for look in (
        lambda: caller_of(tmp_path, token),
        lambda: given_tokens(tmp_path),
    ):
        with pytest.raises(SchemaError, match=path.name):
            look()
