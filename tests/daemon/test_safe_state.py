"""The safe state, each mishap once, and what the running daemon says of it."""

import os
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from daemon.service.client import Client, RefusedOrderError
from daemon.service.hands import Hands
from daemon.service.home import Home
from daemon.service.safe_off import NoSourceError, orders_of, source_off
from daemon.trials.stories.demo import Operator, lay_out, write_addresses
from storage.access import open_store
from tests.daemon.starting import running_daemon, simulated_bench

LONGEST_S = 120.0
PRODUCT = "photodiode-amplifier"


def until(wanted: Callable[[], bool]) -> None:
    """Wait for something to be so."""
    deadline_s = time.monotonic() + LONGEST_S
    while not wanted():
        assert time.monotonic() < deadline_s


@pytest.fixture
def home(tmp_path: Path) -> Home:
    """Return the demo's home with a source that has no watchdog of its own."""
    home = lay_out(tmp_path / "home")
    bench = home.folder / "bench.toml"
    text = bench.read_text().replace("watched_current_source", "scpi_current_source")
    bench.write_text(text)
    return home


@pytest.fixture
def hands(home: Home) -> Iterator[Hands]:
    """Return the hands of a simulated bench with a unit mounted."""
    with simulated_bench(home, seed=3, units=4) as (_, said):
        write_addresses(home.folder / "bench.toml", said["instruments"])
        with Hands(said["fixture"]["host"], said["fixture"]["port"]) as hands:
            yield hands


def children(pid: int) -> list[int]:
    """Return the processes that a process has started."""
    tasks = Path(f"/proc/{pid}/task").glob("*/children")
    return [int(one) for task in tasks for one in task.read_text().split()]


def measuring(home: Home, client: Client, hands: Hands) -> str:
    """Order a unit and return its ticket once the source is on."""
    with open_store(home.data) as store:
        operator = Operator(store, client, hands, PRODUCT)
        build = operator.story["builds"][0]
        operator.open(build["build"], len(build["serials"]))
    ticket = client.measure(build=None, serial=build["serials"][0])

    def on() -> bool:
        prompt: dict[str, Any] | None = client.state()["prompt"]
        if prompt is not None:
            hands.mount(prompt["subject"])
            client.answer(prompt["prompt"])
        return bool(hands.state()["source_on"])

    until(on)
    return ticket


def test_a_pulled_cable_is_an_alarm_until_the_source_was_seen_off(
    home: Home, hands: Hands
) -> None:
    with running_daemon(home), Client.of(home.data) as client:
        (caution,) = client.state()["cautions"]
        assert "no watchdog of its own" in caution
        assert caution in (home.data / "daemon.log").read_text()
        assert home.orders.stat().st_mode & 0o077 == 0
        ticket = measuring(home, client, hands)
        hands.fault("source", "closed port")
        until(lambda: client.state()["alarm"] is not None)
        assert client.state()["source_on"]
        ended = client.ticket(ticket, wait_s=LONGEST_S)
        assert ended["state"] == "failed"
        assert hands.state()["source_on"], "nothing can have turned it off"
        with pytest.raises(RefusedOrderError, match="take it as live"):
            client.source_off()
        hands.clear()
        until(lambda: not hands.state()["source_on"])
        until(lambda: client.state()["alarm"] is None)
    assert not home.orders.exists()


def test_the_command_turns_the_source_off_past_a_daemon_that_hangs(
    home: Home, hands: Hands
) -> None:
    """Its guard is killed too, so that only the command is left to do it."""
    with running_daemon(home) as process, Client.of(home.data) as client:
        measuring(home, client, hands)
        (guard,) = children(process.pid)
        os.kill(process.pid, signal.SIGSTOP)
        os.kill(guard, signal.SIGKILL)
        try:
            assert hands.state()["source_on"]
            assert source_off(home) is None
            assert not hands.state()["source_on"]
        finally:
            os.kill(process.pid, signal.SIGKILL)


def test_the_daemon_s_own_orders_come_before_settings_that_have_changed(
    home: Home,
) -> None:
    changed = orders_of(home)
    changed.instrument["address"] = "TCPIP::127.0.0.1::9::SOCKET"
    home.data.mkdir()
    changed.save(home.orders)
    assert orders_of(home).instrument["address"].endswith("::9::SOCKET")


def test_a_daemon_without_a_bench_says_that_it_has_no_source_to_turn_off(
    home: Home,
) -> None:
    (home.folder / "bench.toml").unlink()
    with (
        running_daemon(home),
        Client.of(home.data) as client,
        pytest.raises(RefusedOrderError, match=r"bench\.toml is missing"),
    ):
        client.source_off()


def test_without_a_bench_there_is_no_source_to_turn_off(home: Home) -> None:
    (home.folder / "bench.toml").unlink()
    with pytest.raises(NoSourceError, match=r"bench\.toml is missing"):
        source_off(home)
