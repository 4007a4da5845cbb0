"""The daemon under a service manager: what it is told, and the unit that is shipped."""

import os
import shutil
import socket
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import pytest

from daemon.service import notify as notifying
from daemon.service.notify import ALIVE, READY, notify

UNIT = files("daemon.service").joinpath("units", "holdpoint.service")
KEPT_FROM_OTHERS = (
    "ProtectSystem=strict", "ProtectHome=yes", "NoNewPrivileges=yes", "UMask=0077",
    "CapabilityBoundingSet=", "DevicePolicy=closed", "PrivateTmp=yes",
)  # fmt: skip


@pytest.mark.parametrize("abstract", [False, True])
def test_a_service_manager_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, abstract: bool
) -> None:
    name = f"@holdpoint-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(f"\0{name[1:]}" if abstract else name)
        manager.settimeout(10.0)
        monkeypatch.setenv(notifying.VARIABLE, name)
        assert notify(READY, status="measures")
        assert manager.recv(100) == b"READY=1\nSTATUS=measures"
        assert notify(ALIVE)
        assert manager.recv(100) == b"WATCHDOG=1"


def test_a_manager_that_does_not_listen_keeps_nobody_waiting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        monkeypatch.setenv(notifying.VARIABLE, str(tmp_path / "notify"))
        told = [notify(ALIVE) for _ in range(2000)]  # more than it has room for
    assert told[0]
    assert not told[-1]


def test_without_a_manager_nothing_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(notifying.VARIABLE, raising=False)
    assert not notify(ALIVE)
    monkeypatch.setenv(notifying.VARIABLE, str(tmp_path / "nobody"))
    assert not notify(ALIVE)
    monkeypatch.delattr(socket, "AF_UNIX")
    assert not notify(ALIVE)


def test_the_unit_turns_the_source_off_however_the_daemon_ends() -> None:
    lines = UNIT.read_text(encoding="utf-8").splitlines()
    assert any(
        one.startswith("ExecStopPost=-") and one.endswith("holdpoint bench off")
        for one in lines
    )
    assert "KillMode=process" in lines, "the guard must outlive the daemon"
    assert "Type=notify" in lines
    assert set(KEPT_FROM_OTHERS) <= set(lines)


@pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="this machine has no systemd"
)
def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path: Path) -> None:
    there = shutil.which("true") or sys.executable
    text = UNIT.read_text(encoding="utf-8")
    unit = tmp_path / "holdpoint.service"
    unit.write_text(text.replace("/opt/holdpoint/.venv/bin/holdpoint", there))
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(unit)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    ours = [line for line in done.stderr.splitlines() if "holdpoint.service" in line]
    assert (done.returncode, ours) == (0, [])
