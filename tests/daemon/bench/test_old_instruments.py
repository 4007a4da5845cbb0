"""Instruments on serial lines, HiSLIP and VXI-11, asked or talking by themselves."""

from pathlib import Path
from threading import Event

import pytest

from config.load import load_profile
from config.model import Instrument
from config.profile import Kind, Profile, SerialLine
from daemon.bench.clock import ScaledClock
from daemon.bench.driver import Binding, Meter
from daemon.bench.errors import (
    AbsentError,
    BadAnswerError,
    InstrumentError,
    NoAnswerError,
    OverrangeError,
    SilentError,
)
from daemon.bench.retry import NEVER
from daemon.bench.visa import connect
from tests.daemon.bench.fakes import profile
from tests.daemon.bench.old_instruments import (
    hislip_instrument,
    serial_instrument,
    vxi11_instrument,
)

SCPI = profile("scpi_voltmeter")
ASKED = profile("line_voltmeter")
TALKING = profile("talking_voltmeter")


def meter(address: str, how: Profile, timeout_s: float = 0.5) -> Meter:
    return Meter(
        Binding(
            role="output",
            instrument=Instrument(
                address=address, profile="mine", timeout_s=timeout_s, identity="bench"
            ),
            # A pty has no parity, no stop bits and no lines that could feed a lead.
            profile=how.model_copy(update={"serial": SerialLine(baud=2400)}),
            connect=connect,
            clock=ScaledClock(),
            retry=NEVER,
        )
    )


def scpi(text: str) -> str | None:
    """Answer as a voltmeter does; unknown messages get none."""
    said = {
        "*IDN?": "bench,meter,4711,1",
        "READ?": "+1.250000E+00",
        "SYST:ERR?": '0,"No error"',
    }
    done = text.removesuffix(";*OPC?") != text
    return "1" if done else said.get(text)


@pytest.mark.parametrize("served", [hislip_instrument, vxi11_instrument])
def test_a_meter_over_framed_lines_is_told_and_read(served: object) -> None:
    with served(scpi) as address:  # type: ignore[operator]
        one = meter(address, SCPI)
        assert one.identify() == "bench,meter,4711,1"
        one.prepare()
        one.configure(1.0)
        assert one.read() == 1.25
        assert one.complaints() == []
        one.close()


@pytest.mark.parametrize("served", [hislip_instrument, vxi11_instrument])
def test_a_silent_answer_over_framed_lines_costs_one_reading(served: object) -> None:
    silent = Event()

    def answer(text: str) -> str | None:
        return None if text == "READ?" and silent.is_set() else scpi(text)

    with served(answer) as address:  # type: ignore[operator]
        one = meter(address, SCPI)
        silent.set()
        with pytest.raises(NoAnswerError):
            one.read()
        silent.clear()
        assert one.read() == 1.25
        one.close()


@pytest.mark.parametrize(
    ("said", "volts"),
    [
        ("DC  099.76 mV\r", 0.09976),
        ("-1,0121V\r", -1.0121),
        ("DC - 12.5 uV\r", -12.5e-6),
        (" +1.000 V\r", 1.0),
    ],
)
def test_a_line_with_a_prefix_is_understood(said: str, volts: float) -> None:
    with serial_instrument(lambda _: said) as instrument:
        one = meter(instrument.address, ASKED)
        assert one.identify() == "bench"
        assert one.complaints() == []
        one.configure(1.0)
        assert one.read() == volts
        assert "".join(instrument.heard) == "D\r"
        one.close()


@pytest.mark.parametrize(
    ("said", "error"),
    [
        ("DC O.L mV\r", OverrangeError),
        ("OL V\r", OverrangeError),
        ("12.5 kohm\r", BadAnswerError),
        ("AC 1.000 V\r", BadAnswerError),
        ("1.000 V\r2.000 V\r", BadAnswerError),
        ("1.000", NoAnswerError),
    ],
)
def test_what_is_no_reading_of_volts_is_none(
    said: str, error: type[InstrumentError]
) -> None:
    with serial_instrument(lambda _: said) as instrument:
        one = meter(instrument.address, ASKED, 0.2)
        with pytest.raises(error):
            one.read()
        one.close()


def test_another_quantity_is_told_with_what_to_look_for() -> None:
    with serial_instrument(lambda _: "12.5 kohm\r") as instrument:
        one = meter(instrument.address, ASKED)
        with pytest.raises(BadAnswerError, match="right quantity"):
            one.read()
        one.close()


def test_an_answer_that_comes_late_is_never_taken_for_the_next() -> None:
    """The meter cannot say who it is, so only waiting tells old from new."""
    said = iter([None, "9.0 V\r1.0 V\r", "2.0 V\r"])
    with serial_instrument(lambda _: next(said)) as instrument:
        one = meter(instrument.address, ASKED, 0.15)
        with pytest.raises(NoAnswerError):
            one.read()
        instrument.say("8.0 V\r")
        with pytest.raises(BadAnswerError, match="more than one answer"):
            one.read()
        assert one.read() == 2.0
        one.close()


def test_a_meter_that_talks_by_itself_gives_the_next_whole_line() -> None:
    said = iter(range(10_000))
    with serial_instrument(
        lambda _: f"{next(said)}.0 mV DC\r\n", talks=0.01
    ) as instrument:
        one = meter(instrument.address, TALKING)
        values = [round(one.read() * 1e3) for _ in range(20)]
        one.close()
    assert values == sorted(set(values))
    assert instrument.heard == []


def test_a_meter_that_stopped_talking_is_said_with_what_to_do() -> None:
    with serial_instrument() as instrument:
        one = meter(instrument.address, TALKING, 0.1)
        instrument.say("1.000 V DC\r\n")
        with pytest.raises(SilentError, match="turn on its sending"):
            one.read()
        one.close()


def test_a_pulled_serial_lead_is_absent() -> None:
    with serial_instrument() as instrument:
        one = meter(instrument.address, ASKED)
        instrument.unplug()
        with pytest.raises(AbsentError):
            one.read()
        one.close()


def test_a_port_that_is_not_there_is_absent(tmp_path: Path) -> None:
    with pytest.raises(AbsentError, match="cannot be opened"):
        meter(f"ASRL{tmp_path}/none::INSTR", ASKED)


@pytest.mark.parametrize("address", ["GPIB0::7::INSTR", "USB0::1::2::4711::INSTR"])
def test_a_bus_that_this_machine_cannot_open_says_what_it_needs(address: str) -> None:
    with pytest.raises(AbsentError, match=r"VISA library|check its power"):
        meter(address, SCPI)


def test_a_profile_with_a_prefix_is_of_our_own_kind(tmp_path: Path) -> None:
    one = load_profile("talking_ammeter", tmp_path)
    assert one.kind is Kind.AMMETER
    assert one.talks_by_itself
