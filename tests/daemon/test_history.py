"""A history that tells little is said, by whatever asks it, with no daemon running."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result

from daemon.commands.cli import holdpoint
from tests.daemon.seeded import BAD_REEL, empty_home, seeded_home

BUILDS, UNITS = 5, 15
COPIED = (
    "Range 10 µA reads exactly the same in 75 units in a row, from PA-1000 on: the "
    "meter is stuck or too coarse, or cells were copied."
)


def sheet(folder: Path) -> Path:
    """Write builds in which 10 µA is filled down."""
    chance = np.random.default_rng(7)
    path = folder / "units.csv"
    rows = [
        {
            "serial": f"PA-{1000 * build + n}",
            "build": f"B-{build}",
            "10uA in": "9u",
            "10uA out": "0.9001",
            "100uA in": "90u",
            "100uA out": f"{0.9 * (1 + error_ppm * 1e-6):.9f}",
        }
        for build in range(1, BUILDS + 1)
        for n, error_ppm in enumerate(chance.normal(0.0, 150.0, UNITS))
    ]
    pd.DataFrame(rows).to_csv(path, index=False)
    return path


def done(home: Path, *arguments: str) -> Result:
    result = CliRunner().invoke(holdpoint, ["--home", str(home), *arguments])
    assert result.exit_code == 0, result.output
    return result


@pytest.fixture(scope="module")
def imported(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    folder = tmp_path_factory.mktemp("history")
    home = empty_home(folder / "home").folder
    return home, done(home, "import", str(sheet(folder)))


@pytest.fixture(scope="module")
def home(imported: tuple[Path, Result]) -> Path:
    return imported[0]


def test_import_says_what_speaks_against_the_history(
    imported: tuple[Path, Result],
) -> None:
    assert COPIED in imported[1].stderr


def test_an_import_for_a_program_carries_it(home: Path, tmp_path: Path) -> None:
    again = json.loads(done(home, "import", str(sheet(tmp_path)), "--json").stdout)
    assert (again["new"], again["known"]) == (0, BUILDS * UNITS)
    assert COPIED in again["history"]


def test_status_says_it_with_no_daemon(home: Path) -> None:
    assert COPIED in done(home, "status").stdout
    told = json.loads(done(home, "status", "--json").stdout)
    assert told["daemon"] is None
    # The last build is held against those before it.
    assert told["history"].startswith(
        "Build B-5 is compared with 4 earlier builds of 60 units."
    )
    assert COPIED in told["history"]


def test_what_the_next_build_is_held_against_is_said_before_it(home: Path) -> None:
    assert COPIED in done(home, "whatif").stdout
    told = json.loads(done(home, "whatif", "--json").stdout)
    assert told["history"].startswith(
        "The next build is compared with 5 earlier builds of 75 units."
    )
    assert COPIED in told["history"]


@pytest.mark.parametrize("command", ["variance", "capability"])
def test_a_range_that_never_scatters_is_said_plainly(home: Path, command: str) -> None:
    lines = done(home, command, "10uA").stdout.splitlines()
    said = (
        "Range 10 µA reads exactly the same in 75 units: the meter is stuck or too "
        "coarse, or cells were copied."
    )
    assert said in lines
    assert not any("spread" in line or "not enough" in line for line in lines)


@pytest.mark.parametrize("command", ["variance", "capability"])
def test_builds_that_scatter_between_each_other_alone_are_said_plainly(
    tmp_path: Path, command: str
) -> None:
    path = tmp_path / "filled.csv"
    pd.DataFrame(
        {
            "serial": [f"PA-{n}" for n in range(6)],
            "build": ["B-1"] * 3 + ["B-2"] * 3,
            "10uA in": "9u",
            "10uA out": ["0.9001"] * 3 + ["0.9002"] * 3,
        }
    ).to_csv(path, index=False)
    home = empty_home(tmp_path / "home").folder
    done(home, "import", str(path))
    assert "Range 10 µA reads exactly the same inside every build, in 6 units: " in (
        done(home, command, "10uA").stdout
    )


def test_of_a_scrapped_build_the_reel_is_said_to_be_held_still(
    tmp_path: Path,
) -> None:
    home = seeded_home(tmp_path / "home").folder
    by = ("--person", "Ada Moreno", "--reason", "the reel was wrong")
    ended = done(home, "hold", "end", "B-3", "--by", "scrap", *by).output
    assert "is held again where it shows in a later build" in ended
    assert f"The hold on reel {BAD_REEL} still stands" in ended
    last = done(home, "hold", "end", BAD_REEL, "--by", "concession", *by).output
    assert "still stands" not in last
