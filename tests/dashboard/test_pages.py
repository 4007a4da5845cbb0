"""What the screens say and do, page by page."""

import json
import os
import re
import threading
from datetime import UTC, date, datetime
from functools import cache
from html import unescape
from itertools import count
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pyarrow as pa
import pytest
import streamlit as st
from streamlit.components.v2.component_manager import BidiComponentManager
from streamlit.runtime.scriptrunner import StopException
from streamlit.testing.v1 import AppTest

import dashboard
from config.plan import Beside
from daemon.judging import ProductModel
from daemon.service.client import Client
from daemon.service.home import VARIABLE, Home
from dashboard import data, live, look, replaying
from storage.access import open_store
from storage.records import Build
from storage.remote import RemoteStore
from tests.daemon.making import demo_settings
from tests.daemon.seeded import BAD_FROM, BAD_REEL, seeded_home
from tests.daemon.starting import running_daemon

APP = Path(dashboard.__file__ or "").parent / "app.py"
SLOW_S = 300.0
HOLD_ON_REEL = f"B-3-F1:{BAD_REEL}"
GONE = "The daemon does not answer"
st.config.set_option("runner.magicEnabled", False)  # as they are served


def opened(page: str = "", **subjects: str) -> AppTest:
    """Run the app at the address of a page, and of what it is about."""
    app = AppTest.from_file(str(APP), default_timeout=SLOW_S)
    app._bidi_component_manager = _components()
    for name, value in subjects.items():
        app.query_params[name] = value
    if page:
        app = app.switch_page(f"views/{page}.py")
    app.run()
    assert not app.exception
    return app


@cache
def _components() -> BidiComponentManager:
    """Look through what is installed for parts of screens once, not for each test."""
    found = BidiComponentManager()
    found.discover_and_register_components(start_file_watching=False)
    return found


def said(app: AppTest) -> str:
    """Return all words on the page."""
    return in_words("\n".join(one.value for one in app.html))


def in_words(html: str) -> str:
    """Return what stands in HTML as it is read: what does not break is no matter."""
    return unescape(re.sub(r'<span class="whole">(.*?)</span>', r"\1", html))


def button(app: AppTest, label: str) -> Any:
    """Return the button with this label."""
    return next(one for one in app.button if one.label == label)


def ended(client: Client, ticket: str) -> dict[str, Any]:
    """Return what became of an order, however long a busy machine takes."""
    looks = (client.ticket(ticket, wait_s=20.0) for _ in range(15))
    return next(one for one in looks if one["state"] in {"done", "failed"})


_numbers = count(1)


def scan(app: AppTest, serial: str) -> AppTest:
    """Have a page's field for a scanner send one scan, as the browser does."""
    (field,) = [
        one
        for one in app.get("bidi_component")
        if one.proto.component_name == "holdpoint.scanner"
    ]
    sent = [{"line": "test", "number": next(_numbers), "text": serial, "context": None}]
    state = app._tree.get_widget_states()
    one = state.widgets.add()
    one.id = f"$$STREAMLIT_INTERNAL_KEY_{field.proto.id}__events"
    one.json_trigger_value = json.dumps([{"event": "scans", "value": sent}])
    return app._run(state)


@pytest.mark.usefixtures("held")
def test_the_sentence_stands_on_top() -> None:
    words = said(opened())
    first = (
        f"<h1>Hold build B-3: range 100 µA, reel {BAD_REEL}, reads +0.30 % since unit "
        f"PA-300{BAD_FROM}"
    )
    assert first in words
    assert f"Most likely part R13 from reel {BAD_REEL}" in words
    assert words.index("<h1>") < words.index("<h2>")


@pytest.mark.usefixtures("held")
def test_what_stays_is_listed_with_what_stands_against_it_now() -> None:
    words = said(opened())
    assert f"Build B-3: range 100 µA, reel {BAD_REEL}, reads +0.30 % since" in words
    assert f"Reel {BAD_REEL}: range 100 µA reads +0.30 % since" in words


@pytest.mark.usefixtures("held")
def test_the_map_is_one_picture_a_form_and_says_what_it_shows() -> None:
    maps = opened().get("vega_lite_chart")
    assert len(maps) == 2
    for one in maps:
        assert one.proto.alt.startswith("Ranges by builds. Hold build B-3")
        assert len(one.proto.datasets) > 0


@pytest.mark.usefixtures("held")
def test_rows_that_did_not_change_are_drawn_once() -> None:
    app = opened()
    before = [one.proto.SerializeToString() for one in app.get("vega_lite_chart")]
    stamp = app.session_state["shown"].stamp
    app.run()
    assert app.session_state["shown"].stamp == stamp
    after = [one.proto.SerializeToString() for one in app.get("vega_lite_chart")]
    assert after == before


@pytest.mark.usefixtures("held")
@pytest.mark.parametrize("page", ["", "range", "build", "finding", "bench"])
def test_without_a_bench_no_source_is_offered_to_be_turned_off(page: str) -> None:
    app = opened(page)
    assert "No bench" in said(app)
    assert not [one for one in app.button if one.label == "Source off now"]


@pytest.mark.usefixtures("nothing")
def test_before_the_first_unit_the_page_says_how_to_begin() -> None:
    app = opened()
    assert "No unit has been measured yet." in said(app)
    assert [one for one in app.button if one.label == "Open it"]
    commands = "\n".join(one.value for one in app.code)
    assert "holdpoint reel fit K-101 R11 --build B-1" in commands
    assert "holdpoint measure PA-0001" in commands


@pytest.mark.usefixtures("nothing")
@pytest.mark.parametrize("page", ["range", "build", "finding", "bench", "holds"])
def test_every_page_stands_before_the_first_unit(page: str) -> None:
    assert "<h1>" in said(opened(page))


def test_without_a_daemon_the_page_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(VARIABLE, str(tmp_path))
    words = said(opened())
    assert f"{GONE}." in words
    assert "holdpoint bench off" in words
    assert "holdpoint daemon" in words


def test_a_daemon_that_goes_and_comes_back_takes_nothing_off_the_page(
    quiet_home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(VARIABLE, str(quiet_home.folder))
    with running_daemon(quiet_home, "--no-bench"):
        app, *others = map(opened, ("", "budget", "standard"))
        typing = type_readings(opened("bench"), "PA-9100")
        button(typing, "Check what I typed").click().run()
        assert GONE not in said(app)
    for one in (app, *others):
        one.run()
    button(typing, "Judge and keep").click().run()
    for one in (app, *others, typing):
        assert not one.exception
        assert GONE in said(one)
    assert "Hold build B-3" in said(app)
    assert typing.text_input(key="typed serial").value == "PA-9100"
    assert typing.session_state["orders"] == []
    with running_daemon(quiet_home, "--no-bench"):
        app.run()
        assert GONE not in said(app)
        assert "Hold build B-3" in said(app)
        button(typing, "Judge and keep").click().run()
        assert len(typing.session_state["orders"]) == 1


@pytest.mark.usefixtures("held")
def test_the_range_that_moved_is_shown_first() -> None:
    app = opened("range")
    assert app.segmented_control[0].value == "100uA"
    assert f"<h1>Range 100 µA, reel {BAD_REEL}, reads +0.30 %" in said(app)
    assert len(app.get("vega_lite_chart")) == 2


@pytest.mark.usefixtures("held")
def test_a_range_on_which_nothing_moved_says_so() -> None:
    app = opened("range")
    app.segmented_control[0].set_value("1mA").run()
    assert "<h1>Range 1 mA is as it was." in said(app)


CHECKING = {
    "bench": "1", "phase": "checking", "serial": "CS-1", "range": "100uA",
    "done": 8, "points": 12, "level": 2, "levels": 3, "prompt": None,
    "source_on": True, "alarm": None, "trouble": None, "stalled": None,
    "check_overdue": False, "checked": None, "waiting": 1, "remarks": (),
    "order": {"ticket": "t-1", "work": "unit", "serial": "PA-0001"},
    "live": {"level": 1e-4, "reference": 1.0001e-4, "output": 0.9},
    "record": {}, "reopened": 0, "lost": None, "session": None,
}  # fmt: skip
"""Of a daemon that checks its bench before a unit, its source on."""


def pending(ticket: str) -> dict[str, Any]:
    """Return what a daemon says of an end of the session that is yet to come."""
    return {
        "ticket": ticket, "order": {"work": "end session", "serial": None},
        "serial": None, "state": "waiting", "message": None, "verdict": None,
        "remarks": (),
    }  # fmt: skip


CONNECT = {"prompt": "p-1", "text": "Connect it.", "wants": None, "by_scan": True}


def test_a_bench_that_waits_for_a_person_does_not_say_that_it_measures() -> None:
    product = ProductModel.of(demo_settings().product)
    waits = CHECKING | {"prompt": {"subject": "PA-0001"}}
    assert live.in_words(waits, product) == "Bench 1: waiting for PA-0001"
    checking = live.in_words(CHECKING, product)
    assert checking == "Bench 1: checking CS-1, level 2 of 3 on range 100 µA"


@pytest.mark.usefixtures("held")
def test_headline_and_numbers_of_the_bench_page_are_of_one_moment_and_of_a_named_unit(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    real = data.doing()
    assert real is not None
    now = dict(CHECKING)
    monkeypatch.setattr(data, "doing", lambda: (real[0], real[1] | now))
    app = opened("bench")

    def shown(**changes: Any) -> str:
        now.update(changes)
        app.run()
        assert not app.exception
        return said(app)

    words = shown()
    pieces = [in_words(one.value) for one in app.html]
    (headline,) = [one for one in pieces if "<h1>Checking CS-1.</h1>" in one]
    assert "touch no leads" in headline
    # One with the headline: neither stands beside the other of before.
    assert "Read last of CS-1: level 2 of 3 on range 100 µA." in headline
    assert "900 mV" in headline
    assert "Bench 1" in words
    assert "Bench 1:" not in words
    nothing: dict[str, Any] = {
        "live": {},
        "range": None,
        "source_on": False,
        "phase": "connecting",
    }
    words = shown(prompt=CONNECT | {"subject": "PA-0001"}, **nothing)
    assert "Waiting for PA-0001." in words
    assert "Read last of" not in words
    assert "Drop the order for PA-0001" in [one.label for one in app.button]
    assert "End the session" not in [one.label for one in app.button]
    ordered: list[str] = []

    def take(_: Client, work: str, *, once: str) -> str:
        ordered.append(work)
        return once

    monkeypatch.setattr(Client, "work", take)
    monkeypatch.setattr(Client, "ticket", lambda _, ticket: pending(ticket))
    now.update(
        session="s-1", order={"ticket": "x", "work": "unit", "serial": "PA-0001"}
    )
    app.run()
    button(app, "End the session").click().run()
    assert ordered == ["end session"]
    assert "The end of the session waits for its turn" in said(app)


def test_ready_is_said_only_where_nothing_is_done_and_the_source_is_off() -> None:
    right = "Check standard CS-1 read right on every range: the bench may judge."
    now = CHECKING | {"serial": "PA-0001", "source_on": False, "checked": right}
    connecting = "PA-0001 is connected: it begins now."
    assert live.doing(now | {"phase": "connecting"}) == (connecting, [right])
    waits = now | {"phase": "waiting", "order": None, "waiting": 0}
    assert live.doing(waits) == ("Ready for the next unit.", [right])
    for busy in (
        {"source_on": True},
        {"order": CHECKING["order"]},
        {"phase": "comparing meters"},
        {"phase": "reading again"},
        {"phase": "warming up, 3 min left"},
        {"prompt": CONNECT | {"subject": "CS-1"}},
    ):
        assert "Ready" not in live.doing(waits | busy)[0], busy


def type_readings(app: AppTest, serial: str) -> AppTest:
    app.text_input(key="typed serial").set_value(serial)
    app.text_input(key="in 100uA").set_value("90.02u")
    app.text_input(key="out 100uA").set_value("0.9004 V")
    return app


def test_typed_readings_with_a_slip_are_not_kept(held: Home) -> None:
    app = type_readings(opened("bench"), "PA-9001")
    app.text_input(key="in 100uA").set_value("90.02 V")
    button(app, "Check what I typed").click().run()
    assert "100 µA: '90.02 V': 'V' does not belong here" in said(app)
    assert not [one for one in app.button if one.label == "Judge and keep"]
    with open_store(held.data) as store:
        assert store.frame("unit_runs", serial="PA-9001").empty


@pytest.mark.usefixtures("held")
def test_typed_readings_need_a_serial_and_a_reading() -> None:
    app = opened("bench")
    button(app, "Check what I typed").click().run()
    assert "Serial: scan it or type it." in said(app)
    assert "No reading was typed." in said(app)


def test_typed_readings_are_shown_before_they_are_kept_and_can_be_corrected(
    changed: Home,
) -> None:
    app = type_readings(opened("bench"), "PA-9002")
    app.text_input(key="out 100uA").set_value("0.9004 mV")
    button(app, "Check what I typed").click().run()
    assert "90.02 µA went in: off by more than" in said(app)
    assert not [one for one in app.button if one.label == "Judge and keep"]
    app.text_input(key="out 100uA").set_value("0.9004 V")
    button(app, "Check what I typed").click().run()
    assert "90.02 µA in, 900.4 mV out" in said(app)
    assert "limit ±0.5 %: conforming" in said(app)
    with open_store(changed.data) as store:
        assert store.frame("unit_runs", serial="PA-9002").empty
    keep = button(app, "Judge and keep")
    keep.click().run()
    (order,) = app.session_state["orders"]
    with Client.of(changed.data) as client:
        assert ended(client, order["ticket"])["verdict"] == "conforming"
    app.run()
    assert "PA-9002: conforming" in said(app)
    assert app.text_input(key="typed serial").value == ""


def test_a_click_that_was_ended_half_way_orders_nothing_twice(
    changed: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The screen may be ended once the daemon has the order: it is asked for again."""
    app = type_readings(opened("bench"), "PA-9010")
    button(app, "Check what I typed").click().run()
    measure = Client.measure

    def ended_then(client: Client, **order: Any) -> str:
        measure(client, **order)
        raise StopException

    with monkeypatch.context() as half_way:
        half_way.setattr(Client, "measure", ended_then)
        button(app, "Judge and keep").click().run()
    app.run()
    button(app, "Judge and keep").click().run()
    (order,) = app.session_state["orders"]
    with Client.of(changed.data) as client:
        assert ended(client, order["ticket"])["verdict"] == "conforming"
    with open_store(changed.data) as store:
        assert len(store.frame("unit_runs", serial="PA-9010")) == 1
    # Typed again, it is refused, and nothing offers to have the bench measure it.
    type_readings(app, "PA-9010")
    button(app, "Check what I typed").click().run()
    button(app, "Judge and keep").click().run()
    again = app.session_state["orders"][-1]["ticket"]
    with Client.of(changed.data) as client:
        assert ended(client, again)["state"] == "failed"
    app.run()
    assert "PA-9010 was measured before" in said(app)
    assert not [one for one in app.button if "again" in one.label]


def test_a_new_set_up_is_said_of_the_unit_it_was_ticked_for_alone(
    changed: Home,
) -> None:
    app = opened("bench")
    for serial, new_setup in (
        ("PA-9004", False),
        ("PA-9005", True),
        ("PA-9006", False),
    ):
        type_readings(app, serial)
        assert not app.checkbox(key="typed new setup").value
        if new_setup:
            app.checkbox(key="typed new setup").check()
        button(app, "Check what I typed").click().run()
        assert ("set up anew before this" in said(app)) == new_setup
        button(app, "Judge and keep").click().run()
        ticket = app.session_state["orders"][-1]["ticket"]
        with Client.of(changed.data) as client:
            assert ended(client, ticket)["state"] == "done"
        app.run()
    with open_store(changed.data) as store:
        rows = store.frame(
            "range_rows", product="photodiode-amplifier", after=0, kind="unit"
        ).set_index("serial")
    mine = rows.loc[["PA-9004", "PA-9005", "PA-9006"]]
    # The session that was begun by a new set-up goes on for the unit after it.
    assert mine["session"].nunique() == 2
    assert mine["set_up"].tolist() == [False, True, True]


def test_while_no_row_is_kept_no_row_is_asked_for(
    changed: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However long the page stands open; a row more, and all is asked for anew."""
    asked: list[str] = []
    table = RemoteStore.table

    def counted(store: RemoteStore, query: str, **parameters: Any) -> pa.Table:
        asked.append(query)
        return table(store, query, **parameters)

    monkeypatch.setattr(RemoteStore, "table", counted)
    monkeypatch.setattr(data, "FRESH_S", 0.0)
    app = opened("today")
    asked.clear()
    for _ in range(3):
        app.run()
    assert asked == []
    with open_store(changed.data) as store:
        store.note_job("a look", datetime.now(UTC))
    app.run()
    assert "latest_errors" in asked


def test_a_unit_that_is_to_be_seated_again_has_no_verdict_meanwhile(
    changed: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(data, "PULSE_S", 0.0)  # each look asks what it does
    app = opened("bench")
    app.text_input(key="typed serial").set_value("PA-9007")
    app.text_input(key="in 1mA").set_value("900u")
    app.text_input(key="out 1mA").set_value("0.9040 V")
    button(app, "Check what I typed").click().run()
    button(app, "Judge and keep").click().run()
    (order,) = app.session_state["orders"]
    with Client.of(changed.data) as client:
        answers = {None: "done", "A": "900u", "V": "0.9 V"}
        while client.ticket(order["ticket"], wait_s=0.1)["state"] != "done":
            prompt = client.state()["prompt"]
            if prompt is None:
                continue
            if prompt["wants"] is None:
                app.run()
                assert "Seat the unit and its leads again" in said(app)
                assert "PA-9007 waits for your answer" in said(app)
            client.answer(prompt["prompt"], answers[prompt["wants"]])
    app.run()
    assert "PA-9007: conforming. Unit PA-9007 reads far from" in said(app)
    # Off again: whoever followed the order is told what is held from now on.
    typed = [{"range": "1mA", "reference": 9e-4, "output": 0.906}]
    with Client.of(changed.data) as client:
        ticket = client.measure(build="B-3", serial="PA-9008", typed=typed)
        answers["V"] = "0.906 V"
        while client.ticket(ticket, wait_s=0.1)["state"] != "done":
            if (prompt := client.state()["prompt"]) is not None:
                client.answer(prompt["prompt"], answers[prompt["wants"]])
        remarks = client.ticket(ticket)["remarks"]
    (held,) = [one for one in remarks if one.startswith("Held from now on")]
    assert held == "Held from now on: unit PA-9008. Outside its error limit: 1 mA."


@pytest.mark.usefixtures("changed")
def test_a_second_click_keeps_nothing_twice() -> None:
    app = type_readings(opened("bench"), "PA-9003")
    button(app, "Check what I typed").click().run()
    keep = button(app, "Judge and keep")
    keep.click().run()
    keep.click().run()
    assert not app.exception
    assert len(app.session_state["orders"]) == 1


def test_a_hold_ends_by_a_person_with_a_reason_and_once(changed: Home) -> None:
    app = opened("holds")
    end = app.button(key=f"end {HOLD_ON_REEL}")
    end.click().run()
    assert "Say who decides and how the hold ends." in said(app)
    person = app.selectbox(key="who decides").options[0]
    app.selectbox(key="who decides").set_value(person)
    app.radio(key=f"by {HOLD_ON_REEL}").set_value("scrap")
    app.button(key=f"end {HOLD_ON_REEL}").click().run()
    assert "A hold ends with a reason" in said(app)
    app.text_area(key=f"why {HOLD_ON_REEL}").set_value("counted and quarantined")
    app.text_input(key=f"shown {HOLD_ON_REEL}").set_value("count of 3 May")
    other = opened("holds")
    app.button(key=f"end {HOLD_ON_REEL}").click().run()
    # It is listed among those that ended, and cannot be ended again.
    assert not [one for one in app.button if one.key == f"end {HOLD_ON_REEL}"]
    other.button(key=f"end {HOLD_ON_REEL}").click().run()
    assert f"hold on reel {BAD_REEL} is ended already: scrap by" in said(other)
    with open_store(changed.data) as store:
        holds = store.frame("holds", product="photodiode-amplifier")
        ended = holds[holds["disposal"].notna()]
        assert ended["hold"].tolist() == [HOLD_ON_REEL]
        assert ended["person"].tolist() == [person]
        assert ended["end_reason"].tolist() == ["counted and quarantined"]
        assert ended["evidence"].tolist() == ["count of 3 May"]
        decisions = store.frame("decision")
        mine = decisions[decisions["subject"] == HOLD_ON_REEL]
        assert mine["action"].tolist().count("scrap") == 1


def test_what_people_typed_is_never_read_as_markup() -> None:
    def page() -> None:
        from dashboard import look  # noqa: PLC0415 -- runs as a page of its own

        look.say("Hold build <b>: *B* :red[x]", ["<script>alert(1)</script>"])

    (shown,) = AppTest.from_function(page).run().html
    assert "<script>" not in shown.value
    assert "Hold build &lt;b&gt;: *B* :red[x]" in shown.value


@pytest.mark.usefixtures("held")
def test_the_check_standard_has_a_page_that_says_it_was_not_run() -> None:
    words = said(opened("standard"))
    assert "The check standard has not been run yet." in words
    assert "A session opens with it on every range." in words
    assert "In doubt" not in words


@pytest.mark.usefixtures("held")
def test_while_a_bench_is_open_its_check_and_the_end_of_its_session_are_ordered_here(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    labels = ["Run the check standard now", "End the session"]
    assert not {one.label for one in opened("standard").button} & {*labels}
    ordered: dict[str, str] = {}
    real = data.doing

    def with_bench() -> tuple[data.Connection, dict[str, Any]] | None:
        found = real()
        return None if found is None else (found[0], {**found[1], "bench": "demo"})

    monkeypatch.setattr(data, "doing", with_bench)
    monkeypatch.setattr(
        Client, "work", lambda _, work, *, once: ordered.update({once: work})
    )
    app = opened("standard")
    for label in labels:
        button(app, label).click().run()
        assert not app.exception
    assert [*ordered.values()] == ["check", "end session"]


@pytest.mark.usefixtures("held")
def test_before_the_next_build_it_is_said_what_must_be_measured() -> None:
    """Of a reel 2 % off one unit is enough; one 0.05 % off hides among good ones."""
    app = opened("next_build")
    assert "Measure every unit; after 15 more good builds in a row" in said(app)
    # What the next build will be held against: builds B-1 to B-3, ten units each.
    assert "The next build is compared with 3 earlier builds of 30 units." in said(app)
    table = app.table[0].value.set_index("Off by")
    assert table.loc["2 %", "Needs its first"] == "1"
    assert table.loc["0.05 %", "Needs its first"] == "more"
    assert len(app.table) == 1
    app.number_input(key="ahead_test").set_value(5.0)
    app.number_input(key="ahead_escape").set_value(400.0).run()
    assert not app.exception
    priced = app.table[1].value.set_index("Off by")
    # By hand: 30 bad units at 400 in one build of 50, and 60 tests at 5.
    assert priced.loc["2 %", "None"] == "240.00"
    assert priced.loc["2 %", "All 60"] == "300.00"
    assert str(priced.loc["2 %", "Enough"]).endswith(" (5)")
    assert priced.loc["0.05 %", "Enough"] == "more"


@pytest.mark.usefixtures("held")
def test_a_plan_is_tried_on_the_past_beside_the_page(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The page waits for nothing: it says how far it is, then what came of it."""
    asked: list[tuple[str, ...]] = []
    reader, writer = os.pipe()
    told = os.fdopen(writer, "w", encoding="utf-8")

    def beside(home: Home, *words: str) -> Any:
        assert home == Home.usual()
        asked.append(words)
        stream = os.fdopen(reader, encoding="utf-8")
        return SimpleNamespace(stdout=stream, wait=lambda: 0)

    monkeypatch.setattr(replaying, "run_beside", beside)
    app = opened("next_build")
    app.number_input(key="past_share").set_value(25)
    app.date_input(key="past_plan").set_value(date(2026, 1, 5))
    app.button(key="past_try").click().run()
    assert not app.exception
    words = ("replay", "--share", "0.25", "--plan-of", "2026-01-05")
    assert asked == [(*words, "--json", "--steps")]
    trial = replaying.last()
    assert trial is not None
    assert not trial.ended
    some = {"measured": 9, "held": {}, "found": [], "stopped": [], "left": ["PA-1"]}
    whole = some | {"measured": 30, "held": {"B-3": "PA-3005"}, "found": ["PA-1"],
                    "left": []}  # fmt: skip
    told.write("step 1 2\n")
    told.write(json.dumps({
        "builds": 3, "first_build": "B-1", "last_build": "B-3", "units": 30,
        "outside": ["PA-1"], "checked": {"units": None, "share": 0.25},
        "every_unit": whole, "as_asked": [some],
    }))  # fmt: skip
    told.close()
    for thread in threading.enumerate():
        if thread.name == "replay":
            thread.join(10.0)
    app.number_input(key="ahead_test").set_value(5.0)
    app.number_input(key="ahead_escape").set_value(400.0).run()
    shown = said(app)
    assert "3 builds (B-1 to B-3), 30 units; 1 of them outside an error limit." in shown
    assert "25 % of each" in shown
    # By hand: 9 tests at 5 and one bad unit that leaves at 400.
    assert "445.00" in shown
    assert (
        "Build B-3, held when every unit is measured, would not have been held."
        in shown
    )
    assert "More was recorded since" not in shown
    trial.stamp = "of before"
    assert "More was recorded since." in said(app.run())


@pytest.mark.usefixtures("held")
def test_a_chart_shows_what_checks_miss_and_both_ways_are_said() -> None:
    app = opened("next_build")
    (chart,) = app.get("vega_lite_chart")
    (curves,) = (
        one for one in json.loads(chart.proto.spec)["layer"]
        if one["mark"]["type"] == "line"
    )  # fmt: skip
    names = curves["encoding"]["strokeDash"]["scale"]["domain"]
    assert names == [f"any {n} units" for n in (3, 5, 8, 13)]
    assert "Then 5 of 60 units" in said(app)
    assert "If a build is held while only some units are measured, every unit" in said(
        app
    )


@pytest.mark.usefixtures("held")
def test_a_build_of_one_unit_can_be_asked_about() -> None:
    app = opened("next_build")
    app.number_input(key="ahead_units").set_value(1).run()
    assert not app.exception
    assert "Any 1 miss" in app.table[0].value


@pytest.mark.usefixtures("held")
def test_a_check_of_one_range_is_asked_for_by_the_ranges_title(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    drop = Beside(kind="input drop", range="1mA", high=0.01)
    # A check may be called what the library would read as markup.
    monkeypatch.setattr("daemon.judging.asked", lambda *_, **__: {"drop *R1*": drop})
    labels = [one.label for one in opened("bench").text_input]
    assert look.plain("Drop *R1* on range 1 mA, in V (at most 10 mV)") in labels


def test_units_go_into_the_build_that_was_opened_elsewhere_and_that_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = seeded_home(tmp_path / "home")
    monkeypatch.setenv(VARIABLE, str(home.folder))
    monkeypatch.setattr(data, "FRESH_S", 0.0)  # what is new is looked for at each look
    with running_daemon(home, "--no-bench"):
        app = opened("bench")
        assert app.selectbox(key="build").value == "B-3"
        with open_store(home.data) as store:
            store.keep(
                Build(
                    build="B-4",
                    product="photodiode-amplifier",
                    planned_units=2,
                    opened_at=datetime.now(UTC),
                )
            )
        app.run()
        assert app.selectbox(key="build").value == "B-4"
        assert "Build B-4 was opened: units are measured into it" in said(app)
        app.selectbox(key="build").set_value("B-3").run()
        assert "Units go into build B-3; the newest build is B-4." in said(app)


def test_what_failed_in_an_earlier_session_is_not_shown_beside_the_latest_one(
    held: Home,
) -> None:
    del held

    def ended_with(message: str, session: str) -> dict[str, Any]:
        return {
            "ticket": None, "order": {"work": "unit", "serial": "PA-9"},
            "serial": "PA-9", "state": "failed", "message": message, "verdict": None,
            "in session": session,
        }  # fmt: skip

    app = AppTest.from_file(str(APP), default_timeout=SLOW_S)
    app._bidi_component_manager = _components()
    app.session_state["orders"] = [
        ended_with("the meter did not answer", "yesterday"),
        ended_with("the lead was loose", "today"),
    ]
    app.session_state["session of the bench"] = "today"
    app.switch_page("views/bench.py").run()
    assert not app.exception
    words = said(app)
    assert "PA-9: the lead was loose" in words
    assert "did not answer" not in words


def test_a_command_is_shown_as_one_though_it_has_a_name_in_it() -> None:
    shown = in_words(look._text("open one, such as `holdpoint build open B-1`"))
    assert shown == "open one, such as <code>holdpoint build open B-1</code>"
