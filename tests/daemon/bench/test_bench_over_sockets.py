"""The whole bench over sockets, the simulator and the guard each a process."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from itertools import cycle
from select import select
from threading import Event
from typing import Any

import pytest

from config.model import Settings
from daemon.bench.bench import Bench
from daemon.bench.clock import ScaledClock
from daemon.bench.errors import BenchError, GuardLostError
from daemon.bench.sequence import Progress, measure
from daemon.bench.series import series_of
from daemon.bench.visa import connect
from daemon.metrology.transfer import Transfer
from tests.daemon.simulator.benches import DEMO

SCALE = 20.0


class Fixture:
    """The simulated operator's hands."""

    def __init__(self, link: socket.socket) -> None:
        self._file = link.makefile("rw")

    def do(self, **order: Any) -> dict[str, Any]:
        self._file.write(json.dumps(order) + "\n")
        self._file.flush()
        answer: dict[str, Any] = json.loads(self._file.readline())
        assert answer["ok"]
        return answer

    def close(self) -> None:
        self._file.close()


@pytest.fixture(scope="module")
def simulator(demo: Settings) -> Iterator[tuple[Settings, Fixture]]:
    """Run the simulated bench; give settings with its addresses, and its fixture."""
    assert demo.bench is not None
    roles = [*demo.bench.instruments, "fixture"]
    ports = [word for role in roles for word in ("--port", f"{role}=0")]
    command = [sys.executable, "-m", "daemon.simulator", "--config", str(DEMO), *ports]
    with subprocess.Popen(
        [*command, "--time-scale", f"{SCALE}"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        greeting = json.loads(process.stdout.readline())
        bench = demo.bench.model_copy(
            update={
                role: one.model_copy(update={"address": greeting["instruments"][role]})
                for role, one in demo.bench.instruments.items()
            }
        )
        at = greeting["fixture"]
        with socket.create_connection((at["host"], at["port"])) as link:
            fixture = Fixture(link)
            try:
                yield demo.model_copy(update={"bench": bench}), fixture
            finally:
                fixture.do(do="quit")
                fixture.close()
        process.wait(60.0)


def open_guarded(settings: Settings, clock: ScaledClock) -> Bench:
    assert settings.bench is not None
    nominal = {name: one.nominal_ohm for name, one in settings.product.parts.items()}
    return Bench(
        settings.bench,
        settings.product,
        settings.plan.reading,
        profiles=settings.profiles,
        nominal_transfer={
            key: Transfer(one.transfer).value(nominal)
            for key, one in settings.product.ranges.items()
        },
        connect=connect,
        clock=clock,
    )


def test_a_unit_over_sockets_and_none_without_the_guard(
    simulator: tuple[Settings, Fixture],
) -> None:
    settings, fixture = simulator
    clock = ScaledClock(SCALE)
    ranges = tuple(settings.product.ranges)
    with open_guarded(settings, clock) as bench:
        fixture.do(do="mount", serial="PA-1001")
        was_on = []

        def look(progress: Progress) -> None:
            del progress
            was_on.append(fixture.do(do="state")["source_on"])

        measured = measure(bench, ranges, clock, stop=Event(), progress=look)
        assert [one.range for one in measured] == ["1uA", "10uA", "100uA", "1mA"]
        assert was_on == [True] * 12
        assert not fixture.do(do="state")["source_on"]

        assert bench.guard_pid is not None
        # The bench may be told its end first, and then nobody else is.
        seen = os.pidfd_open(bench.guard_pid)
        os.kill(bench.guard_pid, signal.SIGKILL)
        select([seen], [], [])
        os.close(seen)
        with pytest.raises(GuardLostError):
            measure(bench, ranges, clock, stop=Event(), progress=look)
        assert not fixture.do(do="state")["source_on"]


def test_steps_of_the_wall_clock_disturb_no_measurement(
    simulator: tuple[Settings, Fixture], monkeypatch: pytest.MonkeyPatch
) -> None:
    """An hour ahead, an hour back, with every look at the time of day."""
    settings, fixture = simulator
    clock = ScaledClock(SCALE)
    real, steps = time.time, cycle((3600.0, -3600.0))
    monkeypatch.setattr(time, "time", lambda: real() + next(steps))
    with open_guarded(settings, clock) as bench:
        fixture.do(do="mount", serial="PA-1001")
        (one,) = measure(bench, ["1mA"], clock, stop=Event(), progress=lambda _: None)
    series = series_of(one)
    gain = series.output.net_level / series.reference.net_level
    assert gain == pytest.approx(1000.0, rel=0.005)
    assert one.points[-1].at_s[-1] - one.points[0].at_s[0] < 3600.0


def test_an_instrument_that_goes_away_leaves_the_source_off(
    simulator: tuple[Settings, Fixture],
) -> None:
    settings, fixture = simulator
    clock = ScaledClock(SCALE)
    ranges = tuple(settings.product.ranges)
    with open_guarded(settings, clock) as bench:
        fixture.do(do="mount", serial="PA-1001")
        fixture.do(do="fault", role="output", kind="closed port", after=5)
        with pytest.raises(BenchError, match="check its power"):
            measure(bench, ranges, clock, stop=Event(), progress=lambda _: None)
        assert not fixture.do(do="state")["source_on"]
