"""Every "off" that is said is true, however the line to the source fails."""

import json
import socket
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np
import pytest

from config.model import Instrument
from daemon.bench.clock import ScaledClock
from daemon.bench.driver import Binding
from daemon.bench.errors import InstrumentError
from daemon.bench.guard import Orders, turn_off
from daemon.bench.retry import NEVER
from daemon.bench.source import Source
from daemon.bench.visa import connect
from daemon.service.home import Home
from tests.daemon.bench.fakes import PROFILES
from tests.daemon.commanding import holdpoint

WAYS = (
    "sound",
    "deaf",
    "cut before off",
    "cut after off",
    "garbled",
    "hung",
    "half an answer",
    "power-cycled",
    "refused",
    "still on, once",
)


class Failing:
    """A source on a socket that fails in one way; `on` is what is true."""

    def __init__(self, way: str, times: int) -> None:
        self.on = True
        self.way, self.times = way, times
        self.told: list[str] = []
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._door.getsockname()[1])
        if way == "refused":
            self._door.close()
        else:
            threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                link, _ = self._door.accept()
                with suppress(OSError), link, link.makefile("r") as lines:
                    for line in lines:
                        if not self._answer(link, line.strip()):
                            break

    def _answer(self, link: socket.socket, line: str) -> bool:
        """Carry out a line as the way has it; return whether the line stays."""
        self.told.append(line)
        fails = self.times > 0
        asks = line.endswith("?")
        if fails and self.way == "power-cycled" and asks:
            self.times -= 1
            self.on = False
            return False
        if fails and self.way == "cut before off" and not asks:
            self.times -= 1
            return False
        if not asks:
            stays = self.way == "deaf" or (fails and self.way == "still on, once")
            self.times -= stays
            self.on = self.on and stays
            return not (fails and self.way == "cut after off")
        said = f"{int(self.on)}\n"
        if fails and self.way in {"garbled", "hung", "half an answer"}:
            self.times -= 1
            said = {"garbled": "#?0\n", "hung": "", "half an answer": said[:1]}[
                self.way
            ]
        link.sendall(said.encode())
        return True

    def end(self) -> None:
        self._door.close()


@contextmanager
def failing(way: str, times: int) -> Iterator[tuple[Failing, Orders]]:
    source = Failing(way, times)
    instrument = Instrument(
        address=f"TCPIP::127.0.0.1::{source.port}::SOCKET",
        profile="source",
        # A sound one answers, however busy this machine is.
        timeout_s=60.0 if way == "sound" else 0.03,
    )
    try:
        yield source, Orders.of(instrument, PROFILES["source"])
    finally:
        source.end()


def by_the_guard(orders: Orders) -> str | None:
    """Turn it off as the guard does, and `bench off`; return why not, or None."""
    return turn_off(orders, 0.1)


def by_the_daemon(orders: Orders) -> str | None:
    """Turn it off over a line of the daemon's own; return why not, or None."""
    mute = {"identity": None, "complete": None, "errors": None, "setup": ()}
    try:
        source = Source(
            Binding(
                role="source",
                instrument=Instrument.model_validate_json(
                    json.dumps(orders.instrument)
                ),
                profile=PROFILES["source"].model_copy(update=mute),
                connect=connect,
                clock=ScaledClock(),
                retry=NEVER,
            ),
            limit=0.0,
            permit=lambda: None,
            step=lambda: None,
        )
        try:
            source.output_off()
        finally:
            source.close()
    except InstrumentError as exc:
        return exc.reason
    return None


HANDS = {"guard": by_the_guard, "daemon": by_the_daemon}


def tried(way: str, times: int, whose: str) -> str:
    """Turn a source off over a failing line; return what was said, if it was true."""
    with failing(way, times) as (source, orders):
        if HANDS[whose](orders) is None:
            assert not source.on, way
            return "off"
        return "not shown"


def said_of(way: str, whose: str, trials: int) -> Counter[str]:
    """Return what was said of a line that fails in one way."""
    chance = np.random.default_rng(len(way))
    return Counter(tried(way, int(chance.integers(1, 5)), whose) for _ in range(trials))


@pytest.mark.parametrize("whose", HANDS)
@pytest.mark.parametrize("way", WAYS)
def test_off_is_said_only_of_a_source_that_is_off(way: str, whose: str) -> None:
    said = said_of(way, whose, 3)
    if way in {"deaf", "refused"}:
        assert said == {"not shown": 3}
    if way == "sound":
        assert said == {"off": 3}


@pytest.mark.bench
@pytest.mark.parametrize("whose", HANDS)
def test_every_off_of_five_hundred_is_true(whose: str) -> None:
    said = {way: said_of(way, whose, 50) for way in WAYS}
    for way, came_to in said.items():
        print(whose, way, dict(came_to))  # noqa: T201 -- the figures are the result
    assert sum(one["off"] for one in said.values()) >= 150


def test_a_source_that_cannot_say_is_not_said_to_be_off(
    tmp_path: Path,
) -> None:
    with failing("sound", 0) as (source, orders):
        orders.profile["output"] = None
        home = Home(tmp_path)
        home.orders.parent.mkdir(parents=True, exist_ok=True)
        orders.save(home.orders)
        done = holdpoint("bench", "off", home=tmp_path)
        assert done.returncode == 0
        assert "cannot say whether it is: look at the instrument" in done.stderr
        assert "The source is off" not in done.stderr
        # Nothing was answered: it may be told a moment after we have ended.
        deadline_s = time.monotonic() + 60.0
        while not source.told and time.monotonic() < deadline_s:
            time.sleep(0.01)
        assert source.told == ["OUTP OFF"]
