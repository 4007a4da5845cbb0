"""Several findings at once, one withdrawn, one of an odd unit: what the screens say."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from streamlit.testing.v1 import AppTest

from daemon.commands.cli import holdpoint
from daemon.service.home import VARIABLE, Home
from storage.access import open_store
from tests.daemon.seeded import several_home
from tests.daemon.starting import running_daemon
from tests.dashboard.test_pages import in_words, opened, said

PRODUCT = "photodiode-amplifier"
PERSON = "Ada Moreno"
WITHDRAWN = (
    "Finding B-2-F1 was withdrawn: unit PA-2006 measured again reads like the others."
)
ODD = (
    "Unit PA-3002 alone is far off on range 1 µA (+0.42 %): seat it and its leads "
    "again and measure it once more."
)
ACCEPTED = "is not held again for the difference that was found"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    """Serve a home in which build B-3 has several findings."""
    home = several_home(tmp_path_factory.mktemp("several") / "home")
    with running_daemon(home, "--no-bench"):
        yield home


@pytest.fixture(autouse=True)
def home(served: Home, monkeypatch: pytest.MonkeyPatch) -> Home:
    """Let the screens show that home."""
    monkeypatch.setenv(VARIABLE, str(served.folder))
    return served


@pytest.fixture
def changed(
    tmp_path: Path,
    home: Home,  # noqa: ARG001 -- shown until this one is
    monkeypatch: pytest.MonkeyPatch,
) -> Iterator[Home]:
    """Let the screens show another such home, to be changed."""
    other = several_home(tmp_path / "home")
    monkeypatch.setenv(VARIABLE, str(other.folder))
    with running_daemon(other, "--no-bench"):
        yield other


def below(app: AppTest, heading: str) -> str:
    """Return what stands under one heading."""
    (found,) = [one.value for one in app.html if f"<h2>{heading}" in one.value]
    return in_words(str(found))


def test_the_first_page_says_each_finding_what_is_odd_and_what_was_withdrawn() -> None:
    app = opened()
    words = said(app)
    assert (
        "<h1>Hold build B-3: range 1 mA, reel RL-14, reads \N{MINUS SIGN}0.22 % since "
        "unit PA-3006. Also: range 10 µA, reel RL-12, reads +0.36 % since unit PA-3004."
    ) in words
    beside = below(app, "Also to do")
    assert ODD in beside
    assert WITHDRAWN in beside
    assert "The holds on build B-2 and reel RL-13 stand until a named person" in beside
    stays = below(app, "Must not leave")
    assert "Build B-2: range 10 µA, reel RL-13, reads +0.42 %" in stays
    assert "PA-3002" not in stays


def test_a_hold_shows_its_findings_present_words_not_those_it_was_placed_with() -> None:
    words = said(opened("holds"))
    assert "as it read when found" not in words
    assert "Build B-3: range 10 µA, reel RL-12, reads +0.36 %" in words
    assert "Reel RL-14: range 1 mA reads \N{MINUS SIGN}0.22 %" in words


def test_the_end_of_a_withdrawn_findings_hold_is_filled_in_and_nothing_is_ended() -> (
    None
):
    app = opened("holds")
    assert f"{WITHDRAWN} The hold stands until a named person ends it" in said(app)
    assert WITHDRAWN in below(app, "Withdrawn")
    name = "B-2-F1:B-2"
    assert app.radio(key=f"by {name}").value == "release"
    assert app.text_area(key=f"why {name}").value == WITHDRAWN
    shown = app.text_input(key=f"shown {name}").value
    assert str(shown).startswith("finding B-2-F1 as it stood on 2026-03-0")
    app.button(key=f"end {name}").click().run()
    assert "Say who decides" in said(app)
    assert ACCEPTED not in said(app)
    # Of a hold whose finding stands nothing is filled in.
    assert app.radio(key="by B-3-F1:RL-12").value is None
    assert not app.text_area(key="why B-3-F1:RL-12").value


def test_what_was_typed_over_an_offer_stays() -> None:
    app = opened("holds")
    app.text_area(key="why B-2-F1:RL-13").set_value("compared by hand").run()
    app.run()
    assert app.text_area(key="why B-2-F1:RL-13").value == "compared by hand"


def test_who_ends_a_hold_reads_what_it_means_for_later() -> None:
    app = opened("holds")
    choice = app.radio(key="by B-3-F2:RL-14")
    choice.set_value("release").run()
    assert f"This reel {ACCEPTED}" in said(app)
    choice.set_value("scrap").run()
    assert ACCEPTED not in said(app)
    assert "The reel counts as bad" in said(app)


def test_a_named_person_ends_what_was_offered(changed: Home) -> None:
    app = opened("holds")
    app.selectbox(key="who decides").set_value(PERSON).run()
    app.button(key="end B-2-F1:B-2").click().run()
    assert not app.exception
    with open_store(changed.data) as store:
        rows = store.frame("hold_ends", product=PRODUCT).to_dict("records")
    (ended,) = [one for one in rows if one["hold"] == "B-2-F1:B-2"]
    assert (ended["person"], ended["disposal"]) == (PERSON, "release")
    assert ended["reason"] == WITHDRAWN
    assert ended["after_number"] == 30


def test_recall_lets_one_choose_the_finding_and_counts_units_by_finding() -> None:
    app = opened("recall")
    key = "about of the address: Finding or reel"
    chosen = app.selectbox(key=key)
    assert chosen.options[:4] == [
        "Finding B-3-F2: range 1 mA, reel RL-14",
        "Finding B-3-F1: range 10 µA, reel RL-12",
        "Finding B-3-F3: range 1 µA, unit PA-3002 alone",
        "Finding B-2-F1 (withdrawn)",
    ]
    for name, units in (("B-3-F2", 4), ("B-3-F1", 6), ("B-3-F3", 1)):
        app.selectbox(key=key).set_value(name).run()
        assert f"{units} of 30 units concerned" in said(app)
    assert ">seat it and its leads again; measure once more</td>" in said(app)
    app.selectbox(key=key).set_value("B-2-F1").run()
    assert app.query_params["about"] in ("B-2-F1", ["B-2-F1"])
    assert f"<h1>{WITHDRAWN} It concerns no unit.</h1>" in said(app)
    assert "Not concerned: 30" in said(app)


def told(*arguments: str) -> str:
    """Return what a command prints."""
    done = CliRunner().invoke(holdpoint, arguments, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


def test_status_says_the_same_to_people_and_programs() -> None:
    text = " ".join(told("status").split())
    assert "Also: range 10 µA, reel RL-12, reads +0.36 %" in text
    assert f"Also to do: {ODD}" in text
    assert f"Also to do: {WITHDRAWN}" in text
    said = json.loads(told("status", "--json"))
    assert [(one["finding"], one["standing"]) for one in said["findings"]] == [
        ("B-2-F1", False),
        ("B-3-F1", True),
        ("B-3-F2", True),
        ("B-3-F3", True),
    ]
    assert ODD in said["also"]
    offered = {one["hold"]: one for one in said["offered_ends"]}
    assert offered["B-2-F1:RL-13"]["sentence"] == WITHDRAWN


def test_the_list_of_holds_offers_the_end_as_a_command() -> None:
    text = " ".join(told("hold", "list").split())
    assert f"{WITHDRAWN} What it holds stands until a named person ends it:" in text
    assert "holdpoint hold end B-2-F1:RL-13 --by release" in text
    assert "--person NAME" in text
    listed = {one["hold"]: one for one in json.loads(told("hold", "list", "--json"))}
    assert listed["B-2-F1:RL-13"]["offer"]["disposal"] == "release"
    standing = listed["B-3-F1:RL-12"]
    assert standing["offer"] is None
    assert standing["reason"] == "as it read when found: B-3-F1"
    assert standing["why"] == "range 10 µA reads +0.36 % since unit PA-3004"


@pytest.mark.usefixtures("changed")
def test_whoever_ends_a_hold_in_the_terminal_is_told_what_it_means() -> None:
    def end(name: str, by: str) -> str:
        text = told(
            "hold", "end", name, "--by", by, "--person", PERSON, "--reason", "seen"
        )
        return " ".join(text.split())

    said = end("B-3-F2:B-3", "concession")
    assert f"This build {ACCEPTED}" in said
    assert "The reel counts as bad" in end("B-3-F2:RL-14", "scrap")
    assert end("B-2-F1:RL-13", "release") == (
        "Each unit with a part of this reel that conforms may leave. One that does not "
        "conform stays. Hold on reel RL-13 ended by release. The hold on build B-2 "
        "still stands: what it holds stays until that hold is ended too."
    )
