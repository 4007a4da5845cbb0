"""What the records say of scatter and capability, as a person asks for it."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from daemon.commands.cli import holdpoint
from tests.daemon.seeded import empty_home, seeded_home
from tests.reference_values import Entry

REFERENCE_A = 90e-6
NOMINAL_V = 0.9


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return seeded_home(tmp_path_factory.mktemp("home")).folder


def said(home: Path, *arguments: str) -> str:
    done = CliRunner().invoke(holdpoint, ["--home", str(home), *arguments])
    assert done.exit_code == 0, done.output
    return done.stdout


def asked(home: Path, *arguments: str) -> dict[str, Any]:
    answer: dict[str, Any] = json.loads(said(home, *arguments, "--json"))
    return answer


def sheet(
    folder: Path, errors_ppm: list[float], units: list[str], builds: list[str]
) -> Path:
    """Write readings of one range, a row a run, a minute apart."""
    path = folder / "runs.csv"
    volts = NOMINAL_V * (1 + np.array(errors_ppm) * 1e-6)
    times = pd.date_range("2026-03-02 09:00", periods=len(units), freq="min", tz="UTC")
    pd.DataFrame(
        {
            "serial": units,
            "build": builds,
            "measured at": [at.isoformat() for at in times],
            "100uA in": f"{REFERENCE_A:.9g}",
            "100uA out": [f"{v:.12g}" for v in volts],
        }
    ).to_csv(path, index=False)
    return path


@pytest.mark.reference("18_open_datasets", "oxide.nested")
def test_imported_lots_scatter_as_published(entry: Entry, tmp_path: Path) -> None:
    """Lots as builds, wafers as units, sites as runs; 2000 of thickness reads right."""
    nominal = 2000.0
    home = empty_home(tmp_path / "home").folder
    lots = [f"L-{lot}" for lot in entry.inputs["lot"]]
    wafers = [
        f"{lot}-W{wafer}"
        for lot, wafer in zip(lots, entry.inputs["wafer"], strict=True)
    ]
    thickness = np.array(entry.inputs["thickness"])
    path = sheet(tmp_path, ((thickness / nominal - 1) * 1e6).tolist(), wafers, lots)
    done = asked(home, "import", str(path))
    # A wafer is new with its first site; the others are further runs of it.
    assert [done[key] for key in ("new", "changed", "known", "rejected")] == [
        *(24, 48, 0),
        [],
    ]

    (found,) = asked(home, "variance", "100uA")["ranges"]
    assert (found["builds"], found["units"], found["runs"]) == (8, 24, 72)
    to_thickness = nominal * 1e-6
    entry.check("mean", nominal + found["mean_ppm"] * to_thickness)
    s = {part["name"]: part["s_ppm"] * to_thickness for part in found["components"]}
    entry.check("sd_lot", s["across builds"])
    entry.check("sd_wafer", s["inside builds"])
    entry.check("sd_site", s["run to run of a unit"])
    row = said(home, "variance", "100uA").splitlines()[1].split()
    assert row[:4] == ["100", "µA", "across", "builds"]
    # Three digits are shown, in percent.
    assert row[5] == "%"
    shown_ppm = float(row[4]) * 1e4
    assert shown_ppm == pytest.approx(s["across builds"] / to_thickness, rel=0.005)


def test_a_held_build_is_named_and_may_be_left_out(home: Path) -> None:
    """Build B-3 takes a reel 3000 ppm off half-way: s across builds shows it."""
    with_it, without = (
        asked(home, "variance"),
        asked(home, "variance", "--without", "B-3"),
    )
    assert (with_it["held"], without["held"]) == (["B-3"], [])
    assert "Held builds are among them: B-3" in said(home, "variance", "100uA")
    across = [
        next(r for r in one["ranges"] if r["key"] == "100uA")["components"][0]
        for one in (with_it, without)
    ]
    assert across[0]["name"] == "across builds"
    assert across[0]["s_ppm"] > 500.0 > across[1]["s_ppm"]


def test_a_capability_with_a_finding_is_given_with_the_reason(home: Path) -> None:
    ranges = {one["key"]: one for one in asked(home, "capability")["ranges"]}
    moved, steady = ranges["100uA"]["study"], ranges["1uA"]["study"]
    assert moved["inside"]["indices"]["cpk"] > 0
    assert not moved["quotable"]
    assert "build B-3: range 100 µA, reel K-900, reads" in moved["reasons"][0]
    assert steady["quotable"]
    # 5000 ppm over three times the units' 150 ppm; 27 degrees of freedom.
    assert steady["inside"]["indices"]["cp"] == pytest.approx(11.1, rel=0.35)
    text = said(home, "capability")
    assert "Range 100 µA: do not quote Cp and Cpk:" in text
    assert "Range 1 µA: Cpk between" in text


def test_first_runs_count_for_capability_and_all_runs_for_scatter(
    tmp_path: Path,
) -> None:
    home = empty_home(tmp_path / "home").folder
    errors = [100.0, -100.0, 50.0, 0.0, -80.0, 60.0]
    units = ["PA-1", "PA-2", "PA-3", "PA-4", "PA-5", "PA-1"]
    path = sheet(tmp_path, errors, units, ["B-1"] * 2 + ["B-2"] * 3 + ["B-1"])
    said(home, "import", str(path))
    (scatter,) = asked(home, "variance", "100uA")["ranges"]
    assert (scatter["units"], scatter["runs"]) == (5, 6)
    (able,) = asked(home, "capability", "100uA")["ranges"]
    assert able["study"]["n"] == 5
    assert able["study"]["mean"] == pytest.approx(np.mean(errors[:5]), abs=1e-6)


@pytest.mark.parametrize(
    ("units", "builds", "says"),
    [
        (["PA-1", "PA-2"], ["B-1", "B-1"], "it needs units of two builds or more"),
        (["PA-1", "PA-2"], ["B-1", "B-2"], "it needs a build of two units or more."),
        (["PA-1", "PA-1", "PA-2"], ["B-1", "B-1", "B-2"], "besides units run again"),
    ],
)
def test_what_is_missing_is_said(
    tmp_path: Path, units: list[str], builds: list[str], says: str
) -> None:
    home = empty_home(tmp_path / "home").folder
    errors = [10.0 * n for n in range(len(units))]
    said(home, "import", str(sheet(tmp_path, errors, units, builds)))
    assert says in said(home, "variance", "100uA")


def test_nothing_measured_is_said(tmp_path: Path) -> None:
    home = empty_home(tmp_path / "home").folder
    assert "Range 1 µA: not enough yet; it needs" in said(home, "variance")
    assert "Range 1 µA: not enough yet; nothing judged" in said(home, "capability")


@pytest.mark.parametrize("command", ["variance", "capability"])
@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        (["3uA"], "'3uA'; the product has 1uA, 10uA"),
        (["--without", "B-9"], "'B-9'; there are B-1, B-2, B-3"),
    ],
)
def test_misuse_is_told(home: Path, command: str, wrong: list[str], says: str) -> None:
    done = CliRunner().invoke(holdpoint, ["--home", str(home), command, *wrong])
    assert done.exit_code == 2
    assert says in done.output
