"""What a person sees, in a real browser."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import (
    BrowserContext,
    ConsoleMessage,
    Page,
    TimeoutError as TooLateError,
    expect,
)

from daemon.service.processes import child
from daemon.trials.stories.demo import lay_out
from tests.browser.conftest import free_port, let_in, wait_for
from tests.daemon.starting import running, screens

pytestmark = pytest.mark.browser

SLOW_MS = 300_000
SOON_MS = 3_000


def choose_person(page: Page, name: str) -> None:
    """Say who decides."""
    choose(page, "Who decides", name)


def choose(page: Page, label: str, name: str) -> None:
    """Choose from a list; one that is drawn anew as it opens is opened again."""
    box = page.get_by_label(label)
    option = page.get_by_role("option", name=name)
    for _ in range(SLOW_MS // SOON_MS):
        box.click()
        with suppress(TooLateError):
            option.click(timeout=SOON_MS)
            return
        page.keyboard.press("Escape")
    raise AssertionError(name)


BARE = """
import altair as alt
import pandas as pd
import streamlit as st

st.title("Bare")
frame = pd.DataFrame({"x": range(30), "y": range(30)})
st.altair_chart(alt.Chart(frame).mark_point().encode(x="x", y="y"))
"""
SLOWER_THAN_BARE = 6.0


RIGHTMOST = """Math.max(...[...document.querySelectorAll('[data-testid=stMain], \
[data-testid=stMain] table, [data-testid=stMain] .vega-embed')]
  .map(e => e.getBoundingClientRect().right))"""
"""How far to the right anything reaches, in pixels."""


def drawn(page: Page) -> None:
    """Wait until nothing more is drawn.

    Whoever goes back before may be taken forward again: the page that is being drawn
    still writes its address.
    """
    expect(page.locator('[data-testid="stApp"]')).to_have_attribute(
        "data-test-script-state", "notRunning", timeout=SLOW_MS
    )


def fits(page: Page, width: int) -> None:
    """Give the window a width: nothing on the page may reach beyond it."""
    page.set_viewport_size({"width": width, "height": 900})
    page.wait_for_timeout(500)  # charts take their new width
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(RIGHTMOST) <= width + 1


NO_PAGE = "about:blank"
_TAKEN: list[Page] = []
"""Tabs of tests that have not ended, or have failed."""


@contextmanager
def paged(
    browser: BrowserContext,
    *,
    width: int = 1440,
    height: int = 1000,
    scheme: str = "light",
) -> Iterator[Page]:
    """Offer a page; at its end nothing may have gone wrong or left the machine.

    A tab is used again, which takes two thirds of what a new one does. One in which a
    test has failed is left as it is.
    """
    let_in(browser)
    unused = [one for one in browser.pages if one.url == NO_PAGE and one not in _TAKEN]
    page = unused[0] if unused else browser.new_page()
    _TAKEN.append(page)
    page.set_viewport_size({"width": width, "height": height})
    page.emulate_media(
        media="null", color_scheme="dark" if scheme == "dark" else "light"
    )
    asked: list[str] = []
    faults: list[str] = []

    def spoken(one: ConsoleMessage) -> None:
        # The library probes its own address under a page's path, finds nothing
        # there (404) and takes the next; that is no fault of ours.
        if one.type == "error" and "404" not in one.text:
            faults.append(one.text)

    heard: tuple[tuple[Any, Callable[[Any], None]], ...] = (
        ("request", lambda one: asked.append(one.url)),
        ("websocket", lambda one: asked.append(one.url)),
        ("pageerror", lambda one: faults.append(str(one))),
        ("console", spoken),
    )
    for event, hear in heard:
        page.on(event, hear)
    yield page
    for event, hear in heard:
        page.remove_listener(event, hear)
    page.evaluate("sessionStorage.clear()")
    page.goto(NO_PAGE)
    _TAKEN.remove(page)
    hosts = {urlsplit(url).hostname for url in asked if not url.startswith("data:")}
    assert hosts - {None} == {"127.0.0.1"}, "something left the machine"
    assert not faults


def chart_seconds(browser: BrowserContext, url: str) -> float:
    """Return how long it takes until a chart is visible."""
    with paged(browser) as page:
        started_s = time.monotonic()
        page.goto(url)
        page.locator(
            ".vega-embed svg:visible, .vega-embed canvas:visible"
        ).first.wait_for(timeout=SLOW_MS)
        return time.monotonic() - started_s


def expect_all_ranges(page: Page, *, form: str) -> None:
    """Expect the picture of this form, visible, with the names of all ranges."""
    picture = page.locator(f"[class*='st-key-{form}'] .vega-embed")
    expect(picture).to_have_count(1, timeout=SLOW_MS)
    expect(picture).to_be_visible(timeout=SLOW_MS)
    for title in ("1 µA", "10 µA", "100 µA", "1 mA"):
        expect(picture.get_by_text(title, exact=True).first).to_be_visible()


def test_the_map_is_there_and_nothing_leaves_the_machine(
    browser: BrowserContext, address: str, tmp_path: Path
) -> None:
    with paged(browser) as page:
        page.goto(address)
        expect(page.locator("h1").first).to_contain_text(
            "Hold build B-3", timeout=SLOW_MS
        )
        expect_all_ranges(page, form="wide")
        page.screenshot(path=tmp_path / "now-1440.png", full_page=True)


def test_a_phone_shows_a_card_a_range_and_never_scrolls_sideways(
    browser: BrowserContext, address: str, tmp_path: Path
) -> None:
    with paged(browser, width=390, height=844) as page:
        page.goto(address)
        expect_all_ranges(page, form="narrow")
        assert not page.locator("[class*='st-key-wide']").is_visible()
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= 390
        page.screenshot(path=tmp_path / "now-390.png", full_page=True)


@pytest.mark.bench
def test_the_chart_is_visible_soon_compared_with_a_bare_page(
    browser: BrowserContext, address: str, tmp_path: Path
) -> None:
    bare = tmp_path / "bare.py"
    bare.write_text(BARE)
    port = free_port()
    command = [
        sys.executable, "-m", "streamlit", "run", str(bare),
        f"--server.port={port}", "--server.address=127.0.0.1",
        "--server.headless=true", "--browser.gatherUsageStats=false",
        "--browser.serverAddress=127.0.0.1",
    ]  # fmt: skip
    with child(command, lay_out(tmp_path / "home")):
        url = wait_for(f"http://127.0.0.1:{port}")
        chart_seconds(browser, url)
        bare_s = min(chart_seconds(browser, url) for _ in range(3))
    chart_seconds(browser, address)
    ours_s = min(chart_seconds(browser, address) for _ in range(3))
    print(f"\nchart visible after {ours_s:.2f} s, on a bare page {bare_s:.2f} s")  # noqa: T201
    assert ours_s < SLOWER_THAN_BARE * bare_s


def test_source_off_now_is_on_every_page_and_turns_it_off(
    browser: BrowserContext, tmp_path: Path
) -> None:
    """While a bench is live; reached by keyboard too."""
    home = lay_out(tmp_path / "home")
    with ExitStack() as way_out:
        operator, _ = way_out.enter_context(running(home, seed=2, units=4))
        port = free_port()
        way_out.enter_context(screens(home, port))
        url = wait_for(f"http://127.0.0.1:{port}")
        page = way_out.enter_context(paged(browser, width=390, height=844))
        button = page.get_by_role("button", name="Source off now")
        for name in ("build", "range", "finding", "bench", "holds", ""):
            page.goto(f"{url}/{name}")
            button.wait_for(timeout=SLOW_MS)
            box = button.bounding_box()
            assert box is not None
            assert box["y"] + box["height"] < 844, "one must scroll to reach it"
        button.focus()
        page.keyboard.press("Enter")
        page.get_by_role("button", name="Allow measuring").wait_for(timeout=SLOW_MS)
        assert operator.client.state()["phase"] == "source off"


def test_a_document_is_downloaded_by_one_click(
    browser: BrowserContext, address: str, tmp_path: Path
) -> None:
    with paged(browser) as page:
        page.goto(f"{address}/recall")
        for label, begins in (
            ("Lists (CSV)", b"list,serial,"),
            ("Report to the supplier", b"%PDF-"),
        ):
            button = page.get_by_role("button", name=label)
            with page.expect_download(timeout=SLOW_MS) as found:
                button.click(timeout=SLOW_MS)
            kept = tmp_path / found.value.suggested_filename
            found.value.save_as(kept)
            assert kept.read_bytes().lstrip(b"\xef\xbb\xbf").startswith(begins)
