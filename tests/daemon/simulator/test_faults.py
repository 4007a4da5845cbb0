"""Faults on demand, each with the trap that it sets for a reader."""

from collections import Counter

import numpy as np
import pytest

from config.model import Settings
from daemon.bench.clock import VirtualClock
from daemon.simulator.direct import DirectBench, DirectConnection
from daemon.simulator.errors import (
    UnfitFaultError,
    UnknownFaultError,
    UnknownRoleError,
)
from daemon.simulator.faults import (
    IN_A_METER,
    IN_THE_LINE,
    Fault,
    FaultKind,
    draw_fault,
    fault_kind,
)
from daemon.simulator.rig import Rig
from daemon.simulator.scenario import Scenario, story
from tests.daemon.simulator.benches import CLEAN, IDEAL


@pytest.fixture(scope="module")
def told(exact: Settings) -> Scenario:
    return story(exact, 5, units=4, line=CLEAN)


class Bench:
    """A bench that reads 0.9 V or so from the check standard."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.direct = DirectBench(rig)
        rig.mount("CS-1")
        self.connect("selector").write("ROUT:CLOS (@4)")
        self.connect("source").write("SOUR:VOLT:PROT 12;:SOUR:CURR 9e-4;:OUTP ON")
        self.output = self.connect("output")
        self.output.write("CONF:VOLT:DC 1;*CLS")
        rig.clock.wait_s(5.0)

    def connect(self, role: str) -> DirectConnection:
        return self.direct.connect(self.rig.bench.instruments[role].address)

    def inject(self, kind: FaultKind, role: str = "output", **rest: object) -> None:
        self.rig.inject(Fault(kind=kind, role=role, **rest))  # type: ignore[arg-type]

    def read_v(self) -> float:
        return float(self.output.query("READ?"))


@pytest.fixture
def bench(exact: Settings, told: Scenario) -> Bench:
    return Bench(Rig(exact, told, VirtualClock(), nature=IDEAL))


def test_a_swallowed_answer_times_out_once(bench: Bench) -> None:
    bench.inject(FaultKind.TIMEOUT)
    with pytest.raises(TimeoutError):
        bench.read_v()
    assert bench.read_v() == pytest.approx(0.9, rel=1e-3)


def test_a_late_answer_within_the_timeout_is_only_slow(bench: Bench) -> None:
    bench.inject(FaultKind.LATE, size=3.0)
    before_s = bench.rig.clock.now_s()
    assert bench.read_v() == pytest.approx(0.9, rel=1e-3)
    assert bench.rig.clock.now_s() - before_s == pytest.approx(3.02)


def test_a_late_answer_is_handed_to_the_next_query(bench: Bench) -> None:
    """Whoever goes on with the same line is one behind for ever."""
    bench.inject(FaultKind.LATE, size=7.0)
    with pytest.raises(TimeoutError):
        bench.read_v()
    stale = bench.output.query("*IDN?")
    assert float(stale) == pytest.approx(0.9, rel=1e-3)
    assert bench.output.query("READ?").startswith("Holdpoint,")
    bench.output.close()
    assert bench.connect("output").query("*IDN?").startswith("Holdpoint,")


def test_half_an_answer_sticks_to_the_next_one(bench: Bench) -> None:
    whole = bench.output.query("READ?")
    bench.inject(FaultKind.HALF)
    with pytest.raises(TimeoutError):
        bench.read_v()
    assert bench.output.query("*OPC?") == whole[: len(whole) // 2] + "1"


def test_garbage_is_never_a_number_nor_ascii(bench: Bench) -> None:
    bench.inject(FaultKind.GARBAGE, times=50)
    for _ in range(50):
        answer = bench.output.query("READ?")
        assert answer
        assert all(ord(letter) >= 128 for letter in answer)
    assert bench.read_v() == pytest.approx(0.9, rel=1e-3)


def test_a_disconnect_breaks_the_line_but_not_the_settings(bench: Bench) -> None:
    bench.inject(FaultKind.DISCONNECT)
    with pytest.raises(ConnectionResetError):
        bench.read_v()
    with pytest.raises(ConnectionResetError):
        bench.read_v()
    again = bench.connect("output")
    assert float(again.query("VOLT:RANG?")) == 1.0


def test_a_closed_port_refuses_until_it_is_mended(bench: Bench) -> None:
    bench.inject(FaultKind.CLOSED_PORT)
    with pytest.raises(ConnectionResetError):
        bench.read_v()
    with pytest.raises(ConnectionRefusedError):
        bench.connect("output")
    bench.rig.clear("output")
    assert float(bench.connect("output").query("READ?")) == pytest.approx(0.9, rel=1e-3)


def test_a_power_cycle_loses_the_settings_and_turns_the_source_off(
    bench: Bench,
) -> None:
    source = bench.connect("source")
    bench.inject(FaultKind.POWER_CYCLE, role="source")
    with pytest.raises(ConnectionResetError):
        source.query("OUTP?")
    assert not bench.rig.state().source_on
    again = bench.connect("source")
    assert again.query("OUTP?;:SOUR:CURR?;:VOLT:PROT?;*ESR?") == (
        "0;+0.00000000E+00;+0.00000000E+00;128"
    )


def test_another_instrument_answers_to_the_identity_query(bench: Bench) -> None:
    right = bench.output.query("*IDN?")
    bench.inject(FaultKind.WRONG_IDENTITY)
    assert bench.output.query("*IDN?") != right
    bench.rig.clear()
    assert bench.output.query("*IDN?") == right


def test_overrange_comes_as_often_as_asked(bench: Bench) -> None:
    bench.inject(FaultKind.OVERRANGE, times=2)
    assert [bench.read_v() for _ in range(2)] == [9.9e37, 9.9e37]
    assert bench.read_v() == pytest.approx(0.9, rel=1e-3)


def test_a_frozen_meter_does_not_see_the_change(bench: Bench) -> None:
    before_v = bench.read_v()
    bench.inject(FaultKind.FROZEN, times=None)
    bench.connect("source").write("SOUR:CURR 0")
    bench.rig.clock.wait_s(5.0)
    assert bench.read_v() == bench.read_v() == before_v
    bench.rig.clear("output")
    assert abs(bench.read_v()) < 1e-3


def test_a_drifting_range_moves_by_its_rate(bench: Bench) -> None:
    before_v = bench.read_v()
    bench.inject(FaultKind.DRIFT, size=20.0)
    bench.rig.clock.wait_s(10.0)
    assert (bench.read_v() / before_v - 1) * 1e6 == pytest.approx(200.0, abs=0.01)
    bench.rig.clear()
    assert bench.read_v() == before_v


def test_a_step_of_one_meter_range_leaves_the_others_alone(bench: Bench) -> None:
    before_v = bench.read_v()
    bench.inject(FaultKind.STEP, size=300.0, full_scale=1.0)
    assert (bench.read_v() / before_v - 1) * 1e6 == pytest.approx(300.0, abs=0.01)
    bench.output.write("CONF:VOLT:DC 10")
    assert bench.read_v() == before_v


def test_swapped_leads_turn_the_sign(bench: Bench) -> None:
    before_v = bench.read_v()
    bench.inject(FaultKind.SWAPPED)
    assert bench.read_v() == -before_v


def test_a_fault_waits_for_its_turn_and_its_line(bench: Bench) -> None:
    bench.inject(FaultKind.TIMEOUT, after=2, match="read")
    for _ in range(2):
        assert bench.output.query("*OPC?") == "1"
        bench.read_v()
    assert bench.output.query("*OPC?") == "1"
    with pytest.raises(TimeoutError):
        bench.read_v()


def test_only_a_meter_has_a_meter_s_faults(bench: Bench) -> None:
    for kind in IN_A_METER:
        with pytest.raises(UnfitFaultError, match="source"):
            bench.inject(kind, role="source")


def test_unknown_names_are_refused(bench: Bench) -> None:
    with pytest.raises(UnknownRoleError, match=r"'meter'.*output"):
        bench.inject(FaultKind.TIMEOUT, role="meter")
    with pytest.raises(UnknownRoleError):
        bench.rig.clear("meter")
    with pytest.raises(UnknownFaultError, match=r"'gremlin'.*timeout"):
        fault_kind("gremlin")


def test_every_kind_of_fault_is_drawn_and_can_be_had(
    bench: Bench, exact: Settings
) -> None:
    assert exact.bench is not None
    roles = list(exact.bench.instruments)
    chance = np.random.default_rng(1)
    drawn = [draw_fault(chance, roles) for _ in range(600)]
    counts = Counter(one.kind for one in drawn)
    assert set(counts) == set(FaultKind)
    assert min(counts.values()) > 20
    assert {one.role for one in drawn if one.kind in IN_THE_LINE} == set(roles)
    for one in drawn:
        bench.rig.inject(one)
    again = np.random.default_rng(1)
    assert drawn == [draw_fault(again, roles) for _ in range(600)]


def test_a_bench_without_meters_draws_faults_of_the_line() -> None:
    chance = np.random.default_rng(2)
    kinds = {draw_fault(chance, ["source"]).kind for _ in range(300)}
    assert kinds == set(FaultKind) - IN_A_METER


def test_a_step_that_passes_is_counted_where_a_reading_had_it(bench: Bench) -> None:
    right = bench.read_v()
    bench.inject(FaultKind.PASSING, size=1000.0, after=2, times=3)
    assert "range step that passes" not in bench.rig.state().struck
    off_ppm = [round((bench.read_v() / right - 1) * 1e6, -1) for _ in range(7)]
    assert off_ppm == [0, 0, 1000, 1000, 1000, 0, 0]
    assert bench.rig.state().struck["range step that passes"] == 1
    bench.inject(FaultKind.STEP, size=500.0)
    assert "range step" not in bench.rig.state().struck
    bench.read_v()
    assert bench.rig.state().struck["range step"] == 1
