"""Where a campaign takes place: a bench in this process, or one behind sockets."""

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from threading import Event
from typing import Any, Protocol

from config import Settings, load, write_whole
from daemon.bench import Bench, Clock, RangeReadings, ScaledClock, connect, measure
from daemon.judging import Judge, ProductModel
from daemon.service import Hands, simulated_bench
from daemon.simulator import Fault, FaultKind, Rig, Scenario, story
from daemon.trials.selftest.benches import bench_of, demo_settings, line
from daemon.trials.stories.demo import lay_out, write_addresses

__all__ = ["Place", "in_memory", "over_sockets"]

TIME_SCALE = 50.0
"""Faster, a busy machine would pause for longer than the source's watchdog waits."""
TIMEOUT_S = 0.05
"""Real seconds; a simulated instrument on this machine answers within one."""
STORY_UNITS = 30


class _Hands(Protocol):
    """What somebody beside the bench can do to it."""

    def mount(self, serial: str) -> None: ...
    def fault(self, role: str, kind: str, **how: float | None) -> None: ...
    def clear(self, role: str | None = None) -> None: ...
    def state(self) -> dict[str, Any]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A simulated bench, and what is needed to judge by it and to disturb it."""

    settings: Settings
    scenario: Scenario
    product: ProductModel
    judge: Judge
    bench: Bench
    clock: Clock
    hands: _Hands
    timeout_s: float

    def measure(self, ranges: Sequence[str] = ()) -> list[RangeReadings]:
        """Measure the board that is mounted; all ranges where none are named."""
        keys = tuple(ranges) or self.product.keys
        return measure(self.bench, keys, self.clock, stop=Event())


class _RigHands:
    """The operator's hands on a rig in this process."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig

    def mount(self, serial: str) -> None:
        self._rig.mount(serial)

    def fault(self, role: str, kind: str, **how: Any) -> None:
        self._rig.inject(Fault(role=role, kind=FaultKind(kind), **how))

    def clear(self, role: str | None = None) -> None:
        self._rig.clear(role)

    def state(self) -> dict[str, Any]:
        return asdict(self._rig.state())


@contextmanager
def in_memory(seed: int) -> Iterator[Place]:
    """Open a bench in this process; its time is virtual."""
    settings = demo_settings()
    told = story(settings, seed, units=STORY_UNITS)
    with line(settings, told.boards, seed=seed) as one:
        yield Place(
            settings=settings,
            scenario=told,
            product=one.product,
            judge=one.judge,
            bench=one.bench,
            clock=one.clock,
            hands=_RigHands(one.rig),
            timeout_s=bench_of(settings).output.timeout_s,
        )


@contextmanager
def over_sockets(seed: int) -> Iterator[Place]:
    """Open a bench whose instruments are another process, as fast as the machine."""
    with tempfile.TemporaryDirectory() as folder:
        home = lay_out(Path(folder))
        _hasten(home.folder / "bench.toml")
        with simulated_bench(home, seed=seed, units=STORY_UNITS) as (_, said):
            write_addresses(home.folder / "bench.toml", said["instruments"])
            settings = _impatient(load(home.folder))
            product = ProductModel.of(settings.product)
            clock = ScaledClock(TIME_SCALE)
            fixture = said["fixture"]
            with (
                Hands(fixture["host"], fixture["port"]) as hands,
                Bench(
                    bench_of(settings),
                    settings.product,
                    settings.plan.reading,
                    profiles=settings.profiles,
                    nominal_transfer={
                        one.key: one.nominal_transfer for one in product.ranges
                    },
                    connect=connect,
                    clock=clock,
                    guarded=False,
                ) as bench,
            ):
                yield Place(
                    settings=settings,
                    scenario=story(settings, seed, units=STORY_UNITS),
                    product=product,
                    judge=Judge(product, bench_of(settings), settings.plan.judging),
                    bench=bench,
                    clock=clock,
                    hands=hands,
                    timeout_s=TIMEOUT_S * TIME_SCALE,
                )
                hands.clear()


def _hasten(path: Path) -> None:
    lines = path.read_text(encoding="utf-8").splitlines()
    lines = [
        f"time_scale = {TIME_SCALE}" if line.startswith("time_scale") else line
        for line in lines
    ]
    write_whole(path, "\n".join(lines) + "\n")


def _impatient(settings: Settings) -> Settings:
    bench = bench_of(settings)
    roles = {
        role: one.model_copy(update={"timeout_s": TIMEOUT_S})
        for role, one in bench.instruments.items()
    }
    return settings.model_copy(update={"bench": bench.model_copy(update=roles)})
