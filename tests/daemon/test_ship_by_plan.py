"""What the command says of units that leave without every range."""

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from daemon.commands.cli import holdpoint
from storage.access import open_store
from storage.records import Unit
from tests.daemon.seeded import seeded_home

PRODUCT = "photodiode-amplifier"
BY = ("--person", "Ada Moreno")
PLAN = "\n[sample]\nfull_share = 0.8\n"


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a home with a sample plan and boards that nobody measured.

    Of B-1 ten of eleven units are measured, of B-2 ten of thirteen; B-3 is held.
    """
    home = seeded_home(tmp_path_factory.mktemp("plan") / "home")
    plan = home.folder / "plan.toml"
    plan.write_text(plan.read_text() + PLAN)
    boards = {"B-1": ("PA-1090",), "B-2": ("PA-2090", "PA-2091", "PA-2092"),
              "B-3": ("PA-3090",)}  # fmt: skip
    with open_store(home.data) as store:
        for build, serials in boards.items():
            store.keep(
                *[Unit(serial=one, product=PRODUCT, build=build) for one in serials]
            )
    return home.folder


def said(home: Path, *words: str) -> Result:
    return CliRunner().invoke(holdpoint, ["--home", str(home), *words])


def test_the_answer_says_measured_by_plan_and_the_ledger_keeps_it(home: Path) -> None:
    asked = said(home, "ship", "PA-1090", "PA-1001", "--check", *BY)
    assert asked.exit_code == 0, asked.output
    assert asked.stdout.splitlines() == [
        "PA-1090: May leave, measured by plan.",
        "PA-1001: May leave.",
    ]
    left = said(home, "ship", "PA-1090", "PA-1001", "--to", "order 7", *BY)
    assert left.stdout.splitlines() == [
        "PA-1090: Has left, measured by plan.",
        "PA-1001: Has left.",
    ]
    with open_store(home / "data") as store:
        lines = store.frame("decision")
    reasons = dict(zip(lines["subject"], lines["reason"], strict=True))
    assert reasons["PA-1090"] == "for order 7, measured by plan"
    assert reasons["PA-1001"] == "for order 7"


def test_outside_the_plan_it_stays_unless_somebody_answers_for_it(home: Path) -> None:
    stays = said(home, "ship", "PA-2090", "--to", "order 8", *BY)
    assert stays.exit_code == 1
    # Eight tenths of thirteen are more than ten.
    assert stays.stdout == (
        "PA-2090: Must not leave: measured by plan, but 10 of 13 units of its build "
        "are measured on every range and good; the plan asks for 11.\n"
    )
    why = ("--override", "asked for as it is")
    left = said(home, "ship", "PA-2090", "--to", "order 8", *why, *BY)
    (line,) = left.stdout.splitlines()
    assert line.startswith("PA-2090: Has left by override, although measured by plan,")


def test_a_held_build_keeps_what_nobody_measured(home: Path) -> None:
    stays = said(home, "ship", "PA-3090", "--to", "order 9", *BY)
    assert stays.exit_code == 1
    assert "PA-3090: Must not leave: held (build B-3)" in stays.stdout
    assert "finding B-3-F1 stands on its build" in stays.stdout


def test_the_plan_is_told_in_words(home: Path) -> None:
    told = said(home, "config", "check")
    assert (
        "measured by plan: 80 % of a build on every range, the other units on nothing"
        in told.output
    )
