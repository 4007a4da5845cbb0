"""A bench that is lost is opened anew and the unit measured once more, by itself."""

import os
import signal
from collections.abc import Iterator
from pathlib import Path
from subprocess import Popen
from typing import Any

import pytest

from daemon.service.client import Client
from daemon.service.hands import Hands
from daemon.service.home import Home
from daemon.trials.stories.demo import Operator, lay_out, write_addresses
from storage.access import open_store
from tests.daemon.commanding import holdpoint
from tests.daemon.starting import running_daemon, simulated_bench
from tests.daemon.test_safe_state import PRODUCT, children, until

CHECK = "Connect check standard"


class Line:
    """A running daemon, and hands that do what it asks for."""

    def __init__(
        self, home: Home, process: Popen[str], client: Client, hands: Hands
    ) -> None:
        self.home = home
        self.client = client
        self._process = process
        self._hands = hands
        with open_store(home.data) as store:
            operator = Operator(store, client, hands, PRODUCT)
            build = operator.story["builds"][0]
            operator.open(build["build"], len(build["serials"]))
        self.serials = build["serials"]

    def measure(self, serial: str, *, losses: int) -> dict[str, Any]:
        """Measure a unit; its guard is killed at the first checks, the source off."""
        ticket = self.client.measure(build=None, serial=serial)
        seen: dict[str, Any] = {}

        def ended() -> bool:
            nonlocal losses, seen
            prompt = self.client.state()["prompt"]
            if prompt is not None:
                if losses and prompt["text"].startswith(CHECK):
                    (guard,) = children(self._process.pid)
                    os.kill(guard, signal.SIGKILL)
                    losses -= 1
                if prompt["subject"] != "the bench":
                    self._hands.mount(prompt["subject"])
                self.client.answer(prompt["prompt"])
            seen = self.client.ticket(ticket, wait_s=0.05)
            return seen["state"] in {"done", "failed"}

        until(ended)
        return seen


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    home = lay_out(tmp_path / "home")
    with simulated_bench(home, seed=3, units=4) as (_, said):
        write_addresses(home.folder / "bench.toml", said["instruments"])
        with (
            Hands(said["fixture"]["host"], said["fixture"]["port"]) as hands,
            running_daemon(home) as process,
            Client.of(home.data) as client,
        ):
            yield Line(home, process, client, hands)


def test_a_lost_bench_is_opened_anew_and_the_unit_measured_again_and_said(
    line: Line,
) -> None:
    serial = line.serials[0]
    seen = line.measure(serial, losses=1)
    assert seen["state"] == "done"
    assert "opened anew and the unit measured again" in " ".join(seen["remarks"])
    with open_store(line.home.data) as store:
        runs = store.frame("unit_runs", serial=serial)
    assert runs["run"].nunique() == 1
    assert runs["note"].iloc[0].startswith("measured again after the bench was lost:")
    state = line.client.state()
    assert state["reopened"] == 1
    assert state["alarm"] is None
    said = holdpoint("status", home=line.home.folder).stdout
    assert "The bench was lost and opened again once" in said
    after = line.measure(line.serials[1], losses=0)
    assert after["state"] == "done"
    assert "measured again" not in " ".join(after["remarks"])


def test_a_second_loss_in_a_row_stops_and_the_next_order_asks_a_person(
    line: Line,
) -> None:
    seen = line.measure(line.serials[0], losses=2)
    assert seen["state"] == "failed"
    assert "lost twice in a row" in seen["message"]
    with open_store(line.home.data) as store:
        assert store.frame("unit_runs", serial=line.serials[0]).empty
    ticket = line.client.measure(build=None, serial=line.serials[0])
    until(lambda: line.client.state()["prompt"] is not None)
    prompt = line.client.state()["prompt"]
    assert "lost twice in a row" in prompt["text"]
    assert not line.client.ticket(ticket)["run"]
    assert line.client.answer(prompt["prompt"])
    until(lambda: line.client.state()["prompt"] is not None)
    assert line.client.state()["prompt"]["text"].startswith(CHECK)
