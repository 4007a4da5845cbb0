"""The simulated bench as a process of its own."""

import json
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from daemon.simulator.__main__ import main
from tests.daemon.simulator.benches import DEMO

WITHIN_S = 300.0
LOOPBACK = "0100007F"


@contextmanager
def running(*arguments: str) -> Iterator[tuple[subprocess.Popen[str], dict[str, Any]]]:
    command = [
        sys.executable,
        "-m",
        "daemon.simulator",
        "--config",
        str(DEMO),
        "--units",
        "4",
        *arguments,
    ]
    with subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stdout is not None
            yield process, json.loads(process.stdout.readline())
        finally:
            process.kill()


def ask(address: str, line: str) -> str:
    _, host, port, _ = address.split("::")
    with socket.create_connection((host, int(port)), timeout=WITHIN_S) as connection:
        connection.sendall(f"{line}\n".encode())
        return connection.makefile().readline().strip()


def bound_to(ports: set[int]) -> set[str]:
    """Return the addresses on which `ports` listen, where the system lists them."""
    table = Path("/proc/net/tcp")
    if not table.exists():
        return set()
    rows = [row.split() for row in table.read_text().splitlines()[1:]]
    listening = {row[1] for row in rows if row[3] == "0A"}
    bound = {one.split(":")[0] for one in listening if int(one[-4:], 16) in ports}
    assert bound, "the ports are not in the system's list"
    return bound


def test_it_greets_with_addresses_serves_and_ends_at_sigterm() -> None:
    with running("--seed", "9", "--time-scale", "50") as (process, greeting):
        assert greeting["seed"] == 9
        assert greeting["time_scale"] == 50.0
        assert greeting["pid"] == process.pid
        assert "source" in ask(greeting["instruments"]["source"], "*IDN?")
        ports = {int(one.split("::")[2]) for one in greeting["instruments"].values()}
        assert bound_to({*ports, greeting["fixture"]["port"]}) <= {LOOPBACK}
        process.send_signal(signal.SIGTERM)
        out, err = process.communicate(timeout=WITHIN_S)
        assert (process.returncode, out, err) == (0, "", "")


def test_it_ends_when_its_parent_has_gone() -> None:
    with running() as (process, greeting):
        assert greeting["time_scale"] == 20.0, "as the bench file has it"
        out, err = process.communicate(timeout=WITHIN_S)  # closes its standard input
        assert (process.returncode, out, err) == (0, "", "")


def test_it_ends_when_the_operator_quits() -> None:
    with running() as (process, greeting):
        fixture = greeting["fixture"]
        address = f"TCPIP::{fixture['host']}::{fixture['port']}::SOCKET"
        assert json.loads(ask(address, '{"do": "quit"}'))["ok"]
        assert process.wait(WITHIN_S) == 0


def test_a_port_in_use_is_one_clear_message(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        code = main(["--config", str(DEMO), "--port", f"output={port}"])
    out, err = capsys.readouterr()
    assert code == 1
    assert out == ""
    assert err == (
        f"port {port} for output is in use; choose another, or 0 for any free one\n"
    )


def test_a_wrong_configuration_is_one_clear_message(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["--config", str(tmp_path / "nowhere")]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "nowhere" in err
    assert "Traceback" not in err


def test_too_few_units_are_one_clear_message(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["--config", str(DEMO), "--units", "2"]) == 1
    assert capsys.readouterr().err == "units = 2: a story needs 4 or more\n"


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        ([], "--config"),
        (["--config", str(DEMO), "--time-scale", "0.5"], "from 1 to 10000"),
        (["--config", str(DEMO), "--time-scale", "nan"], "from 1 to 10000"),
        (["--config", str(DEMO), "--seed", "-1"], "must not be negative"),
        (["--config", str(DEMO), "--seed", "one"], "seed"),
        (["--config", str(DEMO), "--port", "output"], "ROLE=PORT"),
        (["--config", str(DEMO), "--port", "output=70000"], "65535"),
        (["--config", str(DEMO), "--port", "meter=5025"], "no such role"),
        (["--config", str(DEMO), "--story", "sad"], "mixed"),
    ],
)
def test_bad_usage_is_refused(
    arguments: list[str], word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    assert word in capsys.readouterr().err
