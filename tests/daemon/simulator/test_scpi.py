"""The instrument's side of SCPI-99 and IEEE 488.2 against published facts."""

import doctest
from collections.abc import Iterator

import pytest
from hypothesis import given, strategies as st

from daemon.simulator import faults, scpi
from daemon.simulator.scpi import (
    ERROR_TEXTS,
    EVENT_OF_CLASS,
    OPERATION_COMPLETE,
    POWER_ON,
    QUEUE_LENGTH,
    Instrument,
    ScpiError,
    boolean,
    command,
    number,
)
from tests.reference_values import Entry


class Plain(Instrument):
    """An instrument with little to say."""

    def reset(self) -> None:
        self.level = 0.0

    @command("[SOURce:]CURRent[:LEVel]")
    def _set(self, text: str) -> None:
        self.level = number(text, -1.0, 1.0, "A")

    @command("[SOURce:]CURRent[:LEVel]?")
    def _get(self) -> str:
        return f"{self.level:g}"

    @command("SOURce:CURRent:RANGe?")
    def _range(self) -> str:
        return "1"

    @command("OUTPut[:STATe]")
    def _out(self, text: str) -> None:
        boolean(text)


@pytest.fixture
def plain() -> Instrument:
    return Plain(identity="Holdpoint,plain,0,1", now_s=lambda: 0.0)


def test_examples_in_the_docstrings() -> None:
    for module in (faults, scpi):
        result = doctest.testmod(module)
        assert (result.failed, result.attempted > 0) == (0, True)


def complaints(instrument: Instrument) -> Iterator[str]:
    while (entry := instrument.handle("SYST:ERR?")) != '0,"No error"':
        assert entry is not None
        yield entry


@pytest.mark.reference("14_scpi_ieee488", "ieee488.mandatory")
def test_every_common_command_is_known(entry: Entry, plain: Instrument) -> None:
    for header in entry.published("commands"):
        plain.handle(f"{header} 0" if header in {"*ESE", "*SRE"} else header)
        assert list(complaints(plain)) == [], header


@pytest.mark.reference("14_scpi_ieee488", "ieee488.idn")
def test_identity_has_four_fields(entry: Entry, plain: Instrument) -> None:
    answer = plain.handle("*IDN?")
    assert answer is not None
    assert len(answer.split(",")) == len(entry.published("fields"))


@pytest.mark.reference("14_scpi_ieee488", "scpi.error_classes")
def test_error_texts_are_the_standard_s(entry: Entry) -> None:
    published = entry.published("members")
    for code, text in ERROR_TEXTS.items():
        if code:
            assert text == published[str(code)]


@pytest.mark.reference("14_scpi_ieee488", "scpi.error_query")
def test_error_query_is_answered_in_the_published_form(entry: Entry) -> None:
    published = {tuple(one) for one in entry.published("parsed")}
    for code, text in published:
        shown, _, detail = text.partition(";")
        error = ScpiError(code, detail)
        assert str(error) == f'{code},"{text}"'
        assert ERROR_TEXTS[code] == shown


@pytest.mark.reference("14_scpi_ieee488", "ieee488.esr")
def test_each_error_class_sets_its_event_bit(entry: Entry, plain: Instrument) -> None:
    bits = entry.published("bits")
    names = {-113: "CME", -222: "EXE", -350: "DDE", -410: "QYE"}
    for code, name in names.items():
        plain.handle("*CLS")
        plain.report(ScpiError(code))
        assert plain.handle("*ESR?") == str(bits[name])
        assert EVENT_OF_CLASS[-code // 100] == bits[name]
    assert bits["PON"] == POWER_ON
    assert bits["OPC"] == OPERATION_COMPLETE


@pytest.mark.reference("14_scpi_ieee488", "ieee488.stb")
def test_status_byte_says_error_available_and_event(
    entry: Entry, plain: Instrument
) -> None:
    bits = entry.published("bits")
    plain.handle("*CLS;*ESE 32;*SRE 32")
    assert plain.handle("*STB?") == "0"
    plain.handle("BOGUS")
    wanted = bits["EAV (error queue not empty, SCPI)"] + bits["ESB"] + bits["MSS/RQS"]
    assert plain.handle("*STB?") == str(wanted)


@pytest.mark.source("SCPI-99 volume 1, 6.2.1: long and short form, any case")
@pytest.mark.parametrize(
    "line",
    [
        "SOUR:CURR:LEV 0.5",
        "source:current:level 0.5",
        "SOURce:CURR 0.5",
        "CURR 0.5",
        ":curr:lev 500 mA",
        "SOUR1:CURR1 500E-3",
        "  CURRENT   .5  ",
        "CURR +5.0e-1A",
    ],
)
def test_every_spelling_sets_the_level(line: str, plain: Instrument) -> None:
    plain.handle(line)
    assert plain.handle("CURR?") == "0.5"
    assert list(complaints(plain)) == []


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("CURRE 0.5", -113),
        ("*RST2", -113),
        ("OUTP2 ON", -114),
        ("CURR", -109),
        ("CURR 1,2", -108),
        ("CURR? 1", -108),
        ("CURR much", -104),
        ("CURR nan", -104),
        ("CURR inf", -104),
        ("CURR 1 V", -131),
        ("CURR 1.5", -222),
        ("CURR -1e9", -222),
        ("CURR 1e999", -222),
        ("OUTP MAYBE", -224),
        ("CURR 0.5\u00b5", -101),
        ("*ESE 256", -222),
        ("x" * 5000, -363),
    ],
)
def test_a_bad_line_is_one_entry_in_the_queue(
    line: str, code: int, plain: Instrument
) -> None:
    plain.handle("*CLS;:CURR 0.25")
    assert plain.handle(line) is None
    entries = list(complaints(plain))
    assert len(entries) == 1
    assert entries[0].startswith(f'{code},"{ERROR_TEXTS[code]}')
    assert plain.handle("CURR?") == "0.25", "a bad line changed the level"


def test_compound_answers_come_on_one_line(plain: Instrument) -> None:
    assert plain.handle("CURR 0.5;CURR?;*OPC?;:SYST:ERR?") == '0.5;1;0,"No error"'


@pytest.mark.source("SCPI-99 volume 1, 6.2.4: a header continues the path before it")
def test_a_header_without_colon_continues_the_path(plain: Instrument) -> None:
    assert plain.handle("SOUR:CURR:LEV 0.5;RANG?") == "1"
    assert plain.handle("SOUR:CURR:LEV 0.5;*OPC?;RANG?") == "1;1"
    assert plain.handle("SOUR:CURR:LEV 0.5;SOUR:CURR?") is None
    assert next(complaints(plain)).startswith("-113")


def test_a_command_error_ends_the_line_an_execution_error_does_not(
    plain: Instrument,
) -> None:
    assert plain.handle("BOGUS;*OPC?") is None
    assert plain.handle("CURR 9;*OPC?") == "1"
    assert [e[:4] for e in complaints(plain)] == ["-113", "-222"]


@pytest.mark.source("SCPI-99 volume 2, 21.8: the newest entry gives way to -350")
def test_a_full_queue_keeps_the_oldest(plain: Instrument) -> None:
    plain.handle("CURR 9")
    for _ in range(QUEUE_LENGTH + 5):
        plain.handle("BOGUS")
    entries = list(complaints(plain))
    assert len(entries) == QUEUE_LENGTH
    assert entries[0].startswith("-222")
    assert entries[-1] == '-350,"Queue overflow"'


def test_all_errors_are_taken_at_once(plain: Instrument) -> None:
    plain.handle("CURR 9;BOGUS")
    assert plain.handle("SYST:ERR:COUN?") == "2"
    answer = plain.handle("SYST:ERR:ALL?")
    assert answer is not None
    assert answer.startswith("-222")
    assert ",-113" in answer
    assert plain.handle("SYST:ERR:COUN?") == "0"


def test_a_power_cycle_loses_settings_and_says_so(plain: Instrument) -> None:
    plain.handle("*CLS;CURR 0.5;*ESE 4;BOGUS")
    plain.power_cycle()
    assert plain.handle("CURR?;*ESE?;*ESR?;:SYST:ERR?") == '0;0;128;0,"No error"'


@pytest.mark.parametrize(
    ("text", "value"),
    [("250 nA", 250e-9), ("1UA", 1e-6), ("2 ma", 2e-3), ("MIN", -1.0), ("maximum", 1)],
)
def test_numbers_take_prefix_and_unit(text: str, value: float) -> None:
    assert number(text, -1.0, 1.0, "A") == pytest.approx(value, rel=1e-12)


@given(st.text(max_size=60))
def test_no_line_whatever_breaks_an_instrument(line: str) -> None:
    """Anything is either carried out or one more entry in the queue."""
    instrument = Plain(identity="Holdpoint,plain,0,1", now_s=lambda: 0.0)
    instrument.handle(line)
    assert instrument.handle("*IDN?") == "Holdpoint,plain,0,1"
