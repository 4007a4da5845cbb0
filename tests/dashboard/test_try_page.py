"""Try it: what is planted on a page comes with a unit, and only where it may be."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.service.client import Client
from daemon.service.hands import Hands, hands_of
from daemon.service.home import VARIABLE, Home
from daemon.trials.stories.demo import lay_out, write_addresses
from storage.access import open_store
from storage.records import Unit
from tests.daemon.starting import running_daemon, simulated_bench
from tests.dashboard.test_pages import button, opened, said

UNITS = 4
PATIENCE_S = 300.0


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    """Serve the demo's simulated bench, none of whose units was measured."""
    home = lay_out(tmp_path_factory.mktemp("try") / "home")
    home.data.mkdir(parents=True)
    with simulated_bench(home, seed=1, units=UNITS) as (_, bench):
        write_addresses(home.folder / "bench.toml", bench["instruments"])
        with running_daemon(home):
            yield home


@pytest.fixture
def home(served: Home, monkeypatch: pytest.MonkeyPatch) -> Home:
    monkeypatch.setenv(VARIABLE, str(served.folder))
    return served


def hands(home: Home) -> Hands:
    found = hands_of(home)
    assert found is not None
    return found


def test_it_waits_for_the_demo_then_plants_and_units_come_by_themselves(
    home: Home,
) -> None:
    assert "Wait a moment." in said(opened("try_it"))
    with hands(home) as one:
        for build in one.scenario()["builds"]:
            for serial in build["serials"]:
                one.mount(serial)
    app = opened("try_it")
    assert "Nothing is planted." in said(app)
    assert "builds of its own, such as TRY-1" in said(app)
    app.number_input(key="size").set_value(-2.0)
    app.number_input(key="from unit").set_value(1)
    app.selectbox(key="first range").set_value("10uA").run()
    button(app, "Plant it").click().run()
    assert not app.exception
    assert "a reel that makes range 10 µA read \N{MINUS SIGN}2.00 %" in said(app)
    assert "It comes with the next new unit." in said(app)
    app.number_input(key="new units").set_value(1)
    button(app, "Measure them").click().run()
    assert not app.exception
    until_s = time.monotonic() + PATIENCE_S
    with Client.of(home.data) as client:
        while (state := client.state())["waiting"]:
            assert time.monotonic() < until_s, state
            if state["prompt"] is not None:
                client.answer(state["prompt"]["prompt"])
            time.sleep(0.1)
    with open_store(home.data) as store, hands(home) as one:
        (unit,) = store.rows(Unit, build="TRY-1")
        (planted,) = one.planted()
    assert planted["first_serial"] == unit.serial == "TRY-1-001"
    assert "It came with unit TRY-1-001." in said(opened("try_it"))


@pytest.mark.usefixtures("held")
def test_where_nothing_is_simulated_nothing_can_be_tried(held: Home) -> None:
    assert hands_of(held) is None
    assert not Path(held.simulated).exists()
