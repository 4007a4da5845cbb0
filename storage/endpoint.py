"""Where the running daemon answers: a file that its owner alone may read."""

import json
import os
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Self

from config.files import patiently, write_whole
from storage.errors import SchemaError
from storage.statements import schema_version

FILE_NAME = "endpoint.json"
SCHEMA_HEADER = "X-Holdpoint-Schema"


@dataclass(frozen=True, slots=True, kw_only=True)
class Endpoint:
    """Address ("http://127.0.0.1:port"), process, token and schema of a daemon."""

    address: str
    pid: int
    token: str = field(repr=False)  # it must not reach a log
    schema: str

    @classmethod
    def at(cls, address: str, token: str) -> Self:
        """Return the endpoint of a daemon that is told by its address and a token."""
        return cls(address=address, pid=0, token=token, schema=schema_version())

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
    if os.name == "nt":
        return _runs_on_windows(pid)
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _runs_on_windows(pid: int) -> bool:
    """Whether it runs; there a signal of 0 would be Ctrl-C, not a question."""
    import ctypes  # noqa: PLC0415 -- there alone

    kernel = ctypes.WinDLL(  # type: ignore[attr-defined,unused-ignore]
        "kernel32", use_last_error=True
    )
    still_active, may_ask, access_denied = 259, 0x1000, 5
    kernel.OpenProcess.restype = ctypes.c_void_p
    found: int | None = kernel.OpenProcess(may_ask, False, pid)
    if not found:
        # Another user's is refused, and runs.
        why: int = ctypes.get_last_error()  # type: ignore[attr-defined,unused-ignore]
        return why == access_denied
    handle = ctypes.c_void_p(found)
    try:
        code = ctypes.c_ulong()
        asked = kernel.GetExitCodeProcess(handle, ctypes.byref(code))
        return bool(asked) and code.value == still_active
    finally:
        kernel.CloseHandle(handle)


def write(folder: Path, endpoint: Endpoint) -> Path:
    """Put the endpoint in place, whole or not at all, readable by its owner only."""
    return write_whole(folder / FILE_NAME, json.dumps(asdict(endpoint)))


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
        patiently(lambda: (folder / FILE_NAME).unlink(missing_ok=True))


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
