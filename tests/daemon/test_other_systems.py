"""What Linux alone knows has its twin for other systems, and the table says where."""

import ast
import ctypes
import os
import re
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import duckdb
import pytest

from config import files
from config.files import FileError
from daemon.bench.errors import GuardLostError
from daemon.bench.guard import Guard, Orders
from daemon.commands import showing
from daemon.service import doctor, processes
from daemon.service.doctor import State
from daemon.service.home import Home
from daemon.service.processes import claimed, is_claimed
from daemon.trials.selftest.safe_trials import TrialError, few_trials, trials
from storage import endpoint, engine
from storage.errors import BusyError, SchemaError

ROOT = Path(__file__).parents[2]
OURS = ("config", "storage", "daemon", "dashboard")
MODULES = {
    "fcntl", "grp", "posix", "pty", "pwd", "resource", "spwd", "syslog", "termios",
    "tty",
}  # fmt: skip
CALLS = {
    "os": {
        "chown", "fchmod", "fchown", "fork", "forkpty", "getegid", "geteuid", "getgid",
        "getloadavg", "getpgid", "getuid", "kill", "killpg", "mkfifo", "nice",
        "sched_getaffinity", "sched_setaffinity", "setpgid", "setsid", "statvfs",
        "sync", "sysconf", "uname", "wait", "wait3", "wait4", "waitpid",
    },
    "signal": {
        "SIGALRM", "SIGCHLD", "SIGHUP", "SIGKILL", "SIGQUIT", "SIGSTOP", "SIGUSR1",
        "SIGUSR2", "alarm", "pause", "pthread_sigmask", "setitimer", "sigwait",
    },
    "socket": {"AF_UNIX", "recv_fds", "send_fds"},
}  # fmt: skip
LOOK = """
import sys
from pathlib import Path
from daemon.service.home import Home
from daemon.service.processes import is_claimed
print(is_claimed(Home(Path(sys.argv[1]))))
"""
WORDS = {"pass_fds", "preexec_fn", "start_new_session", "umask"}
"""Names of arguments."""
PATHS = re.compile(r"/(dev|proc|sys|etc|tmp)/\w")


def linux_alone(text: str) -> Iterator[str]:
    """Yield every name in a source that Linux, or POSIX, alone has."""
    for node in ast.walk(ast.parse(text)):
        match node:
            case ast.Import(names=names):
                yield from (one.name for one in names if one.name in MODULES)
            case ast.ImportFrom(module=str(module), names=names):
                yield from (f"{module}." for _ in names if module in MODULES)
                known = CALLS.get(module, set())
                yield from (f"{module}.{o.name}" for o in names if o.name in known)
            case ast.Attribute(value=ast.Name(id=module), attr=name):
                if name in CALLS.get(module, ()):
                    yield f"{module}.{name}"
            case ast.Call(
                func=ast.Name(id="getattr" | "hasattr"),
                args=[ast.Name(id=module), ast.Constant(value=str(name)), *_],
            ):
                if name in CALLS.get(module, ()):
                    yield f"{module}.{name}"
            case ast.keyword(arg=str(name)) if name in WORDS:
                yield name
            case ast.Constant(value=str(value)) if PATHS.match(value):
                yield value


def sources() -> Iterator[tuple[str, str]]:
    for room in OURS:
        for path in sorted((ROOT / room).rglob("*.py")):
            yield path.relative_to(ROOT).as_posix(), path.read_text(encoding="utf-8")


def table() -> str:
    """Return the part of the page that says what differs, and where it is seen to."""
    page = (ROOT / "daemon" / "README.md").read_text(encoding="utf-8")
    return page.partition("What differs between systems")[2].partition("\n## ")[0]


def test_what_one_system_alone_has_is_in_the_table_with_its_twin() -> None:
    said = table()
    missing = {
        path: sorted(set(found))
        for path, text in sources()
        if (found := list(linux_alone(text)))
        and f"`{path}`" not in said
        and f"`{path.removeprefix('daemon/')}`" not in said
    }
    assert missing == {}


def test_the_table_names_nothing_that_is_gone() -> None:
    for name in re.findall(r"`([\w/]+\.py)`", table()):
        assert (ROOT / name).is_file() or (ROOT / "daemon" / name).is_file(), name


def test_no_module_needs_at_its_beginning_what_one_system_alone_has() -> None:
    """Else nothing at all starts elsewhere, not even what never calls it."""
    tops = {
        path: sorted(found)
        for path, text in sources()
        if (
            found := {
                alias.name
                for node in ast.parse(text).body
                if isinstance(node, ast.Import)
                for alias in node.names
                if alias.name in MODULES
            }
        )
    }
    assert tops == {}


@pytest.mark.parametrize("text", [
    "import fcntl", "from pwd import getpwuid", "import os\nos.kill(1, 9)",
    "import signal\nsignal.SIGKILL", "from os import fork", "open('/proc/self/stat')",
    "hasattr(os, 'fchmod')", "run(['a'], start_new_session=True)",
])  # fmt: skip
def test_the_look_finds_what_it_looks_for(text: str) -> None:
    assert list(linux_alone(text))


class FirstByte(ModuleType):
    """What Windows offers to lock a file with: one byte, one holder, no waiting."""

    LK_NBLCK = 2

    def __init__(self) -> None:
        super().__init__("msvcrt")
        self.holder: int | None = None

    def locking(self, handle: int, how: int, count: int) -> None:
        assert (how, count) == (self.LK_NBLCK, 1)
        if self.holder is not None:
            raise PermissionError(13, "Permission denied")
        self.holder = handle


def test_a_claim_is_seen_on_windows_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    byte: Any = FirstByte()
    monkeypatch.setitem(sys.modules, "msvcrt", byte)
    with (tmp_path / "claim").open("a") as one, (tmp_path / "claim").open() as other:
        assert processes._locked_on_windows(one)
        assert not processes._locked_on_windows(other)
        byte.holder = None  # as when a process ends
        assert processes._locked_on_windows(other)


def test_a_claim_is_seen_by_others_and_goes_with_its_process(tmp_path: Path) -> None:
    home = Home(tmp_path)
    assert not is_claimed(home)
    with claimed(home):
        look = subprocess.run(
            [sys.executable, "-c", LOOK, str(tmp_path)],
            capture_output=True,
            text=True,
            check=True,
        )
        assert look.stdout == "True\n"
    assert not is_claimed(home)


class Kernel:
    """What Windows answers to whoever asks for a process."""

    def __init__(self, *, handle: int = 0, code: int = 0) -> None:
        self._code = code
        self.OpenProcess = lambda *_: handle or None
        self.closed = 0

    def GetExitCodeProcess(self, _: Any, into: Any) -> int:  # noqa: N802 -- its name
        into._obj.value = self._code
        return 1

    def CloseHandle(self, _: Any) -> None:  # noqa: N802 -- its name
        self.closed += 1


@pytest.mark.parametrize(("kernel", "fault", "lives"), [
    (Kernel(handle=64, code=259), 0, True),
    (Kernel(handle=64, code=1), 0, False),
    (Kernel(), 87, False),  # no such process
    (Kernel(), 5, True),  # access denied: another user's
])  # fmt: skip
def test_whether_a_process_lives_is_told_on_windows_too(
    kernel: Any, fault: int, lives: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ctypes, "WinDLL", lambda *_, **__: kernel, raising=False)
    monkeypatch.setattr(ctypes, "get_last_error", lambda: fault, raising=False)
    assert endpoint._runs_on_windows(4711) is lives
    assert kernel.closed == (1 if fault == 0 else 0)


# As the library says it there: what the system says is in the person's language.
OPEN_ON_WINDOWS = (
    'IO Error: Cannot open file "here.duckdb": {}\r\n\r\n\n'
    "File is already open in \nC:\\python.exe (PID 8252)"
)
ENGLISH = (
    "The process cannot access the file because it is being used by another process."
)


@pytest.mark.parametrize(("said", "pid"), [
    (OPEN_ON_WINDOWS.format(ENGLISH), 8252),
    (OPEN_ON_WINDOWS.format("Der Prozess kann nicht auf die Datei zugreifen."), 8252),
    (f'IO Error: Cannot open file "here.duckdb": {ENGLISH}', None),
])  # fmt: skip
def test_records_that_another_process_has_on_windows_are_busy_not_damaged(
    tmp_path: Path, said: str, pid: int | None
) -> None:
    path = tmp_path / "here.duckdb"
    path.touch()
    found = engine._not_opened(path, duckdb.IOException(said))
    assert isinstance(found, BusyError)
    assert found.pid == pid


def test_a_damaged_block_is_no_file_in_use(tmp_path: Path) -> None:
    path = tmp_path / "here.duckdb"
    path.touch()
    said = "IO Error: Corrupt database file: computed checksum of block 3 is another"
    found = engine._not_opened(path, duckdb.IOException(said))
    assert isinstance(found, SchemaError)


def test_a_reader_in_the_way_of_a_new_text_is_waited_for_on_windows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = files.write_whole(tmp_path / "one", "before")
    real, refused = Path.replace, 3

    def replace(part: Path, to: Path) -> Path:
        nonlocal refused
        if refused:
            refused -= 1
            raise PermissionError(13, "Access is denied")
        return real(part, to)

    monkeypatch.setattr(Path, "replace", replace)
    with pytest.raises(FileError):  # elsewhere it is no reader, and stays so
        files.write_whole(path, "after")
    assert (path.read_text(), refused) == ("before", 2)
    monkeypatch.setattr(files, "_ON_WINDOWS", True)
    files.write_whole(path, "after")
    assert (path.read_text(), refused) == ("after", 0)
    refused = 1_000_000
    monkeypatch.setattr(files, "IN_THE_WAY_S", 0.05)
    with pytest.raises(FileError, match="one"):
        files.write_whole(path, "never")
    assert [one.name for one in tmp_path.iterdir()] == ["one"]


def test_a_file_is_brought_to_the_disk_by_who_may_write_it_on_windows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its `_commit` refuses a file that was opened to read."""
    path = files.write_whole(tmp_path / "one", "text")
    opened = []
    real = os.open

    def note(where: Path, flags: int, *more: int) -> int:
        opened.append(flags & os.O_ACCMODE)
        return real(where, flags, *more)

    monkeypatch.setattr(files, "_ON_WINDOWS", True)
    monkeypatch.setattr(os, "open", note)
    files.sync(path)
    files.sync(tmp_path)  # a folder cannot be opened there
    assert opened == [os.O_RDWR]
    assert path.read_text() == "text"


def test_a_log_gets_no_byte_that_was_not_written(tmp_path: Path) -> None:
    """Whoever opens by hand says so: there the default adds one to each line."""
    by_hand = {
        path: text.count("AS_IT_IS") - text.count('"AS_IT_IS"')
        for path, text in sources()
        if "os.O_CREAT" in text
    }
    assert by_hand == {"config/files.py": 3, "storage/archive.py": 2}
    with files.open_log(tmp_path / "log") as log:
        log.write("line\n")
    assert (tmp_path / "log").read_bytes() == b"line\n"


def test_a_home_that_others_may_read_is_named_on_windows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doctor, "_ON_WINDOWS", True)
    monkeypatch.setattr(Path, "home", lambda: tmp_path / "Ada")
    (own,) = doctor._permissions(Home(tmp_path / "Ada" / "line"))
    (open_,) = doctor._permissions(Home(tmp_path / "line"))
    assert own.state is State.GOOD
    assert open_.state is State.MIND
    assert open_.mend.startswith(f"put it below {tmp_path / 'Ada'}, or take others'")


def test_trials_that_need_a_system_of_their_own_are_refused_elsewhere(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delattr(os, "fork")
    for made in (trials, few_trials):
        with pytest.raises(TrialError, match="cannot be tried on this system"):
            made(1)


def test_a_bench_is_not_opened_where_nothing_can_turn_its_source_off(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delattr(socket, "send_fds")
    started: list[object] = []
    monkeypatch.setattr(subprocess, "Popen", lambda *args, **_: started.append(args))
    orders = Orders({"instrument": {"timeout_s": 1.0}, "profile": {"silence_s": 0.0}})
    with pytest.raises(GuardLostError, match="type or import readings here"):
        Guard(orders)
    assert started == []


def test_a_terminal_s_interrupt_is_kept_from_children_on_windows_too(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    group = 0x200  # CREATE_NEW_PROCESS_GROUP
    monkeypatch.setattr(subprocess, "CREATE_NEW_PROCESS_GROUP", group, raising=False)
    with monkeypatch.context() as there:
        there.setattr(os, "name", "nt")
        found = processes.apart()
    assert found == {"creationflags": group}


@pytest.mark.parametrize(
    ("typed", "lines"),
    [("", []), ("PA-1001\r", ["PA-1001"]), ("PA-1\r\rPA-2\rPA-", ["PA-1", "PA-2"])],
)
def test_what_was_typed_ahead_is_taken_key_by_key_on_windows(
    typed: str, lines: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    keys, console = list(typed), ModuleType("msvcrt")
    console.kbhit = lambda: bool(keys)  # type: ignore[attr-defined]
    console.getwch = lambda: keys.pop(0)  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "msvcrt", console)
    monkeypatch.setattr(showing, "interactive", lambda: True)
    monkeypatch.setattr(sys, "platform", "win32")
    assert showing.typed_ahead() == lines
    assert keys == []
