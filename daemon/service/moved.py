"""Records that were moved to another PC: closed here, to go on in one place."""

from datetime import UTC, datetime
from pathlib import Path

from config import HoldpointError, write_whole
from daemon.service.home import Home

NOTE = "moved.txt"


class MovedError(HoldpointError):
    """The records were moved, and go on elsewhere."""


def note(home: Home, file: Path, *, at: datetime) -> None:
    """Close the records of a home: they are in a file that goes elsewhere."""
    when = at.astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC")
    write_whole(home.data / NOTE, f"{when}, into {file}\n")


def came_back(home: Home) -> None:
    """Open the records of a home again."""
    (home.data / NOTE).unlink(missing_ok=True)


def require_here(home: Home) -> None:
    """Refuse records that were moved.

    Raises
    ------
    MovedError
        Saying when, and how to go on here after all.
    """
    path = home.data / NOTE
    if path.exists():
        said = path.read_text(encoding="utf-8", errors="replace").strip()
        message = (
            f"the records of {home.folder} were moved on {said}. Go on there; "
            "`holdpoint move FILE --back` opens them here again"
        )
        raise MovedError(message)
