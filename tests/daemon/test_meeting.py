"""`holdpoint bench find` and `holdpoint bench try`, over instruments in memory."""

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from daemon.commands.cli import holdpoint
from daemon.service.client import Client
from tests.daemon.bench.fakes import FakeBench, no_answer
from tests.daemon.simulator.benches import DEMO


@pytest.fixture
def home(tmp_path: Path) -> Path:
    for name in ("product.toml", "plan.toml", "bench.toml"):
        shutil.copy(DEMO / name, tmp_path / name)
    return tmp_path


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> FakeBench:
    """Put instruments in memory in place of the lines to real ones."""
    fake = FakeBench()
    monkeypatch.setattr("daemon.bench.connect", fake.connect)
    monkeypatch.setattr("daemon.bench.resources", lambda: ("ASRL9::INSTR",))
    return fake


def run(home: Path, *arguments: str) -> Result:
    return CliRunner().invoke(holdpoint, ["--home", str(home), "bench", *arguments])


def change(home: Path, old: str, new: str) -> None:
    path = home / "bench.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_trying_says_that_the_source_stays_off_and_what_each_role_reads(
    home: Path, fake: FakeBench
) -> None:
    change(
        home,
        'profile = "scpi_voltmeter"',
        'profile = "scpi_voltmeter"\ncalibration_due = 2020-01-31',
    )
    done = run(home, "try")
    assert done.exit_code == 0, done.output
    assert "The source is turned off first and stays off" in done.stderr
    assert "Source: off, and stays off" in done.stdout
    assert "Thermometer: reads 23.4 °C, noise 0 °C" in done.stdout
    assert "Holdpoint,fake output,1,0" in done.stdout
    assert "out of calibration, which was due on 2020-01-31" in done.stdout
    assert done.stdout.count("error queue: empty") == 5
    assert not fake.on


def test_trying_for_a_program_gives_every_role_and_fails_where_one_did(
    home: Path, fake: FakeBench
) -> None:
    fake.answers["ambient", "MEAS:TEMP?"] = no_answer("ambient")
    done = run(home, "try", "--json")
    assert done.exit_code == 1
    rows: dict[str, dict[str, Any]] = {
        one["role"]: one for one in json.loads(done.stdout)
    }
    assert rows["source"]["state"] == "off, and stays off"
    assert rows["output"]["unit"] == "V"
    assert rows["output"]["noise"] > 0
    assert "no answer in 5 s" in rows["ambient"]["fault"]
    assert rows["ambient"]["value"] is None


def test_finding_lists_roles_and_what_the_machine_shows(
    home: Path, fake: FakeBench
) -> None:
    done = run(home, "find", "--json")
    assert done.exit_code == 0, done.output
    rows = json.loads(done.stdout)
    assert [one["role"] for one in rows][:2] == ["source", "reference"]
    assert rows[0]["answers"]
    assert rows[-1]["address"] == "ASRL9::INSTR"
    assert not rows[-1]["answers"]
    assert fake.open_lines == set()


@pytest.mark.parametrize("command", ["find", "try"])
def test_a_daemon_that_has_the_bench_is_not_disturbed(
    home: Path, fake: FakeBench, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    class Busy:
        def __enter__(self) -> "Busy":
            return self

        def __exit__(self, *_: object) -> None:
            pass

        def state(self) -> dict[str, str]:
            return {"bench": "demo"}

    monkeypatch.setattr(Client, "of", lambda _: Busy())
    done = run(home, command)
    assert "stop it first" in str(done.exception)
    assert fake.sent == []


def test_without_a_bench_file_there_is_nothing_to_try(home: Path) -> None:
    (home / "bench.toml").unlink()
    assert "bench.toml is missing" in str(run(home, "try").exception)
