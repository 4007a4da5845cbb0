"""Simulated benches in this process, and what their boards truly are."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.resources import as_file, files
from threading import Event

from config import Bench as BenchSettings, Settings, load
from daemon.bench import Bench, RangeReadings, VirtualClock, by_address, measure
from daemon.judging import Judge, ProductModel
from daemon.simulator import BenchNature, Board, DirectBench, Rig, Scenario

__all__ = ["Line", "bench_of", "demo_settings", "line", "scenario_of", "true_error_ppm"]


def demo_settings() -> Settings:
    """Return the demo's settings."""
    with as_file(files("config").joinpath("demo")) as folder:
        return load(folder)


def bench_of(settings: Settings) -> BenchSettings:
    """Return the bench that the demo's settings are known to have."""
    if settings.bench is None:
        message = "there is no bench in these settings"
        raise ValueError(message)
    return settings.bench


def scenario_of(seed: int, boards: Mapping[str, Board]) -> Scenario:
    """Return a scenario of boards alone, without a story."""
    return Scenario(
        seed=seed,
        builds=(),
        reels=(),
        fittings=(),
        boards=boards,
        truth=None,
        suspect_serials=(),
    )


def true_error_ppm(product: ProductModel, board: Board, key: str) -> float:
    """Return what a range of a board is truly off by at the reference temperature."""
    one = product.range(key)
    return (one.transfer.value(board.parts_ohm) / one.nominal_transfer - 1) * 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A simulated bench without sockets, and what is needed to judge by it."""

    settings: Settings
    product: ProductModel
    judge: Judge
    rig: Rig
    bench: Bench
    clock: VirtualClock

    def measure(self) -> list[RangeReadings]:
        """Measure all ranges of the board that is mounted."""
        return measure(self.bench, self.product.keys, self.clock, stop=Event())


@contextmanager
def line(
    settings: Settings,
    boards: Mapping[str, Board],
    *,
    seed: int,
    nature: BenchNature | None = None,
) -> Iterator[Line]:
    """Open a simulated bench that no socket leads to; its time is virtual."""
    clock = VirtualClock()
    product = ProductModel.of(settings.product)
    rig = Rig(settings, scenario_of(seed, boards), clock, nature=nature)
    with Bench(
        bench_of(settings),
        settings.product,
        settings.plan.reading,
        profiles=settings.profiles,
        nominal_transfer={one.key: one.nominal_transfer for one in product.ranges},
        connect=by_address(DirectBench(rig).connect),
        clock=clock,
        guarded=False,
    ) as bench:
        yield Line(
            settings=settings,
            product=product,
            judge=Judge(product, bench_of(settings), settings.plan.judging),
            rig=rig,
            bench=bench,
            clock=clock,
        )
