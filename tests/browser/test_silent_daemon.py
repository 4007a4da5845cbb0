"""A daemon that hangs or was stopped is said within seconds, on every page."""

import signal
import subprocess
from collections.abc import Iterator

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from daemon.service.home import Home
from dashboard import data, live
from tests.browser.conftest import free_port, wait_for
from tests.browser.test_browser import SLOW_MS, paged
from tests.daemon.seeded import seeded_home
from tests.daemon.starting import running_daemon, screens

pytestmark = pytest.mark.browser

WITHIN_S = 5.0
SAYS = "The daemon does not answer, since "


Daemon = subprocess.Popen[str]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    return seeded_home(tmp_path_factory.mktemp("silent") / "home")


@pytest.fixture(scope="module")
def url(home: Home) -> Iterator[str]:
    """Serve screens that see one daemon after another."""
    port = free_port()
    with screens(home, port):
        yield wait_for(f"http://127.0.0.1:{port}")


@pytest.fixture
def daemon(home: Home) -> Iterator[Daemon]:
    with running_daemon(home, "--no-bench") as process:
        yield process
        process.send_signal(signal.SIGCONT)


def opened(page: Page, url: str, name: str, says: str) -> None:
    page.goto(f"{url}/{name}")
    expect(page.locator("h1").first).to_contain_text(says, timeout=SLOW_MS)
    page.locator(".st-key-live").first.wait_for(timeout=SLOW_MS)
    page.wait_for_timeout(1500)  # it was asked what it does at least once


def expect_said(page: Page) -> None:
    page.get_by_role("alert").filter(has_text=SAYS).first.wait_for(timeout=SLOW_MS)


def test_what_makes_up_the_time_until_it_is_said_is_less_than_five_seconds() -> None:
    assert live.EVERY_S + data.PULSE_S + data.PATIENCE_S < WITHIN_S
    assert data.FRESH_S + data.PULSE_S + data.PATIENCE_S < WITHIN_S


def test_a_hung_daemon_is_said_and_goes_on_by_itself(
    browser: BrowserContext, url: str, daemon: Daemon
) -> None:
    with paged(browser) as page:
        opened(page, url, "holds", "2 holds")
        daemon.send_signal(signal.SIGSTOP)
        expect_said(page)
        for words in (
            "It runs. Where it stays silent",
            "less than a minute old",
            "bench off",
        ):
            expect(page.locator(".st-key-silent")).to_contain_text(words)
        expect(page.locator("h1").first).to_contain_text("2 holds")
        # Whoever goes to another page is not kept waiting either.
        page.get_by_role("link", name="Units").click()
        expect(page.locator("h1").first).to_contain_text(
            "B-3 cannot be looked up", timeout=SLOW_MS
        )
        expect_said(page)
        daemon.send_signal(signal.SIGCONT)
        expect(page.locator(".st-key-silent")).to_have_count(0, timeout=SLOW_MS)


def test_a_page_that_is_asked_for_as_the_daemon_hangs_says_so_too(
    browser: BrowserContext, url: str, daemon: Daemon
) -> None:
    with paged(browser) as page:
        opened(page, url, "holds", "2 holds")
        daemon.send_signal(signal.SIGSTOP)
        page.get_by_role("link", name="Recall").click()
        expect_said(page)


def test_a_stopped_daemon_is_said_with_how_to_start_it_and_turn_the_source_off(
    browser: BrowserContext, url: str, daemon: Daemon
) -> None:
    with paged(browser) as page:
        opened(page, url, "packing", "Scan a unit")
        daemon.send_signal(signal.SIGKILL)
        daemon.wait()
        expect_said(page)
        silent = page.locator(".st-key-silent")
        expect(silent).to_contain_text("Start it with: holdpoint daemon")
        expect(silent).to_contain_text("holdpoint bench off")
