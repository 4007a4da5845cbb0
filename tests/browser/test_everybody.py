"""Whoever sees badly, has a phone, prints or uses a keyboard alone can use each page.

The checks are those of axe-core (MPL 2.0, Deque Systems), which `axe-playwright-python`
brings along for tests; nothing of it is part of the product.
"""

import base64
import math
import re
from collections.abc import Sequence

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import BrowserContext, Page, expect

from tests.browser.test_browser import SLOW_MS, drawn, fits, paged
from tests.daemon.seeded import BAD_REEL

pytestmark = pytest.mark.browser

PAGES = (
    "", "build", "range", "finding", "next_build", "bench", "standard", "holds",
    "recall", "messages", "packing", "units?unit=PA-3006", "reels", "receiving",
    "budget", "gauge", "settings", "ledger", "range?chart=Long+story",
)  # fmt: skip
COLOURED = ("", "finding")
"""Pages with most of the colours there are; the others are for `-m bench`."""
MANY_COLUMNS = ("", "build", "recall", "units?unit=PA-3006")
"""Pages that are laid out otherwise between a screen and a phone."""
WIDTHS = (1440, 768, 390)
CUT = """() => [...document.querySelectorAll(
    '.stMainBlockContainer :is(p, h1, h2, td, th, dd, b, button, label, summary)')]
  .filter(e => e.checkVisibility() && e.clientWidth > 0
    && getComputedStyle(e).overflowX !== 'visible' && e.scrollWidth > e.clientWidth + 1)
  .map(e => e.textContent.slice(0, 80))"""
"""Texts that do not fit where they stand, and are cut."""
CONTROLS = """() => [...document.querySelectorAll(
    'a[href], button, input, textarea, summary, [tabindex="0"]')]
  .filter(e => !e.disabled && e.tabIndex >= 0 && e.checkVisibility()
    && (e.type !== 'radio' || e.checked)
    && (e.role !== 'radio'
      || e === e.closest('[role="radiogroup"]')?.querySelector('[role="radio"]')))
  .map((e, i) => e.dataset.met = `${i} ${e.tagName} ${(e.getAttribute('aria-label')
    || e.textContent || e.name).trim().slice(0, 40)}`)"""
"""All that a person may act on; of a group of radio buttons the arrows reach the rest,
so that the first stands for all."""
FOCUSED = """() => {
  const e = document.activeElement;
  const shows = one => { const s = getComputedStyle(one);
    return (s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) > 0)
      || s.boxShadow !== 'none'; };
  const near = [e, e.parentElement, e.parentElement?.parentElement,
    e.nextElementSibling, e.previousElementSibling].filter(Boolean);
  return [e.dataset.met || '', near.some(shows)];
}"""
"""What has the focus, and whether that is seen."""
GRAVE = {"serious", "critical"}
RULES = {
    "runOnly": {
        "type": "tag",
        "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"],
    },
    "resultTypes": ["violations"],
}


def stands(page: Page, url: str) -> None:
    """Open a page and wait until nothing more is drawn."""
    page.goto(url)
    page.locator("h1").first.wait_for(timeout=SLOW_MS)
    page.locator(".st-key-live").first.wait_for(timeout=SLOW_MS)
    drawn(page)
    assert page.locator('[data-testid="stException"]').count() == 0


@pytest.mark.parametrize("name", PAGES)
def test_no_page_keeps_anybody_out_at_any_width(
    browser: BrowserContext, address: str, name: str
) -> None:
    with paged(browser) as page:
        stands(page, f"{address}/{name}")
        keeps_nobody_out(page, WIDTHS if name in MANY_COLUMNS else WIDTHS[-1:])
        # What stands beside something else stands below it on a phone, in other
        # respects it is the same: there only what is cut is new.
        is_not_cut(page, WIDTHS[0])
        everything_is_reached_by_keyboard(page)


@pytest.mark.bench
@pytest.mark.parametrize("name", [one for one in PAGES if one not in MANY_COLUMNS])
def test_no_page_keeps_anybody_out_at_the_other_widths(
    browser: BrowserContext, address: str, name: str
) -> None:
    with paged(browser) as page:
        stands(page, f"{address}/{name}")
        keeps_nobody_out(page, WIDTHS[:2])


@pytest.mark.parametrize(
    "name",
    [
        name if name in COLOURED else pytest.param(name, marks=pytest.mark.bench)
        for name in PAGES
    ],
)
def test_no_page_keeps_anybody_out_in_the_dark(
    browser: BrowserContext, address: str, name: str
) -> None:
    """Other colours, in the same places: one width tells."""
    with paged(browser, scheme="dark") as page:
        stands(page, f"{address}/{name}")
        keeps_nobody_out(page, WIDTHS[-1:])


def keeps_nobody_out(page: Page, widths: Sequence[int] = WIDTHS) -> None:
    """Expect nothing serious and nothing cut on the page as it stands."""
    for width in widths:
        fits(page, width)
        found = Axe().run(page, options=RULES).response["violations"]
        grave = [
            (one["id"], each["target"], each["html"][:120])
            for one in found
            if one["impact"] in GRAVE
            for each in one["nodes"]
        ]
        assert not grave, f"at {width} px"
        is_not_cut(page, width)


def is_not_cut(page: Page, width: int) -> None:
    """Expect all words to be seen, and nothing that scrolls sideways."""
    fits(page, width)
    main = page.locator('[data-testid="stMain"]')
    assert main.evaluate("e => e.scrollWidth - e.clientWidth") <= 0
    assert not page.evaluate(CUT), f"cut at {width} px"


def everything_is_reached_by_keyboard(page: Page) -> None:
    """Press Tab round the page: each control is met, and where one is is seen."""
    page.set_viewport_size({"width": 1440, "height": 900})
    page.wait_for_timeout(500)
    wanted = set(page.evaluate(CONTROLS))
    page.evaluate("document.activeElement.blur()")
    unseen = []
    met: set[str] = set()
    for _ in range(3 * len(wanted) + 20):
        if wanted <= met:
            break
        page.keyboard.press("Tab")
        name, seen = page.evaluate(FOCUSED)
        met.add(name)
        if name in wanted and not seen:
            unseen.append(name)
    assert wanted - met == set(), "never reached by Tab"
    assert not unseen, "reached, and nothing shows it"


@pytest.mark.parametrize("name", ["", "bench", "recall", "units?unit=PA-3006"])
def test_a_page_is_printed_whole(
    browser: BrowserContext, address: str, name: str
) -> None:
    """On as many sheets of A4 (210 mm x 297 mm, ISO 216) as its words take."""
    with paged(browser, width=794, height=1123) as page:
        stands(page, f"{address}/{name}")
        page.emulate_media(media="print")
        page.wait_for_timeout(500)
        tall = page.locator(".stMainBlockContainer").evaluate("e => e.scrollHeight")
        assert page.evaluate("document.documentElement.scrollHeight") >= tall
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= 794
        session = page.context.new_cdp_session(page)
        paper = {"paperWidth": 8.27, "paperHeight": 11.7}
        printed = session.send("Page.printToPDF", paper)
        sheets = len(re.findall(rb"/Type\s*/Page\b", base64.b64decode(printed["data"])))
        assert sheets >= math.floor(tall / 1123) + (tall % 1123 > 0) - 1
        assert sheets >= 1
        shown = page.locator(".stMainBlockContainer .words:visible")
        expect(shown.last).to_be_visible()
        expect(page.locator(".stMainBlockContainer .stButton").first).to_be_hidden()
        # Paper is narrower than the screen, and a chart is drawn for the screen alone:
        # neither form may be hidden, or what was drawn is not printed.
        forms = page.locator("[class*='st-key-wide'], [class*='st-key-narrow']")
        shown = forms.evaluate_all("es => es.map(e => getComputedStyle(e).display)")
        assert "none" not in shown


def test_where_one_is_is_said_to_screen_readers(
    browser: BrowserContext, address: str
) -> None:
    with paged(browser) as page:
        stands(page, f"{address}/recall")
        bar = page.get_by_role("navigation", name="Pages")
        expect(bar.get_by_role("link", name="Recall")).to_have_attribute(
            "aria-current", "page"
        )
        expect(bar.get_by_role("link", name="Decide")).to_have_attribute(
            "aria-current", "true"
        )
        expect(bar.get_by_role("link", name="Units")).not_to_have_attribute(
            "aria-current", "page"
        )


def test_any_part_of_a_serial_finds_the_unit_and_the_address_keeps_it(
    browser: BrowserContext, address: str
) -> None:
    says = "Unit PA-3006 of build B-3: in the house, held."
    with paged(browser) as page:
        stands(page, f"{address}/units")
        for typed in ("3006", "pa-3006", "PA-3006"):
            page.get_by_label("Serial, or a part of it").fill(typed)
            page.keyboard.press("Enter")
            page.wait_for_url(f"**/units?unit={typed}", timeout=SLOW_MS)
            expect(page.locator("h1").first).to_have_text(says, timeout=SLOW_MS)
        page.reload()
        expect(page.locator("h1").first).to_have_text(says, timeout=SLOW_MS)
        assert "unit=PA-3006" in page.url


def test_an_address_names_the_subject_of_a_recall(
    browser: BrowserContext, address: str
) -> None:
    with paged(browser) as page:
        stands(page, f"{address}/recall?about={BAD_REEL}")
        expect(page.locator("h1").first).to_contain_text(BAD_REEL, timeout=SLOW_MS)
        page.reload()
        expect(page.locator("h1").first).to_contain_text(BAD_REEL, timeout=SLOW_MS)
