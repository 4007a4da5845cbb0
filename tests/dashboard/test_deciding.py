"""A person decides on screen: holds by hand, doubts, messages; and who that is."""

import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from daemon.holds import policy
from daemon.service.home import VARIABLE, Home
from dashboard import who
from storage import Disposal, HoldState, Scope
from storage.access import open_store
from storage.records import Doubt, DoubtCause
from storage.records_alerts import Alert, Delivery, Severity
from tests.daemon.making import AT, demo_settings
from tests.daemon.seeded import seeded_home
from tests.daemon.starting import running_daemon
from tests.dashboard.test_pages import button, opened, said, scan

PRODUCT = "photodiode-amplifier"
PERSON = "Ada Moreno"
TITLE = "Hold build B-3: <b>it moved</b>"


def told(alert: str, target: str) -> Alert:
    return Alert(
        alert=alert, target=target, product=PRODUCT, severity=Severity.HOLD,
        subject="B-3-F1", title=TITLE, body="Because.", said="", follows=None,
        made_at=AT,
    )  # fmt: skip


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    """Serve a home with runs in doubt, a dead letter, and one still tried."""
    home = seeded_home(tmp_path_factory.mktemp("deciding") / "home")
    with running_daemon(home, "--no-bench"), open_store(home.data) as store:
        store.keep(
            Doubt(
                doubt="d-1",
                product=PRODUCT,
                session="s",
                from_number=1,
                to_number=3,
                cause=DoubtCause.OUT_OF_CONTROL,
                reason="the check standard read wrong",
                raised_at=AT,
            )
        )
        store.keep(told("m-1", "mail"), told("m-2", "mail"))
        dead = Delivery(
            alert="m-1", target="mail", tries=14, tried_at=AT, next_at=None,
            last_error="not taken", delivered_at=None, dead_at=AT,
        )  # fmt: skip
        tried = Delivery(
            alert="m-2", target="mail", tries=2, tried_at=AT,
            next_at=AT + timedelta(minutes=8), last_error="no answer",
            delivered_at=None, dead_at=None,
        )  # fmt: skip
        for one in (dead, tried):
            store.note_delivery(one)
        yield home


@pytest.fixture
def home(served: Home, monkeypatch: pytest.MonkeyPatch) -> Home:
    """Let the screens show that home."""
    monkeypatch.setenv(VARIABLE, str(served.folder))
    return served


def decide(app: AppTest, person: str = PERSON) -> None:
    app.selectbox(key="who decides").set_value(person).run()


def test_a_person_holds_a_range_of_serials_by_hand_and_once(home: Home) -> None:
    app = opened("holds")
    app.segmented_control(key="hold on").set_value("serials").run()
    app.text_input(key="held serials").set_value("PA-1001")
    app.text_input(key="held to").set_value("PA-1003")
    app.text_area(key="hold why").set_value("a drop on the floor")
    hold = button(app, "Hold it")
    hold.click().run()
    assert "Say who decides and what is held." in said(app)
    decide(app)
    hold.click().run()
    assert not app.exception
    assert "Serials PA-1001 to PA-1003: a drop on the floor" in said(app)
    hold.click().run()
    with open_store(home.data) as store:
        rows = store.frame("holds", product=PRODUCT)
        mine = rows[rows["placed_by"] == PERSON]
        assert mine["scope"].tolist() == ["serials"]
        assert mine["to_serial"].tolist() == ["PA-1003"]


@pytest.mark.usefixtures("home")
@pytest.mark.parametrize("scope", ["build", "reel", "unit"])
def test_every_kind_of_hold_asks_for_what_it_stands_on(scope: str) -> None:
    app = opened("holds")
    app.segmented_control(key="hold on").set_value(scope).run()
    assert not app.exception
    form = app.text_input if scope == "unit" else app.selectbox
    assert not form(key=f"held {scope}").disabled


@pytest.mark.usefixtures("home")
def test_a_hold_by_hand_on_what_is_not_recorded_is_refused_in_a_sentence() -> None:
    app = opened("holds")
    decide(app)
    app.segmented_control(key="hold on").set_value("unit").run()
    app.text_input(key="held unit").set_value("PA-9999")
    app.text_area(key="hold why").set_value("a scratch")
    button(app, "Hold it").click().run()
    assert not app.exception
    assert "PA-9999" in said(app)
    assert not [one for one in app.html if "PA-9999: a scratch" in one.value]


def test_units_of_a_bench_in_doubt_are_named_until_a_person_says_why_not(
    home: Home,
) -> None:
    """On the page of the check standard, among holds and on the first page."""
    words = said(opened("standard"))
    assert "In doubt" in words
    assert "PA-1000, PA-1001, PA-1002: the check standard read wrong." in words
    assert "A good check in the same session clears them." in words
    app = opened("holds")
    assert "Bench in doubt, 3 units: the check standard read wrong" in said(app)
    assert "Bench in doubt, PA-1000 to PA-1002 (3)" in said(opened())
    app.button(key="end d-1").click().run()
    assert "Say who decides." in said(app)
    decide(app)
    app.button(key="end d-1").click().run()
    assert "A doubt ends with a reason" in said(app)
    app.text_area(key="why d-1").set_value("compared with the second meter")
    app.button(key="end d-1").click().run()
    assert "Bench in doubt" not in said(app)
    with open_store(home.data) as store:
        (row,) = store.frame("doubts", product=PRODUCT).to_dict("records")
        assert row["ended_by"] == PERSON
        assert row["ended_reason"] == "compared with the second meter"


def test_a_message_that_was_given_up_stands_out_until_somebody_takes_note(
    home: Home,
) -> None:
    assert "1 message did not arrive: nobody may know of it." in said(opened())
    app = opened("messages")
    words = said(app)
    assert "1 message did not arrive; 1 on the way." in words
    assert "Given up on mail, times tried: 14." in words
    cells = re.findall(r'data-head="(?:Last error|State)">([^<]*)<', words)
    assert cells == ["tried again", "no answer", "given up", "not taken"]
    told = re.findall(r'data-head="Told">(<time [^>]*title="[^"]* UTC">)', words)
    assert len(told) == len(cells) / 2
    button(app, "Take note").click().run()
    assert "Say who takes note." in said(app)
    decide(app)
    app.multiselect(key="noted").set_value(["m-1"])
    button(app, "Take note").click().run()
    assert not app.exception
    assert "Given up on mail" not in said(app)
    assert "Nobody took note of 1 message yet" in said(app)
    assert "did not arrive" not in said(opened())
    with open_store(home.data) as store:
        rows = store.frame("alerts", product=PRODUCT).set_index("alert")
        assert rows.loc["m-1", "person"] == PERSON
        decisions = store.frame("decision")
        noted = decisions[decisions["action"] == "take note"]
        assert noted["subject"].tolist() == ["m-1"]


@pytest.mark.usefixtures("home")
def test_the_ledger_is_listed_and_proved() -> None:
    app = opened("ledger")
    assert "place hold" in said(app)
    button(app, "Prove that none was changed").click().run()
    assert not app.exception
    assert "The ledger is whole: " in said(app)


@pytest.mark.usefixtures("home")
def test_an_address_names_what_messages_are_about() -> None:
    app = opened("messages", about="B-3-F1")
    (chosen,) = [one for one in app.selectbox if one.label == "About"]
    assert chosen.value == "B-3-F1"
    assert said(app).count('data-head="Told"') == 2
    app = chosen.set_value("About everything").run()
    assert app.query_params["about"] == "About everything"


def named(app: AppTest) -> list[str]:
    return [one.key for one in app.selectbox if one.key == who.ASKED]


@pytest.mark.usefixtures("home")
@pytest.mark.parametrize(
    ("headers", "asked"),
    [
        ({who.USER_HEADER: PERSON, who.SECRET_HEADER: "s3cret"}, False),
        ({who.USER_HEADER: PERSON, who.SECRET_HEADER: "guess"}, True),
        ({who.USER_HEADER: PERSON}, True),
        ({who.USER_HEADER: "Mallory", who.SECRET_HEADER: "s3cret"}, True),
    ],
)
def test_a_proxy_says_who_decides_only_by_the_shared_secret(
    headers: Mapping[str, str], asked: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(who.SECRET, "s3cret")
    monkeypatch.setattr(type(st.context), "headers", headers)
    app = opened("packing")
    assert bool(named(app)) is asked
    app.text_input(key="order").set_value("order 7").run()
    app = scan(app, "PA-7777")
    refused = "Say who decides and for which order." in said(app)
    assert refused is asked


@pytest.mark.usefixtures("home")
def test_without_a_secret_no_header_says_who_decides(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delenv(who.SECRET, raising=False)
    headers = {who.USER_HEADER: PERSON, who.SECRET_HEADER: ""}
    monkeypatch.setattr(type(st.context), "headers", headers)
    assert named(opened("packing"))


def test_holds_of_several_units_are_ended_together_or_none_is(changed: Home) -> None:
    people = demo_settings().plan.people
    with open_store(changed.data) as store:
        for serial in ("PA-1003", "PA-1001", "PA-1002", "PA-1007"):
            hold, line = policy.by_hand(
                scope=Scope.UNIT, subject=serial, product="photodiode-amplifier",
                person=people[0], reason=f"a dent in {serial}", people=people,
                at=datetime.now(UTC),
            )  # fmt: skip
            store.keep(hold, decision=line)

    def standing() -> list[str]:
        with open_store(changed.data) as store:
            rows = store.rows(HoldState, product=PRODUCT)
        return sorted(
            one.subject
            for one in rows
            if one.scope is Scope.UNIT and one.disposal is None
        )

    app = opened("holds")
    words = said(app)
    places = [words.index(f"Unit PA-100{n}: a dent") for n in (1, 2, 3, 7)]
    assert places == sorted(places)
    (units,) = [o for o in app.text_input if (o.key or "").startswith("units together")]
    assert units.value == "PA-1001..PA-1003, PA-1007"
    key = str(units.key).removeprefix("units together ")
    app.selectbox(key="who decides").set_value(people[0])
    app.radio(key=f"by together {key}").set_value(Disposal.RELEASE)
    app.text_area(key=f"why together {key}").set_value("polished")
    units.set_value("PA-1001..PA-1004")
    app.button(key=f"end together {key}").click().run()
    assert "Not held by itself: PA-1004. Nothing was ended." in said(app)
    assert standing() == ["PA-1001", "PA-1002", "PA-1003", "PA-1007"]
    app.text_input(key=f"units together {key}").set_value("PA-1001..PA-1003")
    app.button(key=f"end together {key}").click().run()
    assert not app.exception
    assert standing() == ["PA-1007"]
    with open_store(changed.data) as store:
        rows = store.rows(HoldState, product=PRODUCT)
    ended = [one for one in rows if one.end_reason == "polished"]
    assert {(one.person, one.disposal) for one in ended} == {(people[0], "release")}
