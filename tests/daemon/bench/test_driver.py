"""Drivers: what a profile says is what is sent, and what comes back is checked."""

from collections.abc import Callable

import pytest

from config.model import Instrument
from config.profile import Profile
from daemon.bench.clock import VirtualClock
from daemon.bench.driver import Binding, Meter, Selector
from daemon.bench.errors import (
    BadAnswerError,
    BenchError,
    LimitError,
    NoAnswerError,
    OutputLostError,
    OutputNotOffError,
    OverrangeError,
    RefusedError,
    WrongIdentityError,
)
from daemon.bench.retry import NEVER, Retry
from daemon.bench.source import Source
from tests.daemon.bench.fakes import PROFILES, FakeBench, no_answer
from tests.reference_values import Entry


def binding(
    fake: FakeBench,
    role: str,
    profile: Profile,
    *,
    retry: Retry = NEVER,
    clock: VirtualClock | None = None,
    identity: str | None = None,
) -> Binding:
    return Binding(
        role=role,
        instrument=Instrument(
            address=f"fake {role}", profile="fake", identity=identity
        ),
        profile=profile,
        connect=fake.connect,
        clock=clock or VirtualClock(),
        retry=retry,
    )


def voltmeter(fake: FakeBench, retry: Retry = NEVER) -> Meter:
    return Meter(binding(fake, "output", PROFILES["voltmeter"], retry=retry))


def source(fake: FakeBench, permit: Callable[[], None] = lambda: None) -> Source:
    bound = binding(fake, "source", PROFILES["source"])
    return Source(bound, limit=1e-3, permit=permit, step=lambda: None)


def first_silent(role: str, *, then: str) -> Callable[[], str]:
    """Return an override that times out once."""
    silent = no_answer(role)
    asked = iter([True])
    return lambda: silent() if next(asked, False) else then


@pytest.mark.parametrize(
    "answer", ["", "nan", "inf", "1,5", "1.5 V", "+-1", "1e", "0x10", "1.5;1", "ON"]
)
def test_what_is_no_number_is_a_bad_answer(answer: str) -> None:
    fake = FakeBench()
    fake.answers["output", "READ?"] = answer
    with pytest.raises(BadAnswerError) as caught:
        voltmeter(fake).read()
    assert caught.value.command == "READ?"


@pytest.mark.reference("14_scpi_ieee488", "scpi.special_numbers")
def test_the_numbers_that_say_no_reading(entry: Entry) -> None:
    overrange = {
        entry.published(f"overrange_{side}") for side in ("positive", "negative")
    }
    for text in [*entry.published("spellings"), *map("{:E}".format, overrange)]:
        fake = FakeBench()
        fake.answers["output", "READ?"] = text
        assert (float(text) in overrange) != (
            float(text) == entry.published("not_a_number")
        )
        beyond = float(text) in overrange
        with pytest.raises(OverrangeError if beyond else BadAnswerError):
            voltmeter(fake).read()


@pytest.mark.reference("14_scpi_ieee488", "scpi.data_formats")
def test_a_block_is_never_taken_for_its_digits(entry: Entry) -> None:
    block = entry.inputs["block"]
    digits = block.removesuffix(entry.published("block_payload")) + "31415"
    for text in (block, digits):
        fake = FakeBench()
        fake.answers["output", "READ?"] = text
        with pytest.raises(BadAnswerError):
            voltmeter(fake).read()


def test_a_profile_s_pattern_and_scale_make_the_value() -> None:
    fake = FakeBench()
    fake.answers["output", "READ?"] = "DC 1234.5 mV"
    profile = PROFILES["voltmeter"].model_copy(
        update={"number": r"DC ([\d.]+) mV", "scale": 1e-3}
    )
    assert Meter(binding(fake, "output", profile)).read() == pytest.approx(1.2345)


def test_a_silence_of_the_profile_is_kept_after_each_command() -> None:
    clock = VirtualClock()
    profile = PROFILES["voltmeter"].model_copy(
        update={"silence_s": 0.25, "setup": ("A", "B"), "errors": None}
    )
    Meter(binding(FakeBench(), "output", profile, clock=clock)).prepare()
    assert clock.now_s() == pytest.approx(0.5)


def test_an_instrument_that_cannot_say_done_is_only_written_to() -> None:
    fake = FakeBench()
    profile = PROFILES["voltmeter"].model_copy(
        update={"complete": None, "errors": None}
    )
    Meter(binding(fake, "output", profile)).configure(10.0)
    assert fake.sent == [("output", "CONF:VOLT:DC 10"), ("output", "READ?")]


def test_a_range_is_set_once_its_complaints_read_and_a_first_reading_dropped() -> None:
    fake = FakeBench()
    meter = voltmeter(fake)
    meter.configure(10.0)
    meter.configure(10.0)
    assert fake.commands("output") == ["CONF:VOLT:DC 10", "SYST:ERR?", "READ?"]


def test_a_refused_range_is_told_with_the_instrument_s_own_words() -> None:
    fake = FakeBench()
    queue = iter(['-222,"Data out of range"', '0,"No error"'])
    fake.answers["output", "SYST:ERR?"] = lambda: next(queue)
    with pytest.raises(RefusedError, match="Data out of range"):
        voltmeter(fake).configure(1e9)


def test_integration_is_set_where_the_profile_can_say_it() -> None:
    fake = FakeBench()
    meter = Meter(binding(fake, "output", PROFILES["integrating"]))
    meter.configure(10.0, cycles=10.0)
    assert "SENS:VOLT:DC:NPLC 10" in fake.commands("output")


def test_a_refused_range_is_set_again_next_time() -> None:
    fake = FakeBench()
    queue = iter(['-222,"x"', '0,""', '0,""'])
    fake.answers["output", "SYST:ERR?"] = lambda: next(queue)
    meter = voltmeter(fake)
    with pytest.raises(RefusedError):
        meter.configure(10.0)
    meter.configure(10.0)
    assert fake.commands("output").count("CONF:VOLT:DC 10") == 2


def test_a_queue_that_never_empties_ends() -> None:
    fake = FakeBench()
    fake.answers["output", "SYST:ERR?"] = '-350,"Queue overflow"'
    with pytest.raises(RefusedError):
        voltmeter(fake).prepare()


def test_settings_are_sent_again_before_a_second_attempt() -> None:
    """The instrument may have lost them with its power."""
    fake = FakeBench()
    meter = voltmeter(fake, Retry(attempts=2, pause_s=0.0))
    meter.configure(10.0)
    fake.answers["output", "READ?"] = first_silent("output", then="1.5")
    fake.sent.clear()
    assert meter.read() == 1.5
    assert fake.commands("output") == [
        "READ?",
        "*CLS",
        "SYST:ERR?",
        "CONF:VOLT:DC 10",
        "SYST:ERR?",
        "READ?",
        "READ?",
    ]


def test_attempts_are_counted_and_the_last_fault_is_told() -> None:
    fake = FakeBench()
    fake.answers["output", "READ?"] = no_answer("output")
    with pytest.raises(NoAnswerError):
        voltmeter(fake, Retry(attempts=3, pause_s=0.0)).read()
    assert fake.commands("output").count("READ?") == 3


def test_an_overrange_is_not_tried_again() -> None:
    fake = FakeBench()
    fake.answers["output", "READ?"] = "9.9E37"
    with pytest.raises(OverrangeError):
        voltmeter(fake, Retry(attempts=3, pause_s=0.0)).read()
    assert fake.commands("output").count("READ?") == 1


@pytest.mark.parametrize(
    "expected", ["Holdpoint,fake output,1,0", "Holdpoint,fake output,1", None]
)
def test_an_identity_may_leave_out_its_last_fields(expected: str | None) -> None:
    bound = binding(FakeBench(), "output", PROFILES["voltmeter"], identity=expected)
    assert Meter(bound).identify() == "Holdpoint,fake output,1,0"


@pytest.mark.parametrize("expected", ["Holdpoint,fake output,2", "Holdpoint,fake out"])
def test_another_identity_is_refused_with_both(expected: str) -> None:
    bound = binding(FakeBench(), "output", PROFILES["voltmeter"], identity=expected)
    with pytest.raises(WrongIdentityError, match="expected 'Holdpoint,fake out"):
        Meter(bound).identify()


def test_an_instrument_that_cannot_say_who_it_is_has_its_typed_identity() -> None:
    profile = PROFILES["voltmeter"].model_copy(update={"identity": None})
    bound = binding(FakeBench(), "output", profile, identity="bench meter 3")
    assert Meter(bound).identify() == "bench meter 3"


@pytest.mark.parametrize(
    ("level", "limit"),
    [(1.1e-3, 2e-3), (2e-6, 1e-6), (-2e-6, 1e-6), (float("nan"), 1.0)],
)
def test_a_level_beyond_a_limit_is_refused_before_anything_is_sent(
    level: float, limit: float
) -> None:
    fake = FakeBench()
    one = source(fake)
    with pytest.raises(LimitError, match="nothing was sent"):
        one.set_level(level, limit=limit, setting="ranges.R12.source_limit")
    assert fake.sent == []


def test_a_limit_names_the_setting_it_comes_from() -> None:
    with pytest.raises(LimitError) as caught:
        source(FakeBench()).set_level(2e-6, limit=1e-6, setting="the range's limit")
    assert str(caught.value) == (
        "source level 2 µA is beyond the range's limit, 1 µA; "
        "nothing was sent: lower it"
    )


def test_the_output_is_not_turned_on_without_a_compliance() -> None:
    fake = FakeBench(on=False)
    with pytest.raises(RefusedError, match="compliance was not set"):
        source(fake).output_on()
    assert fake.sent == []


def test_a_compliance_holds_for_one_turning_on_only() -> None:
    fake = FakeBench(on=False)
    one = source(fake)
    one.set_compliance(10.0)
    one.output_on()
    one.output_off()
    with pytest.raises(RefusedError, match="compliance was not set"):
        one.output_on()


def test_an_output_that_does_not_go_on_is_lost() -> None:
    fake = FakeBench(on=False)
    one = source(fake)
    one.set_compliance(10.0)
    fake.answers["source", "OUTP?"] = "0"
    with pytest.raises(OutputLostError):
        one.output_on()


def test_off_is_tried_again_and_read_back() -> None:
    fake = FakeBench()
    states = iter(["1", "1", "0"])
    fake.answers["source", "OUTP?"] = lambda: next(states)
    source(fake).output_off()
    assert fake.commands("source") == ["OUTP OFF", "OUTP?"] * 3


@pytest.mark.parametrize("said", ["0", "+0", "OFF", "off", " 0 "])
@pytest.mark.source("common practice, no source")
def test_off_is_understood_as_sources_say_it(said: str) -> None:
    fake = FakeBench()
    fake.answers["source", "OUTP?"] = said
    source(fake).output_off()
    assert fake.commands("source") == ["OUTP OFF", "OUTP?"]


@pytest.mark.parametrize("said", ["", "00", "no", "0FF", "0.1", "ON", "+1"])
def test_whatever_else_it_says_is_not_off(said: str) -> None:
    fake = FakeBench()
    fake.answers["source", "OUTP?"] = said
    with pytest.raises(OutputNotOffError):
        source(fake).output_off()


@pytest.mark.parametrize(
    "said", ['0,"No error"', '+0,"No error"', "0 No error", "No error", "0"]
)
@pytest.mark.source("common practice, no source")
def test_no_error_is_no_complaint(said: str) -> None:
    fake = FakeBench()
    fake.answers["output", "SYST:ERR?"] = said
    assert voltmeter(fake).complaints() == []


def test_off_gets_through_a_passing_fault() -> None:
    fake = FakeBench()
    fake.answers["source", "OUTP OFF"] = first_silent("source", then="1")
    fake.answers["source", "OUTP?"] = "0"
    source(fake).output_off()


def test_an_output_that_stays_on_is_told_with_what_to_do() -> None:
    fake = FakeBench(deaf_to_off=True)
    with pytest.raises(OutputNotOffError, match="switch it off at the instrument"):
        source(fake).output_off()


def test_a_permit_is_asked_before_anything_may_flow() -> None:
    def refuse() -> None:
        message = "no"
        raise BenchError(message)

    fake = FakeBench(on=False)
    one = source(fake, refuse)
    one.set_compliance(10.0)
    one.set_level(0.0, limit=0.0, setting="zero")
    fake.sent.clear()
    with pytest.raises(BenchError, match="no"):
        one.output_on()
    with pytest.raises(BenchError, match="no"):
        one.set_level(1e-6, limit=1e-5, setting="x")
    assert fake.sent == []


def test_a_selection_that_is_not_read_back_is_a_bad_answer() -> None:
    fake = FakeBench()
    fake.answers["selector", "ROUT:CLOS? (@102)"] = "0"
    selector = Selector(binding(fake, "selector", PROFILES["switch"]))
    with pytest.raises(BadAnswerError):
        selector.select("102")
    assert fake.commands("selector")[:2] == ["ROUT:OPEN:ALL", "ROUT:CLOS (@102)"]
