"""The circuit's physics against formulas worked out by hand."""

from collections.abc import Mapping
from math import exp

import pytest
from hypothesis import given, strategies as st

from config.model import Settings
from daemon.bench.clock import ScaledClock
from daemon.simulator.circuit import (
    Ambient,
    Board,
    Circuit,
    Mounting,
    RangeCircuit,
    TemperatureCurve,
)
from daemon.simulator.rig import Rig
from daemon.simulator.scenario import workshop

PARTS_OHM = {"RF": 4_990.0, "RS": 10.0, "RA": 9_000.0, "RB": 9_000.0}
TAU_S = 0.02


def transfer(parts: Mapping[str, float]) -> float:
    return (parts["RF"] + parts["RS"]) * (1 + parts["RA"] / parts["RB"])


def board(
    *,
    tempco: dict[str, float] | None = None,
    leakage: float = 0.0,
    offset_v: float = 0.0,
    drift_v_per_h: float = 0.0,
    **parts_ohm: float,
) -> Board:
    return Board(
        serial="X-1",
        parts_ohm=PARTS_OHM | parts_ohm,
        tempco_ppm_per_k=dict.fromkeys(PARTS_OHM, 0.0) | (tempco or {}),
        leakage=leakage,
        offset_v=offset_v,
        drift_v_per_h=drift_v_per_h,
    )


def circuit(
    one: Board | None,
    *,
    unit: str = "A",
    at_c: float = 23.0,
    mounting: Mounting | None = None,
) -> Circuit:
    made = Circuit(
        input_unit=unit,
        ranges={
            "mid": RangeCircuit(
                transfer=transfer, time_constant_s=TAU_S, full_scale=1e-4
            )
        },
        rail_v=1.5,
        input_ohm=50.0,
        ambient=Ambient(mean_c=at_c),
        source_noise_ppm=0.0,
        noise=lambda: 0.0,
    )
    made.mount(one, mounting or Mounting(), 0.0)
    made.choose("mid", 0.0)
    return made


def driven(made: Circuit, level: float, at_s: float = 1.0) -> float:
    """Drive `level` and return the output long after."""
    made.drive(level, on=True, compliance=10.0, at_s=at_s)
    return made.output_v(at_s + 100 * TAU_S)


def test_output_is_the_hand_calculated_one() -> None:
    # (4990 + 10) * (1 + 1) = 10 kohm, times 90 uA.
    assert driven(circuit(board()), 90e-6) == pytest.approx(0.9, rel=1e-12)


def test_a_wrong_resistor_makes_the_wrong_reading() -> None:
    # 0.5 % of 4990 ohm is 24.95 ohm of 5000: 0.499 % of the reading.
    wrong = driven(circuit(board(RF=4_990.0 * 1.005)), 90e-6)
    assert wrong / 0.9 - 1 == pytest.approx(4_990e-6, rel=1e-9)


def test_a_wrong_resistor_of_the_shared_stage_counts_by_its_sensitivity() -> None:
    # 1 + 9090/9000 = 2.01 in place of 2.
    assert driven(circuit(board(RA=9_090.0)), 90e-6) == pytest.approx(0.9045, rel=1e-9)


def test_offset_and_leakage_add_at_their_own_places() -> None:
    one = board(offset_v=1e-3, leakage=1e-6)
    # 10 kohm * (90 - 1) uA + 1 mV.
    assert driven(circuit(one), 90e-6) == pytest.approx(0.891, rel=1e-12)


@pytest.mark.parametrize("level", [1e-3, -1e-3])
def test_output_clips_at_the_rails(level: float) -> None:
    assert driven(circuit(board()), level) == pytest.approx(1.5 if level > 0 else -1.5)


def test_a_warmer_room_moves_the_reading_by_the_temperature_coefficient() -> None:
    warm = circuit(board(tempco={"RF": 100.0}), at_c=27.0)
    # 400 ppm of 4990 ohm is 1.996 ohm of 5000.
    assert driven(warm, 90e-6) / 0.9 - 1 == pytest.approx(399.2e-6, rel=1e-6)


@given(
    at_c=st.floats(13.0, 33.0),
    tempco=st.fixed_dictionaries(
        {name: st.floats(-200.0, 200.0) for name in PARTS_OHM}
    ),
)
def test_temperature_curve_is_the_formula(
    at_c: float, tempco: dict[str, float]
) -> None:
    """The parabola differs from the exact evaluation by less than 1e-8."""
    one = board(tempco=tempco)
    curve = TemperatureCurve(lambda c: transfer(one.parts_at_ohm(c)))
    exact = transfer(one.parts_at_ohm(at_c))
    assert curve.at(at_c) == pytest.approx(exact, rel=1e-8)


def test_after_one_time_constant_63_percent_of_the_step_is_there() -> None:
    made = circuit(board())
    made.drive(0.0, on=True, compliance=10.0, at_s=1.0)
    made.drive(90e-6, on=True, compliance=10.0, at_s=2.0)
    assert made.output_v(2.0) == pytest.approx(0.0, abs=1e-15)
    assert made.output_v(2.0 + TAU_S) == pytest.approx(0.9 * (1 - exp(-1)), rel=1e-9)
    assert made.output_v(2.0 + 16 * TAU_S) == pytest.approx(0.9, rel=2e-7)


@given(
    levels=st.lists(st.floats(-1e-4, 1e-4), min_size=2, max_size=6),
    pauses_s=st.lists(st.floats(0.0, 0.1), min_size=6, max_size=6),
)
def test_the_output_never_jumps_when_the_level_changes(
    levels: list[float], pauses_s: list[float]
) -> None:
    made = circuit(board(offset_v=1e-4))
    at_s = 1.0
    for level, pause_s in zip(levels, pauses_s, strict=False):
        before_v = made.output_v(at_s)
        made.drive(level, on=True, compliance=10.0, at_s=at_s)
        assert made.output_v(at_s) == pytest.approx(before_v, abs=1e-12)
        at_s += pause_s


def test_the_range_switch_starts_to_settle_anew() -> None:
    made = circuit(board())
    driven(made, 90e-6)
    made.choose("mid", 10.0)
    made.mount(board(RF=9_990.0), Mounting(), 20.0)
    assert made.output_v(20.0 + TAU_S) == pytest.approx(1.5 * (1 - exp(-1)), rel=1e-9)


def test_thermal_emf_decays_and_leaves_its_steady_part() -> None:
    mounting = Mounting(steady_emf_v=1e-6, warm_emf_v=8e-6, decay_s=30.0)
    made = circuit(board(), mounting=mounting)
    # After three time constants 8 uV * e^-3 = 0.398 uV are left.
    assert made.output_v(90.0) == pytest.approx(1.3983e-6, rel=1e-4)


def test_the_offset_drifts_while_the_board_is_mounted() -> None:
    made = circuit(board(drift_v_per_h=2e-5))
    assert made.output_v(1800.0) == pytest.approx(1e-5, rel=1e-9)


@pytest.mark.parametrize("way", ["no board", "no range"])
@pytest.mark.parametrize("level", [1e-6, -1e-6])
def test_an_open_loop_drives_the_source_to_compliance(way: str, level: float) -> None:
    made = circuit(None if way == "no board" else board(offset_v=1e-5))
    if way == "no range":
        made.choose(None, 0.5)
    made.drive(level, on=True, compliance=12.0, at_s=1.0)
    assert made.in_compliance
    assert made.source_v() == (12.0 if level > 0 else -12.0)
    assert made.input_at(2.0) == 0.0


def test_a_closed_loop_needs_only_the_burden() -> None:
    made = circuit(board())
    driven(made, 90e-6)
    assert not made.in_compliance
    assert made.source_v() == pytest.approx(90e-6 * 50.0)


def test_compliance_limits_the_current() -> None:
    made = circuit(board())
    made.drive(90e-6, on=True, compliance=0.002, at_s=1.0)
    # 2 mV across 50 ohm are 40 uA.
    assert made.in_compliance
    assert made.input_at(2.0) == pytest.approx(40e-6)


def test_without_feedback_the_amplifier_runs_to_a_rail() -> None:
    made = circuit(board(offset_v=-1e-5))
    made.choose(None, 1.0)
    assert made.output_v(2.0) == pytest.approx(-1.5)


def test_output_off_is_not_zero_volts_but_no_current() -> None:
    made = circuit(board(leakage=1e-6))
    made.drive(90e-6, on=False, compliance=10.0, at_s=1.0)
    assert made.input_at(2.0) == 0.0
    assert made.source_v() == 0.0
    assert made.output_v(2.0) == pytest.approx(-0.01)


def test_a_node_of_volts_does_not_open() -> None:
    made = circuit(None, unit="V")
    made.drive(0.5, on=True, compliance=0.01, at_s=1.0)
    assert made.input_at(2.0) == 0.5
    assert not made.in_compliance


@given(at_s=st.floats(0.0, 1e6))
def test_the_room_stays_within_its_swing(at_s: float) -> None:
    ambient = Ambient(mean_c=22.0, swing_c=0.5, phase=1.0)
    assert abs(ambient.temperature_c(at_s) - 22.0) <= 0.5


def test_the_simulated_loop_carries_an_ampere_at_a_low_compliance(
    demo: Settings,
) -> None:
    assert demo.bench is not None
    top = max(demo.product.ranges, key=lambda key: demo.product.ranges[key].full_scale)
    large = demo.product.ranges[top].model_copy(
        update={"full_scale": 1.0, "source_limit": 1.1}
    )
    product = demo.product.model_copy(
        update={"ranges": demo.product.ranges | {top: large}}
    )
    bench = demo.bench.model_copy(update={"source_limit": 1.1, "compliance_v": 3.3})
    settings = demo.model_copy(update={"product": product, "bench": bench})
    rig = Rig(settings, workshop(settings, 1), ScaledClock())
    rig.mount("U-1")
    rig.turn(top)
    rig.circuit.drive(1.1, on=True, compliance=3.3, at_s=rig.now_s())
    assert not rig.circuit.in_compliance
    # Up to half of the compliance; the other half is for whatever else is in the loop.
    assert rig.circuit.source_v() == pytest.approx(1.65)
    # The demo's currents are small: its burden stays what it was, 50 ohm.
    small = Rig(demo, workshop(demo, 1), ScaledClock())
    small.mount("U-1")
    small.turn(top)
    small.circuit.drive(1e-4, on=True, compliance=3.3, at_s=small.now_s())
    assert small.circuit.source_v() == pytest.approx(50.0 * 1e-4)
