"""The schedule while the host's clock is set, or its process suspended."""

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from threading import Event, Timer

import pytest

from daemon.trials.selftest.shifted_time import Shift

EVERY_S = 0.2
RUNS = 10
HOPELESS_S = 60.0
"""A job that stopped for an hour is not waited for."""
SUSPENDED_S = 1.0
WITHOUT_BURST_S = 1.2
"""Ten runs take nine gaps; one made up for, one moved by the reckoning anew."""

SCHEDULED = f"""
import os, sys, time
from daemon.service.schedule import Job, Schedule
schedule = Schedule(
    (Job(
        name="tick",
        every_s={EVERY_S},
        action=lambda: os.write(1, f"{{time.monotonic()}}\\n".encode()) and None,
        keep=False,
    ),),
    succeeded=lambda name, at: None,
    last_success={{}},
    clock_look_s=0.1,
)
schedule.start()
sys.stdin.read()
schedule.stop()
"""


def suspend(pid: int, _: Shift) -> None:
    """Stop the process for a while; that is the one wait here."""
    os.kill(pid, signal.SIGSTOP)
    Event().wait(SUSPENDED_S)
    os.kill(pid, signal.SIGCONT)


DISTURBANCES: dict[str, Callable[[int, Shift], None]] = {
    "an hour ahead": lambda _, shift: shift.set(3600),
    "an hour back": lambda _, shift: shift.set(-3600),
    "suspended": suspend,
}


@pytest.mark.parametrize("disturbance", DISTURBANCES)
def test_jobs_go_on_at_their_pace(tmp_path: Path, disturbance: str) -> None:
    """Neither an hour without a run, nor a run for every one that was missed."""
    shift = Shift.made_in(tmp_path)
    if shift is None:
        pytest.skip("it needs a C compiler, and there is none here")
    with subprocess.Popen(
        [sys.executable, "-c", SCHEDULED],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, **shift.environment},
    ) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        hopeless = Timer(HOPELESS_S, process.kill)
        hopeless.start()
        try:
            process.stdout.readline()
            DISTURBANCES[disturbance](process.pid, shift)
            runs_s = [float(process.stdout.readline()) for _ in range(RUNS + 1)][1:]
            process.stdin.close()
            process.stdout.read()
            assert process.wait() == 0
        finally:
            hopeless.cancel()
            process.kill()
    assert runs_s[-1] - runs_s[0] > WITHOUT_BURST_S
