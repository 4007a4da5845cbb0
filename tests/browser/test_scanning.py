"""A scanner types as fast as it can; every scan has its answer."""

import re
import time
from collections.abc import Iterator, Sequence
from itertools import cycle, islice
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, CDPSession, Page, expect

from daemon.service.home import Home
from daemon.trials.stories.demo import lay_out
from storage.access import open_store
from storage.records_shipping import Shipment
from tests.browser.conftest import free_port, wait_for
from tests.browser.test_browser import SLOW_MS, choose_person, drawn, paged
from tests.daemon.seeded import UNITS, seeded_home
from tests.daemon.starting import running, running_daemon, screens

pytestmark = pytest.mark.browser

EVERY_S = 0.2
ORDER = "order 7"
ANSWER = re.compile(r"^(\d+)\. ([^:]+: [^.]+\.)")
LEAVES, HELD, UNKNOWN = "PA-1", "PA-3", "PA-7"


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    made = seeded_home(tmp_path / "home")
    with running_daemon(made, "--no-bench"):
        yield made


@pytest.fixture
def url(home: Home) -> Iterator[str]:
    port = free_port()
    with screens(home, port):
        yield wait_for(f"http://127.0.0.1:{port}")


@pytest.fixture(scope="module")
def unchanged(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Serve a home in which no test of this file keeps anything."""
    made = seeded_home(tmp_path_factory.mktemp("unchanged") / "home")
    port = free_port()
    with running_daemon(made, "--no-bench"), screens(made, port):
        yield wait_for(f"http://127.0.0.1:{port}")


def pack(page: Page, url: str) -> CDPSession:
    """Open Packing, say who packs and for which order; return a scanner."""
    page.goto(f"{url}/packing")
    page.get_by_label("Serial").wait_for(timeout=SLOW_MS)
    choose_person(page, "Ada Moreno")
    page.get_by_label("Order").fill(ORDER)
    page.keyboard.press("Enter")
    expect(page).to_have_url(re.compile("order="))
    expect(page.get_by_label("Serial")).to_be_focused()
    # What is scanned before the page has taken both is answered: say who packs.
    page.wait_for_function(
        "(order) => { const { context } = "
        "JSON.parse(sessionStorage['holdpoint scans scan']);"
        " return context.order === order && context.person !== null; }",
        arg=ORDER,
        timeout=SLOW_MS,
    )
    return page.context.new_cdp_session(page)


def scan(scanner: CDPSession, text: str) -> None:
    """Type like a scanner: letters without a pause, then Enter."""
    for letter in (*text, "Enter"):
        typed(scanner, letter)


def typed(scanner: CDPSession, letter: str, *, between: str | None = None) -> None:
    """Press a key: it goes down, its letter comes, it goes up.

    Each is an event of its own, as of a keyboard: a page may be drawn anew in between.

    Parameters
    ----------
    between
        What the page does before the letter comes.
    """
    enter = letter == "Enter"
    key = {"key": letter} | (
        {"code": "Enter", "windowsVirtualKeyCode": 13} if enter else {}
    )
    for kind, more in (
        ("rawKeyDown", {}),
        ("char", {"text": "\r" if enter else letter}),
        ("keyUp", {}),
    ):
        if kind == "char" and between is not None:
            scanner.send("Runtime.evaluate", {"expression": between})
        scanner.send("Input.dispatchKeyEvent", {"type": kind} | key | more)


def answers(page: Page) -> dict[int, str]:
    """Return the answers that the page lists now, by number; not the newest."""
    lines = page.locator(".words p.quiet").all_inner_texts()
    return {
        int(found[1]): found[2] for one in lines if (found := ANSWER.match(one.strip()))
    }


def expected(serials: list[str]) -> Iterator[str]:
    """Yield what is right to say of each scan: a unit leaves once, a held one never."""
    left: set[str] = set()
    for serial in serials:
        if serial.startswith(LEAVES) and serial not in left:
            left.add(serial)
            yield f"Recorded as shipped: {serial}."
        elif serial in left:
            yield f"Has left already: {serial}."
        else:
            yield f"Must not leave: {serial}."


HOST = (
    "(window.host ??= [...document.querySelectorAll('*')]"
    ".find((one) => one.shadowRoot?.querySelector('input')))"
)
"""The field's element of the page."""
MOVED = f"{HOST}.parentNode.append({HOST})"
"""The field is moved, as when something is drawn beside it: its focus is gone."""
OUT = f"(window.around = {HOST}.parentNode, {HOST}.remove())"
BACK = f"window.around.append({HOST})"


@pytest.mark.parametrize("between", [MOVED, OUT, f"{OUT}, {BACK}"])
def test_no_letter_is_lost_while_the_field_is_moved(
    browser: BrowserContext, unchanged: str, between: str
) -> None:
    """Whichever key the page is drawn at; a blank within a serial is a letter too."""
    with paged(browser) as page:
        scanner = pack(page, unchanged)
        keys = len("PA 7-0") + 1
        for place in range(keys):
            serial = f"PA 7-{place}"
            for n, letter in enumerate((*serial, "Enter")):
                typed(scanner, letter, between=between if n == place else None)
            if between == OUT:
                page.evaluate(BACK)
            expect(page.locator("h1").first).to_have_text(f"Must not leave: {serial}.")
        expect(page.locator(".words p.quiet", has_text=f"{keys - 1}. ")).to_be_visible()
        assert answers(page) == {
            place + 1: f"Must not leave: PA 7-{place}." for place in range(keys - 1)
        }


def test_sixty_quick_scans_have_their_answers_in_order(
    browser: BrowserContext, home: Home, url: str
) -> None:
    with paged(browser) as page:
        scanned_quickly(page, home, url, scans=60)


@pytest.mark.bench
def test_a_thousand_quick_scans_have_their_answers_in_order(
    browser: BrowserContext, home: Home, url: str
) -> None:
    with paged(browser) as page:
        scanned_quickly(page, home, url, scans=1000)


HEARS = """() => {
  window.lines = [];
  const known = new Set();
  const look = () => {
    const now = [...document.querySelectorAll(".words p")].map((o) => o.textContent);
    for (const one of now.reverse().filter((o) => !known.has(o))) {
      known.add(one);
      lines.push(one);
    }
  };
  new MutationObserver(look).observe(
    document.body, { subtree: true, childList: true, characterData: true });
}"""
"""Keeps each line that stood on the page, in the order in which they came."""


def heard_quickly(page: Page, serials: Sequence[str], line: re.Pattern[str]) -> Any:
    """Scan every 0.2 s; return what the page's lines said, once, in order."""
    page.evaluate(HEARS)
    scanner = page.context.new_cdp_session(page)
    begun_s = time.monotonic()
    for place, serial in enumerate(serials, start=1):
        scan(scanner, serial)
        time.sleep(max(0.0, begun_s + EVERY_S * place - time.monotonic()))
    print(f"\n{len(serials)} scans in {time.monotonic() - begun_s:.0f} s")  # noqa: T201
    page.wait_for_function(
        "Object.keys(sessionStorage).filter((o) => o.startsWith('holdpoint scans'))"
        ".every((o) => JSON.parse(sessionStorage[o]).queue.length === 0)",
        timeout=SLOW_MS,
    )
    drawn(page)
    found = (line.match(one) for one in page.evaluate("lines"))
    return list(dict.fromkeys(one[1] for one in found if one))


def scanned_quickly(page: Page, home: Home, url: str, *, scans: int) -> None:
    """Scan every 0.2 s and expect each answer, in order, and each shipment once."""
    known = [f"{LEAVES}{n:03d}" for n in range(UNITS)]
    held = [f"{HELD}{n:03d}" for n in range(UNITS)]
    odd = [f"{UNKNOWN}{n:03d}" for n in range(100, 100 + UNITS)]
    serials = list(islice(cycle([*known, *held, *odd]), scans))
    pack(page, url)
    found = heard_quickly(page, serials, re.compile(r"(\d+\. [^:]+: [^.]+\.)"))
    *before, last = expected(serials)
    expect(page.locator("h1").first).to_have_text(last)
    assert found == [f"{n}. {one}" for n, one in enumerate(before, start=1)]
    with open_store(home.data) as store:
        left = [one.serial for one in store.rows(Shipment)]
    assert sorted(left) == sorted(set(serials) & set(known))


def ordered_quickly(browser: BrowserContext, tmp_path: Path, *, scans: int) -> None:
    """Each scan on the page Bench is one order, in order."""
    made = lay_out(tmp_path / "home")
    serials = [f"PA-{1000 + n}" for n in range(scans)]
    port = free_port()
    with running(made, seed=2, units=4) as (operator, _), screens(made, port):
        # The check standard is asked for, and all orders wait for it.
        operator.open("B-1", scans)
        url = wait_for(f"http://127.0.0.1:{port}")
        with paged(browser) as page:
            page.goto(f"{url}/bench")
            page.get_by_label("Serial: scan it").wait_for(timeout=SLOW_MS)
            drawn(page)
            found = heard_quickly(page, serials, re.compile(r"(PA-\d+)\b"))
            assert found == serials
            assert operator.client.state()["waiting"] == scans


def looked_up_quickly(browser: BrowserContext, url: str, *, scans: int) -> None:
    """Each scan on the page Units is looked up, in order."""
    told = {
        f"PA-{build}00{n}": f"Unit PA-{build}00{n} of build B-{build}: in the house"
        + (", held." if build == 3 else ".")
        for n in range(UNITS)
        for build in (1, 3)
    } | {f"PA-70{n}": f"Nothing is called PA-70{n}." for n in range(10, 20)}
    serials = list(islice(cycle(told), scans))
    with paged(browser) as page:
        page.goto(f"{url}/units")
        page.get_by_label("Serial, or a part of it").wait_for(timeout=SLOW_MS)
        drawn(page)
        found = heard_quickly(page, serials, re.compile(r"(\d+\. .+)"))
        expect(page.locator("h1").first).to_have_text(told[serials[-1]])
        # The newest stands in the headline.
        right = [f"{n}. {told[one]}" for n, one in enumerate(serials, start=1)]
        assert found == right[:-1]


def test_forty_quick_scans_are_orders_in_order(
    browser: BrowserContext, tmp_path: Path
) -> None:
    ordered_quickly(browser, tmp_path, scans=40)


def test_forty_quick_scans_are_looked_up_in_order(
    browser: BrowserContext, unchanged: str
) -> None:
    looked_up_quickly(browser, unchanged, scans=40)


@pytest.mark.bench
def test_a_thousand_quick_scans_are_orders_in_order(
    browser: BrowserContext, tmp_path: Path
) -> None:
    ordered_quickly(browser, tmp_path, scans=1000)


@pytest.mark.bench
def test_a_thousand_quick_scans_are_looked_up_in_order(
    browser: BrowserContext, unchanged: str
) -> None:
    looked_up_quickly(browser, unchanged, scans=1000)


def test_what_was_scanned_before_a_reload_is_answered_once(
    browser: BrowserContext, home: Home, url: str
) -> None:
    with paged(browser) as page:
        scanner = pack(page, url)
        for n in range(6):
            scan(scanner, f"{LEAVES}{n:03d}")
        page.reload()
        expect(page.get_by_label("Order")).to_have_value(ORDER, timeout=SLOW_MS)
        page.get_by_label("Serial").wait_for(timeout=SLOW_MS)
        page.wait_for_function(
            "JSON.parse(sessionStorage['holdpoint scans scan']).queue.length === 0",
            timeout=SLOW_MS,
        )
    with open_store(home.data) as store:
        left = [one.serial for one in store.rows(Shipment)]
    assert sorted(left) == [f"{LEAVES}{n:03d}" for n in range(6)]


def test_a_shipment_is_taken_back_by_a_scan_or_a_button_and_once(
    browser: BrowserContext, home: Home, url: str
) -> None:
    with paged(browser) as page:
        scanner = pack(page, url)
        scan(scanner, "PA-1001")
        scan(scanner, "PA-1002")
        said = page.locator("h1").first
        expect(said).to_have_text("Recorded as shipped: PA-1002.", timeout=SLOW_MS)
        scan(scanner, "undo")
        expect(said).to_have_text("In the house again: PA-1002.", timeout=SLOW_MS)
        page.get_by_role("button", name="Undo: PA-1001 stays").dblclick()
        expect(said).to_have_text("In the house again: PA-1001.", timeout=SLOW_MS)
        expect(page.get_by_role("button", name="Undo:")).to_have_count(0)
        with open_store(home.data) as store:
            assert not store.rows(Shipment)
            done = list(store.frame("decision")["action"])
        assert done.count("undo shipment") == 2
        scan(scanner, "PA-1001")
        expect(said).to_have_text("Recorded as shipped: PA-1001.", timeout=SLOW_MS)


def test_two_tabs_and_going_back_ship_a_unit_once(
    browser: BrowserContext, home: Home, url: str
) -> None:
    with paged(browser) as first, paged(browser) as second:
        scanners = [pack(one, url) for one in (first, second)]
        for scanner in scanners:
            scan(scanner, "PA-1004")
        said = [one.locator("h1").first for one in (first, second)]
        for one in said:
            expect(one).not_to_have_text("Scan a unit.", timeout=SLOW_MS)
        assert sorted(one.inner_text() for one in said) == [
            "Has left already: PA-1004.",
            "Recorded as shipped: PA-1004.",
        ]
        first.get_by_role("link", name="Units").click()
        expect(first.locator("h1").first).to_contain_text("Build", timeout=SLOW_MS)
        drawn(first)
        first.go_back()
        first.get_by_label("Serial").wait_for(timeout=SLOW_MS)
        first.go_forward()
        expect(first.locator("h1").first).to_contain_text("Build", timeout=SLOW_MS)
        with open_store(home.data) as store:
            assert [one.serial for one in store.rows(Shipment)] == ["PA-1004"]
