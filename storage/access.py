"""Get at the rows of a folder, whoever owns them just now."""

from pathlib import Path
from typing import TYPE_CHECKING

from config.files import private_folder
from storage import endpoint
from storage.endpoint import Endpoint
from storage.errors import UnreachableError
from storage.store import Store

if TYPE_CHECKING:
    from storage.remote import RemoteStore

STORE_NAME = "holdpoint.duckdb"


def open_store(
    folder: Path, *, wait_s: float = 5.0, memory_mb: int = 256, threads: int = 2
) -> Store:
    """Return the running daemon's store, or the file itself when none runs.

    Parameters
    ----------
    memory_mb, threads
        What the file's library may take of this machine.

    Raises
    ------
    BusyError
        When no daemon answers and the file is still in use after `wait_s` seconds.
    SchemaError
        When the file, or the daemon, is not of this program's schema.
    """
    found = endpoint.read(folder)
    if found is not None and not found.stale:
        remote = _reach(found)
        if remote is not None:
            return remote
    from storage.engine import StoreLimits  # noqa: PLC0415 -- needless with one
    from storage.local import LocalStore  # noqa: PLC0415 -- the same

    private_folder(folder)
    return LocalStore.open_briefly(
        folder / STORE_NAME,
        StoreLimits(memory_mb=memory_mb, threads=threads),
        wait_s=wait_s,
    )


def _reach(found: Endpoint) -> "RemoteStore | None":
    """Return the daemon's store; None when its process number is another's by now."""
    from storage.remote import RemoteStore  # noqa: PLC0415 -- needless without a daemon

    remote = RemoteStore(found)
    try:
        remote.table("product")
    except UnreachableError:
        remote.close()
        return None
    except BaseException:
        remote.close()
        raise
    return remote
