"""A reel, a supplier or a unit whose name is markup is shown as it is called."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import BrowserContext, expect

from daemon.holds import policy
from storage.access import open_store
from storage.records import Reel, Scope
from tests.browser.conftest import free_port, let_in, wait_for
from tests.browser.test_browser import SLOW_MS, drawn
from tests.daemon.making import AT, demo_settings, fitting
from tests.daemon.seeded import seeded_home
from tests.daemon.starting import running_daemon, screens

pytestmark = pytest.mark.browser

OUTSIDE = "http://127.0.0.9:9/"
"""Nobody listens there: what is asked for here was not to be asked for."""
NAMES = (
    f"![reel]({OUTSIDE}a.png)",
    f"<img src={OUTSIDE}b.png onerror=alert(1)>",
    f"[here]({OUTSIDE}c) :material/bolt: $x$ :red[x]",
    f'{{"image": "{OUTSIDE}d.png"}}',
)
PARTS = ("R11", "R12", "R13", "R14")
PAGES = (
    "",
    "build",
    "range",
    "finding",
    "next_build",
    "bench",
    "standard",
    "holds",
    "recall",
    "units",
)


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    home = seeded_home(tmp_path_factory.mktemp("markup") / "home")
    with running_daemon(home, "--no-bench"):
        settings = demo_settings()
        with open_store(home.data) as store:
            for name, part in zip(NAMES, PARTS, strict=True):
                store.keep(
                    Reel(
                        reel=name, nominal_ohm=5e3, tolerance_ppm=1e3, received_at=AT,
                        supplier=name,
                    )
                )  # fmt: skip
                store.keep(fitting("B-3", part, name, "PA-3009"))
                placed, decision = policy.by_hand(
                    scope=Scope.REEL,
                    subject=name,
                    product=settings.product.name,
                    person=settings.plan.people[0],
                    reason=name,
                    people=settings.plan.people,
                    at=AT,
                )
                store.keep(placed, decision=decision)
        port = free_port()
        with screens(home, port):
            yield wait_for(f"http://127.0.0.1:{port}")


def test_no_name_is_read_as_markup_on_any_page_and_nothing_leaves(
    browser: BrowserContext, url: str
) -> None:
    """By the network log of the browser itself, tooltips included."""
    let_in(browser)
    page = browser.new_page()
    page.set_viewport_size({"width": 1440, "height": 1000})
    session = browser.new_cdp_session(page)
    session.send("Network.enable")
    asked: list[str] = []
    session.on("Network.requestWillBeSent", lambda o: asked.append(o["request"]["url"]))
    session.on("Network.webSocketCreated", lambda o: asked.append(o["url"]))
    said: list[str] = []
    page.on("dialog", lambda one: said.append(one.message))
    for name in PAGES:
        page.goto(f"{url}/{name}")
        page.locator("h1").first.wait_for(timeout=SLOW_MS)
        drawn(page)
        for one in page.locator('[data-testid="stExpander"] summary').all():
            one.click()
        for mark in page.locator(
            ".vega-embed path[aria-label], .vega-embed rect"
        ).all()[:6]:
            if mark.is_visible():
                mark.hover(force=True, timeout=SLOW_MS)
        page.wait_for_timeout(500)
    for name in NAMES:
        page.get_by_label("Serial, or a part of it").fill(name)
        page.keyboard.press("Enter")
        expect(page.locator("h1").first).to_contain_text(name[:12], timeout=SLOW_MS)
        page.wait_for_timeout(500)
    page.goto(f"{url}/holds")
    # Words of a label are shown as they are, with what markup they look like.
    for name in NAMES[:2]:
        title = page.locator("summary", has_text="End the hold on").filter(
            has_text=name.split("(")[0][:8]
        )
        expect(title.first).to_be_visible(timeout=SLOW_MS)
    shown = page.evaluate("[...document.images].map(o => o.src)")
    page.close()
    assert not said
    assert not [one for one in shown if "127.0.0.9" in one]
    outside = [
        one
        for one in asked
        if not one.startswith((url, url.replace("http", "ws"), "data:", "blob:"))
    ]
    assert outside == []
