"""The page of reels: what is known of one, and its forms."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from daemon.holds import policy
from daemon.service.client import Client
from daemon.service.home import VARIABLE, Home
from daemon.traceability import kitting
from dashboard.data import FRESH_S, _kept
from storage.access import open_store
from storage.records import Build, Fitting, Reel, Scope
from storage.records_shipping import ReelReceipt
from storage.remote import RemoteStore
from tests.daemon.making import AT, demo_settings
from tests.daemon.seeded import BAD_REEL, seeded_home
from tests.daemon.starting import running_daemon
from tests.dashboard.test_pages import button, opened, said

PERSON = "Ada Moreno"
NAME = demo_settings().product.name


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    home = seeded_home(tmp_path_factory.mktemp("reels") / "home")
    with running_daemon(home, "--no-bench"):
        yield home


@pytest.fixture
def home(served: Home, monkeypatch: pytest.MonkeyPatch) -> Home:
    """Let the screens show that home."""
    monkeypatch.setenv(VARIABLE, str(served.folder))
    return served


def at(reel: str) -> AppTest:
    """Open the page at an address with a reel, as after a reload."""
    return opened("reels", reel=reel)


@pytest.mark.usefixtures("home")
def test_a_bad_reel_is_told_with_what_its_units_read_and_of_which_class_it_may_be() -> (
    None
):
    words = said(at(BAD_REEL.lower()))
    assert f"Reel {BAD_REEL}: in 5 units." in words
    assert "By its label 5 kΩ ±0.1 %" in words
    assert "its parts (R13) lie +0.3" in words
    assert "Do not use it: it is held." in words
    assert "None were measured." in words
    assert "By finding B-3-F1" in words


@pytest.mark.usefixtures("home")
def test_the_address_keeps_the_reel_and_a_wrong_one_is_said() -> None:
    assert "nothing here: unknown reel 'K-7'. Shown below:" in said(at("K-7"))
    assert "begin so; write more of it: K-" in said(at("K-10"))
    app = at("K-101")
    assert app.query_params["reel"] in ("K-101", ["K-101"])
    assert "Reel K-101: in 30 units." in said(app)


def test_a_reel_is_recorded_corrected_and_fitted_on_the_page(home: Home) -> None:
    app = opened("reels")
    button(app, "Record it").click().run()
    assert "Give the reel a name." in said(app)
    app.text_input(key="new reel").set_value("K-950")
    app.text_input(key="new nominal").set_value("4k99")
    app.text_input(key="new tolerance").set_value("0.1")
    button(app, "Record it").click().run()
    assert "say whether % or ppm" in said(app)
    app.text_input(key="new tolerance").set_value("0.1 %")
    app.number_input(key="new quantity").set_value(500)
    app.text_input(key="new supplier").set_value("Birk Parts")
    button(app, "Record it").click().run()
    assert not app.exception
    assert "Reel K-950 is recorded." in said(app)
    with open_store(home.data) as store:
        (reel,) = store.rows(Reel, reel="K-950")
        (came,) = store.rows(ReelReceipt, reel="K-950")
    assert (reel.nominal_ohm, reel.tolerance_ppm, came.quantity) == (4990.0, 1e3, 500)

    fields = {one.label: one for one in app.text_input}
    app.selectbox(key="who decides").set_value(PERSON).run()
    fields = {one.label: one for one in app.text_input if "correct" in str(one.key)}
    fields["Lot"].set_value("2619")
    button(app, "Correct it").click().run()
    assert "A record is corrected with a reason" in said(app)
    reason = next(one for one in app.text_area if "correct" in str(one.key))
    reason.set_value("left out")
    button(app, "Correct it").click().run()
    assert "Reel K-950 is corrected." in said(app)
    with open_store(home.data) as store:
        (reel,) = store.rows(Reel, reel="K-950")
    assert reel.lot_code == "2619"

    app.text_input(key="open build").set_value("B-9")
    button(app, "Open it").click().run()
    assert "Build B-9 is open." in said(app)
    app.text_input(key="open build").set_value("B-9")
    button(app, "Open it").click().run()
    assert "Build B-9 is open already." in said(app)
    app.selectbox(key="fit part K-950").set_value("R13")
    app.selectbox(key="fit build").set_value("B-9").run()
    button(app, "Record that it feeds the part").click().run()
    assert "it is of the wrong value for part R13" in said(app)
    app.checkbox(key="fit anyway").check().run()
    button(app, "Record that it feeds the part").click().run()
    assert not app.exception
    assert "Part R13 of build B-9 comes from reel K-950" in said(app)
    with open_store(home.data) as store:
        assert store.rows(Build, build="B-9")
        fitted = store.rows(Fitting, product=NAME, reel="K-950")
    assert [(one.build, one.part) for one in fitted] == [("B-9", "R13")]
    assert Path(home.folder).exists()


def test_a_reel_is_offered_to_parts_of_its_value_and_a_refused_form_stays_open(
    home: Home,
) -> None:
    with Client.of(home.data) as client, RemoteStore(client.endpoint) as store:
        kitting.receive_reel(
            store, "K-980", nominal_ohm=500.0, tolerance_ppm=1e3, at=AT
        )
    app = at("K-980")
    title = "Record that reel K-980 feeds a part"

    def folded_open() -> list[str]:
        return [one.label for one in app.expander if one.proto.expanded]

    parts = app.selectbox(key="fit part K-980")
    # Planned as 499.95 Ω; its label says 500 Ω.
    assert parts.options[0] == parts.value == "R14"
    assert sorted(parts.options) == sorted(demo_settings().product.parts)
    assert folded_open() == []
    parts.set_value("R13")
    app.text_input(key="fit from").set_value("PA-0009")
    button(app, "Record that it feeds the part").click().run()
    words = said(app)
    assert "it is of the wrong value for part R13" in words
    assert "tick: Record it although records contradict." in words
    assert "--anyway" not in words
    assert folded_open() == [title]
    assert app.text_input(key="fit from").value == "PA-0009"


@pytest.mark.parametrize(
    ("page", "form", "subject"),
    [
        ("reels", "Record a reel that came in", "K-104"),
        ("holds", "Hold something by hand", "K-103"),
    ],
)
def test_a_form_keeps_its_place_while_what_is_above_it_grows(
    changed: Home, page: str, form: str, subject: str
) -> None:
    """Else the browser makes it anew, and what somebody is typing there is lost."""
    app = opened(page, **({"reel": subject} if page == "reels" else {}))
    before = place_of(app, form)
    with open_store(changed.data) as store:
        hold, line = policy.by_hand(
            scope=Scope.REEL, subject=subject, product="photodiode-amplifier",
            person="Ada Moreno", reason="seen wet", people=["Ada Moreno"],
            at=datetime.now(UTC),
        )  # fmt: skip
        store.keep(hold, decision=line)
    _kept().asked_s = -FRESH_S
    app.run()
    assert "seen wet" in said(app).casefold()
    assert place_of(app, form) == before


def place_of(app: AppTest, label: str) -> list[int]:
    """Return where on the page a form that folds stands, from outside in."""

    def within(block: Any) -> list[int] | None:
        for place, child in getattr(block, "children", {}).items():
            if child.type == "expander" and child.label == label:
                return [place]
            if (found := within(child)) is not None:
                return [place, *found]
        return None

    found = within(app.main)
    assert found is not None
    return found
