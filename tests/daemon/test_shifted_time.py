"""A clock set by an hour under a process: the time of day moves, waiting does not."""

import subprocess
import sys
from pathlib import Path

import pytest

from daemon.trials.selftest.shifted_time import Shift

WATCHER = """
import sys, time
from threading import Event
for line in sys.stdin:
    started = time.monotonic()
    Event().wait(0.01)
    time.sleep(0.01)
    print(time.time(), time.monotonic(), time.monotonic() - started, flush=True)
"""


def test_only_the_time_of_day_moves(tmp_path: Path) -> None:
    shift = Shift.made_in(tmp_path)
    if shift is None:
        pytest.skip("no C compiler here")
    with subprocess.Popen(
        [sys.executable, "-c", WATCHER],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=shift.environment,
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        seen = []
        for by_s in (0, 3600, -3600):
            shift.set(by_s)
            process.stdin.write("look\n")
            process.stdin.flush()
            seen.append([float(one) for one in process.stdout.readline().split()])
        process.stdin.close()
    for by_s, (wall_s, monotonic_s, waited_s) in zip(
        (0, 3600, -3600), seen, strict=True
    ):
        since_s = monotonic_s - seen[0][1]
        assert wall_s - seen[0][0] == pytest.approx(by_s + since_s, abs=0.05)
        assert 0.02 <= waited_s < 5.0
