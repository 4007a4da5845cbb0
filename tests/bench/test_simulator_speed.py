"""How long a simulated reading takes without sockets."""

from time import perf_counter

import pytest

from config.load import load
from daemon.bench.clock import VirtualClock
from daemon.simulator.direct import DirectBench
from daemon.simulator.rig import BenchNature, Rig
from daemon.simulator.scenario import story
from tests.daemon.simulator.benches import DEMO, direct_hand

BUDGET_US = 40.0
STORY_BUDGET_S = 0.1


@pytest.mark.bench
def test_a_reading_fits_its_budget() -> None:
    settings = load(DEMO)
    rig = Rig(settings, story(settings, 1, units=4), VirtualClock())
    rig.mount("CS-1")
    output = DirectBench(rig).connect(rig.bench.output.address)
    best_s = min(_seconds(lambda: output.query("READ?"), 2000) for _ in range(5))
    assert best_s * 1e6 < BUDGET_US


@pytest.mark.bench
def test_a_measured_range_fits_its_budget() -> None:
    """Four readings, twelve commands and five looks into the error queue."""
    settings = load(DEMO)
    told = story(settings, 1, units=4)
    hand = direct_hand(settings, told, nature=BenchNature())
    hand.rig.mount("CS-1")
    best_s = min(_seconds(lambda: hand.transfer("1mA"), 200) for _ in range(5))
    assert best_s * 1e6 < 21 * BUDGET_US


@pytest.mark.bench
def test_a_story_of_ninety_boards_fits_its_budget() -> None:
    settings = load(DEMO)
    assert min(_seconds(lambda: story(settings, 1), 3) for _ in range(3)) < (
        STORY_BUDGET_S
    )


def _seconds(call: object, times: int) -> float:
    assert callable(call)
    started_s = perf_counter()
    for _ in range(times):
        call()
    return (perf_counter() - started_s) / times
