"""A file is whole or not there, its owner alone reads it, and one place writes it."""

import os
import re
import resource
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from config import files
from config.files import FileError, open_log, private_folder, rotate, write_whole

ROOT = Path(__file__).parents[2]
ROOMS = ("config", "storage", "daemon", "dashboard")
WRITES = re.compile(
    r"\.write_text\(|\.write_bytes\(|copyfile\(|"
    r"[( .](?:fd)?open\([^()]*[\"'][wxa]\+?b?\+?[\"']"
)
ELSEWHERE = {
    "config/files.py": "it is the place",
    "daemon/commands/completing.py": "writes a source file, for whoever changes it",
    "daemon/service/bundle.py": "unpacks into a folder that is thrown away",
    "daemon/service/processes.py": "into nothing, where no log is wanted",
    "daemon/trials/selftest/shifted_time.py": "in a folder that is thrown away",
    "dashboard/sound.py": "into memory",
    "storage/archive.py": "adds a line, and takes half of one back",
}


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_one_place_writes_files() -> None:
    """Else the next file is half there after a full disk, or open to others."""
    found = {
        path.relative_to(ROOT).as_posix()
        for room in ROOMS
        for path in (ROOT / room).rglob("*.py")
        if WRITES.search(path.read_text(encoding="utf-8"))
    }
    assert found == set(ELSEWHERE)


def test_what_is_written_is_for_its_owner_alone(tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        made = write_whole(private_folder(tmp_path / "a" / "b") / "one", "text\n")
        with open_log(tmp_path / "c" / "log") as log:
            log.write("line\n")
        asked = write_whole(tmp_path / "report", b"%PDF", for_all=True)
    finally:
        os.umask(before)
    assert made.read_bytes() == b"text\n"
    assert {mode(one) for one in (made, tmp_path / "c" / "log")} == {0o600}
    folders = (tmp_path / "a", tmp_path / "a" / "b", tmp_path / "c")
    assert {mode(one) for one in folders} == {0o700}
    assert mode(asked) == 0o644


def test_a_document_stays_readable_where_all_else_is_closed(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        files.keep_to_owner()
        asked = write_whole(tmp_path / "report", b"%PDF", for_all=True)
        (tmp_path / "by a library").touch()
    finally:
        os.umask(before)
        files._others = 0o022
    assert mode(asked) == 0o640
    assert mode(tmp_path / "by a library") == 0o600


@contextmanager
def no_file_longer_than(size: int) -> Iterator[None]:
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def full(*_: object, **__: object) -> None:
    raise OSError(28, "No space left on device")


@pytest.mark.parametrize("step", ["open", "write", "fsync", "replace"])
@pytest.mark.parametrize("stood", [None, b"what stood there"], ids=["new", "there"])
def test_a_full_disk_at_any_step_leaves_what_stood_there_and_names_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, stood: bytes | None
) -> None:
    path = tmp_path / "settings.toml"
    if stood is not None:
        path.write_bytes(stood)
    steps: dict[str, Callable[[], object]] = {
        "open": lambda: monkeypatch.setattr(os, "open", full),
        "write": lambda: None,
        "fsync": lambda: monkeypatch.setattr(os, "fsync", full),
        "replace": lambda: monkeypatch.setattr(Path, "replace", full),
    }
    steps[step]()
    most = 4_096 if step == "write" else resource.RLIM_INFINITY
    with no_file_longer_than(most), pytest.raises(FileError) as caught:
        write_whole(path, b"x" * 100_000)
    monkeypatch.undo()
    said = str(caught.value)
    assert said.startswith(f"{path} cannot be written: ")
    assert said.endswith("; nothing of it was kept")
    assert [one.read_bytes() for one in tmp_path.iterdir()] == (
        [] if stood is None else [stood]
    )


def test_a_log_that_grew_too_long_is_put_aside_while_it_is_written(
    tmp_path: Path,
) -> None:
    path = tmp_path / "daemon.log"
    with open_log(path) as log:
        for day in range(6):
            log.write(f"day {day}\n" * 10)
            log.flush()
            assert rotate(path, most_bytes=30) == tmp_path / "daemon.log.1"
        assert rotate(path, most_bytes=30) is None
        log.write("today\n")
    names = ["daemon.log", "daemon.log.1", "daemon.log.2", "daemon.log.3"]
    assert sorted(one.name for one in tmp_path.iterdir()) == names
    said = [(tmp_path / name).read_text().splitlines()[0] for name in names]
    assert said == ["today", "day 5", "day 4", "day 3"]
    assert mode(tmp_path / "daemon.log.1") == 0o600
