"""Questions before a build."""

import json
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given, strategies as st
from scipy.stats import hypergeom

from daemon.commands.cli import holdpoint
from daemon.spc.errors import SpcError
from daemon.spc.sampling.iso_2859 import Inspection, Severity
from daemon.spc.spot_check import SpotCheck
from daemon.watch.next_build import Outlook, RangeOutlook
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


@pytest.mark.parametrize(
    ("test", "cheapest"), [("0.05", 11), ("5", 5), ("50", 2), ("300", 0)]
)
def test_costs_give_a_cheapest_number(home: Path, test: str, cheapest: int) -> None:
    """A reel 2 % off is missed only where no unit of it is drawn, 30 of 60 bear it."""
    (row,) = asked(home, "--off", "2%", "--costs", test, "400", "50")["rows"]
    drawn = range(61)
    by_hand = [float(test) * n + 240 * hypergeom.pmf(0, 60, 30, n) for n in drawn]
    assert row["cheapest"] == by_hand.index(min(by_hand)) == cheapest


def test_costs_are_said_of_none_enough_the_cheapest_and_all(home: Path) -> None:
    """By hand: 30 bad units at 400 in one build of 50 are 240; 60 tests at 5 are 300.

    A reel 2 % off is seen at any unit of it, so what 5 miss is that none is drawn.
    """
    (row,) = asked(home, "--off", "2%", "--costs", "5", "400", "50")["rows"]
    costs = row["expected_cost"]
    assert costs["none"] == pytest.approx(240.0)
    assert costs["all"] == pytest.approx(300.0)
    assert row["units_at_random"] == 5
    assert costs["enough"] == pytest.approx(25 + 240 * hypergeom.pmf(0, 60, 30, 5))
    assert costs["cheapest"] <= min(costs["none"], costs["enough"], costs["all"])


def test_where_no_number_is_enough_it_has_no_cost(home: Path) -> None:
    (row,) = asked(home, "--off", "200 ppm", "--costs", "5", "400", "50")["rows"]
    assert row["units_at_random"] is None
    assert row["expected_cost"]["enough"] is None


def test_the_table_of_costs_is_there_when_costs_are_given(home: Path) -> None:
    def shown(*arguments: str) -> str:
        done = CliRunner().invoke(
            holdpoint, ["--home", str(home), "whatif", "--off", "2%", *arguments]
        )
        assert done.exit_code == 0, done.output
        return done.stdout

    assert "measure none" not in shown()
    line = r"^2 % +240\.00 +\S+ \(5\) +\S+ \(5\) +300\.00$"
    assert re.search(line, shown("--costs", "5", "400", "50"), re.MULTILINE)


def test_what_a_short_history_leaves_open_is_said(home: Path) -> None:
    """The home's three builds tell little of how far good reels differ."""
    (row,) = asked(home, "--off", "0.1 %", "--checked", "5")["rows"]
    low, stated, high = (row[f"missed_by_5{end}"] for end in ("_low", "", "_high"))
    assert low < stated < high - 0.02
    done = CliRunner().invoke(
        holdpoint, ["--home", str(home), "whatif", "--off", "0.1 %", "--checked", "5"]
    )
    assert f"{100 * stated:.1f} % (up to {100 * high:.0f} %)" in done.stdout
    assert "Up to: only 30 units of 3 builds are known" in done.stdout


def test_both_ways_are_said(home: Path) -> None:
    answer = asked(home)
    assert "Then 5 of 60 units" in answer["to_some"][1]
    assert answer["to_all"][1].endswith("The next build would do that if it is held.")


SHARP = RangeOutlook(
    key="1uA",
    title="1 µA",
    check=SpotCheck(sigma_ppm=1.0, reel_sigma_ppm=0.0, false_share=1e-6),
    limit_ppm=5000.0,
    limit="±0.5 % of reading",
)
"""Sees a reel at the limit at its first unit."""
BLUNT = RangeOutlook(
    key="10uA",
    title="10 µA",
    check=SpotCheck(sigma_ppm=1.0, reel_sigma_ppm=5000.0, false_share=1e-6),
    limit_ppm=5000.0,
    limit="±0.5 % of reading",
)
"""Good reels differ by as much as the limit."""


def stands(builds: Iterable[bool], *ranges: RangeOutlook) -> Outlook:
    """Return an outlook after builds that were good, or held."""
    now = Inspection()
    for good in builds:
        now = now.after(accepted=good, acceptance_number=0)
    return Outlook(
        ranges=ranges or (SHARP,), units=0, builds=0, inspection=now, history=""
    )


def to_some(outlook: Outlook) -> tuple[str, ...]:
    return outlook.to_some(build=60, carrying=30)


def after_good(outlook: Outlook, number: int) -> Severity:
    now = outlook.inspection
    for _ in range(number):
        now = now.after(accepted=True, acceptance_number=0)
    return now.severity


@given(builds=st.lists(st.booleans(), max_size=24))
def test_the_good_builds_that_are_said_are_those_the_rules_ask_for(
    builds: list[bool],
) -> None:
    try:
        outlook = stands(builds)
    except SpcError:
        return  # no build is judged after the rules stopped the building
    now = outlook.inspection.severity
    found = re.search(r"(\d+) more good build", outlook.checking())
    if outlook.inspection.discontinued or now is Severity.REDUCED:
        assert found is None
        return
    assert found is not None
    number = int(found[1])
    assert after_good(outlook, number - 1) is now
    better = Severity.REDUCED if now is Severity.NORMAL else Severity.NORMAL
    assert after_good(outlook, number) is better


@pytest.mark.source("ISO 2859-1, clause 9: switching rules, acceptance number 0")
@pytest.mark.parametrize(
    ("builds", "headline", "some", "back"),
    [
        ("", "after 15 more good builds", "15 to go", "the cause is found."),
        ("g" * 14, "after 1 more good build in", "1 to go", "the cause is found."),
        ("ggh", "after 15 more", "15 to go", "would do that if it is held."),
        ("hggg", "after 12 more", "12 to go", "would do that if it is held."),
        ("hgggg", "after 11 more", "11 to go", "the cause is found."),
        ("hggggg", "after 10 more", "10 to go", "the cause is found."),
        ("g" * 15, "check of some units is enough", "reached", "the cause is found."),
        ("hhgg", "3 more good builds in a row end", "the 3 good", "0 held so far."),
        ("hhhgggg", "1 more good build in a row ends", "the 1 good", "1 held so far."),
        ("hhhhhhh", "Stop building", "none counts", "5 held so far."),
    ],
)
def test_each_state_says_how_far_it_is_from_the_others(
    builds: str, headline: str, some: str, back: str
) -> None:
    """Good builds are g, held ones h."""
    outlook = stands(one == "g" for one in builds)
    assert headline in outlook.checking()
    assert some in to_some(outlook)[0]
    assert outlook.to_all()[1].endswith(back)


@pytest.mark.source("scipy.stats.hypergeom: chance that a sample holds none")
def test_the_check_is_the_least_that_draws_such_a_reel_often_enough() -> None:
    least = next(n for n in range(61) if hypergeom.pmf(0, 60, 30, n) <= 0.05)
    assert f"Then {least} of 60 units" in to_some(stands(()))[1]


def test_a_range_whose_good_reels_differ_as_much_has_no_number() -> None:
    said = to_some(stands((), SHARP, BLUNT))[1]
    assert "no number would be enough" in said
    assert "10 µA" in said


@pytest.mark.source("scipy.stats.hypergeom: chance that a sample holds none")
def test_curves_reach_the_error_limit_and_end_in_what_is_not_drawn() -> None:
    curves = SHARP.curves(build=60, carrying=30, checked=(3, 13))
    ends = curves.groupby("checked").last()
    assert ends["off_percent"].to_list() == pytest.approx([0.5, 0.5])
    for number in (3, 13):
        expected = 100 * hypergeom.pmf(0, 60, 30, number)
        assert ends.loc[number, "missed_percent"] == pytest.approx(expected)


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
