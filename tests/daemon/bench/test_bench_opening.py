"""Opening and closing a bench: limits first, then the source off, then the rest."""

import pickle
from threading import Event, Thread

import pytest
from hypothesis import given, strategies as st

from config.model import BY_HAND, Instrument, Reading
from daemon.bench import errors
from daemon.bench.bench import cautions, identify
from daemon.bench.errors import (
    ByHandError,
    InstrumentError,
    LimitError,
    NoRangeError,
    OutputNotOffError,
    WrongIdentityError,
)
from daemon.bench.measuring_plan import (
    check_limits,
    compliance,
    range_setups,
    smallest_range,
)
from tests.daemon.bench.fakes import (
    NOMINAL_TRANSFER,
    PROFILES,
    READING,
    FakeBench,
    meter_ranges,
    open_bench,
    product,
    settings,
)


def test_the_source_is_off_before_anything_else_is_said() -> None:
    fake = FakeBench()
    open_bench(fake)
    assert fake.sent[:2] == [("source", "OUTP OFF;*OPC?"), ("source", "OUTP?")]
    assert not fake.on


@pytest.mark.parametrize(
    "change",
    [
        {"source_limit": 0.5e-3},
        {"compliance_v": 16.0},
        {"compliance_v": 31.0, "allow_compliance_above_30_v": False},
    ],
)
def test_a_bench_that_could_exceed_a_limit_is_refused_before_anything_is_sent(
    change: dict[str, float],
) -> None:
    fake = FakeBench()
    with pytest.raises(LimitError):
        open_bench(fake, bench=settings().model_copy(update=change))
    assert fake.sent == []
    assert fake.open_lines == set()


def test_a_range_whose_level_exceeds_its_own_limit_is_named() -> None:
    bench, unit = settings(), product()
    tight = unit.ranges["R13"].model_copy(update={"source_limit": 80e-6})
    unit = unit.model_copy(update={"ranges": unit.ranges | {"R13": tight}})
    setups = range_setups(bench, unit, READING, NOMINAL_TRANSFER)
    says = r"range 0.0001 A 90 µA is beyond ranges\.R13\.source_limit, 80 µA;"
    with pytest.raises(LimitError, match=says) as caught:
        check_limits(bench, unit, setups.values())
    assert caught.value.limit == 80e-6


def test_a_voltage_source_is_limited_in_current_and_never_above_compliance() -> None:
    unit = product().model_copy(update={"input_unit": "V"})
    bench = settings()
    with pytest.raises(LimitError, match="current_limit_a"):
        compliance(bench, unit)
    bench = bench.model_copy(update={"current_limit_a": 0.02, "compliance_v": 0.5e-3})
    assert compliance(bench, unit) == 0.02
    setups = range_setups(bench, unit, READING, NOMINAL_TRANSFER)
    with pytest.raises(LimitError, match="compliance_v"):
        check_limits(bench, unit, setups.values())


def test_a_level_that_no_meter_range_holds_is_refused() -> None:
    small = settings().output.model_copy(update={"ranges": meter_ranges(0.1, 0.5)})
    bench = settings().model_copy(update={"output": small})
    with pytest.raises(NoRangeError, match=r"output: .* 0\.9, the largest is 0\.5"):
        open_bench(FakeBench(), bench=bench)


@given(
    st.lists(st.floats(min_value=1e-9, max_value=1e3), min_size=1, unique=True),
    st.floats(min_value=-1e3, max_value=1e3),
)
def test_the_smallest_range_that_holds_a_value_is_chosen(
    scales: list[float], value: float
) -> None:
    holding = [one for one in scales if one >= abs(value)]
    if holding:
        chosen = smallest_range(meter_ranges(*scales), value, role="output")
        assert chosen.full_scale == min(holding)
    else:
        with pytest.raises(NoRangeError) as caught:
            smallest_range(meter_ranges(*scales), value, role="output")
        assert caught.value.largest == max(scales)


def test_a_level_exactly_at_a_meter_s_full_scale_is_held_by_it() -> None:
    full = Reading(level_of_full_scale=1.0)
    setups = range_setups(settings(), product(), full, NOMINAL_TRANSFER)
    assert setups["R12"].reference_full_scale == 10e-6
    assert setups["R12"].output_full_scale == 1.0


def test_a_role_by_hand_is_refused_with_what_to_do() -> None:
    hand = Instrument(address=BY_HAND, profile="typed", ranges=meter_ranges(1.0))
    bench = settings().model_copy(update={"output": hand})
    with pytest.raises(ByHandError, match="type the readings"):
        open_bench(FakeBench(), bench=bench)


def test_another_meter_than_the_bench_names_closes_every_line() -> None:
    fake = FakeBench()
    other = settings().reference.model_copy(update={"identity": "Holdpoint,other"})
    with pytest.raises(WrongIdentityError) as caught:
        open_bench(fake, bench=settings().model_copy(update={"reference": other}))
    assert caught.value.role == "reference"
    assert not fake.on
    assert fake.open_lines == set()


def test_every_role_says_who_it_is() -> None:
    bench = open_bench(FakeBench())
    assert identify(bench) == {
        role: f"Holdpoint,fake {role},1,0"
        for role in ("source", "reference", "output", "selector", "ambient")
    }


def test_closing_turns_the_source_off_and_lets_go_of_every_line() -> None:
    fake = FakeBench()
    with open_bench(fake):
        fake.on = True
    assert not fake.on
    assert fake.open_lines == set()


def test_lines_are_let_go_even_when_the_source_stays_on() -> None:
    fake = FakeBench()
    bench = open_bench(fake)
    fake.on = fake.deaf_to_off = True
    with pytest.raises(OutputNotOffError):
        bench.close()
    assert fake.open_lines == set()


def test_errors_keep_their_fields_and_survive_pickling() -> None:
    kinds = [
        one
        for one in vars(errors).values()
        if isinstance(one, type) and issubclass(one, InstrumentError)
    ]
    assert len(kinds) == 11
    for kind in kinds:
        error = kind(role="output", address="A", command="READ?", reason="no answer")
        copy = pickle.loads(pickle.dumps(error))  # noqa: S301 - our own bytes
        assert type(copy) is kind
        assert (copy.role, copy.address, copy.command) == ("output", "A", "READ?")
        assert str(copy).startswith("output (A) at 'READ?': no answer; ")


def test_a_source_without_a_watchdog_is_said_before_it_is_turned_on() -> None:
    (said,) = cautions(settings(), PROFILES)
    assert "no watchdog of its own" in said
    assert "hardware disconnect" in said


def test_a_source_that_turns_itself_off_and_says_so_needs_no_caution() -> None:
    watched = settings().model_copy(
        update={"source": Instrument(address="fake source", profile="watched")}
    )
    assert cautions(watched, PROFILES) == ()


def test_a_source_that_cannot_say_whether_it_is_off_is_said() -> None:
    mute = PROFILES["watched"].model_copy(update={"output": None})
    (said,) = cautions(settings(), {"source": mute})
    assert said.startswith("The source cannot say")


def test_off_now_goes_past_a_thread_that_holds_the_line_of_the_source() -> None:
    """Another thread is in the middle of an exchange that does not end."""
    fake = FakeBench()
    bench = open_bench(fake)
    held, let_go = Event(), Event()

    def hang() -> str:
        held.set()
        assert let_go.wait(60.0)
        return "1"

    fake.answers["source", "SOUR:CURR:LEV 0"] = hang
    thread = Thread(
        target=bench.source.set_level, args=(0.0,), kwargs={"limit": 1.0, "setting": ""}
    )
    thread.start()
    assert held.wait(60.0)
    with pytest.raises(OutputNotOffError, match="its line is in use"):
        bench.halt()  # nothing guards a bench in memory: it is said
    assert bench.halted
    let_go.set()
    thread.join()
    bench.close()
