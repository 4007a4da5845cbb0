"""What the screens say and do, page by page."""

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import dashboard
from daemon.client import Client
from daemon.home import VARIABLE, Home
from storage.access import open_store
from tests.daemon.seeded import BAD_FROM, BAD_REEL

APP = Path(dashboard.__file__ or "").parent / "app.py"
SLOW_S = 60.0


def opened(page: str = "") -> AppTest:
    """Run the app and go to a page."""
    app = AppTest.from_file(str(APP), default_timeout=SLOW_S).run()
    if page:
        app = app.switch_page(f"views/{page}.py").run()
    assert not app.exception
    return app


def said(app: AppTest) -> str:
    return "\n".join(
        str(one.value) for one in [*app.title, *app.markdown, *app.caption]
    )


@pytest.mark.usefixtures("held")
def test_the_sentence_stands_on_top() -> None:
    app = opened()
    assert app.title[0].value.startswith("Hold build B-3: range 100 uA reads +0.3")
    assert f"since unit PA-{3000 + BAD_FROM}" in app.title[0].value
    assert f"Most likely part R13 from reel {BAD_REEL}" in said(app)


@pytest.mark.usefixtures("held")
def test_what_stays_is_listed_with_its_reason() -> None:
    words = said(opened())
    assert "Build B-3" in words
    assert f"Reel {BAD_REEL}" in words


@pytest.mark.usefixtures("held")
def test_without_a_bench_no_source_is_offered_to_be_turned_off() -> None:
    app = opened()
    assert "No bench" in said(app)
    assert not [one for one in app.button if one.label == "Source off now"]


@pytest.mark.usefixtures("nothing")
def test_before_the_first_unit_the_page_says_how_to_begin() -> None:
    app = opened()
    assert app.title[0].value == "No unit has been measured yet."
    assert "holdpoint build open" in said(app)


def test_without_a_daemon_the_page_says_so_and_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(VARIABLE, str(tmp_path))
    app = opened()
    assert app.title[0].value == "The daemon does not answer."


@pytest.mark.usefixtures("held")
def test_the_range_that_moved_is_shown_first() -> None:
    app = opened("one_range")
    assert app.segmented_control[0].value == "100uA"


def test_typed_readings_with_a_slip_are_not_kept(held: Home) -> None:
    app = opened("bench")
    app.text_input(key="typed_serial").set_value("PA-9001")
    app.text_input(key="in 1uA").set_value("900 nV")
    app.text_input(key="out 1uA").set_value("0.9 V")
    judge = next(one for one in app.button if one.label == "Judge and keep")
    app = judge.click().run()
    assert any("900 nV" in one.value for one in app.warning)
    with open_store(held.data) as store:
        assert store.frame("unit_runs", serial="PA-9001").empty


def test_typed_readings_are_judged_and_kept(held: Home) -> None:
    app = opened("bench")
    app.text_input(key="typed_serial").set_value("PA-9002")
    app.text_input(key="in 1uA").set_value("0.9u")
    app.text_input(key="out 1uA").set_value("900.2 mV")
    judge = next(one for one in app.button if one.label == "Judge and keep")
    judge.click().run()
    ticket = app.session_state["ticket"]
    with Client.of(held.data) as client:
        assert client.ticket(ticket, wait_s=20.0)["verdict"] == "conforming"


def test_a_hold_needs_a_reason_and_ends_once(held: Home) -> None:
    app = opened("holds")
    name = f"B-3-F1:{BAD_REEL}"
    app.button(key=f"end {name}").click().run()
    assert any("a hold ends with a reason" in one.value for one in app.warning)
    app.text_area(key=f"why {name}").set_value("counted and quarantined")
    app.button(key=f"end {name}").click().run()
    with open_store(held.data) as store:
        holds = store.frame("holds", product="photodiode-amplifier")
        ended = holds[holds["disposal"].notna()]
        assert ended["hold"].tolist() == [name]
        assert ended["end_reason"].tolist() == ["counted and quarantined"]
        decisions = store.frame("decisions")
        assert (decisions["subject"] == name).sum() >= 1
