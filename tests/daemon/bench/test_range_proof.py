"""A small level proves the range before the full one goes on."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import product
from threading import Event
from typing import Any

import pytest

from config.model import Settings
from daemon.bench.bench import Bench
from daemon.bench.clock import VirtualClock
from daemon.bench.errors import BenchError
from daemon.bench.readings import RangeReadings
from daemon.bench.sequence import measure
from daemon.bench.wire import by_address
from daemon.simulator.circuit import Board
from daemon.simulator.direct import DirectBench
from daemon.simulator.rig import BenchNature, Rig
from daemon.simulator.scenario import story
from tests.daemon.bench.test_frozen_meter import coarse
from tests.daemon.bench.test_simulated_bench import gain, nominal_transfer, true_gain
from tests.daemon.simulator.benches import CLEAN

FULL_SCALE = {"1uA": 1e-6, "10uA": 1e-5, "100uA": 1e-4, "1mA": 1e-3}
PROBE = 0.8e-6


@dataclass
class Proof:
    """A bench, and the highest level that each truly active range has seen."""

    rig: Rig
    bench: Bench
    clock: VirtualClock
    highest: dict[str, float] = field(default_factory=dict)

    def measure(self, *keys: str) -> list[RangeReadings]:
        keys = keys or tuple(FULL_SCALE)
        return measure(self.bench, keys, self.clock, stop=Event())


@contextmanager
def proving(settings: Settings, lies: dict[str, str] | str = "") -> Iterator[Proof]:
    """Open a bench whose relay does something else than it says.

    Parameters
    ----------
    lies
        What is truly chosen, by what was asked for; or one that is, whatever is.
    """
    assert settings.bench is not None
    clock = VirtualClock()
    rig = Rig(settings, story(settings, 1, line=CLEAN), clock, nature=BenchNature())
    circuit = rig.circuit
    choose, drive = circuit.choose, circuit.drive
    seen: dict[str, float] = {}

    def chosen(key: str | None, at_s: float) -> None:
        truly = lies if isinstance(lies, str) and lies else key
        if isinstance(lies, dict) and key is not None:
            truly = lies.get(key, key)
        choose(truly, at_s)

    def driven(level: float, *, on: bool, **how: Any) -> None:
        key = circuit.range
        if on and key is not None:
            seen[key] = max(seen.get(key, 0.0), abs(level))
        drive(level, on=on, **how)

    circuit.choose, circuit.drive = chosen, driven  # type: ignore[method-assign]
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
        yield Proof(rig, bench, clock, seen)


def came_to(one: Proof, key: str) -> str:
    """Return why a range could not be measured; empty where it was."""
    try:
        one.measure(key)
    except BenchError as exc:
        return f"{type(exc).__name__}: {exc}"
    return ""


@pytest.mark.parametrize("stuck", FULL_SCALE)
@pytest.mark.parametrize("few_digits", [False, True])
def test_a_relay_that_sticks_and_lies_never_gives_more_than_the_probe(
    demo: Settings, stuck: str, few_digits: bool
) -> None:
    """To the range that it sticks in, no more than that range's own full level."""
    with proving(coarse(demo) if few_digits else demo, stuck) as one:
        for key, full_scale in FULL_SCALE.items():
            if key == stuck:
                continue
            one.highest.clear()
            said = came_to(one, key)
            if full_scale > FULL_SCALE[stuck]:
                assert "does not follow the switch" in said
            least = min(full_scale, FULL_SCALE[stuck])
            assert one.highest[stuck] <= max(1.001 * PROBE, 0.91 * least)
            assert not one.rig.state().source_on


def test_two_relays_that_are_exchanged_drive_no_range_beyond_its_own(
    demo: Settings,
) -> None:
    with proving(demo, {"1uA": "1mA", "1mA": "1uA"}) as one:
        came_to(one, "1uA")
        assert "beyond the meter" in came_to(one, "1mA")
        assert one.highest["1uA"] <= 1.001e-6


@pytest.mark.bench
def test_however_relays_lie_no_range_is_driven_beyond_its_own(demo: Settings) -> None:
    """Each of four orders may truly choose any of four ranges: 256 ways."""
    for truly in product(FULL_SCALE, repeat=len(FULL_SCALE)):
        lies = dict(zip(FULL_SCALE, truly, strict=True))
        with proving(demo, lies) as one:
            for key in FULL_SCALE:
                came_to(one, key)
                assert not one.rig.state().source_on
            for key, highest in one.highest.items():
                assert highest <= 1.001 * max(PROBE, FULL_SCALE[key]), lies


def with_part(rig: Rig, part: str, factor: float) -> None:
    """Mount a board with one part that is wrong by this factor."""
    board = rig.scenario.board("PA-1001")
    wrong = {**board.parts_ohm, part: board.parts_ohm[part] * factor}
    made = Board(
        serial="PA-1001", parts_ohm=wrong, tempco_ppm_per_k=board.tempco_ppm_per_k
    )
    rig.scenario.boards["PA-1001"] = made  # type: ignore[index]
    rig.mount("PA-1001")


@pytest.mark.parametrize(("part", "key"), [("R12", "10uA"), ("R14", "1mA")])
@pytest.mark.parametrize("factor", [0.1, 10.0, 100.0])
def test_a_part_of_the_wrong_decade_is_measured_and_not_taken_for_a_relay(
    demo: Settings, part: str, key: str, factor: float
) -> None:
    with proving(demo) as one:
        with_part(one.rig, part, factor)
        (found,) = one.measure(key)
        true = true_gain(one.rig, key)
        assert gain(found) == pytest.approx(true, rel=0.02 if factor == 100 else 2e-3)


def test_a_healthy_unit_is_proven_by_one_small_level_a_range(demo: Settings) -> None:
    with proving(demo) as one:
        before_s = one.clock.now_s()
        taken = one.measure()
        assert one.clock.now_s() - before_s < 3.5
        for readings in taken:
            assert gain(readings) == pytest.approx(
                true_gain(one.rig, readings.range), rel=400e-6
            )
        assert one.highest["1mA"] == pytest.approx(0.9e-3, rel=1e-3)


@pytest.mark.parametrize(("first", "second"), [("1uA", "100uA"), ("100uA", "10uA")])
def test_a_healthy_unit_is_not_lowered_for_an_output_that_still_moves(
    demo: Settings, first: str, second: str
) -> None:
    """With reversal nothing is read at level zero before the range is proven."""
    ranges = {
        key: one.model_copy(update={"both_polarities": True})
        for key, one in demo.product.ranges.items()
    }
    reading = demo.plan.reading.model_copy(update={"offset": "reversal"})
    reversing = demo.model_copy(
        update={
            "product": demo.product.model_copy(update={"ranges": ranges}),
            "plan": demo.plan.model_copy(update={"reading": reading}),
        }
    )
    with proving(reversing) as one:
        for readings in one.measure(first, second):
            highest = max(abs(point.level) for point in readings.points)
            assert highest == one.bench.setups[readings.range].highest
