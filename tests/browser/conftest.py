"""Chromium, and the dashboard as a maker starts it."""

import os
import shutil
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.error import HTTPError, URLError
from urllib.parse import urlsplit
from urllib.request import urlopen

import pytest
from playwright.sync_api import BrowserContext, expect, sync_playwright

from daemon.service.home import Home
from daemon.service.processes import CODE
from tests.daemon.seeded import seeded_home
from tests.daemon.starting import running_daemon, screens

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
QUIET = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    # A page that asks for a name fails: none is to be resolved.
    "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",
)
START_S = 300.0
SHOWN_S = 120.0
LETS_IN = "k7fm-2q9x-hd4p"
os.environ[CODE] = LETS_IN  # of the screens that tests start
SERVED: list[str] = []
"""Addresses of the screens that answered."""
# What is on a page counts, not how soon: another file's tests run beside these.
expect.set_options(timeout=SHOWN_S * 1000.0)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Say plainly which tests need a browser that is not there."""
    if CHROMIUM is not None:
        return
    absent = pytest.mark.skip(reason="Chromium is absent: install Debian's chromium")
    for one in items:
        if one.get_closest_marker("browser"):
            one.add_marker(absent)


@pytest.fixture(scope="session")
def profile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return where Chromium keeps what it has compiled of a page's scripts.

    With it a page takes two thirds of the processor time.
    """
    return tmp_path_factory.mktemp("profile")


@pytest.fixture(scope="module")
def browser(profile: Path) -> Iterator[BrowserContext]:
    """Start one Chromium for a file's tests; each has tabs of its own.

    Its driver keeps an event loop running in this thread: left open for longer, no
    other test could run one.
    """
    with sync_playwright() as playwright:
        one = playwright.chromium.launch_persistent_context(
            profile,
            executable_path=CHROMIUM,
            args=[*QUIET],
            # What turns and fades is painted by the processor: a fifth of its time.
            reduced_motion="reduce",
        )
        yield one
        one.close()


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as one:
        port: int = one.getsockname()[1]
    return port


def wait_for(url: str) -> str:
    """Return the address once it answers."""
    deadline_s = time.monotonic() + START_S
    while True:
        try:
            with urlopen(f"{url}/_stcore/health", timeout=1.0):  # noqa: S310 -- ours
                SERVED.append(url)
                return url
        except (URLError, OSError) as exc:
            if isinstance(exc, HTTPError):
                exc.close()  # it holds the answer, and with it the line
            if time.monotonic() > deadline_s:
                raise
            time.sleep(0.1)


@pytest.fixture(scope="session")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Serve a home in which build B-3 is held."""
    home: Home = seeded_home(tmp_path_factory.mktemp("browser") / "home")
    port = free_port()
    with running_daemon(home, "--no-bench"), screens(home, port):
        yield wait_for(f"http://127.0.0.1:{port}")


def let_in(context: BrowserContext) -> None:
    """Give a browser the code of all screens that were started."""
    for url in SERVED:
        port = urlsplit(url).port
        context.add_cookies(
            [{"name": f"holdpoint-{port}", "value": LETS_IN, "url": url}]
        )
