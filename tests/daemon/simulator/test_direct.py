"""The same instruments in process: the whole chain from part value to reading."""

import pytest

from config.model import Settings
from daemon.bench.clock import ScaledClock, VirtualClock
from daemon.simulator.direct import DirectBench
from daemon.simulator.errors import UnknownRangeError, UnknownSerialError
from daemon.simulator.rig import Rig
from daemon.simulator.scenario import Scenario, story
from tests.daemon.simulator.benches import (
    CLEAN,
    IDEAL,
    direct_hand,
    with_perfect_meters,
)

OWN = {"1uA": "R11", "10uA": "R12", "100uA": "R13", "1mA": "R14"}


@pytest.fixture(scope="module")
def told(exact: Settings) -> Scenario:
    return story(exact, 7, units=6, line=CLEAN)


def by_hand(told: Scenario, serial: str, key: str) -> float:
    ohm = told.board(serial).parts_ohm
    return (ohm[OWN[key]] + ohm["RSW"]) * (1 + ohm["R3"] / ohm["R4"])


def test_every_range_of_every_board_reads_as_its_parts_have_it(
    exact: Settings, told: Scenario
) -> None:
    hand = direct_hand(exact, told)
    for build in told.builds:
        for serial in build.serials:
            hand.rig.mount(serial)
            for key in OWN:
                wanted = by_hand(told, serial, key)
                # Nine digits are sent; the settled rest is 1e-7 of the step.
                assert hand.transfer(key) == pytest.approx(wanted, rel=3e-7)


def test_the_bad_reel_is_seen_in_its_range_alone(
    exact: Settings, told: Scenario
) -> None:
    truth = told.truth
    assert truth is not None
    hand = direct_hand(exact, told)
    for key in OWN:
        errors_ppm = []
        for serial in told.suspect_serials:
            hand.rig.mount(serial)
            nominal = 1 / exact.product.ranges[key].full_scale
            errors_ppm.append((hand.transfer(key) / nominal - 1) * 1e6)
        mean_ppm = sum(errors_ppm) / len(errors_ppm)
        if key == truth.range:
            assert mean_ppm > 1500
        else:
            assert abs(mean_ppm) < 700


def test_reading_too_early_shows_the_unsettled_rest(
    exact: Settings, told: Scenario
) -> None:
    """After half of `settle_s`, eight time constants, e^-8 of the step is missing."""
    hand = direct_hand(exact, told)
    serial = told.builds[0].serials[0]
    hand.rig.mount(serial)
    early = hand.transfer("1uA", settle_s=0.25)
    wanted = by_hand(told, serial, "1uA")
    assert 1 - early / wanted == pytest.approx(3.3546e-4, rel=1e-3)


def test_a_query_lasts_one_power_line_cycle(exact: Settings, told: Scenario) -> None:
    hand = direct_hand(exact, told)
    before_s = hand.rig.clock.now_s()
    hand.lines["output"].query("READ?")
    assert hand.rig.clock.now_s() - before_s == pytest.approx(0.02)
    hand.lines["output"].query("*IDN?")
    assert hand.rig.clock.now_s() - before_s == pytest.approx(0.02)


def test_virtual_and_scaled_clock_agree(exact: Settings, told: Scenario) -> None:
    """The same waits give the same readings, whichever clock passes them."""
    errors = []
    for clock in (VirtualClock(), ScaledClock(10_000.0)):
        hand = direct_hand(exact, told, clock=clock)
        hand.rig.mount("CS-1")
        errors.append([hand.transfer(key) for key in OWN])
    # A scaled wait is only ever longer, so at most the settled rest differs.
    assert errors[0] == pytest.approx(errors[1], rel=3e-7)


def test_the_same_seed_gives_the_same_readings_to_the_digit(demo: Settings) -> None:
    def readings(seed: int) -> list[str]:
        told = story(demo, 1, units=4)
        rig = Rig(demo, told, VirtualClock(), seed=seed)
        output = DirectBench(rig).connect(rig.bench.output.address)
        rig.mount("CS-1")
        return [output.query("READ?") for _ in range(20)]

    assert readings(5) == readings(5)
    assert readings(5) != readings(6)
    assert len(set(readings(5))) > 10, "there is noise"


def test_an_unanswered_query_times_out_after_the_bench_s_time(
    exact: Settings, told: Scenario
) -> None:
    hand = direct_hand(exact, told)
    before_s = hand.rig.clock.now_s()
    with pytest.raises(TimeoutError, match=r"within 5 s"):
        hand.lines["output"].query("CONF:VOLT:DC 1")
    assert hand.rig.clock.now_s() - before_s == pytest.approx(5.0)


def test_settings_outlast_a_connection(exact: Settings, told: Scenario) -> None:
    hand = direct_hand(exact, told)
    hand.lines["source"].write("SOUR:CURR 5e-7")
    hand.lines["source"].close()
    with pytest.raises(ConnectionResetError):
        hand.lines["source"].write("OUTP ON")
    again = DirectBench(hand.rig).connect(hand.rig.bench.source.address)
    assert float(again.query("SOUR:CURR?")) == 5e-7


def test_nothing_listens_elsewhere(exact: Settings, told: Scenario) -> None:
    bench = DirectBench(Rig(exact, told, VirtualClock()))
    with pytest.raises(ConnectionRefusedError):
        bench.connect("TCPIP::127.0.0.1::9::SOCKET")


def divider(demo: Settings) -> Settings:
    """Return a product of volts in, volts out: 10 V through 9 kohm and 1 kohm."""
    assert demo.bench is not None
    resistor = demo.product.parts["R3"]
    one = demo.product.ranges["1mA"].model_copy(
        update={"full_scale": 10.0, "source_limit": 12.0, "transfer": "RB / (RA + RB)"}
    )
    product = demo.product.model_copy(
        update={
            "input_unit": "V",
            "parts": {
                "RA": resistor.model_copy(update={"nominal_ohm": 9_000.0}),
                "RB": resistor.model_copy(update={"nominal_ohm": 1_000.0}),
            },
            "ranges": {"10V": one},
        }
    )
    bench = demo.bench.model_copy(
        update={
            "source_limit": 12.0,
            "check_standard": None,
            "reference": demo.bench.output.model_copy(
                update={"address": demo.bench.reference.address}
            ),
        }
    )
    return with_perfect_meters(
        demo.model_copy(update={"product": product, "bench": bench})
    )


def test_a_divider_of_volts_reads_as_its_parts_have_it(demo: Settings) -> None:
    settings = divider(demo)
    told = story(settings, 3, units=4, line=CLEAN)
    rig = Rig(settings, told, VirtualClock(), nature=IDEAL)
    bench = DirectBench(rig)
    source, reference, output, selector = (
        bench.connect(rig.bench.instruments[role].address)
        for role in ("source", "reference", "output", "selector")
    )
    source.write("SOUR:FUNC VOLT;:SOUR:CURR:PROT 0.01;:SOUR:VOLT 9;:OUTP ON")
    assert float(reference.query("MEAS:VOLT? 10")) == pytest.approx(9.0, rel=1e-3)
    selector.write("ROUT:CLOS (@4)")
    for serial in told.builds[0].serials:
        rig.mount(serial)
        rig.clock.wait_s(5.0)
        ohm = told.board(serial).parts_ohm
        ratio = float(output.query("MEAS:VOLT? 1")) / float(
            reference.query("MEAS:VOLT? 10")
        )
        assert ratio == pytest.approx(ohm["RB"] / (ohm["RA"] + ohm["RB"]), rel=3e-7)
    assert source.query("SYST:ERR?") == '0,"No error"'


def test_boards_and_ranges_by_hand(exact: Settings, told: Scenario) -> None:
    assert exact.bench is not None
    bench = exact.bench.model_copy(update={"selector": None})
    settings = exact.model_copy(update={"bench": bench})
    rig = Rig(settings, told, VirtualClock(), nature=IDEAL)
    assert rig.state().range == "1uA", "a unit's own switch always stands somewhere"
    rig.turn("1mA")
    rig.mount("CS-1")
    assert (rig.state().mounted, rig.state().range) == ("CS-1", "1mA")
    with pytest.raises(UnknownRangeError, match=r"'2mA'.*1mA"):
        rig.turn("2mA")
    with pytest.raises(UnknownSerialError):
        rig.mount("CS-2")
    assert rig.state().mounted == "CS-1"
    rig.remove()
    assert rig.state().mounted is None
