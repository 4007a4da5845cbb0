"""Where the running daemon answers: a file that its owner alone may read."""

import json
import os
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path

from storage.errors import SchemaError
from storage.statements import schema_version

FILE_NAME = "endpoint.json"
SCHEMA_HEADER = "X-Holdpoint-Schema"
_OWNER_ONLY = 0o600


@dataclass(frozen=True, slots=True, kw_only=True)
class Endpoint:
    """Address ("http://127.0.0.1:port"), process, token and schema of a daemon."""

    address: str
    pid: int
    token: str = field(repr=False)  # it must not reach a log
    schema: str

    @property
    def headers(self) -> dict[str, str]:
        """What every request to the daemon carries; the schema is this program's."""
        return {
            "Authorization": f"Bearer {self.token}",
            SCHEMA_HEADER: schema_version(),
        }

    @property
    def stale(self) -> bool:
        """Whether the process that wrote it is gone.

        A process number is used again one day: False does not promise an answer.
        """
        return not is_running(self.pid)


def is_running(pid: int) -> bool:
    """Whether a process of this number runs, ours or another's."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def write(folder: Path, endpoint: Endpoint) -> Path:
    """Put the endpoint in place, whole or not at all, readable by its owner only."""
    path = folder / FILE_NAME
    part = path.with_name(f"{FILE_NAME}.{os.getpid()}.part")
    part.unlink(missing_ok=True)
    # Created with its mode: a file opened first and closed off after could be read
    # in between.
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _OWNER_ONLY)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump(asdict(endpoint), file)
            file.flush()
            os.fsync(file.fileno())
        part.rename(path)
    finally:
        part.unlink(missing_ok=True)
    return path


def read(folder: Path) -> Endpoint | None:
    """Return the endpoint in `folder`, None when there is none.

    Raises
    ------
    SchemaError
        When the file is not an endpoint.
    """
    path = folder / FILE_NAME
    try:
        text = path.read_text("utf-8")
    except FileNotFoundError:
        return None
    try:
        return _parse(text)
    except (ValueError, TypeError, KeyError) as exc:
        raise SchemaError(where=str(path), detail="not an endpoint file") from exc


def remove(folder: Path, endpoint: Endpoint) -> None:
    """Remove the file if it still says `endpoint`, not another daemon's."""
    if read(folder) == endpoint:
        (folder / FILE_NAME).unlink(missing_ok=True)


def _parse(text: str) -> Endpoint:
    said = json.loads(text)
    if {one.name for one in fields(Endpoint)} != set(said):
        raise KeyError(*said)
    return Endpoint(
        address=str(said["address"]),
        pid=int(said["pid"]),
        token=str(said["token"]),
        schema=str(said["schema"]),
    )
