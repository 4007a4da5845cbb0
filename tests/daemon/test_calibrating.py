"""How far a calibration in the background is, and that it ends when it is told to."""

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from threading import Event
from typing import Any

import pytest
from click.testing import CliRunner

from config.model import Settings
from daemon.bench.clock import ScaledClock
from daemon.commands.cli import holdpoint
from daemon.service import jobs
from daemon.service.client import Client
from daemon.service.home import Home
from daemon.service.worker import Worker
from daemon.station.desk import Desk
from storage.local import LocalStore
from tests.daemon.making import demo_settings
from tests.daemon.seeded import seeded_home
from tests.daemon.starting import running_daemon

BEING_CALIBRATED = "The product's own threshold is being worked out now: 40 % done."

NO_ROOM = "no room on the disk"

Calibrate = Callable[[Callable[[float], None]], None]


@pytest.fixture
def desk() -> Desk:
    return Desk(utc=ScaledClock().utc, stop=Event())


def run(
    desk: Desk, folder: Path, monkeypatch: pytest.MonkeyPatch, calibrate: Calibrate
) -> None:
    """Run the daemon's job once, with this in place of the calibration itself."""

    def wanted(*_: object, progress: Callable[[float], None]) -> None:
        calibrate(progress)

    monkeypatch.setattr(jobs, "calibrate_wanted", wanted)
    home = Home(folder)
    real: Settings = demo_settings().model_copy(update={"bench": None})
    with LocalStore(folder / "holdpoint.duckdb") as store:
        worker = Worker(real, home, store, desk, ScaledClock())
        (job,) = jobs._calibrating(home, real, worker)
        job.action()


def percent(desk: Desk) -> int | None:
    """Return what screens are told."""
    told: int | None = desk.snapshot()["calibrating_percent"]
    return told


def test_a_running_calibration_is_told_in_coarse_steps_and_then_no_more(
    desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[int | None] = []

    def calibrate(progress: Callable[[float], None]) -> None:
        for share in (0.0, 0.049, 0.05, 0.42, 0.999, 1.0):
            progress(share)
            seen.append(percent(desk))

    run(desk, tmp_path, monkeypatch, calibrate)
    assert seen == [0, 0, 5, 40, 95, 100]
    assert percent(desk) is None


def test_where_nothing_is_wanted_nothing_is_said_to_run(
    desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run(desk, tmp_path, monkeypatch, lambda _: None)
    assert percent(desk) is None


def test_a_daemon_that_goes_down_ends_its_calibration(
    desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    after: list[float] = []

    def calibrate(progress: Callable[[float], None]) -> None:
        progress(0.4)
        desk.stop.set()
        progress(0.6)
        after.append(0.6)

    run(desk, tmp_path, monkeypatch, calibrate)
    assert not after
    assert percent(desk) is None


def test_a_calibration_that_fails_no_longer_runs(
    desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def calibrate(progress: Callable[[float], None]) -> None:
        progress(0.4)
        raise OSError(NO_ROOM)

    with pytest.raises(OSError, match=NO_ROOM):
        run(desk, tmp_path, monkeypatch, calibrate)
    assert percent(desk) is None


def test_the_status_says_how_far_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = seeded_home(tmp_path / "home")
    with running_daemon(home, "--no-bench"):
        idle = status(home)
        calibrating(monkeypatch)
        busy = status(home)
    assert "being worked out" not in idle
    assert BEING_CALIBRATED in busy


def status(home: Home) -> str:
    """Return what the command prints, its lines unbroken."""
    done = CliRunner().invoke(holdpoint, ["--home", str(home.folder), "status"])
    assert done.exit_code == 0
    return " ".join(done.stdout.split())


def calibrating(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have the daemon say that a calibration is at 40 %."""
    state = Client.state

    def busy(client: Client, **more: Any) -> dict[str, Any]:
        return {**state(client, **more), "calibrating_percent": 40}

    monkeypatch.setattr(Client, "state", busy)


INTERRUPTED = """
from functools import partial
from daemon.spc.detector import calibrate
from tests.daemon.making import demo_product

if __name__ == "__main__":
    told = partial(print, "working", flush=True)
    calibrate(
        demo_product().layout, units_per_false_hold=500, builds=3000, seed=1,
        workers=2, progress=told,
    )
"""


def test_an_interrupt_at_the_terminal_prints_one_traceback_not_one_a_process() -> None:
    """The processes that share the work leave it to whoever made them."""
    process = subprocess.Popen(
        [sys.executable, "-c", INTERRUPTED],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert process.stdout is not None
    while "working" not in process.stdout.readline():
        assert process.poll() is None
    os.killpg(process.pid, signal.SIGINT)
    _, said = process.communicate(timeout=300)
    assert said.count("Traceback") == 1, said
    assert "KeyboardInterrupt" in said
