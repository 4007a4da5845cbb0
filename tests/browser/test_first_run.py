"""A first hour, in a real browser: from the wizard's files to a judged unit."""

import shlex
from contextlib import ExitStack
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from config.wizard import init
from daemon.service.home import Home
from storage.access import open_store
from storage.records import Build, Fitting, Run
from tests.browser.conftest import free_port, wait_for
from tests.browser.test_browser import drawn, fits, paged
from tests.config.test_wizard import FOUR, by_question
from tests.daemon.commanding import holdpoint
from tests.daemon.starting import running_daemon, screens

pytestmark = pytest.mark.browser

SIMULATED = FOUR | {"Who reads": "simulated"}


def test_from_the_wizards_files_to_a_judged_unit_on_the_screens_alone(
    browser: BrowserContext, tmp_path: Path
) -> None:
    home = Home(tmp_path / "home")
    home.folder.mkdir()
    init(home.folder, by_question(SIMULATED, []), lambda _: None)
    port = free_port()
    with ExitStack() as way_out:
        way_out.enter_context(running_daemon(home, "--simulated"))
        way_out.enter_context(screens(home, port))
        url = wait_for(f"http://127.0.0.1:{port}")
        page = way_out.enter_context(paged(browser))
        page.goto(url)
        expect(page.locator("h1").first).to_have_text("No unit has been measured yet.")
        page.get_by_label("Name").fill("B-1")
        page.get_by_label("Units planned").fill("3")
        page.get_by_label("Units planned").press("Tab")
        page.get_by_role("button", name="Open it").dblclick()
        expect(page.get_by_text("1. Build B-1 is open")).to_be_visible()
        fits(page, 390)
        fits(page, 1440)
        page.get_by_role("link", name="Record and fit a reel").click()
        expect(page.locator("h1").first).to_have_text("No reel is recorded yet.")
        drawn(page)
        page.go_back()
        # In a terminal it is quicker: the page sees it, and asks for no reel any more.
        (add, fit) = page.locator("code").first.inner_text().strip().splitlines()
        for command in (add, fit):
            done = holdpoint(*shlex.split(command)[1:], home=home.folder)
            assert done.returncode == 0, done.stderr
        expect(page.get_by_text("2. 1 reel recorded for a part")).to_be_visible()
        page.get_by_role("link", name="Go to the bench").click()
        field = page.get_by_label("Serial: scan it")
        field.fill("PA-0001")
        field.press("Enter")
        for what in ("check standard CS-1", "unit PA-0001"):
            asked = page.get_by_role("heading", name=f"Connect {what}, then confirm.")
            expect(asked).to_be_visible()
            page.get_by_role("button", name="Done").click()
            expect(asked).to_be_hidden()
        expect(page.get_by_text("PA-0001: conforming")).to_be_visible()
        scan_one_ahead(page, home)
        page.get_by_role("link", name="Now", exact=True).click()
        expect(page.get_by_text("Yes: nothing is held.")).to_be_visible()
        with open_store(home.data) as store:
            assert [one.build for one in store.rows(Build)] == ["B-1"]
            assert [one.reel for one in store.rows(Fitting)] == ["K-101"]
            runs = [one.serial for one in store.rows(Run)]
            assert runs == ["CS-1", "PA-0001", "PA-0002", "PA-0003"]


def scan_one_ahead(page: Page, home: Home) -> None:
    """Scan two labels at once: the second is asked for, and its scan confirms."""
    field = page.get_by_label("Serial: scan it")
    # The second is connected while its label is scanned, the third is not yet.
    for serial in ("PA-0002", "PA-0003"):
        field.fill(serial)
        field.press("Enter")
    expect(page.get_by_text("PA-0002: conforming")).to_be_visible()
    asked = page.get_by_role("heading", name="Connect unit PA-0003, then confirm.")
    expect(asked).to_be_visible()
    expect(page.get_by_text("Scanning its label below")).to_be_visible()
    fits(page, 390)
    fits(page, 1440)
    with open_store(home.data) as store:
        assert [one.serial for one in store.rows(Run)][-1] == "PA-0002"
    field.fill("PA-0003")
    field.press("Enter")
    expect(asked).to_be_hidden()
    expect(page.get_by_text("PA-0003: conforming")).to_be_visible()
