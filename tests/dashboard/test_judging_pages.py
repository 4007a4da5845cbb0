"""The pages that judge: today, a build, a finding, a range."""

import re
from datetime import UTC, datetime
from html import unescape
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pandas as pd
import pytest
from streamlit.testing.v1 import AppTest

from daemon.presentation import plots
from daemon.service.client import Client
from daemon.service.home import Home
from daemon.traceability import Records, contain
from dashboard import address, bench_strip, visits
from dashboard.data import Shown
from storage.access import open_store
from storage.records import Decision, Signal
from storage.records_shipping import Shipment, ShipRule
from tests.daemon.commanding import holdpoint
from tests.daemon.making import AT, demo_settings
from tests.daemon.seeded import BAD_FROM, BAD_REEL
from tests.dashboard.test_pages import button, opened, said

FINDING = "B-3-F1"
PRODUCT = demo_settings().product.name
RANGES = tuple(demo_settings().product.ranges)


def answer(app: AppTest, question: str) -> str:
    """Return what stands under a question."""
    found = re.search(rf"<dt>{re.escape(question)}</dt><dd[^>]*>(.*?)</dd>", said(app))
    assert found is not None, question
    return unescape(re.sub("<[^>]+>", "", found[1]))


@pytest.mark.usefixtures("held")
def test_today_answers_whether_one_may_ship_what_changed_and_whose_it_is() -> None:
    app = opened()
    assert answer(app, "May I ship?").startswith("Not build B-3 nor reel K-900.")
    changed = answer(app, "What changed?")
    assert re.match(
        rf"Range 100 µA \+0\.30 % since unit PA-300{BAD_FROM}, 2026-\d\d-\d\d \d\d:",
        changed,
    )
    assert answer(app, "Product or bench?").startswith(
        f"Most likely the product: reel {BAD_REEL}"
    )


@pytest.mark.usefixtures("held")
def test_the_one_button_of_today_leads_to_the_finding() -> None:
    app = opened()
    button(app, f"Work on finding {FINDING}").click().run()
    assert not app.exception
    assert app.query_params["finding"] == FINDING
    assert "<h1>Hold build B-3: range 100 µA" in said(app)
    assert "What it may be" in said(app)


@pytest.mark.usefixtures("held")
def test_an_address_names_the_builds_that_units_are_held_against() -> None:
    app = opened("range", range="100uA", **{"from": "B-1", "to": "B-2"})
    assert "All units are compared with builds B-1 to B-2, not" in said(app)
    button(app, "No baseline").click().run()
    assert not app.exception
    assert "All units are compared" not in said(app)
    app = opened("range", range="100uA", **{"from": "pa-1003", "to": "PA-2004"})
    assert "All units are compared with units PA-1003 to PA-2004, not" in said(app)


@pytest.mark.usefixtures("held")
def test_the_bench_stands_in_a_strip() -> None:
    app = opened()
    for name in ("Check standard", "Temperature", "Instruments", "Next check"):
        assert answer(app, name)
    assert "18 to 28 °C allowed" in answer(app, "Temperature")


def test_the_next_check_comes_after_so_many_more_units_not_after_so_many() -> None:
    shown = SimpleNamespace(
        connection=SimpleNamespace(settings=demo_settings()),
        checks=pd.DataFrame({"number": [5], "started_at": [AT]}),
    )
    said = [
        bench_strip.every(cast("Shown", shown), left=left) for left in (28, 1, 0, None)
    ]
    assert said == [
        "after 28 more units",
        "after 1 more unit",
        "before the next unit",
        "at the end of the session",
    ]


def test_every_picture_of_a_page_is_offered_as_files_and_has_words() -> None:
    """So no page draws but by the place that offers them."""
    views = Path(__file__).parents[2] / "dashboard/views"
    drawn_elsewise = {
        one.name
        for one in views.glob("*.py")
        if re.search(r"(vega_lite|altair)_chart\(", one.read_text(encoding="utf-8"))
    }
    assert not drawn_elsewise


def test_suspect_units_that_left_come_first_with_the_number_of_recall(
    changed: Home,
) -> None:
    with open_store(changed.data) as store:
        rule = ShipRule(ranges=RANGES, configurations=())
        assert store.ship(shipped("PA-3007"), rule, decided_to_ship("PA-3007")) == []
        records = Records.of(store, PRODUCT, RANGES)
        recalled = contain(store, records, FINDING)
    away, concerned = len(recalled.left), len(recalled.concerned)
    assert away >= 1
    app = opened()
    words = said(app)
    have = "has" if away == 1 else "have"
    first = f"{away} suspect unit{'' if away == 1 else 's'} {have} left, of {concerned}"
    assert first in words
    assert words.index(first) < words.index("May I ship?")
    numbers = f"{concerned} units concerned, {away} {have} left."
    assert numbers in answer(app, "What changed?")
    page = opened("finding", finding=FINDING)
    assert answer(page, "Whom does it concern?") == numbers
    assert first in said(page)
    assert (
        f"{concerned} of 30 units concerned, {away} {have} left" in recalled.headline()
    )
    told = holdpoint("status", home=changed.folder).stdout.splitlines()
    assert told[0].startswith(first)
    waiting = told.index("What waits, in the order of what to do:")
    assert told[waiting + 1].endswith(told[0].rstrip("."))
    assert told[waiting + 2].strip() == f"holdpoint contain {FINDING}"


def shipped(serial: str) -> Shipment:
    return Shipment(
        shipment=f"{serial} out", serial=serial, product=PRODUCT,
        destination="order 7", reseller=False, person="Ada",
        shipped_at=datetime(2026, 3, 3, tzinfo=UTC),
        override_reason="before it was known",
    )  # fmt: skip


def decided_to_ship(serial: str) -> Decision:
    return Decision(
        person="Ada", action="ship", subject=serial, reason="order 7",
        decided_at=datetime(2026, 3, 3, tzinfo=UTC),
    )  # fmt: skip


@pytest.mark.usefixtures("held")
@pytest.mark.parametrize("build", ["B-1", "B-3"])
def test_a_build_stands_at_an_address_of_its_own(build: str) -> None:
    app = opened("build", build=build)
    held = ", held" if build == "B-3" else ""
    assert f"<h1>Build {build}: 10 of 10 units measured{held}." in said(app)
    app.run()
    assert app.query_params["build"] == build
    assert f"<h1>Build {build}:" in said(app)


@pytest.mark.usefixtures("held")
def test_a_build_says_how_it_compares_range_by_range() -> None:
    words = said(opened("build", build="B-3"))
    rows = re.findall(r"<tr>(<td.*?)</tr>", words)
    cells = [re.findall(r"<td[^>]*>(.*?)</td>", one) for one in rows]
    told = {one[0]: one[1:] for one in cells}
    assert set(told) == {"1 µA", "10 µA", "100 µA", "1 mA"}
    # Half of the units read 0.3 % high: its mean lies 0.15 % off, its spread is wide.
    shift, _, spread, _, what = told["100 µA"]
    assert 0.1 < float(shift.removesuffix(" %")) < 0.2
    assert float(spread.removesuffix(" times")) > 5.0
    assert "spread differs" in what
    assert "spread differs" not in told["1 mA"][-1]


@pytest.mark.usefixtures("held")
def test_a_first_build_has_nothing_to_compare_with() -> None:
    assert "There is no earlier build to compare with." in said(
        opened("build", build="B-1")
    )


@pytest.mark.usefixtures("held")
def test_a_build_leads_to_its_finding_and_offers_the_way_out_of_its_hold() -> None:
    app = opened("build", build="B-3")
    assert "Hold and its way out" in said(app)
    titles = [one.label.replace("\\", "") for one in app.expander]
    assert "End the hold on build B-3" in titles
    assert f"End the hold on reel {BAD_REEL}" in titles


@pytest.mark.usefixtures("held")
def test_a_finding_has_everything_on_one_page() -> None:
    app = opened("finding", finding=FINDING)
    words = said(app)
    parts = ["Evidence", "What it may be", "Whom it concerns", "Hold", "Papers"]
    headings = re.findall("<h2[^>]*>([^<]*)</h2>", words)
    places = [headings.index(one) for one in [*parts, "History"]]
    assert places == sorted(places)
    assert "is held since" in words
    assert "One range, or the ranges of one part" in words
    assert len(app.get("vega_lite_chart")) == 2


@pytest.mark.usefixtures("held")
def test_an_address_that_names_nothing_shows_what_matters_most() -> None:
    app = opened("finding", finding="nothing")
    assert "<h1>Hold build B-3" in said(app)
    # Written, it would be a step that the browser's way back could not pass.
    assert app.query_params["finding"] == "nothing"
    assert "nothing here: unknown finding 'nothing'. Shown below: " in said(app)


@pytest.mark.usefixtures("held")
@pytest.mark.parametrize(
    ("page", "word", "says"),
    [
        ("build", "build", "unknown build 'X-9'. Shown below: B-3."),
        ("range", "range", "unknown range 'X-9'. Shown below: 100 µA."),
        ("recall", "about", "unknown finding or reel 'X-9'. Shown below: "),
        ("holds", "hold", "no hold 'X-9' stands now."),
        ("units", "serial", "This page does not go by 'serial' in its address."),
        ("standard", "unit", "This page does not go by 'unit' in its address."),
    ],
)
def test_an_address_of_nothing_is_said(page: str, word: str, says: str) -> None:
    assert says in said(opened(page, **{word: "X-9"}))


@pytest.mark.usefixtures("nothing")
def test_without_a_finding_the_page_says_so() -> None:
    assert "<h1>Nothing was found." in said(opened("finding"))


@pytest.mark.usefixtures("held")
@pytest.mark.parametrize(
    "chart",
    [
        "Long story", "Distribution", "Average (EWMA)", "Sums (CUSUM)",
        "Steps (moving range)",
    ],
)  # fmt: skip
def test_a_range_and_its_chart_stand_in_the_address(chart: str) -> None:
    app = opened("range", range="1mA", chart=chart)
    assert "<h1>Range 1 mA is as it was." in said(app)
    assert [one.value for one in app.segmented_control] == ["1mA", chart]
    drawn: Any = app.get("vega_lite_chart")
    assert len(drawn) == 2
    assert all("Range 1 mA is as it was." in one.proto.alt for one in drawn)


@pytest.mark.usefixtures("held")
def test_within_and_between_are_two_pictures_a_form() -> None:
    app = opened("range", range="1mA", chart="Within and between")
    assert len(app.get("vega_lite_chart")) == 4


@pytest.mark.usefixtures("held")
def test_a_range_on_which_something_moved_refuses_to_quote_a_capability() -> None:
    words = said(opened("range", range="100uA"))
    assert "Cp and Cpk must not be quoted" in words
    assert "A control chart signals: build B-3" in words


@pytest.mark.usefixtures("held")
def test_choosing_another_range_changes_the_address() -> None:
    app = opened("range", range="1mA")
    app.segmented_control[0].set_value("10uA").run()
    assert app.query_params["range"] == "10uA"
    assert "Range 10 µA is as it was." in said(app)


def test_a_visit_begins_half_an_hour_after_the_last_look() -> None:
    now = datetime(2026, 3, 2, 12, tzinfo=UTC)
    at = int(now.timestamp())
    assert visits.before(f"0.{at - 29 * 60}", now) is None
    ended = visits.before(f"0.{at - 31 * 60}", now)
    assert ended is not None
    assert int(ended.timestamp()) == at - 31 * 60
    for spoilt in ("", "1", "a.b", "1.2.3", f"0.{at + 99}", f"0.{10**30}"):
        assert visits.before(spoilt, now) is None


def test_a_finding_is_released_where_it_stands(changed: Home) -> None:
    """Evidence, hold and the way out are one page: both holds end there."""
    app = opened("finding", finding=FINDING)
    with open_store(changed.data) as store:
        (found,) = store.rows(Signal, "signals", product=PRODUCT)
    assert found.signal == FINDING
    person = demo_settings().plan.people[0]
    app.selectbox(key="who decides").select(person).run()
    for subject in ("B-3", BAD_REEL):
        name = f"{FINDING}:{subject}"
        app.radio(key=f"by {name}").set_value("concession").run()
        app.text_area(key=f"why {name}").set_value("the customer agreed").run()
        app.button(key=f"end {name}").click().run()
        assert not app.exception
    words = said(app)
    assert 'What is held?</dt><dd class="">Nothing is held for it.' in words
    assert f"concession by {person}" in words
    with Client.of(changed.data) as client:
        assert client.state()["phase"]


@pytest.mark.parametrize(
    ("clicked", "page", "query"),
    [
        (
            {"serial": "PA-1", "range": "1uA", "build": "B-1"},
            "units",
            {"unit": "PA-1"},
        ),
        ({"range": "1uA", "build": "B-1"}, "range", {"range": "1uA", "build": "B-1"}),
        ({"build": "B-1"}, "build", {"build": "B-1"}),
        ({"range": "1uA"}, "range", {"range": "1uA"}),
        ({}, None, None),
    ],
)
def test_a_click_leads_where_the_clicked_mark_says(
    monkeypatch: pytest.MonkeyPatch,
    clicked: dict[str, str],
    page: str | None,
    query: dict[str, str] | None,
) -> None:
    """Each selection is told what the clicked mark has of its columns, as drawn."""
    gone: list[tuple[str, dict[str, str]]] = []
    monkeypatch.setattr(
        "streamlit.switch_page",
        lambda to, *, query_params: gone.append((to, query_params)),
    )
    picked = {
        name: [{key: clicked[key] for key in columns if key in clicked}]
        for name, columns in plots.OPENED.items()
    }
    address.opened(picked)  # type: ignore[arg-type]
    assert gone[:1] == ([] if page is None else [(f"views/{page}.py", query)])
