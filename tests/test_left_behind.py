"""A run of tests that is interrupted, or forgets a process, leaves none behind."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from tests import left_behind

ROOT = Path(__file__).parents[1]
LONGEST_S = 240.0
STARTING = """
import os, subprocess, sys, threading

def start():
    # As daemons are started: in a session of its own, and in no hurry to end.
    code = "import signal, time; signal.signal(signal.SIGINT, signal.SIG_IGN); "
    one = subprocess.Popen(
        [sys.executable, "-c", code + "time.sleep(600)"], start_new_session=True
    )
    name = os.environ["SAID"] + "." + str(one.pid)
    open(name, "w").close()

"""
WAITING = "def test_{}():\n    start()\n    threading.Event().wait()\n"
FORGETTING = "def test_forgets():\n    start()\n"


@contextmanager
def run_of(
    folder: Path, *options: str, **tests: str
) -> Iterator["subprocess.Popen[str]"]:
    """Run these tests, with nothing of this run but the plugin, and end that run."""
    for name, text in tests.items():
        (folder / f"test_{name}.py").write_text(STARTING + text)
    with subprocess.Popen(
        [
            sys.executable, "-m", "pytest", "-c", os.devnull,
            "-p", "xdist.plugin", "-p", "tests.left_behind",
            "--rootdir", str(folder), "--dist", "loadfile", *options, str(folder),
        ],
        cwd=ROOT,
        env={
            **os.environ,
            "SAID": str(folder / "started"),
            left_behind.GRACE: "0.2",
            # What such a run does not need takes it seconds to load.
            "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",
        },
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as run:  # fmt: skip
        try:
            yield run
        finally:
            run.kill()


def started(folder: Path, processes: int) -> list[int]:
    """Return the processes that tests have started, once there are so many."""
    deadline_s = time.monotonic() + LONGEST_S
    while len(found := [*folder.glob("started.*")]) < processes:
        assert time.monotonic() < deadline_s
        time.sleep(0.02)
    return [int(one.suffix[1:]) for one in found]


def goes_on(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False
    # Whose parent was ended first is nobody's to collect where init does not.
    return state != "Z"


@pytest.mark.parametrize("what", [signal.SIGTERM, signal.SIGINT])
def test_what_tests_started_ends_with_an_interrupted_run(
    tmp_path: Path, what: signal.Signals
) -> None:
    tests = {"one": WAITING.format("one"), "two": WAITING.format("two")}
    with run_of(tmp_path, "-n2", **tests) as run:
        pids = started(tmp_path, 2)
        # One that falls between two steps of the interpreter may be lost: a person
        # presses the key once more.
        for _ in range(3):
            run.send_signal(what)
            with suppress(subprocess.TimeoutExpired):
                run.communicate(timeout=LONGEST_S / 3)
                break
    assert run.returncode == pytest.ExitCode.INTERRUPTED
    assert not [pid for pid in pids if goes_on(pid)]


def test_a_run_that_passed_and_forgot_a_process_ends_it_and_fails(
    tmp_path: Path,
) -> None:
    with run_of(tmp_path, "-n0", forgets=FORGETTING) as run:
        (pid,) = started(tmp_path, 1)
        said, _ = run.communicate(timeout=LONGEST_S)
    assert "1 passed" in said
    assert f"left behind, now ended: {pid} " in said
    assert "test_forgets.py::test_forgets (call)" in said
    assert run.returncode == pytest.ExitCode.TESTS_FAILED
    assert not goes_on(pid)
