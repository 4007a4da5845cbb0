"""The simulated ohmmeter reads what its leads are on, and says when open."""

import json

import pytest

from config.model import Settings
from daemon.bench.clock import VirtualClock
from daemon.simulator.hands import Hands
from daemon.simulator.meters import OVERRANGE
from daemon.simulator.rig import Rig
from daemon.simulator.scenario import Scenario, story
from tests.daemon.simulator.benches import CLEAN, IDEAL, with_ohmmeter


@pytest.fixture(scope="module")
def told(exact: Settings) -> Scenario:
    return story(exact, 5, units=4, line=CLEAN)


@pytest.fixture
def rig(exact: Settings, told: Scenario) -> Rig:
    return Rig(with_ohmmeter(exact), told, VirtualClock(), nature=IDEAL)


def read(rig: Rig, wires: str = "FRES") -> float:
    ohmmeter = rig.links["ohmmeter"].instrument
    assert ohmmeter.handle(f"CONF:{wires} 10000") is None
    answer = ohmmeter.handle("READ?")
    assert ohmmeter.handle("SYST:ERR?") == '0,"No error"'
    return float(answer or "nan")


def test_open_leads_read_beyond_the_range(rig: Rig) -> None:
    assert read(rig) == OVERRANGE


def test_four_wires_leave_the_leads_out_and_two_add_them(
    rig: Rig, told: Scenario
) -> None:
    true_ohm = told.board("PA-1001").parts_ohm["R13"]
    rig.probe(serial="PA-1001", part="R13")
    assert read(rig) == pytest.approx(true_ohm, rel=1e-8)
    assert read(rig, "RES") == pytest.approx(true_ohm + 0.1, rel=1e-8)
    rig.probe()
    assert read(rig) == 0.0
    assert read(rig, "RES") == pytest.approx(0.1)


def test_loose_parts_are_of_their_reel_each_another(rig: Rig, told: Scenario) -> None:
    assert told.truth is not None
    bad = told.reel(told.truth.reel)
    seen = []
    for _ in range(20):
        rig.probe(reel=bad.reel)
        seen.append(read(rig) / bad.nominal_ohm - 1)
    mean_ppm = 1e6 * sum(seen) / len(seen)
    # Four standard deviations of a mean of twenty.
    assert mean_ppm == pytest.approx(bad.mean_ppm, abs=4 * bad.spread_ppm / 20**0.5)
    assert len(set(seen)) == 20


@pytest.mark.parametrize(
    ("order", "says"),
    [
        ({"reel": "K-9"}, "reel 'K-9' is unknown"),
        ({"serial": "X", "part": "R13"}, "serial 'X' is unknown"),
        ({"serial": "PA-1001", "part": "R9"}, "part 'R9' is unknown"),
        ({"serial": "PA-1001"}, "not an order"),
    ],
)
def test_hands_put_the_leads_on_what_there_is(
    rig: Rig, order: dict[str, str], says: str
) -> None:
    hands = Hands(rig)

    def told_to(what: dict[str, str]) -> dict[str, object]:
        return hands.obey(json.dumps(what).encode())

    assert told_to({"do": "probe", "serial": "PA-1001", "part": "R13"})["ok"]
    assert told_to({"do": "probe"})["ok"]
    assert read(rig) == 0.0
    refused = told_to({"do": "probe", **order})
    assert not refused["ok"]
    assert says in str(refused["error"])
