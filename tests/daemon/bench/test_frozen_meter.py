"""A meter that repeats a reading in the middle of a movement, and a coarse one."""

from collections import Counter
from dataclasses import dataclass
from threading import Event

import numpy as np
import pytest

from config.model import Settings
from daemon.bench.bench import Bench
from daemon.bench.clock import VirtualClock
from daemon.bench.errors import BenchError
from daemon.bench.readings import RangeReadings
from daemon.bench.sequence import measure
from daemon.bench.wire import by_address
from daemon.simulator.direct import DirectBench
from daemon.simulator.meters import Meter
from daemon.simulator.rig import BenchNature, Rig
from daemon.simulator.scenario import story
from daemon.simulator.sources import Source
from tests.daemon.bench.test_simulated_bench import gain, nominal_transfer, true_gain
from tests.daemon.simulator.benches import CLEAN

KEY = "10uA"
FINE_PPM, COARSE_PPM = 400.0, 900.0
"""What the meters' accuracy allows, without and with a display of 10 000 counts."""


@dataclass(frozen=True)
class Freeze:
    """So many readings, from the nth on that is taken at a level, or at zero after."""

    readings: int = 0
    nth: int = 0
    at_level: bool = True


def coarse(settings: Settings) -> Settings:
    """Return settings whose output meter shows four digits."""
    assert settings.bench is not None
    output = settings.bench.output
    ranges = tuple(
        one.model_copy(update={"resolution": 1e-4 * one.full_scale})
        for one in output.ranges
    )
    bench = settings.bench.model_copy(
        update={"output": output.model_copy(update={"ranges": ranges})}
    )
    return settings.model_copy(update={"bench": bench})


def freezing(rig: Rig, role: str, freeze: Freeze) -> Counter[str]:
    """Have a meter repeat its reading once; return a counter of when it did."""
    meter, source = rig.links[role].instrument, rig.links["source"].instrument
    assert isinstance(meter, Meter)
    assert isinstance(source, Source)
    plain, seen = meter.read, Counter[str]()

    def read() -> str:
        level = source.level
        seen["level"] += bool(level)
        if seen["level"] and bool(level) == freeze.at_level:
            seen["here"] += 1
        if seen["here"] == freeze.nth and not seen["struck"] and freeze.readings:
            seen["struck"] += 1
            meter.repeats_left = freeze.readings
        return plain()

    meter.read = read  # type: ignore[method-assign]
    return seen


def measured(
    settings: Settings,
    freeze: Freeze = Freeze(),
    role: str = "output",
    nature: BenchNature | None = None,
) -> tuple[RangeReadings, float, bool, float]:
    """Measure a range; return it, how far it is off, whether it froze, the time."""
    assert settings.bench is not None
    clock = VirtualClock()
    rig = Rig(settings, story(settings, 1, line=CLEAN), clock, nature=nature)
    seen = freezing(rig, role, freeze)
    with Bench(
        settings.bench,
        settings.product,
        settings.plan.reading,
        profiles=settings.profiles,
        nominal_transfer=nominal_transfer(settings),
        connect=by_address(DirectBench(rig).connect),
        clock=clock,
        guarded=False,
    ) as bench:
        rig.mount("PA-1001")
        began_s = clock.now_s()
        try:
            (one,) = measure(bench, (KEY,), clock, stop=Event())
        finally:
            assert seen["struck"] == bool(freeze.readings)
        off_ppm = (gain(one) / true_gain(rig, KEY) - 1) * 1e6
        return one, off_ppm, bool(seen["struck"]), clock.now_s() - began_s


@pytest.mark.parametrize("role", ["output", "reference"])
@pytest.mark.parametrize("few_digits", [False, True])
def test_no_reading_of_a_frozen_meter_is_believed(
    demo: Settings, role: str, few_digits: bool
) -> None:
    settings = coarse(demo) if few_digits else demo
    chance = np.random.default_rng(4)
    came_to: Counter[str] = Counter()
    for _ in range(12):
        freeze = Freeze(
            readings=int(chance.integers(4, 41)),
            nth=int(chance.integers(1, 4)),
            at_level=bool(chance.integers(2)),
        )
        try:
            _, off_ppm, _, _ = measured(settings, freeze, role)
        except BenchError:
            came_to["not measured"] += 1
            continue
        came_to["right"] += 1
        assert abs(off_ppm) < (COARSE_PPM if few_digits else FINE_PPM), freeze
    assert came_to["right"] >= 2


def test_a_frozen_meter_that_wakes_up_costs_time_and_no_unit(demo: Settings) -> None:
    _, off_ppm, struck, _ = measured(demo, Freeze(readings=12, nth=2))
    assert struck
    assert abs(off_ppm) < FINE_PPM


def test_a_coarse_meter_is_seen_to_move_and_is_right(demo: Settings) -> None:
    one, off_ppm, _, took_s = measured(coarse(demo))
    assert abs(off_ppm) < COARSE_PPM
    assert {point.level for point in one.points} == {0.0, 9e-6}
    assert took_s < 4.0


def test_readings_that_cannot_help_are_not_taken(demo: Settings) -> None:
    """The meters leave 95 ppm, so that scatter of a quarter of it adds a twentieth."""
    taken = {}
    for noise_ppm in (1.5, 100.0):
        nature = BenchNature(meter_noise_ppm=noise_ppm)
        one, off_ppm, _, _ = measured(demo, nature=nature)
        taken[noise_ppm] = max(len(point.output) for point in one.points)
        assert abs(off_ppm) < FINE_PPM
    assert taken[1.5] < 10
    assert 30 <= taken[100.0] < 60
