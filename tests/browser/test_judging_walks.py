"""Two walks: from a finding to its release, and along a build while it is measured."""

import re
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from threading import Thread

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from daemon.service.home import Home
from daemon.trials.stories.demo import lay_out
from storage.access import open_store
from storage.records_shipping import ContainmentStep, ShipRule
from tests.browser.conftest import free_port, wait_for
from tests.browser.test_browser import choose, choose_person, drawn, fits, paged
from tests.daemon.making import demo_settings
from tests.daemon.seeded import BAD_REEL, seeded_home
from tests.daemon.starting import running, running_daemon, screens
from tests.dashboard.test_judging_pages import decided_to_ship, shipped

pytestmark = pytest.mark.browser

RANGES = tuple(demo_settings().product.ranges)
PERSON = demo_settings().plan.people[0]
HOMES: dict[str, Home] = {}
"""By the address at which its screens are."""


@pytest.fixture(scope="module")
def left(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Serve a home in which B-3 is held and two units of the bad reel have left."""
    home: Home = seeded_home(tmp_path_factory.mktemp("left") / "home")
    with ExitStack() as way_out:
        way_out.enter_context(running_daemon(home, "--no-bench"))
        with open_store(home.data) as store:
            rule = ShipRule(ranges=RANGES, configurations=())
            for serial in ("PA-3006", "PA-3007"):
                assert store.ship(shipped(serial), rule, decided_to_ship(serial)) == []
        port = free_port()
        way_out.enter_context(screens(home, port))
        url = wait_for(f"http://127.0.0.1:{port}")
        HOMES[url] = home
        yield url


def decides(page: Page) -> None:
    # The end of the page: drawn to it, no click is lost.
    expect(page.get_by_role("heading", name="History")).to_be_visible()
    choose_person(page, PERSON)
    expect(page.get_by_label("Who decides")).to_have_value(PERSON)


def test_a_reload_keeps_range_and_chart(browser: BrowserContext, left: str) -> None:
    with paged(browser) as page:
        page.goto(f"{left}/range?range=1mA&chart=Distribution")
        expect(page.locator("h1").first).to_contain_text("Range 1 mA")
        page.reload()
        expect(page.locator("h1").first).to_contain_text("Range 1 mA")
        expect(page.get_by_text("How the units of range 1 mA lie")).to_be_visible()
        page.get_by_role("radio", name="10 µA").click()
        page.wait_for_url(re.compile("range=10uA"))
        page.reload()
        expect(page.locator("h1").first).to_contain_text("Range 10 µA")


def test_a_drag_across_units_makes_them_the_baseline_and_the_address_keeps_it(
    browser: BrowserContext, left: str
) -> None:
    with paged(browser) as page:
        page.goto(f"{left}/range?range=1mA")
        picture = page.locator("[class*='st-key-wide'] .vega-embed")
        expect(picture.get_by_text("B-3", exact=True)).to_be_visible()
        drawn(page)
        box = picture.bounding_box()
        assert box is not None
        y = box["y"] + 0.8 * box["height"]
        page.mouse.move(box["x"] + 0.15 * box["width"], y)
        page.mouse.down()
        page.mouse.move(box["x"] + 0.3 * box["width"], y)
        page.mouse.move(box["x"] + 0.6 * box["width"], y)
        page.mouse.up()
        page.wait_for_url(re.compile(r"from=PA-10\d\d&to=PA-20\d\d"))
        page.reload()
        expect(
            page.get_by_text("All units are compared with units PA-10")
        ).to_be_visible()
        page.get_by_role("button", name="No baseline").click()
        expect(page.get_by_text("All units are compared with units")).to_have_count(0)


def test_back_leads_back_from_a_page_that_chose_its_subject_itself(
    browser: BrowserContext, left: str
) -> None:
    with paged(browser) as page:
        for start, names in (
            ("", ("Range", "Build", "Finding")),
            ("holds", ("Recall",)),
            ("units", ("Reels",)),
        ):
            before = f"{left}/{start}"
            page.goto(before)
            for name in names:
                drawn(page)
                page.get_by_role("link", name=name, exact=True).first.click()
                page.wait_for_url(re.compile(f"/{name.lower()}$"))
                expect(page.locator("h1").first).to_be_visible()
                drawn(page)
                page.go_back()
                page.wait_for_url(before)
                drawn(page)
                assert page.url == before, name


def test_a_click_on_the_map_opens_what_was_clicked(
    browser: BrowserContext, left: str
) -> None:
    with paged(browser) as page:
        page.goto(left)
        picture = page.locator("[class*='st-key-wide'] .vega-embed")
        picture.get_by_text("B-2", exact=True).click()
        page.wait_for_url(re.compile("/build.build=B-2"))
        expect(page.locator("h1").first).to_contain_text("Build B-2")


def test_from_a_finding_over_its_containment_to_its_release(
    browser: BrowserContext, left: str
) -> None:
    with paged(browser) as page:
        page.goto(left)
        first = page.get_by_role("alert").first
        expect(first).to_contain_text("2 suspect units have left, of 5")
        expect(page.locator(".vega-embed:visible").first).to_be_visible()
        fits(page, 390)
        fits(page, 1440)
        page.get_by_role("button", name="Work on finding B-3-F1").click()
        page.wait_for_url(re.compile("/finding.finding=B-3-F1"))
        expect(
            page.get_by_text("5 units concerned, 2 have left.").first
        ).to_be_visible()
        expect(page.get_by_role("cell", name="PA-3006").first).to_be_visible()
        page.get_by_text("Shipped: 2").wait_for()
        fits(page, 390)
        fits(page, 1440)
        a_step_is_noted_once(page, left)
        decides(page)
        for subject in ("build B-3", f"reel {BAD_REEL}"):
            page.get_by_text(f"End the hold on {subject}", exact=True).click()
            form = page.locator("details", has_text=f"End the hold on {subject}")
            form.get_by_text("concession", exact=False).first.click()
            form.get_by_label("Reason").fill("the customers take them as they are")
            form.get_by_label("Reason").press("Control+Enter")
            form.get_by_role("button", name="End this hold").dblclick()
            expect(
                page.get_by_text(f"concession by {PERSON}", exact=False).first
            ).to_be_visible()
        expect(page.get_by_text("Nothing is held for it.")).to_be_visible()
        page.goto(f"{left}/holds")
        expect(page.get_by_role("row").filter(has_text="concession")).to_have_count(2)
        drawn(page)
        page.go_back()
        expect(page.get_by_text("Nothing is held for it.")).to_be_visible()
        page.go_forward()
        page.reload()
        expect(page.get_by_role("row").filter(has_text="concession")).to_have_count(2)
        page.goto(left)
        expect(page.get_by_text("Yes: nothing is held.")).to_be_visible()


def a_step_is_noted_once(page: Page, url: str) -> None:
    """Note how far a unit is, with a double click, and come back to the finding."""
    page.get_by_role("link", name="Follow them up").click()
    page.get_by_text("Note a step", exact=True).click()
    choose_person(page, PERSON)
    drawn(page)
    choose(page, "Units", "PA-3006")
    page.keyboard.press("Escape")
    drawn(page)
    page.get_by_role("radio", name="notified").click()
    expect(page.get_by_role("radio", name="notified")).to_be_checked()
    drawn(page)
    page.get_by_role("button", name="Note it").dblclick()
    row = page.get_by_role("row").filter(has_text="PA-3006")
    expect(row).to_contain_text("notified")
    page.reload()
    expect(row).to_contain_text("notified")
    with open_store(HOMES[url].data) as store:
        assert len(store.rows(ContainmentStep)) == 1
    drawn(page)
    page.go_back()


def test_a_build_is_seen_while_it_is_measured(
    browser: BrowserContext, tmp_path: Path
) -> None:
    home = lay_out(tmp_path / "home")
    with ExitStack() as way_out:
        operator, _ = way_out.enter_context(running(home, seed=2, units=12))
        build = operator.story["builds"][0]
        operator.open(build["build"], len(build["serials"]))
        port = free_port()
        way_out.enter_context(screens(home, port))
        url = wait_for(f"http://127.0.0.1:{port}")
        page = way_out.enter_context(paged(browser))
        page.goto(f"{url}/build?build={build['build']}")
        expect(page.locator("h1").first).to_contain_text("0 of 12 units measured")

        def measure() -> None:
            for serial in build["serials"]:
                operator.record_reels(build["build"], serial)
                operator.measure(build["build"], serial)

        worker = Thread(target=measure)
        worker.start()
        expect(page.get_by_text("ranges of the unit")).to_be_visible()
        expect(page.get_by_role("progressbar").first).to_be_visible()
        worker.join()
        expect(page.locator("h1").first).to_contain_text("12 of 12 units measured")
        expect(page.get_by_text("first-pass yield")).to_be_visible()
        picture = page.locator("[class*='st-key-wide'] .vega-embed")
        expect(picture.get_by_text("100 µA", exact=True)).to_be_visible()
