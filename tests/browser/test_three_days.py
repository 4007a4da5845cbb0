"""Three days at a bench, from the first unit to a finding that is withdrawn.

The daemon is a process of its own, started anew each day; the bench is simulated and
spoken to over sockets; what a person does is done by command and in a browser.
"""

import json
import shlex
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from playwright.sync_api import BrowserContext, Page, expect

from config.load import load
from config.model import Settings
from daemon.bench.clock import ScaledClock
from daemon.commands.cli import holdpoint
from daemon.service.client import Client
from daemon.service.hands import Hands
from daemon.service.home import Home
from daemon.service.processes import child, dashboard_command
from daemon.simulator.circuit import Board
from daemon.simulator.rig import Rig
from daemon.simulator.scenario import Build, Fitting, Scenario
from daemon.simulator.server import FIXTURE
from daemon.simulator.world import Reel, World
from daemon.trials.selftest.benches import line
from daemon.trials.stories.demo import Operator, lay_out, write_addresses
from storage.access import open_store
from storage.store import Store
from tests.browser.conftest import free_port, wait_for
from tests.browser.test_browser import SLOW_MS, choose_person, paged
from tests.browser.test_everybody import keeps_nobody_out, stands
from tests.daemon.serving import Serving
from tests.daemon.starting import running_daemon

pytestmark = pytest.mark.browser

SEED = 6
READ_PPM = 4_000.0
"""What a range reads too high in a file: a lead that sat badly."""
LAID_OUT_MS = SLOW_MS
BAD_PPM = 3_000.0
"""Three times what a reel's label allows, well inside the error limit."""
SLIP_PPM = 8_000.0
"""Of a lead that sits badly: outside the error limit."""

ORDINARY = None
BUILDS: Mapping[str, tuple[int, Mapping[int, Mapping[str, tuple[str, float | None]]]]]
PARTS = ("R11", "R12", "R13", "R14", "R3", "R4")
BUILDS = {
    "B-1": (8, {1: {part: (f"RL-{part}", ORDINARY) for part in PARTS}}),
    "B-2": (8, {5: {"R12": ("RL-22", ORDINARY)}}),
    "B-3": (7, {4: {"R13": ("RL-33", BAD_PPM)}}),
    "B-4": (3, {}),
    "B-5": (2, {1: {"R12": ("RL-52", BAD_PPM)}}),
    "B-6": (6, {1: {"R12": ("RL-62", ORDINARY)}, 5: {"R14": ("RL-64", ORDINARY)}}),
}  # fmt: skip
"""Units of each build, and its new reels by the unit that is the first to carry them:
part, then reel and how far it is off, in ppm."""
LATE = "RL-22"
"""The reel that is recorded after its units were measured."""


def serial(build: str, unit: int) -> str:
    """Return a unit's serial."""
    return f"PA-{build.removeprefix('B-')}{unit:03d}"


def story_of(settings: Settings) -> Scenario:
    """Draw the reels and boards of all builds."""
    world = World(settings.product, np.random.default_rng(SEED))
    fitted: dict[str, Reel] = {}
    reels: list[Reel] = []
    fittings: list[Fitting] = []
    boards: dict[str, Board] = {}
    builds: list[Build] = []
    for name, (units, changes) in BUILDS.items():
        serials = tuple(serial(name, n + 1) for n in range(units))
        builds.append(Build(build=name, serials=serials))
        for n, one in enumerate(serials, start=1):
            new = {
                part: world.reel(reel, part, mean_ppm=off_ppm)
                for part, (reel, off_ppm) in changes.get(n, {}).items()
            }
            reels += new.values()
            fitted |= new
            fittings += [
                Fitting(
                    build=name,
                    part=part,
                    reel=reel.reel,
                    from_serial=None if n == 1 else one,
                )
                for part, reel in (fitted if n == 1 else new).items()
                if reel.reel != LATE or name != "B-2"
            ]
            boards[one] = world.board(one, fitted)
    assert settings.bench is not None
    assert settings.bench.check_standard is not None
    known = settings.bench.check_standard
    boards[known.serial] = world.standard(known.serial, known.error_ppm)
    return Scenario(
        seed=SEED,
        builds=tuple(builds),
        reels=tuple(reels),
        fittings=tuple(fittings),
        boards=boards,
        truth=None,
        suspect_serials=(),
    )


class Slipping(Hands):
    """Hands of somebody whose lead sits badly the first time a unit is mounted."""

    slips: str | None = None

    def mount(self, serial: str) -> None:
        """Put a board on the bench."""
        if serial == self.slips:
            self.fault("reference", "range step", size=SLIP_PPM, full_scale=1e-4)
            self.slips = None
        else:
            self.clear()
        super().mount(serial)


@dataclass(kw_only=True)
class Walk:
    """What lasts from day to day: the home on disk, the bench, the boards."""

    home: Home
    settings: Settings
    story: Scenario
    serving: Serving
    hands: Slipping

    @contextmanager
    def day(self) -> Iterator[tuple[Operator, Store]]:
        """Have the daemon running, and somebody at the bench."""
        with (
            running_daemon(self.home),
            Client.of(self.home.data) as client,
            open_store(self.home.data) as store,
        ):
            yield Operator(store, client, self.hands, self.settings.product.name), store

    @property
    def product(self) -> str:
        """Name of the product."""
        return self.settings.product.name

    def rows(self, store: Store, kind: str | None) -> pd.DataFrame:
        """Return a row a range of each run of a kind, or of all."""
        return store.frame("range_rows", product=self.product, after=0, kind=kind)

    def said(self, *words: str) -> str:
        """Run a command; return what it says."""
        done = CliRunner().invoke(holdpoint, ["--home", str(self.home.folder), *words])
        assert done.exit_code == 0, done.output
        return done.output

    def json(self, *words: str) -> Any:
        """Run a command; return what it prints for a program."""
        done = CliRunner().invoke(
            holdpoint, ["--home", str(self.home.folder), *words, "--json"]
        )
        assert done.exit_code == 0, done.output
        return json.loads(done.stdout)

    def file(
        self, name: str, build: str, units: Sequence[int], *, high_ppm: float = 0.0
    ) -> str:
        """Write what a person read of units on this bench; return the file.

        `high_ppm` is what the 1 mA range reads too high.
        """
        rows = []
        with line(self.settings, self.story.boards, seed=SEED) as bench:
            for one in (serial(build, n) for n in units):
                bench.rig.mount(one)
                row = {"serial": one, "build": build}
                for read in bench.measure():
                    rest = bench.judge.error(read).error
                    nominal = bench.product.range(read.range).nominal_transfer
                    high = 1 + high_ppm * 1e-6 * (read.range == "1mA")
                    row |= {
                        f"{read.range} in": f"{rest.reference * 1e6:.7f} uA",
                        f"{read.range} out": f"{rest.indicated * nominal * high:.7f} V",
                    }
                rows.append(row)
        path = self.home.folder / name
        pd.DataFrame(rows).to_csv(path, index=False)
        return str(path)


@pytest.fixture(scope="module")
def walk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Walk]:
    home = lay_out(tmp_path_factory.mktemp("days") / "home")
    file = home.folder / "bench.toml"
    settings = load(home.folder)
    assert settings.bench is not None
    clock, story = ScaledClock(settings.bench.time_scale), story_of(settings)
    serving = Serving(Rig(settings, story, clock), clock)
    write_addresses(file, serving.server.addresses)
    with Slipping("127.0.0.1", serving.server.ports[FIXTURE]) as hands:
        yield Walk(
            home=home, settings=settings, story=story, serving=serving, hands=hands
        )
    serving.close()


def findings(walk: Walk, store: Store) -> pd.DataFrame:
    """Return the findings of all days, withdrawn ones too."""
    return store.frame("signals", product=walk.product)


def sessions(walk: Walk, store: Store) -> int:
    """Return how many times the bench was set up."""
    rows = walk.rows(store, None)
    return int(rows[rows["set_up"]]["session"].nunique())


def measure(operator: Operator, build: str, units: Sequence[int]) -> None:
    """Measure units, their reels recorded as the first unit comes."""
    for n in units:
        if n > 1:
            operator.record_reels(build, serial(build, n))
        operator.measure(build, serial(build, n))
    operator.wait_until_watched()


TRIES = 20
"""Clicks until a form is open."""
OVERLAPPING = """
() => {
  const texts = [...document.querySelectorAll(
    '.words :is(h1, h2, p), button, input, textarea, label, .stVegaLiteChart, td'
  )].filter(e => e.checkVisibility({opacityProperty: true, visibilityProperty: true})
    && !e.closest('.st-key-unseen'));
  const boxes = texts.map(e => [e, e.getBoundingClientRect()])
    .filter(([, b]) => b.width > 1 && b.height > 1);
  const found = [];
  boxes.forEach(([e, a], i) => boxes.slice(i + 1).forEach(([f, b]) => {
    const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
    const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
    if (wide > 2 && high > 2 && !e.contains(f) && !f.contains(e))
      found.push(`${e.innerText || e.ariaLabel} / ${f.innerText || f.ariaLabel}`);
  }));
  return found;
}
"""
"""Which words and fields of a page lie over each other."""


def expect_good_layout(page: Page) -> None:
    """Expect nothing to lie over anything else, nor beyond the window, once at rest."""
    expect(page.locator('[data-testid="stException"]')).to_have_count(0)
    for width in (390, 1440):
        page.set_viewport_size({"width": width, "height": 900})
        page.wait_for_function(
            f"document.documentElement.scrollWidth <= {width} "
            f"&& ({OVERLAPPING})().length === 0",
            timeout=SLOW_MS,
        )


def test_three_days(walk: Walk, browser: BrowserContext) -> None:
    first_day(walk)
    with ExitStack() as way_out:
        port = free_port()
        way_out.enter_context(
            child(dashboard_command(port=port, browse=False), walk.home)
        )
        url = f"http://127.0.0.1:{port}"
        second_day(walk, browser, url)
        third_day(walk, browser, url)


def first_day(walk: Walk) -> None:
    """Measure a first build with a lead that sat badly; begin the second."""
    with walk.day() as (operator, store):
        operator.open("B-1", 8)
        slipped = walk.hands.slips = serial("B-1", 6)
        measure(operator, "B-1", range(1, 9))
        ranges = store.frame("unit_runs", serial=slipped)
        first, second = ranges.drop_duplicates("run").to_dict("records")
        assert second["rerun_of"] == first["run"]
        assert "seated again" in second["note"]
        assert findings(walk, store).empty
        (build,) = store.frame("builds", product=walk.product).to_dict("records")
        assert build["first_pass_yield"] == pytest.approx(7 / 8)
        # Outside the error limit first, it reads right as it is seated now.
        outside = ranges["run"][ranges["verdict"] == "nonconforming"]
        assert set(outside) == {first["run"]}
        # The reference itself had stepped: that run's readings are in doubt for good.
        (doubt,) = walk.json("doubt", "list")
        assert doubt["serials"] == slipped
        assert "disagreed with the source's setting" in doubt["reason"]
        said = ("--person", "Ada Moreno", "--reason", "Its lead sat badly.")
        walk.said("doubt", "end", doubt["doubt"], *said)
        assert walk.json("doubt", "list") == []
        assert walk.json("hold", "list") == []
        operator.open("B-2", 8)
        measure(operator, "B-2", range(1, 4))
        assert "Nothing is held." in walk.said("status")
        assert sessions(walk, store) == 1


def second_day(walk: Walk, browser: BrowserContext, url: str) -> None:
    """Go on with the build by bench and by files; the next takes a bad reel."""
    with walk.day() as (operator, store):
        measure(operator, "B-2", range(4, 6))
        assert sessions(walk, store) == 2
        checks = walk.rows(store, "check").drop_duplicates("run")
        assert checks["session"].nunique() == 2
        walk.said("import", walk.file("first.csv", "B-2", [6, 7]))
        for said in ("1 unit new, 0 changed", "0 units new, 0 changed, 1 the same"):
            assert said in walk.said("import", walk.file("second.csv", "B-2", [8]))
        assert walk.rows(store, "unit")["serial"].nunique() == 16
        walk.said("reel", "add", LATE, "--nominal", "50k", "--tolerance", "0.1%")
        late = serial("B-2", 5)
        said = walk.said("reel", "fit", LATE, "R12", "--build", "B-2", "--from", late)
        assert "4 units with this reel were measured before" in said
        operator.carried_out(operator.client.work("end session"))
        operator.wait_until_watched()
        assert findings(walk, store).empty
        assert walk.json("hold", "list") == []

        operator.open("B-3", 7)
        measure(operator, "B-3", range(1, 5))
        (found,) = findings(walk, store).to_dict("records")
        bad = serial("B-3", 4)
        assert found["standing"]
        named = ("cause", "range", "part", "reel", "first_serial")
        assert [found[one] for one in named] == ["reel", "100uA", "R13", "RL-33", bad]
        assert found["low_ppm"] < BAD_PPM < found["high_ppm"]
        holds = walk.json("hold", "list")
        assert {(one["scope"], one["subject"]) for one in holds} == {
            ("build", "B-3"),
            ("reel", "RL-33"),
        }
        says = "range 100 µA, reel RL-33, reads"
        status = walk.json("status")
        assert status["headline"].startswith(f"Hold build B-3: {says}")
        size = status["headline"].split(" reads ")[1]
        assert size.endswith(f"since unit {bad}.")
        assert all(size.rstrip(".") in one["why"] for one in holds)
        wait_for(url)
        with paged(browser) as page:
            page.set_default_timeout(LAID_OUT_MS)
            page.goto(url, timeout=SLOW_MS)
            expect(page.locator("h1").first).to_have_text(status["headline"])
            expect_good_layout(page)
            page.goto(f"{url}/holds")
            expect(page.locator("h1").first).to_have_text("2 holds to decide on.")
            for one in holds:
                title = f"{one['scope'].capitalize()} {one['subject']}: {one['why']}"
                expect(page.locator("h2", has_text=title)).to_be_visible()
            expect_good_layout(page)
        for scheme in ("light", "dark"):
            with paged(browser, scheme=scheme) as page:
                page.set_default_timeout(LAID_OUT_MS)
                for name in ("standard", "bench"):
                    stands(page, f"{url}/{name}")
                    keeps_nobody_out(page)


def third_day(walk: Walk, browser: BrowserContext, url: str) -> None:
    """Decide on what was found; nothing of it is found again."""
    with walk.day() as (operator, store):
        with at_holds(browser, url) as page:
            release(page, "build B-3")
            release(page, "reel RL-33")
            expect(page.locator("h1").first).to_have_text("Nothing is held.")
        ended = store.frame("holds", product=walk.product)
        ended = ended[ended["signal"] == "B-3-F1"]
        assert set(ended["person"]) == {"Ada Moreno"}
        assert set(ended["disposal"]) == {"release"}
        measure(operator, "B-3", range(5, 8))
        operator.open("B-4", 3)
        measure(operator, "B-4", range(1, 4))
        assert walk.json("hold", "list") == []
        assert len(findings(walk, store)) == 1

        operator.open("B-5", 2)
        measure(operator, "B-5", range(1, 3))
        found = findings(walk, store).iloc[-1]
        assert (found["build"], found["reel"]) == ("B-5", "RL-52")
        assert found["raised_serial"] in {serial("B-5", 1), serial("B-5", 2)}
        assert found["first_serial"] == serial("B-5", 1)
        held = walk.json("hold", "list")
        assert {one["subject"] for one in held} == {"B-5", "RL-52"}
        for one in held:
            walk.said(
                "hold", "end", one["hold"], "--by", "concession", "--person",
                "Jon Birk", "--reason", "the customer takes 0.3 %",
            )  # fmt: skip
        operator.open("B-6", 6)
        measure(operator, "B-6", range(1, 5))
        assert walk.json("hold", "list") == []
        assert len(findings(walk, store)) == 2
        a_slip_is_taken_back(walk, browser, url, operator, store)
    # With the daemon ended, the file says the same.
    assert walk.json("hold", "list") == []
    # Six holds were placed, and each was ended; and so was one doubt.
    assert "The ledger is whole: 13 decisions" in walk.said("ledger", "verify")


def a_slip_is_taken_back(
    walk: Walk, browser: BrowserContext, url: str, operator: Operator, store: Store
) -> None:
    """Import two units read with a bad lead, of a new reel; then measure them again."""
    operator.record_reels("B-6", serial("B-6", 5))
    walk.said("import", walk.file("slip.csv", "B-6", [5, 6], high_ppm=READ_PPM))
    found = findings(walk, store).iloc[-1]
    assert (found["reel"], found["first_serial"]) == ("RL-64", serial("B-6", 5))
    assert walk.json("status")["headline"].startswith("Hold build B-6: range 1 mA")
    for n in (5, 6):
        again(walk, operator, "B-6", n)
    assert not findings(walk, store).iloc[-1]["standing"]
    runs = store.frame("unit_runs", serial=serial("B-6", 5)).drop_duplicates("run")
    assert list(runs["origin"]) == ["import", "bench"]
    held = walk.json("hold", "list")
    assert {one["subject"] for one in held} == {"B-6", "RL-64"}
    offer = held[0]["offer"]
    assert offer["sentence"].startswith("Finding B-6-F1 was withdrawn: ")
    said = "2 holds to decide on: their finding was withdrawn."
    assert walk.json("status")["headline"] == said
    with at_holds(browser, url) as page:
        expect(page.locator("p", has_text=offer["sentence"]).first).to_be_visible()
        release(page, "build B-6", reason=offer["reason"])
    (last,) = walk.json("hold", "list")
    assert last["subject"] == "RL-64"
    command = shlex.split(walk.said("hold", "list").splitlines()[-1])
    assert command.pop(0) == "holdpoint"
    walk.said(*("Jon Birk" if one == "NAME" else one for one in command))
    assert walk.json("status")["headline"] == "Nothing is held."


def again(walk: Walk, operator: Operator, build: str, unit: int) -> None:
    """Measure a unit by the bench that was measured before."""
    one = serial(build, unit)
    walk.hands.mount(one)
    ordered = operator.client.measure(build=build, serial=one, rerun=True)
    assert operator.carried_out(ordered)["state"] == "done"
    operator.wait_until_watched()


@contextmanager
def at_holds(browser: BrowserContext, url: str) -> Iterator[Page]:
    """Offer the page Holds."""
    with paged(browser) as page:
        page.set_default_timeout(LAID_OUT_MS)
        page.goto(f"{url}/holds", timeout=SLOW_MS)
        yield page


def release(page: Page, what: str, *, reason: str = "") -> None:
    """Release a hold as a person does, by the form on the page Holds.

    `reason` is what the form is expected to be filled in with.
    """
    if page.get_by_label("Who decides").input_value() != "Ada Moreno":
        choose_person(page, "Ada Moreno")
    title = f"End the hold on {what}"
    form = page.locator('[data-testid="stExpander"]', has_text=title)
    button = form.get_by_role("button", name="End this hold")
    # A form that was there before goes only when the page is drawn anew; one that is
    # drawn anew while it is opened is closed again.
    expect(page.get_by_text(title, exact=True)).to_have_count(1)
    for _ in range(TRIES):
        # While the page is drawn anew, the old form may stand beside the new one.
        drawn = button.count()
        if drawn == 1 and button.first.is_visible():
            break
        if drawn < 2:
            page.get_by_text(title, exact=True).click()
        page.wait_for_timeout(1000)
    expect(form.get_by_label("Reason")).to_have_count(1)
    expect(form.get_by_label("Reason")).to_have_value(reason)
    if not reason:
        form.get_by_text("release", exact=True).click()
        form.get_by_label("Reason").fill("measured again: every unit is within limits")
    button.click()
    expect(page.get_by_text(title, exact=True)).to_have_count(0)
