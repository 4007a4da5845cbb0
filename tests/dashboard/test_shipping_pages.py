"""Packing, recall and trace: what the screens say and keep."""

import pytest

from daemon.presentation import screens
from daemon.service.home import Home
from daemon.traceability.ship_gate import Gate
from storage import LedgerRow
from storage.access import open_store
from tests.daemon.seeded import BAD_REEL
from tests.dashboard.test_pages import button, opened, said, scan

GOOD, HELD = "PA-1001", "PA-3001"


@pytest.mark.usefixtures("held")
def test_the_recall_page_lists_whom_a_finding_concerns() -> None:
    app = opened("recall")
    words = said(app)
    assert f"of reel {BAD_REEL}:" in words
    assert "Not concerned:" in words
    assert "<table>" in words


@pytest.mark.usefixtures("held")
def test_a_reel_is_traced_with_a_picture() -> None:
    app = opened("units")
    app = scan(app, BAD_REEL)
    assert not app.exception
    assert f"Reel {BAD_REEL}" in said(app)
    assert len(app.get("vega_lite_chart")) == 2
    app = scan(app, "nothing <b>")
    assert "Nothing is called nothing &lt;b&gt;." in "".join(o.value for o in app.html)


@pytest.mark.usefixtures("held")
def test_a_traced_unit_shows_what_was_last_measured() -> None:
    app = opened("units")
    app = scan(app, GOOD)
    assert not app.exception
    assert "As last measured" in said(app)
    assert said(app).count("(k = 2): ") + said(app).count("(k = 2), limit ") == 4


@pytest.mark.usefixtures("held")
def test_what_was_looked_up_before_is_listed_with_what_was_said() -> None:
    app = opened("units")
    assert screens.BEFORE not in said(app)
    for text in ("PA-2", "PA-9999", GOOD):
        app = scan(app, text)
    assert not app.exception
    assert app.query_params["unit"] == GOOD
    words = said(app)
    assert "2. Nothing is called PA-9999." in words
    assert "1. 10 names have PA-2 in them. Which one?" in words
    assert f"3. Unit {GOOD}" not in words
    app = scan(app, "PA-2")
    assert f"3. Unit {GOOD} of build" in said(app)
    button(app, "PA-2003").click().run()
    assert "<h1" in said(app)
    assert "Unit PA-2003 of build B-2" in said(app)
    assert app.query_params["unit"] == "PA-2003"


@pytest.mark.usefixtures("nothing")
@pytest.mark.parametrize("page", ["packing", "recall", "units"])
def test_the_pages_stand_before_the_first_unit(page: str) -> None:
    assert "<h1" in said(opened(page))


def test_a_scanned_unit_stays_with_its_reason_until_somebody_overrides(
    changed: Home,
) -> None:
    app = opened("packing")
    app = scan(app, HELD)
    assert "Say who decides and for which order." in said(app)
    app.selectbox(key="who decides").set_value("Ada Moreno").run()
    app.text_input(key="order").set_value("order 7").run()
    app = scan(app, "PA-7777")
    assert "Must not leave: PA-7777." in said(app)
    assert "No unit has this serial." in said(app)
    assert not [one for one in app.button if one.label == "Let it leave"]
    app = scan(app, HELD)
    assert f"Must not leave: {HELD}." in said(app)
    assert "Held (build B-3)" in said(app)
    (override,) = [one for one in app.text_input if one.label == "Reason"]
    override.set_value("asked for as it is").run()
    button(app, "Let it leave").click().run()
    assert not app.exception
    assert f"Recorded as shipped by override: {HELD}." in said(app)
    with open_store(changed.data) as store:
        rows = store.frame("shipments", product="photodiode-amplifier")
        mine = rows[rows["serial"] == HELD]
        assert mine["override_reason"].tolist() == ["asked for as it is"]
        assert "held (build B-3)" in mine["against"].iloc[0]


@pytest.mark.usefixtures("held")
def test_the_screen_says_what_leaves_by_plan(monkeypatch: pytest.MonkeyPatch) -> None:
    by_plan = "PA-1007"
    monkeypatch.setattr(Gate, "by_plan", lambda _, serial: serial == by_plan)
    app = opened("packing")
    app.selectbox(key="who decides").set_value("Ada Moreno").run()
    app.text_input(key="order").set_value("order 8").run()
    app = scan(app, by_plan)
    assert f"Recorded as shipped, measured by plan: {by_plan}." in said(app)
    app = scan(app, "PA-1008")
    assert "Recorded as shipped: PA-1008." in said(app)
    assert "For order 8, at " in said(app)
    app = scan(app, "PA-7777")
    assert "Must not leave: PA-7777." in said(app)
    assert "For order 8, at " not in said(app)


def test_a_unit_that_came_back_is_taken_back_on_its_page(changed: Home) -> None:
    app = opened("units")
    app = scan(app, GOOD)
    assert not [one for one in app.button if one.label == "It is here"]
    app = opened("packing")
    app.selectbox(key="who decides").set_value("Ada Moreno").run()
    app.text_input(key="order").set_value("order 7").run()
    app = scan(app, GOOD)
    app = opened("units")
    app = scan(app, GOOD)
    button(app, "It is here").click().run()
    assert "Say who takes it back." in said(app)
    app.selectbox(key="who decides").set_value("Ada Moreno").run()
    button(app, "It is here").click().run()
    assert "A unit is taken back with a reason; none was given." in said(app)
    app.text_input(key=f"came back {GOOD}").set_value("reads low at the customer").run()
    button(app, "It is here").click().run()
    assert not app.exception
    assert f"Unit {GOOD} is back in the house. It is measured before" in said(app)
    assert "came back: reads low at the customer" in said(app)
    assert not [one for one in app.button if one.label == "It is here"]
    with open_store(changed.data) as store:
        last = store.rows(LedgerRow)[-1]
        assert (last.action, last.subject) == ("take back", GOOD)
