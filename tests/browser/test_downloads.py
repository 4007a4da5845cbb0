"""A person takes documents along, in a real browser."""

from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext

from tests.browser.test_browser import SLOW_MS, paged

pytestmark = pytest.mark.browser


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
