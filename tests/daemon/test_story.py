"""The whole house over real sockets: simulated bench, daemon, store, finding."""

import json
from pathlib import Path
from typing import Any

import pytest

from tests.daemon.commanding import holdpoint, holdpoint_by_itself

UNITS = 12


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any], str]:
    """Tell one story; return its folder, what it wrote and what it said."""
    folder = tmp_path_factory.mktemp("demo")
    out = folder / "out.json"
    home = folder / "home"
    done = holdpoint_by_itself(
        "demo", "--headless", "--json", str(out), "--seed", "3",
        "--units", str(UNITS), "--data", str(home),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return home, json.loads(out.read_text()), done.stdout


def test_the_story_finds_what_the_simulator_did(
    told: tuple[Path, dict[str, Any], str],
) -> None:
    _, said, _ = told
    truth = said["truth"]
    (finding,) = said["findings"]
    for key in ("build", "cause", "range", "part", "reel"):
        assert finding[key] == truth[key]
    low, high = finding["interval_ppm"]
    assert low < truth["size_ppm"] < high
    assert said["delay_units"] <= 3
    assert said["false_holds"] == 0


def test_the_story_says_all_it_promises(
    told: tuple[Path, dict[str, Any], str],
) -> None:
    _, said, _ = told
    assert set(said) == {
        "seed", "seconds", "units", "builds", "findings", "truth", "delay_units",
        "false_holds", "bench_reopened",
    }  # fmt: skip
    assert said["units"] == 3 * UNITS
    assert [one["id"] for one in said["builds"]] == ["B-1", "B-2", "B-3"]
    assert [one["state"] for one in said["builds"]] == ["open", "open", "held"]
    assert set(said["findings"][0]) >= {
        "build", "cause", "range", "part", "reel", "first_serial", "size_ppm",
        "interval_ppm", "implied_ohm", "probability", "raised_at_serial",
    }  # fmt: skip


def test_results_go_to_stdout_and_speak_plainly(
    told: tuple[Path, dict[str, Any], str],
) -> None:
    _, said, stdout = told
    reel = said["truth"]["reel"]
    assert f"Hold build {said['truth']['build']}" in stdout
    assert f"from reel {reel}" in stdout


def test_afterwards_the_rows_say_the_same(
    told: tuple[Path, dict[str, Any], str],
) -> None:
    home, said, _ = told
    status = holdpoint("status", "--json", home=home)
    assert status.returncode == 0, status.stderr
    now = json.loads(status.stdout)
    assert now["headline"].startswith(f"Hold build {said['truth']['build']}: range")
    assert now["daemon"] is None


def test_a_hold_ends_by_a_listed_person_and_no_other(
    told: tuple[Path, dict[str, Any], str],
) -> None:
    home, _, _ = told
    held = json.loads(holdpoint("hold", "list", "--json", home=home).stdout)
    assert {one["scope"] for one in held} == {"build", "reel"}
    end = ("hold", "end", held[0]["hold"], "--by", "concession", "--reason", "seen")
    refused = holdpoint(*end, "--person", "Nobody", home=home)
    assert refused.returncode == 1
    assert "'Nobody' may not end a hold" in refused.stderr
    assert holdpoint(*end, "--person", "Ada Moreno", home=home).returncode == 0
    again = holdpoint(*end, "--person", "Jon Birk", home=home)
    assert again.returncode == 1
    assert "it is ended already: concession by Ada Moreno" in again.stderr


def test_the_demo_never_writes_over_rows(
    told: tuple[Path, dict[str, Any], str],
) -> None:
    home, _, _ = told
    again = holdpoint("demo", "--headless", "--data", str(home))
    assert again.returncode == 1
    assert "holds rows already" in again.stderr


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("stauts",), "Did you mean 'status'?"),
        (("demo", "--units", "1"), "1 is not in the range"),
        (("measure", "--typed"), "needs a terminal"),
        (("measure", "PA-1", "PA-2"), "Name one serial at a time"),
        (("measure", "PA-1", "PA-1"), "Each unit once: PA-1. With --rerun"),
        (("init",), "needs a terminal"),
    ],
)
def test_misuse_is_one_message_and_exit_code_2(
    tmp_path: Path, arguments: tuple[str, ...], says: str
) -> None:
    done = holdpoint(*arguments, home=tmp_path)
    assert done.returncode == 2
    assert says in done.stderr
    assert not done.stdout


def test_a_home_without_settings_is_one_message_and_exit_code_1(
    tmp_path: Path,
) -> None:
    done = holdpoint("status", home=tmp_path)
    assert done.returncode == 1
    assert "product.toml" in done.stderr
    assert "Traceback" not in done.stderr
