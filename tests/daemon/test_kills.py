"""`kill -9` of the daemon while it measures: no acknowledged unit lost, source off."""

import signal
import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from config.load import load
from daemon.service.client import Client
from daemon.service.hands import Hands
from daemon.trials.stories.demo import Operator, lay_out, write_addresses
from storage.access import open_store
from storage.errors import UnreachableError
from tests.daemon.starting import running_daemon, simulated_bench

OFF_WITHIN_S = 1.0
SURELY_OFF_S = 60.0
"""Of a machine that is busy with other tests too."""
RANGES = 4


@dataclass
class Campaign:
    """What many kills came to."""

    kills: int
    acknowledged: set[str]
    stored: dict[str, int]
    slowest_off_s: float
    killed_while_on: int


@pytest.fixture
def campaign_of(tmp_path: Path) -> Iterator[Any]:
    """Offer a campaign of so many kills."""
    with ExitStack() as way_out:

        def run(kills: int) -> Campaign:
            home = lay_out(tmp_path / "home")
            _, bench = way_out.enter_context(simulated_bench(home, seed=5, units=60))
            write_addresses(home.folder / "bench.toml", bench["instruments"])
            fixture = bench["fixture"]
            hands = way_out.enter_context(Hands(fixture["host"], fixture["port"]))
            return kill_again_and_again(home, hands, kills)

        yield run


def kill_again_and_again(home: Any, hands: Hands, kills: int) -> Campaign:
    chance = np.random.default_rng(7)
    product = load(home.folder).product.name
    acknowledged: set[str] = set()
    slowest_s, while_on, prepared = 0.0, 0, False
    serials = iter([s for b in hands.scenario()["builds"] for s in b["serials"]])
    for kill in range(kills):
        with running_daemon(home) as process, Client.of(home.data) as client:
            with open_store(home.data) as store:
                operator = Operator(store, client, hands, product)
                if not prepared:
                    for build in operator.story["builds"]:
                        operator.open(build["build"], len(build["serials"]))
                    prepared = True
            deadline_s = time.monotonic() + 0.2 + float(chance.exponential(0.7))
            was_on = False
            try:
                if kill % 2:
                    while not was_on:
                        was_on = measure_until_on(
                            client, hands, next(serials), acknowledged
                        )
                else:
                    serial = next(serials)
                    measure_until(client, hands, serial, deadline_s, acknowledged)
            except UnreachableError:
                pass
            process.send_signal(signal.SIGKILL)
            while_on += was_on
            slowest_s = max(slowest_s, seconds_until_off(hands))
    with open_store(home.data) as store:
        rows = store.frame("range_rows", product=product, after=0, kind="unit")
    return Campaign(
        kills=kills,
        acknowledged=acknowledged,
        stored={
            str(serial): int(count)
            for serial, count in rows.groupby("serial")["range"].nunique().items()
        },
        slowest_off_s=slowest_s,
        killed_while_on=while_on,
    )


def measure_until(
    client: Client,
    hands: Hands,
    serial: str,
    deadline_s: float,
    acknowledged: set[str],
) -> None:
    """Return at a moment of chance: between two readings, while storing, when done."""
    hands.mount(serial)
    ticket = client.measure(build=None, serial=serial)
    while time.monotonic() < deadline_s + 1.5 or not acknowledged:
        if ended(client, ticket, serial, acknowledged):
            return
        state = mount_what_is_asked(client, hands)
        if time.monotonic() > deadline_s and state["phase"] == "measuring":
            return


def measure_until_on(
    client: Client, hands: Hands, serial: str, acknowledged: set[str]
) -> bool:
    """Return while the source is on: the kill that could leave it so.

    False where the unit was done before it was seen to be on.
    """
    hands.mount(serial)
    ticket = client.measure(build=None, serial=serial)
    while not hands.state()["source_on"]:
        if ended(client, ticket, serial, acknowledged):
            return False
        mount_what_is_asked(client, hands)
    return True


def ended(client: Client, ticket: str, serial: str, acknowledged: set[str]) -> bool:
    seen = client.ticket(ticket, wait_s=0.02)
    if seen["state"] == "done":
        acknowledged.add(serial)
    return seen["state"] in {"done", "failed"}


def mount_what_is_asked(client: Client, hands: Hands) -> dict[str, Any]:
    state: dict[str, Any] = client.state()
    if state["prompt"] is not None:
        hands.mount(state["prompt"]["subject"])
        client.answer(state["prompt"]["prompt"])
    return state


def seconds_until_off(hands: Hands) -> float:
    started_s = time.monotonic()
    while hands.state()["source_on"]:
        assert time.monotonic() - started_s < SURELY_OFF_S, "the source stays on"
    return time.monotonic() - started_s


def judge(done: Campaign) -> None:
    assert done.acknowledged <= set(done.stored), "an acknowledged unit is lost"
    assert set(done.stored.values()) <= {RANGES}, "a unit is stored in part"
    assert done.killed_while_on > 0, "no kill met the source on: nothing was proven"


def test_three_kills(campaign_of: Any) -> None:
    done = campaign_of(3)
    judge(done)


@pytest.mark.endurance
def test_fifty_kills(campaign_of: Any) -> None:
    done = campaign_of(50)
    print(  # noqa: T201 -- the figures are the result
        f"\nkills {done.kills}, while the source was on {done.killed_while_on}; "
        f"acknowledged {len(done.acknowledged)}, stored {len(done.stored)}, "
        f"lost {len(done.acknowledged - set(done.stored))}, "
        f"partial {sum(n != RANGES for n in done.stored.values())}; "
        f"slowest source off {done.slowest_off_s:.3f} s"
    )
    judge(done)
    assert done.slowest_off_s < OFF_WITHIN_S
