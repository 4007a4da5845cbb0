"""Files of ours: whole or not at all, and for their owner alone.

A full disk, a power cut or a `kill -9` must leave no file under its final name that is
not whole, and must not spoil the one that stood there. Whatever is written is first
written beside its place, brought to the disk, and only then given its name.
"""

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, TypeVar

from config.errors import HoldpointError

__all__ = [
    "AS_IT_IS",
    "FILE_MODE",
    "FOLDER_MODE",
    "FileError",
    "being_written",
    "keep_to_owner",
    "open_log",
    "patiently",
    "private_folder",
    "rotate",
    "sync",
    "write_whole",
]

T = TypeVar("T")

FILE_MODE = 0o600
FOLDER_MODE = 0o700
AS_IT_IS = getattr(os, "O_BINARY", 0)
"""For `os.open`: without it Windows makes two bytes of each line's end."""
IN_THE_WAY_S = 2.0
"""On Windows whoever reads a file is in the way of its next text: at most so long."""
_ON_WINDOWS = os.name == "nt"
_EVERYBODY = 0o666
_others = 0o022
"""What the person's own setting keeps from others, for files that are made for them."""


class FileError(HoldpointError, OSError):
    """A file could not be written; what stood there before stands there still."""

    def __init__(self, path: Path, fault: OSError) -> None:
        super().__init__(fault.errno, fault.strerror or str(fault), str(path))

    def __str__(self) -> str:
        """Return one sentence that names the file."""
        reason = f"{self.strerror}"
        return (
            f"{self.filename} cannot be written: {reason[:1].lower()}{reason[1:]}; "
            "nothing of it was kept"
        )


def keep_to_owner() -> None:
    """Have this process, and what it starts, make files that their owner alone reads.

    The database's library makes files of its own, which have no other way to be told.
    """
    global _others  # noqa: PLW0603 -- a process has one such setting
    before = os.umask(0o077)
    if before != 0o077:  # noqa: PLR2004 -- else a caller of ours has done it
        _others = before


def private_folder(folder: Path) -> Path:
    """Make a folder, and those above it, for their owner alone; return it."""
    missing = []
    at = folder
    while not at.exists():
        missing.append(at)
        at = at.parent
    for one in reversed(missing):
        with suppress(FileExistsError):  # somebody else was faster
            one.mkdir(FOLDER_MODE)
    if not folder.is_dir():
        folder.mkdir()  # says what is in the way
    return folder


def write_whole(path: Path, data: str | bytes, *, for_all: bool = False) -> Path:
    """Write a file whole, or leave what stood there; return its path.

    Parameters
    ----------
    data : str or bytes
        Text is written as UTF-8, its line ends as they are.
    for_all : bool
        A document that a person asked for is readable as their other files are; the
        rest is for its owner alone.

    Raises
    ------
    FileError
        Names the file.
    """
    with being_written(path, for_all=for_all) as file:
        file.write(data.encode() if isinstance(data, str) else data)
    return path


@contextmanager
def being_written(path: Path, *, for_all: bool = False) -> Iterator[IO[bytes]]:
    """Offer a file that takes its name once the context ends well.

    Raises
    ------
    FileError
        Names the file.
    """
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    mode = _EVERYBODY & ~_others if for_all else FILE_MODE
    try:
        part.unlink(missing_ok=True)  # of a process that had our number and was killed
        # Created with its mode: one closed off after could be read in between.
        handle = os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL | AS_IT_IS, mode)
        with os.fdopen(handle, "w+b") as file:
            if for_all and hasattr(os, "fchmod"):
                os.fchmod(handle, mode)  # whatever this process keeps from others
            yield file
            file.flush()
            os.fsync(handle)
        patiently(lambda: part.replace(path))
        sync(path.parent)
    except OSError as exc:
        if isinstance(exc, FileError):
            raise
        raise FileError(path, exc) from exc
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def sync(path: Path) -> None:
    """Have a file, or a folder's list of names, on the disk before going on."""
    if _ON_WINDOWS and path.is_dir():
        return  # there a folder cannot be opened; its list is written with the file's
    # There a file is brought to the disk by who may write it alone.
    handle = os.open(path, os.O_RDWR if _ON_WINDOWS else os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def patiently(change: Callable[[], T]) -> T:
    """Change a file's name, or remove it, though somebody reads it just now.

    Windows refuses that while the file is open anywhere, to a program that looks for
    viruses too; such readers are gone in a moment.

    Raises
    ------
    PermissionError
        It is refused still, or elsewhere than on Windows.
    """
    deadline_s = time.monotonic() + IN_THE_WAY_S
    while True:
        try:
            return change()
        except PermissionError:
            if not _ON_WINDOWS or time.monotonic() > deadline_s:
                raise
        time.sleep(0.02)


LOG_BYTES = 5_000_000
LOGS_KEPT = 3


def open_log(path: Path) -> IO[str]:
    """Open a log to add to, for its owner alone; what is too long is put aside first.

    Raises
    ------
    FileError
        Names the file.
    """
    private_folder(path.parent)
    rotate(path)
    try:
        flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | AS_IT_IS
        handle = os.open(path, flags, FILE_MODE)
    except OSError as exc:
        raise FileError(path, exc) from exc
    return os.fdopen(handle, "a", encoding="utf-8")


def rotate(
    path: Path, *, most_bytes: int = LOG_BYTES, kept: int = LOGS_KEPT
) -> Path | None:
    """Put a log aside that has grown too long; return where, None if it has not.

    Whoever writes into it may go on: the file stays, what is in it is moved out. That
    needs a log opened to add to, as `open_log` does.
    """
    if not path.is_file() or path.stat().st_size <= most_bytes:
        return None
    for number in range(kept, 1, -1):
        older = path.with_name(f"{path.name}.{number - 1}")
        if older.exists():
            older.replace(path.with_name(f"{path.name}.{number}"))
    newest = write_whole(path.with_name(f"{path.name}.1"), path.read_bytes())
    os.truncate(path, 0)
    return newest
