"""A daemon that hangs or was stopped is said within seconds, on every page."""

import os
import signal
import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from daemon.service.processes import child, dashboard_command, running_daemon
from tests.browser.conftest import free_port, wait_for
from tests.browser.test_browser import SLOW_MS, paged
from tests.daemon.seeded import seeded_home

pytestmark = pytest.mark.browser

WITHIN_S = 5.0
SAYS = "The daemon does not answer, since "


@dataclass
class Screens:
    """A dashboard and its daemon."""

    url: str
    pid: int
    way_out: ExitStack


@pytest.fixture
def screens(tmp_path: Path) -> Iterator[Screens]:
    home = seeded_home(tmp_path / "home")
    with ExitStack() as way_out, ExitStack() as of_daemon:
        process = of_daemon.enter_context(running_daemon(home, "--no-bench"))
        port = free_port()
        way_out.enter_context(child(dashboard_command(port=port, browse=False), home))
        url = wait_for(f"http://127.0.0.1:{port}")
        yield Screens(url, process.pid, of_daemon)
        if process.poll() is None:
            os.kill(process.pid, signal.SIGCONT)


def opened(page: Page, screens: Screens, name: str, says: str) -> None:
    page.goto(f"{screens.url}/{name}")
    expect(page.locator("h1").first).to_contain_text(says, timeout=SLOW_MS)
    page.locator(".st-key-live").first.wait_for(timeout=SLOW_MS)
    page.wait_for_timeout(1500)  # it was asked what it does at least once


def expect_said(page: Page, since_s: float) -> None:
    said = page.get_by_role("alert").filter(has_text=SAYS)
    said.first.wait_for(timeout=SLOW_MS)
    took_s = time.monotonic() - since_s
    print(f"\nsaid after {took_s:.1f} s")  # noqa: T201
    assert took_s < WITHIN_S


def test_a_hung_daemon_is_said_within_five_seconds_and_goes_on_by_itself(
    browser: Browser, screens: Screens
) -> None:
    with paged(browser) as page:
        opened(page, screens, "holds", "2 holds")
        os.kill(screens.pid, signal.SIGSTOP)
        expect_said(page, time.monotonic())
        for words in (
            "It runs. Where it stays silent",
            "less than a minute old",
            "bench off",
        ):
            expect(page.locator(".st-key-silent")).to_contain_text(words)
        expect(page.locator("h1").first).to_contain_text("2 holds")
        # Whoever goes to another page is not kept waiting either.
        since_s = time.monotonic()
        page.get_by_role("link", name="Units").click()
        expect(page.locator("h1").first).to_contain_text(
            "B-3 cannot be looked up", timeout=SLOW_MS
        )
        expect_said(page, since_s)
        os.kill(screens.pid, signal.SIGCONT)
        expect(page.locator(".st-key-silent")).to_have_count(0, timeout=SLOW_MS)


def test_a_page_that_is_asked_for_as_the_daemon_hangs_says_so_too(
    browser: Browser, screens: Screens
) -> None:
    with paged(browser) as page:
        opened(page, screens, "holds", "2 holds")
        os.kill(screens.pid, signal.SIGSTOP)
        since_s = time.monotonic()
        page.get_by_role("link", name="Recall").click()
        expect_said(page, since_s)


def test_a_stopped_daemon_is_said_with_how_to_start_it_and_turn_the_source_off(
    browser: Browser, screens: Screens
) -> None:
    with paged(browser) as page:
        opened(page, screens, "packing", "Scan a unit")
        os.kill(screens.pid, signal.SIGKILL)
        os.waitpid(screens.pid, 0)
        expect_said(page, time.monotonic())
        silent = page.locator(".st-key-silent")
        expect(silent).to_contain_text("Start it with: holdpoint daemon")
        expect(silent).to_contain_text("holdpoint bench off")
