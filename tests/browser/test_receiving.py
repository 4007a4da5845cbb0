"""A new user receives a reel by typed readings, in a real browser."""

from contextlib import ExitStack
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from storage import HoldState, Reel, ReelCheck, Scope, open_store
from tests.browser.conftest import free_port, wait_for
from tests.browser.test_browser import SLOW_MS, choose_person, paged
from tests.daemon.seeded import empty_home
from tests.daemon.starting import running_daemon, screens

pytestmark = pytest.mark.browser

A_NEW_USER_S = 60.0
KEY_S = 0.1
"""A key of a person who types slowly; between two fields the time of ten keys."""
LABEL = {"Name": "K-900", "Value": "4k99", "Tolerance": "0.1 %", "Supplier": "Resco"}
GOOD = "4.9902k 4.9911k 4.9889k 4.9896k 4.9907k"
BAD = "5.021k 4.962k 4.9911k 5.0152k 4.951k"


def receive(page: Page, name: str, readings: str) -> int:
    """Fill the form in; return how many keys and clicks that took."""
    keys = 0
    for label, text in (LABEL | {"Name": name}).items():
        page.get_by_label(label, exact=True).fill(text)
        page.get_by_label(label, exact=True).press("Tab")
        keys += len(text) + 10
    field = page.get_by_label("Readings, one part a line", exact=False)
    field.wait_for(timeout=SLOW_MS)
    field.fill(readings.replace(" ", "\n"))
    # straight from the field to the button, as people do
    page.get_by_role("button", name="Judge and keep").click()
    return keys + len(readings) + 20


def test_a_reel_is_received_with_keys_for_less_than_a_minute(
    browser: BrowserContext, tmp_path: Path
) -> None:
    home = empty_home(tmp_path / "home")
    with ExitStack() as way_out:
        way_out.enter_context(running_daemon(home, "--no-bench"))
        port = free_port()
        way_out.enter_context(screens(home, port))
        url = wait_for(f"http://127.0.0.1:{port}")
        page = way_out.enter_context(paged(browser))
        page.goto(f"{url}/receiving")
        page.get_by_text("Receive a reel.").wait_for(timeout=SLOW_MS)
        choose_person(page, "Ada Moreno")
        keys = receive(page, "K-900", GOOD)
        expect(page.get_by_role("heading", name="Accept reel K-900")).to_be_visible(
            timeout=SLOW_MS
        )
        assert 0.0 < KEY_S * keys < A_NEW_USER_S
        page.screenshot(path=tmp_path / "accepted.png", full_page=True)
        receive(page, "K-901", BAD)
        expect(page.get_by_role("heading", name="Reject reel K-901")).to_be_visible(
            timeout=SLOW_MS
        )
        expect(page.get_by_role("alert")).to_contain_text("It is held now")
        page.screenshot(path=tmp_path / "rejected.png", full_page=True)
        page.set_viewport_size({"width": 390, "height": 900})
        page.get_by_label("Reel", exact=True).wait_for(timeout=SLOW_MS)
        page.screenshot(path=tmp_path / "narrow.png", full_page=True)
        with open_store(home.data) as store:
            reels = {one.reel: one for one in store.rows(Reel)}
            checks = store.rows(ReelCheck, "reel_checks")
            (held,) = store.rows(HoldState, product="photodiode-amplifier")
    assert reels["K-900"].nominal_ohm == 4_990.0
    assert [(one.reel, one.method, one.incoming) for one in checks] == [
        ("K-900", "four-wire", True),
        ("K-901", "four-wire", True),
    ]
    assert (held.scope, held.subject) == (Scope.REEL, "K-901")
    assert held.reason == "rejected at receiving: 4 loose parts outside its 0.1 %"
