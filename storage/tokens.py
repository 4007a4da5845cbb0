"""Named tokens for other programs: given once, kept hashed, taken back at any time.

Each is a file of its own in the data folder, for the owner alone, named by the token's
hash: two who give one at the same moment cannot undo each other's, and whoever reads
the files learns no token.
"""

import hashlib
import json
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from config.files import patiently, private_folder, sync, write_whole
from storage.door import require_id
from storage.errors import ConflictError, NotFoundError, RefusedValueError, SchemaError
from storage.roles import GIVEN, Caller, Role

FOLDER = "tokens"


@dataclass(frozen=True, slots=True, kw_only=True)
class Token:
    """One that was given: all but the token itself."""

    name: str
    role: Role
    given_at: datetime


def give_token(data: Path, name: str, role: Role, *, at: datetime) -> str:
    """Give a token of this name; return it, which nobody can do again.

    Parameters
    ----------
    data
        The folder of the records, which the daemon reads.

    Raises
    ------
    ConflictError
        A token of this name is in use.
    RefusedValueError
        The name cannot be shown or typed, or no token may have the role.
    """
    require_id("name of a token", name)
    if role not in GIVEN:
        allowed = f"must be one of {', '.join(GIVEN)}"
        raise RefusedValueError(what="role of a token", value=role, allowed=allowed)
    if any(one.name == name for one in given_tokens(data)):
        raise ConflictError(kind="token", key=name, detail="revoke it first")
    token = secrets.token_urlsafe(32)
    said = {"name": name, "role": role, "given_at": at.astimezone(UTC).isoformat()}
    private_folder(data / FOLDER)
    write_whole(_place(data, token), json.dumps(said))
    return token


def given_tokens(data: Path) -> list[Token]:
    """Return the tokens in use, by name.

    Raises
    ------
    SchemaError
        A file is none of a token.
    """
    return sorted((one for _, one in _all(data)), key=lambda one: one.name)


def revoke_token(data: Path, name: str) -> None:
    """Take a token back: it is refused from the next request on.

    Raises
    ------
    NotFoundError
        No token has this name.
    """
    found = [path for path, one in _all(data) if one.name == name]
    if not found:
        raise NotFoundError(kind="token", key=name)
    for path in found:
        patiently(partial(path.unlink, missing_ok=True))
    sync(data / FOLDER)


def caller_of(data: Path, token: str) -> Caller | None:
    """Return whose token it is; None where it was never given, or was revoked.

    The file is looked for at each request: nothing is remembered that may be revoked.

    Raises
    ------
    SchemaError
        Its file is damaged.
    """
    try:
        found = _read(_place(data, token))
    except FileNotFoundError:
        return None
    return Caller(name=found.name, role=found.role)


def _place(data: Path, token: str) -> Path:
    # Of 256 bits by chance: nobody tries them out, so a fast hash without salt will do.
    digest = hashlib.sha256(token.encode("utf-8", "surrogateescape")).hexdigest()
    return data / FOLDER / f"{digest}.json"


def _all(data: Path) -> list[tuple[Path, Token]]:
    found = []
    for path in sorted((data / FOLDER).glob("*.json")):
        try:
            found.append((path, _read(path)))
        except FileNotFoundError:
            continue  # revoked by somebody else just now
    return found


def _read(path: Path) -> Token:
    try:
        said = json.loads(path.read_text("utf-8"))
        token = Token(
            name=str(said["name"]),
            role=Role(said["role"]),
            given_at=datetime.fromisoformat(said["given_at"]),
        )
    except (ValueError, TypeError, KeyError) as exc:
        detail = "not the file of a token; remove it, and give the token anew"
        raise SchemaError(where=str(path), detail=detail) from exc
    if token.role not in GIVEN:
        raise SchemaError(
            where=str(path), detail=f"no token may have the role {token.role}"
        )
    return token
