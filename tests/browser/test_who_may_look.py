"""Only who has the code may look, from a page of ours, at our address."""

import http.client
import re
import socket
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import BrowserContext, expect

from daemon.service.home import Home
from daemon.service.processes import (
    Network,
    child,
    dashboard_command,
    holdpoint,
)
from tests.browser.conftest import LETS_IN, free_port, wait_for
from tests.browser.test_browser import SLOW_MS
from tests.daemon.seeded import empty_home

pytestmark = pytest.mark.browser

HANDSHAKE = {
    "Connection": "Upgrade",
    "Upgrade": "websocket",
    "Sec-WebSocket-Version": "13",
    "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==",
}


def asked(
    address: str,
    path: str = "/",
    *,
    method: str = "GET",
    body: str | None = None,
    **headers: str,
) -> tuple[int, str, dict[str, str]]:
    """Ask a server; return status, words and headers."""
    at = urlsplit(address)
    line = http.client.HTTPConnection(str(at.hostname), at.port, timeout=30.0)
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    line.request(method, path, body=body, headers=named)
    answer = line.getresponse()
    said = "" if answer.status == 101 else answer.read().decode()
    found = answer.status, said, {k.lower(): v for k, v in answer.getheaders()}
    line.close()
    return found


def cookie(address: str, code: str = LETS_IN) -> str:
    return f"holdpoint-{urlsplit(address).port}={code}"


def test_a_page_without_the_code_says_so(browser: BrowserContext, address: str) -> None:
    browser.clear_cookies()
    page = browser.new_page()
    page.goto(f"{address}/holds")
    expect(page.locator("h1")).to_have_text("These screens need a code.")
    page.get_by_label("Code").fill("aaaa-bbbb-cccc")
    page.get_by_role("button", name="Show the screens").click()
    expect(page.get_by_role("alert")).to_have_text(
        "That is not the code of this start."
    )
    page.get_by_label("Code").fill(LETS_IN.upper().replace("-", " "))
    page.get_by_role("button", name="Show the screens").click()
    expect(page.locator("h1").first).to_contain_text("Hold build", timeout=SLOW_MS)
    assert LETS_IN not in page.url
    page.close()


def test_the_address_with_the_code_lets_in_and_is_kept_without_it(
    browser: BrowserContext, address: str
) -> None:
    browser.clear_cookies()
    page = browser.new_page()
    page.goto(f"{address}/?code={LETS_IN}")
    expect(page.locator("h1").first).to_contain_text("Hold build", timeout=SLOW_MS)
    assert LETS_IN not in page.url
    (kept,) = [o for o in browser.cookies() if o["httpOnly"]]
    assert kept["httpOnly"]
    assert kept["sameSite"] == "Strict"
    page.close()


@pytest.mark.parametrize(
    "path", ["/", "/holds", "/static/none.js", "/media/x", "/enter"]
)
def test_nothing_is_answered_without_the_code(address: str, path: str) -> None:
    status, said, _ = asked(address, path)
    assert status == 401
    assert "need a code" in said


def test_a_line_for_live_pages_needs_the_code_our_page_and_our_address(
    address: str,
) -> None:
    lets_in = {**HANDSHAKE, "Origin": address, "Cookie": cookie(address)}

    def status(**changed: str) -> int:
        return asked(address, "/_stcore/stream", **{**lets_in, **changed})[0]

    assert status() == 101
    assert status(Origin="http://example.invalid") == 403
    assert status(Origin="null") == 403
    assert status(Origin=f"http://127.0.0.1:{free_port()}") == 403
    assert status(Host="example.invalid") == 403
    assert status(Host=f"rebound.invalid:{urlsplit(address).port}") == 403
    assert status(Cookie=cookie(address, "aaaa-bbbb-cccc")) == 403
    assert status(Cookie="") == 403


def test_a_foreign_address_or_page_is_refused_whatever_it_knows(address: str) -> None:
    known = cookie(address)
    status, said, _ = asked(address, Host="example.invalid", Cookie=known)
    assert (status, "another address" in said) == (403, True)
    status, said, _ = asked(address, Origin="http://example.invalid", Cookie=known)
    assert (status, "not of these screens" in said) == (403, True)
    assert asked(address, Cookie=known)[0] == 200


def test_no_page_of_another_may_show_ours_nor_ours_fetch_from_elsewhere(
    address: str,
) -> None:
    _, _, headers = asked(address, Cookie=cookie(address))
    assert headers["x-frame-options"] == "DENY"
    policy = headers["content-security-policy"]
    for one in ("default-src 'self'", "connect-src 'self'", "frame-ancestors 'none'"):
        assert one in policy
    assert "*" not in policy
    assert "http" not in policy


def test_the_command_prints_an_address_with_a_code_of_its_own(tmp_path: Path) -> None:
    home: Home = empty_home(tmp_path / "home")
    codes = []
    for _ in range(2):
        port = free_port()
        command = holdpoint(
            "--home", str(home.folder), "dashboard", "--no-open", "--port", str(port)
        )
        log = tmp_path / f"{port}.log"
        with child(command, home, log=log):
            wait_for(f"http://127.0.0.1:{port}")
            found = re.search(
                r"http://127\.0\.0\.1:(\d+)/\?code=([\w-]+);", log.read_text()
            )
            assert found is not None, log.read_text()
            url = wait_for(f"http://127.0.0.1:{found[1]}")
            assert asked(url, f"/?code={found[2]}")[0] == 303
            assert asked(url, f"/?code={LETS_IN}")[0] == 401
            codes.append(found[2])
    assert len(set(codes)) == 2


def test_on_a_network_the_code_is_needed_too_and_loopback_is_not_served(
    tmp_path: Path,
) -> None:
    """127.0.0.2 stands for an address in a local network."""
    home = empty_home(tmp_path / "home")
    port = free_port()
    network = Network(address="127.0.0.2")
    command = dashboard_command(port=port, browse=False, network=network)
    with child(command, home):
        url = wait_for(f"http://127.0.0.2:{port}")
        assert asked(url)[0] == 401
        assert asked(url, Cookie=cookie(url))[0] == 200
        assert asked(url, Host=f"127.0.0.1:{port}", Cookie=cookie(url))[0] == 403
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", port))
