"""A scanner types as fast as it can; every scan has its answer."""

import re
import time
from collections.abc import Iterator
from itertools import cycle, islice
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, CDPSession, Page, expect

from daemon.service.home import Home
from storage.access import open_store
from storage.records_shipping import Shipment
from tests.browser.conftest import free_port, wait_for
from tests.browser.test_browser import SLOW_MS, choose_person, drawn, paged
from tests.daemon.seeded import UNITS, seeded_home
from tests.daemon.starting import running_daemon, screens

pytestmark = pytest.mark.browser

EVERY_S = 0.2
ORDER = "order 7"
ANSWER = re.compile(r"^(\d+)\. ([^:]+: \S+)")
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
        enter = letter == "Enter"
        code = {"code": "Enter", "windowsVirtualKeyCode": 13} if enter else {}
        scanner.send(
            "Input.dispatchKeyEvent",
            {"type": "keyDown", "key": letter, "text": "\r" if enter else letter}
            | code,
        )
        scanner.send("Input.dispatchKeyEvent", {"type": "keyUp", "key": letter} | code)


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


def scanned_quickly(page: Page, home: Home, url: str, *, scans: int) -> None:
    """Scan every 0.2 s and expect each answer, in order, and each shipment once."""
    known = [f"{LEAVES}{n:03d}" for n in range(UNITS)]
    held = [f"{HELD}{n:03d}" for n in range(UNITS)]
    odd = [f"{UNKNOWN}{n:03d}" for n in range(100, 100 + UNITS)]
    serials = list(islice(cycle([*known, *held, *odd]), scans))
    scanner = pack(page, url)
    found: dict[int, str] = {}
    begun_s = time.monotonic()
    for place, serial in enumerate(serials, start=1):
        scan(scanner, serial)
        if place % 20 == 0:
            found |= answers(page)
        time.sleep(max(0.0, begun_s + EVERY_S * place - time.monotonic()))
    took_s = time.monotonic() - begun_s
    last = list(expected(serials))[-1]
    listed = page.locator(".words p.quiet").filter(has_text=f"{scans - 1}. ")
    deadline_s = time.monotonic() + SLOW_MS / 1000
    while not listed.count() and time.monotonic() < deadline_s:
        time.sleep(EVERY_S)
    assert listed.count() == 1, page.locator("body").inner_text()
    expect(page.locator("h1").first).to_have_text(last, timeout=SLOW_MS)
    found |= answers(page)
    print(f"\n{scans} scans in {took_s:.0f} s")  # noqa: T201
    right = dict(enumerate(expected(serials), start=1))
    del right[scans]  # the newest stands in the headline
    assert found == right
    with open_store(home.data) as store:
        left = [one.serial for one in store.rows(Shipment)]
    assert sorted(left) == sorted(set(serials) & set(known))


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
