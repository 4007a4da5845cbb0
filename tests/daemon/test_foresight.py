"""Questions before a build."""

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from daemon.cli import holdpoint
from tests.daemon.seeded import empty_home, seeded_home


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return seeded_home(tmp_path_factory.mktemp("home")).folder


def asked(home: Path, *arguments: str) -> dict[str, Any]:
    done = CliRunner().invoke(
        holdpoint, ["--home", str(home), "whatif", *arguments, "--json"]
    )
    assert done.exit_code == 0, done.output
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


def test_the_scatter_is_that_of_the_good_units(home: Path) -> None:
    """The seeded home's units scatter by 150 ppm, its reels not at all."""
    answer = asked(home, "--range", "100uA")
    assert answer["builds"] == 3
    sigma = answer["sigma_ppm"]
    assert 100 < sigma < 220


def test_a_reel_far_off_needs_one_unit_and_one_within_the_ordinary_needs_more(
    home: Path,
) -> None:
    far, near = asked(home, "--off", "2%", "--off", "200 ppm")["rows"]
    assert far["units_of_the_reel"] == 1
    assert near["units_of_the_reel"] is None
    assert far["missed_by_13"] < far["missed_by_3"] < near["missed_by_3"]


def test_a_held_build_starts_the_count_of_good_builds_anew(home: Path) -> None:
    assert "after 15 more good builds" in str(asked(home)["checking"])


def test_costs_give_a_cheapest_number(home: Path) -> None:
    (row,) = asked(home, "--off", "1%", "--costs", "5", "400", "50")["rows"]
    assert 1 <= row["cheapest"] <= 60


def test_it_answers_with_nothing_measured_yet(tmp_path: Path) -> None:
    answer = asked(empty_home(tmp_path / "home").folder)
    assert answer["units"] == 0


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        (("--range", "2mA"), "the product has 1uA, 10uA, 100uA, 1mA"),
        (("--off", "3"), "say whether % or ppm"),
        (("--build", "10", "--carrying", "11"), "no more units than the build's 10"),
        (("--build", "10", "--checked", "11"), "no more units than the build's 10"),
        (("--costs", "5", "400", "0.5"), "more than 1 build"),
    ],
)
def test_a_question_without_an_answer_is_misuse(
    home: Path, wrong: tuple[str, ...], says: str
) -> None:
    done = CliRunner().invoke(holdpoint, ["--home", str(home), "whatif", *wrong])
    assert done.exit_code == 2
    assert says in done.output
