"""Make the README's picture of the screens anew: `python -m tests.bench.pictures`.

The first page of the tests' own story, as a browser shows it: build B-3 is held for a
bad reel. Needs Chromium, and about a minute.
"""

from contextlib import ExitStack
from pathlib import Path
from tempfile import mkdtemp

from playwright.sync_api import sync_playwright

from daemon.service.processes import child, dashboard_command, running_daemon
from tests.browser.conftest import CHROMIUM, QUIET, free_port, let_in, wait_for
from tests.daemon.seeded import seeded_home

PICTURE = Path(__file__).parents[2] / "dashboard" / "overview.png"
WIDTH_PX, HEIGHT_PX = 1280, 1080
TILL_STILL_MS = 3000


def main() -> None:
    """Make the picture."""
    with ExitStack() as way_out:
        home = seeded_home(Path(mkdtemp(prefix="picture-")) / "home")
        way_out.enter_context(running_daemon(home, "--no-bench"))
        port = free_port()
        way_out.enter_context(child(dashboard_command(port=port, browse=False), home))
        url = wait_for(f"http://127.0.0.1:{port}")
        playwright = way_out.enter_context(sync_playwright())
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=[*QUIET])
        context = browser.new_context(viewport={"width": WIDTH_PX, "height": HEIGHT_PX})
        let_in(context)
        page = context.new_page()
        page.goto(url)
        page.locator(".vega-embed:visible").first.wait_for()
        page.wait_for_timeout(TILL_STILL_MS)
        page.screenshot(path=PICTURE)
        browser.close()


if __name__ == "__main__":
    main()
