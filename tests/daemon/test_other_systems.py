"""What Linux alone knows has its twin for other systems, and the table says where."""

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from daemon.service import processes
from daemon.service.home import Home
from daemon.service.processes import claimed, is_claimed

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
