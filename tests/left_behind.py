"""A run of tests that ends, ends all that it started: as a plugin of pytest.

Tests start daemons, simulated benches, browsers and screens in sessions of their own,
which no signal to the run reaches. All of them inherit a mark in their environment.
"""

import os
import signal
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

MARK = "HOLDPOINT_TESTS"
PROCESSES = Path("/proc")
END_S = 20.0
"""As long as a daemon may take to turn its source off and close its store."""
OF_POOLS = "from multiprocessing."
"""Processes that serve pools of workers: they end with the process that has them."""
POLL_S = 0.05
SAID: list[str] = []
"""What this run's tests have left behind, in words."""
GRACE = "HOLDPOINT_TESTS_GRACE_S"
GRACE_S = 20.0
"""What was ended in order may take so long to be gone; waited for only while it is."""
OF_TEST = b"PYTEST_CURRENT_TEST="


def pytest_configure(config: pytest.Config) -> None:
    """Mark what is started from now on; be told to end as if by the keyboard."""
    if not is_worker(config):
        os.environ[MARK] = f"{os.getpid()}-{time.monotonic_ns()}"
    # Left as it is, this signal ends the run before any fixture has ended anything.
    # A shell that starts a run in the background has it ignore the keyboard's.
    for ending in (signal.SIGTERM, signal.SIGINT):
        signal.signal(ending, signal.default_int_handler)


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """Fail a run that passed, where a test has not ended what it started."""
    if not is_worker(session.config) and end_all():
        session.exitstatus = session.exitstatus or pytest.ExitCode.TESTS_FAILED


@pytest.hookimpl(trylast=True)
def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say who was left, with the last lines: what comes before them may be cut off."""
    for words in SAID:
        terminalreporter.write_line(f"left behind, now ended: {words}", red=True)


@pytest.hookimpl(trylast=True)
def pytest_unconfigure(config: pytest.Config) -> None:
    """End what an interrupt in the midst of the session's end has left."""
    if not is_worker(config):
        end_all()


def is_worker(config: pytest.Config) -> bool:
    """Whether this process runs tests for another one."""
    return hasattr(config, "workerinput")


def end_all() -> list[str]:
    """End every process that has our mark but this one; return their commands."""
    until_s = time.monotonic() + float(os.environ.get(GRACE, GRACE_S))
    while time.monotonic() < until_s and any(marked()):
        time.sleep(POLL_S)
    found = {pid: command_of(pid) for pid in marked()}
    for pid, command in found.items():
        SAID.append(f"{pid} {command} (started by {test_of(pid)})")
        send(pid, signal.SIGTERM)
    deadline_s = time.monotonic() + END_S
    while left := list(marked()):
        if time.monotonic() > deadline_s:
            for pid in left:
                send(pid, signal.SIGKILL)
        time.sleep(POLL_S)
    return [*found.values()]


def marked() -> Iterator[int]:
    """Yield the processes that have our mark, but this one; none without `/proc`."""
    mark = f"{MARK}={os.environ[MARK]}".encode()
    for folder in PROCESSES.glob("[0-9]*"):
        pid = int(folder.name)
        # Another's process may not be looked into, and one may be gone by now.
        with suppress(OSError):
            told = (folder / "environ").read_bytes().split(b"\0")
            if mark in told and pid != os.getpid() and OF_POOLS not in command_of(pid):
                yield pid


def command_of(pid: int) -> str:
    """Return what a process was started as."""
    with suppress(OSError):
        words = (PROCESSES / str(pid) / "cmdline").read_bytes().split(b"\0")
        return b" ".join(words).decode(errors="replace").strip()
    return "gone"


def test_of(pid: int) -> str:
    """Return the test that was running when a process was started."""
    with suppress(OSError):
        told = (PROCESSES / str(pid) / "environ").read_bytes().split(b"\0")
        for one in told:
            if one.startswith(OF_TEST):
                return one.removeprefix(OF_TEST).decode(errors="replace")
    return "no test"


def send(pid: int, what: signal.Signals) -> None:
    """Send a signal to a process that may be gone."""
    with suppress(ProcessLookupError):
        os.kill(pid, what)
