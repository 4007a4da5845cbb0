"""What each instrument does to the circuit, and how wrong its readings are."""

import numpy as np
import pytest
from hypothesis import given, strategies as st

from config.load import load_profile, profile_names
from config.model import Settings
from config.profile import Kind
from daemon.bench.clock import VirtualClock
from daemon.simulator.errors import UnfitProductError
from daemon.simulator.meters import Meter, MeterScale
from daemon.simulator.rig import BenchNature, Rig
from daemon.simulator.scenario import Scenario, story
from daemon.simulator.scpi import Instrument
from daemon.simulator.sources import VoltageSource
from tests.daemon.simulator.benches import CLEAN, DEMO, IDEAL, with_ohmmeter


@pytest.fixture(scope="module")
def told(exact: Settings) -> Scenario:
    return story(exact, 5, units=4, line=CLEAN)


@pytest.fixture
def rig(exact: Settings, told: Scenario) -> Rig:
    return Rig(exact, told, VirtualClock(), nature=IDEAL)


def instrument(rig: Rig, role: str) -> Instrument:
    return rig.links[role].instrument


def ask(rig: Rig, role: str, line: str) -> str:
    answer = instrument(rig, role).handle(line)
    assert answer is not None
    return answer


def tell(rig: Rig, role: str, line: str) -> None:
    assert instrument(rig, role).handle(line) is None
    assert ask(rig, role, "SYST:ERR?") == '0,"No error"', line


def scale(**change: float) -> MeterScale:
    usual = {
        "full_scale": 1.0,
        "resolution": 1e-3,
        "gain_ppm": 0.0,
        "offset": 0.0,
        "noise": 0.0,
    }
    return MeterScale(**usual | change)


def test_a_meter_range_adds_gain_offset_and_noise() -> None:
    one = scale(gain_ppm=200.0, offset=1e-4, noise=1e-5, resolution=0.0)
    # 0.5 * 1.0002 + 0.0001 + 2 * 0.00001
    assert one.indicate(0.5, 0.0, 2.0) == pytest.approx(0.50022, rel=1e-12)


@given(true=st.floats(-1.19, 1.19))
def test_a_reading_is_a_whole_number_of_digits_within_half_a_digit(true: float) -> None:
    shown = scale().indicate(true, 0.0, 0.0)
    assert abs(shown - true) <= 0.5e-3 * (1 + 1e-9)
    assert shown / 1e-3 == pytest.approx(round(shown / 1e-3), abs=1e-9)


@pytest.mark.source("SCPI-99 volume 1, 7.2.1.4: infinity is 9.9E37")
def test_overload_is_9_9e37_of_the_right_sign() -> None:
    assert scale().indicate(1.199, 0.0, 0.0) == pytest.approx(1.199)
    assert scale().indicate(1.201, 0.0, 0.0) == 9.9e37
    assert scale().indicate(-1.201, 0.0, 0.0) == -9.9e37


def test_every_meter_range_s_errors_lie_within_its_specification_and_fill_it(
    demo: Settings,
) -> None:
    """Over many benches each bound is kept and nearly reached; ranges differ."""
    told = story(demo, 1, units=4)
    assert demo.bench is not None
    for role in ("reference", "output"):
        ranges = sorted(demo.bench.instruments[role].ranges, key=lambda r: r.full_scale)
        gains, offsets = [], []
        for seed in range(150):
            meter = Rig(demo, told, VirtualClock(), seed=seed).links[role].instrument
            assert isinstance(meter, Meter)
            gains.append([s.gain_ppm for s in meter.scales])
            offsets.append([s.offset / s.full_scale * 1e6 for s in meter.scales])
        for drawn, bound in (
            (np.array(gains), np.array([r.of_reading_ppm for r in ranges])),
            (np.array(offsets), np.array([r.of_range_ppm for r in ranges])),
        ):
            assert np.all(np.abs(drawn) <= bound)
            assert np.all(np.abs(drawn).max(axis=0) > 0.9 * bound)
            # Uniform: the standard deviation is the bound over the root of three.
            assert drawn.std(axis=0) == pytest.approx(bound / np.sqrt(3), rel=0.15)
            correlation = np.corrcoef(drawn.T)[np.triu_indices(len(ranges), 1)]
            assert np.all(np.abs(correlation) < 0.35)


def test_a_reading_s_noise_falls_with_the_root_of_its_power_line_cycles(
    exact: Settings, told: Scenario
) -> None:
    nature = BenchNature(meter_noise_ppm=10.0, ambient_swing_c=0.0)
    rig = Rig(exact, told, VirtualClock(), nature=nature)
    scatter = []
    for cycles in (1, 25):
        tell(rig, "output", f"CONF:VOLT 1;:VOLT:NPLC {cycles}")
        values = [float(ask(rig, "output", "READ?")) for _ in range(400)]
        scatter.append(np.std(values))
        assert instrument(rig, "output").took_s == pytest.approx(cycles / 50)
    assert scatter[0] == pytest.approx(10e-6, rel=0.15)
    assert scatter[0] / scatter[1] == pytest.approx(5.0, rel=0.2)


def test_a_meter_takes_the_smallest_range_that_holds_what_it_was_told(rig: Rig) -> None:
    for told_a, full_scale in ((1e-6, 1e-6), (1.1e-6, 1e-5), (0.0, 1e-6), (0.01, 0.01)):
        tell(rig, "reference", f"CONF:CURR:DC {told_a}")
        assert float(ask(rig, "reference", "CURR:RANG?")) == full_scale
    instrument(rig, "reference").handle("CONF:CURR:DC 0.02")
    assert ask(rig, "reference", "SYST:ERR?").startswith("-222")
    assert float(ask(rig, "reference", "CURR:RANG?")) == 0.01


def test_an_ammeter_knows_no_volts(rig: Rig) -> None:
    instrument(rig, "reference").handle("CONF:VOLT:DC 1")
    assert ask(rig, "reference", "SYST:ERR?").startswith("-113")


def test_without_a_range_a_meter_finds_one(rig: Rig, told: Scenario) -> None:
    rig.mount(told.builds[0].serials[0])
    tell(rig, "reference", "CONF:CURR:DC AUTO")
    tell(rig, "selector", "ROUT:CLOS (@4)")
    tell(rig, "source", "SOUR:VOLT:PROT 10;:SOUR:CURR 0.9 mA;:OUTP ON")
    assert float(ask(rig, "reference", "READ?")) == pytest.approx(9e-4, rel=1e-3)
    assert float(ask(rig, "reference", "CURR:RANG?")) == 1e-3


def test_the_reference_shows_the_source_s_setting_error(
    exact: Settings, told: Scenario
) -> None:
    """What was set is not what flows, so the reference matters."""
    errors_ppm = []
    for seed in range(40):
        rig = Rig(exact, told, VirtualClock(), seed=seed, nature=IDEAL)
        rig.mount("CS-1")
        tell(rig, "selector", "ROUT:CLOS (@4)")
        tell(rig, "source", "SOUR:VOLT:PROT 10;:SOUR:CURR 9e-4;:OUTP ON")
        true = float(ask(rig, "reference", "MEAS:CURR? 1e-3"))
        errors_ppm.append((true / 9e-4 - 1) * 1e6)
    assert np.max(np.abs(errors_ppm)) < 501
    assert np.std(errors_ppm) == pytest.approx(500 / np.sqrt(3), rel=0.3)


def test_the_source_is_off_at_power_on_after_reset_and_after_a_power_cycle(
    rig: Rig,
) -> None:
    assert ask(rig, "source", "OUTP?") == "0"
    for command in ("*RST", None):
        tell(rig, "source", "SOUR:VOLT:PROT 10;:SOUR:CURR 1e-6;:OUTP 1")
        assert ask(rig, "source", "OUTP?") == "1"
        if command is None:
            instrument(rig, "source").power_cycle()
        else:
            tell(rig, "source", command)
        assert ask(rig, "source", "OUTP?;:SOUR:CURR?") == "0;+0.00000000E+00"


def test_the_state_says_since_when_the_source_is_off(rig: Rig) -> None:
    rig.clock.wait_s(5.0)
    tell(rig, "source", "OUTP ON")
    assert rig.state().source_on
    assert rig.state().source_off_since_s is None
    rig.clock.wait_s(2.0)
    off_s = rig.clock.now_s()
    tell(rig, "source", "OUTP OFF")
    rig.clock.wait_s(1.0)
    tell(rig, "source", "OUTP OFF")
    assert rig.state().source_off_since_s == off_s, (
        "turning off twice is off since once"
    )
    assert rig.state().now_s == rig.clock.now_s()


def test_the_source_s_own_watchdog_turns_it_off_when_nobody_speaks(rig: Rig) -> None:
    tell(rig, "source", "OUTP:HOLD 2;:SOUR:VOLT:PROT 10;:SOUR:CURR 1e-6;:OUTP ON")
    for _ in range(5):
        rig.clock.wait_s(1.9)
        assert ask(rig, "source", "OUTP?") == "1", "it was spoken to in time"
    spoken_s = rig.clock.now_s()
    rig.clock.wait_s(60.0)
    assert rig.state().source_off_since_s == pytest.approx(spoken_s + 2.0)
    assert ask(rig, "source", "OUTP?") == "0"


def test_the_watchdog_bears_the_silence_of_a_busy_machine(
    demo: Settings, told: Scenario
) -> None:
    """At twenty times the speed its ten seconds are half a second of the machine."""
    rig = Rig(demo, told, VirtualClock(), least_silence_s=60.0)
    tell(rig, "source", "OUTP:HOLD 10;:SOUR:VOLT:PROT 10;:SOUR:CURR 1e-6;:OUTP ON")
    rig.clock.wait_s(59.0)
    assert ask(rig, "source", "OUTP?") == "1"
    rig.clock.wait_s(61.0)
    assert ask(rig, "source", "OUTP?") == "0"


def test_the_watchdog_acts_in_the_circuit_whoever_looks(
    rig: Rig, told: Scenario
) -> None:
    rig.mount(told.builds[0].serials[0])
    tell(rig, "selector", "ROUT:CLOS (@4)")
    tell(rig, "source", "OUTP:HOLD 2;:SOUR:VOLT:PROT 10;:SOUR:CURR 9e-4;:OUTP ON")
    rig.clock.wait_s(3.0)
    assert float(ask(rig, "reference", "READ?")) == 0.0
    assert float(ask(rig, "output", "READ?")) == pytest.approx(0.0, abs=1e-6)


def test_without_a_watchdog_the_source_stays_on(rig: Rig) -> None:
    tell(rig, "source", "OUTP ON")
    rig.clock.wait_s(1e6)
    assert rig.state().source_on


def test_an_open_loop_is_seen_at_the_source(rig: Rig, told: Scenario) -> None:
    tell(rig, "source", "SOUR:VOLT:PROT 12;:SOUR:CURR 1e-6;:OUTP ON")
    assert ask(rig, "source", "VOLT:PROT:TRIP?") == "1"
    assert float(ask(rig, "source", "MEAS:VOLT?")) == 12.0
    assert float(ask(rig, "reference", "READ?")) == 0.0
    rig.mount(told.builds[0].serials[0])
    tell(rig, "selector", "ROUT:CLOS (@1)")
    assert ask(rig, "source", "VOLT:PROT:TRIP?") == "0"


def test_a_current_source_cannot_be_told_to_be_another(rig: Rig) -> None:
    tell(rig, "source", "FUNC CURR")
    instrument(rig, "source").handle("FUNC VOLT")
    assert ask(rig, "source", "SYST:ERR?").startswith("-224")
    assert ask(rig, "source", "FUNC?") == "CURR"


def test_the_selector_closes_one_way_at_a_time(rig: Rig) -> None:
    assert ask(rig, "selector", "ROUT:CLOS?") == "(@)"
    tell(rig, "selector", "ROUT:CLOS (@2)")
    tell(rig, "selector", "ROUT:CLOS (@3)")
    assert ask(rig, "selector", "ROUT:CLOS? (@1,2,3)") == "0,0,1"
    assert ask(rig, "selector", "ROUT:CLOS:STAT?") == "(@3)"
    assert rig.state().range == "100uA"
    tell(rig, "selector", "ROUT:OPEN (@1)")
    assert rig.state().range == "100uA"
    tell(rig, "selector", "ROUT:OPEN (@3)")
    assert rig.state().range is None


@pytest.mark.parametrize(
    ("line", "code"),
    [("(@9)", "-222"), ("(@1,2)", "-221"), ("3", "-104"), ("", "-109")],
)
def test_the_selector_refuses(line: str, code: str, rig: Rig) -> None:
    tell(rig, "selector", "ROUT:CLOS (@1)")
    instrument(rig, "selector").handle(f"ROUT:CLOS {line}")
    assert ask(rig, "selector", "SYST:ERR?").startswith(code)
    assert ask(rig, "selector", "ROUT:CLOS?") == "(@1)"


def test_the_thermometer_reads_the_room_within_its_error(demo: Settings) -> None:
    told = story(demo, 1, units=4)
    misses_c = []
    for seed in range(30):
        rig = Rig(demo, told, VirtualClock(), seed=seed)
        true_c = rig.circuit.ambient.temperature_c(0.0)
        misses_c.append(float(ask(rig, "ambient", "MEAS:TEMP?")) - true_c)
    assert np.max(np.abs(misses_c)) < 0.25
    assert np.std(misses_c) > 0.05


def test_identity_follows_the_bench_file(demo: Settings, told: Scenario) -> None:
    assert demo.bench is not None
    source = demo.bench.source.model_copy(update={"identity": "Ours,S-1,0042"})
    bench = demo.bench.model_copy(update={"source": source})
    rig = Rig(demo.model_copy(update={"bench": bench}), told, VirtualClock())
    assert ask(rig, "source", "*IDN?") == "Ours,S-1,0042,0"
    assert ask(rig, "output", "*IDN?") == "Holdpoint,simulated output,0,0"


def test_a_standard_resistor_turns_amperes_into_volts(
    exact: Settings, told: Scenario
) -> None:
    assert exact.bench is not None
    reference_is = exact.bench.reference_is.model_copy(
        update={"kind": "standard_resistor", "standard_ohm": 1000.0}
    )
    bench = exact.bench.model_copy(
        update={
            "reference_is": reference_is,
            "reference": exact.bench.output.model_copy(
                update={"address": exact.bench.reference.address}
            ),
        }
    )
    rig = Rig(
        exact.model_copy(update={"bench": bench}), told, VirtualClock(), nature=IDEAL
    )
    rig.mount("CS-1")
    tell(rig, "selector", "ROUT:CLOS (@4)")
    tell(rig, "source", "SOUR:VOLT:PROT 12;:SOUR:CURR 9e-4;:OUTP ON")
    true_a = rig.circuit.input_at(0.0)
    read_v = float(ask(rig, "reference", "MEAS:VOLT? 1"))
    assert read_v == pytest.approx(1000.0 * true_a, rel=1e-8)
    # The standard is in the loop: 0.9 mA through 1050 ohm.
    assert float(ask(rig, "source", "MEAS:VOLT?")) == pytest.approx(0.945, rel=1e-3)


def test_a_bench_without_a_meter_s_ranges_is_refused(
    demo: Settings, told: Scenario
) -> None:
    assert demo.bench is not None
    output = demo.bench.output.model_copy(update={"ranges": ()})
    bench = demo.bench.model_copy(update={"output": output})
    with pytest.raises(UnfitProductError, match=r"output\.ranges"):
        Rig(demo.model_copy(update={"bench": bench}), told, VirtualClock())


def test_one_instrument_in_two_places_is_refused(
    demo: Settings, told: Scenario
) -> None:
    assert demo.bench is not None
    address = demo.bench.reference.address
    output = demo.bench.output.model_copy(update={"address": address})
    bench = demo.bench.model_copy(update={"output": output})
    with pytest.raises(UnfitProductError, match=r"output\.address.*reference"):
        Rig(demo.model_copy(update={"bench": bench}), told, VirtualClock())


def _instrument_of(kind: Kind, rig: Rig) -> Instrument:
    if kind is Kind.VOLTAGE_SOURCE:
        source = instrument(rig, "source")
        return VoltageSource(
            identity="Holdpoint,volts,0,0",
            now_s=rig.now_s,
            circuit=rig.circuit,
            nature=source._nature,  # type: ignore[attr-defined]
        )
    roles = {
        Kind.CURRENT_SOURCE: "source",
        Kind.AMMETER: "reference",
        Kind.VOLTMETER: "output",
        Kind.SWITCH: "selector",
        Kind.OHMMETER: "ohmmeter",
        Kind.THERMOMETER: "ambient",
    }
    return instrument(rig, roles[kind])


SCPI_PROFILES = [name for name in profile_names(DEMO) if "scpi" in name]


@pytest.mark.parametrize("name", [*SCPI_PROFILES, "watched_current_source"])
def test_the_instruments_obey_every_command_of_the_shipped_profiles(
    name: str, exact: Settings, told: Scenario
) -> None:
    profile = load_profile(name, DEMO)
    rig = Rig(with_ohmmeter(exact), told, VirtualClock(), nature=IDEAL)
    obeys = _instrument_of(profile.kind, rig)
    places = {"range": "1e-3", "level": "1e-4", "compliance": "0.5", "selector": "2"}
    lines = [*profile.setup, *profile.select]
    lines += [
        one
        for one in (
            profile.set_range,
            profile.set_compliance,
            profile.set_level,
            profile.output_on,
        )
        if one is not None
    ]
    if profile.watchdog is not None:
        lines += [profile.watchdog.start.format(seconds=5), profile.watchdog.stop]
    for line in lines:
        assert obeys.handle(line.format(**places)) is None, line
    for query in (profile.identity, profile.read, profile.complete):
        if query is not None:
            assert obeys.handle(query), query
    for query in (profile.output, profile.selected):
        if query is not None:
            assert obeys.handle(query.format(**places)) == "1", query
    assert profile.errors is not None
    assert obeys.handle(profile.errors) == '0,"No error"'
