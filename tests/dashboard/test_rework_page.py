"""A replaced part, recorded on screen as by the command, and measured again."""

from datetime import UTC, datetime
from typing import Any

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from daemon.holds import policy
from daemon.judging import ProductModel
from daemon.service import Client
from daemon.service.home import Home
from daemon.traceability import replace_part
from daemon.traceability.papers.build import build_release
from storage import Disposal, HoldState, LedgerRow, ReworkOf, Scope
from storage.access import open_store
from tests.daemon.making import demo_settings
from tests.daemon.seeded import BAD_REEL
from tests.dashboard.test_pages import button, ended, opened, said, scan, type_readings

FIRST, LAST = "PA-3005", "PA-3006"
NAME = "photodiode-amplifier"


def reworks(home: Home) -> list[tuple[str, str | None, str | None]]:
    with open_store(home.data) as store:
        rows = store.rows(ReworkOf, product=NAME)
    return [(one.serial, one.part, one.reel) for one in rows]


def button_of(app: AppTest) -> Any:
    """Return the button that records what stands in the form."""
    (found,) = [one for one in app.button if (one.key or "").startswith("rework keep")]
    return found


def pressed(app: AppTest) -> AppTest:
    """Press it; return the page as it is then."""
    shown: AppTest = button_of(app).click().run()
    return shown


def fill(app: AppTest, form: str, count: int, **given: str) -> AppTest:
    """Fill in what stands in the form; return the page as it is then."""
    for field, value in given.items():
        key = f"rework {field} {form} {count}"
        kind = {
            "part": app.selectbox,
            "reel": app.selectbox,
            "why": app.text_area,
            "units": app.text_input,
        }[field]
        app = kind(key=key).set_value(value).run()
    return app


def test_a_replaced_part_is_recorded_once_and_its_units_wait_for_the_bench(
    own: Home,
) -> None:
    app = opened("finding")
    (units,) = [one for one in app.text_input if one.label == "Units"]
    form = str(units.key).removeprefix("rework units ").removesuffix(" 0")
    assert units.value == "PA-3005..PA-3009"
    assert app.selectbox(key=f"rework part {form} 0").value == "R13"
    app.selectbox(key="who decides").set_value("Ada Moreno").run()
    app = fill(app, form, 0, units=f"{FIRST}..{LAST}", reel=BAD_REEL, why="bad reel")
    app = pressed(app)
    assert f"Reel {BAD_REEL} is held" in said(app)
    assert not reworks(own)
    app = fill(app, form, 0, reel="K-103")
    pressed_key = button_of(app).key
    app = pressed(app)
    assert not app.exception
    assert f"R13 of units {FIRST}, {LAST} (2) is of reel K-103 now." in said(app)
    assert f"Now measure again: {FIRST}, {LAST} (2)." in said(app)
    both = [(FIRST, "R13", "K-103"), (LAST, "R13", "K-103")]
    assert reworks(own) == both
    # A second click is of a button that is gone; said again it counts once.
    assert button_of(app).key != pressed_key
    app = fill(app, form, 1, units=f"{LAST}", reel="K-103", why="said again")
    app = pressed(app)
    assert f"Of unit {LAST} that was recorded already" in said(app)
    assert reworks(own) == both
    with open_store(own.data) as store:
        last = store.rows(LedgerRow)[-1]
    assert (last.action, last.subject, last.reason) == ("replace", LAST, "bad reel")
    for page in ("bench", "today"):
        words = said(opened(page))
        assert f"To be measured again after rework: {FIRST}, {LAST} (2)." in words


@pytest.mark.parametrize("page", ["holds", "units"])
def test_the_form_is_where_a_user_looks(changed: Home, page: str) -> None:
    del changed
    app = opened(page)
    if page == "units":
        app = scan(app, FIRST)
    assert not app.exception
    assert button_of(app)


def test_a_reel_is_not_said_to_be_in_no_unit_while_units_of_it_are_held_otherwise(
    changed: Home,
) -> None:
    """Its build is held whole; a unit of another build is held by itself."""
    people = demo_settings().plan.people
    hold, line = policy.by_hand(
        scope=Scope.UNIT, subject="PA-1001", product=NAME, person="Ada Moreno",
        reason="a dent", people=people, at=datetime.now(UTC),
    )  # fmt: skip
    with open_store(changed.data) as store:
        store.keep(hold, decision=line)
    words = said(opened())
    assert f"reel {BAD_REEL}" in words
    assert "unit PA-1001" in words
    assert "in no unit now" not in words
    end, line = policy.ending(
        hold.hold, disposal=Disposal.RELEASE, person="Ada Moreno", reason="polished",
        people=people, at=datetime.now(UTC),
    )  # fmt: skip
    with open_store(changed.data) as store:
        store.keep(end, decision=line)


def test_a_range_whose_units_were_all_reworked_and_are_good_is_not_moved_now(
    own: Home,
) -> None:
    every = [f"PA-{number}" for number in range(3005, 3010)]
    settings = demo_settings()
    with open_store(own.data) as store:
        replace_part(
            store, NAME, every, "R13", "K-103", parts=settings.product.parts,
            ranges=settings.product.ranges, person="Ada Moreno", reason="bad reel",
            people=settings.plan.people, at=datetime.now(UTC),
        )  # fmt: skip
    # A reworked unit is measured again, as a rerun into its own build, unasked.
    app = type_readings(opened("bench"), every[0])
    button(app, "Check what I typed").click().run()
    assert "This unit was measured before." in said(app)
    button(app, "Judge and keep").click().run()
    typed = [{"range": "100uA", "reference": 9e-5, "output": 0.9001}]
    with Client.of(own.data) as client:
        (order,) = app.session_state["orders"]
        tickets = [order["ticket"]]
        tickets += [
            client.measure(build=None, serial=one, typed=typed, rerun=True)
            for one in every[1:]
        ]
        assert [ended(client, one)["state"] for one in tickets] == ["done"] * 5
    st.cache_resource.clear()  # what was just shown is shown for a moment longer
    words = said(opened())
    assert "Decide on build B-3 and reel K-900: 5 units reworked and good again." in (
        words
    )
    assert "Range 100 µA was +0.30 % since unit PA-3005" in words
    assert "5 units reworked and good again" in words
    assert "No unit is concerned now." in words
    # The build let go, its reel held on: no unit of it has a part of that reel.
    with open_store(own.data) as store:
        ended_hold, line = policy.ending(
            next(
                one.hold
                for one in store.rows(HoldState, product=NAME)
                if (one.scope, one.disposal) == (Scope.BUILD, None)
            ),
            disposal=Disposal.RELEASE, person="Ada Moreno", reason="reworked",
            people=settings.plan.people, at=datetime.now(UTC),
        )  # fmt: skip
        store.keep(ended_hold, decision=line)
        release = build_release(
            store, ProductModel.of(settings.product), "B-3",
            issued_at=datetime.now(UTC), issuer="",
        )  # fmt: skip
    paper = str(release.paper().blocks)
    in_none = f"Reel {BAD_REEL} is held; no unit of this build has a part of it now."
    assert paper.count(in_none) == 2
    assert "must not leave" not in paper
    assert "Not released" not in paper
    assert f"Not reel {BAD_REEL} (in no unit now)." in said(opened())
    words = said(opened("build", build="B-3"))
    assert "Build B-3: 10 of 10 units measured." in words
