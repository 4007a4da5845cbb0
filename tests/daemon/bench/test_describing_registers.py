"""Registers described by what the instrument shows, on ends nobody prepared."""

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, strategies as st
from pymodbus.simulator import DataType, SimData, SimDevice

from config.dialogue import Dialogue
from config.load import load_profile
from config.model import Instrument
from config.profile import Profile
from daemon.bench.clock import ScaledClock
from daemon.bench.describing import describe
from daemon.bench.driver import Binding, Meter
from daemon.bench.errors import OverrangeError
from daemon.bench.register_finding import Shown, places
from daemon.bench.retry import NEVER
from daemon.bench.source import Source
from daemon.bench.visa import connect, overhear, registers
from tests.daemon.bench.register_ends import (
    Device,
    registers_over_serial,
    registers_over_tcp,
)

MOST_SAID = 60
INPUTS, HOLDINGS = 24, 12
READ_HOLDING, READ_INPUT = 3, 4
WRITES = (5, 6, 15, 16)


@dataclass(frozen=True, kw_only=True)
class Panel(Device):
    """A panel meter as the library serves it; only its own registers are there.

    `holds` makes its input registers of the volts that it sees; `over` stands for a
    display that says overload.
    """

    holds: Callable[["Panel"], dict[int, int]]
    sees: dict[str, float] = field(default_factory=lambda: {"volts": 0.9012})
    writes: list[tuple[int, int]] = field(default_factory=list)
    asked: list[int] = field(default_factory=lambda: [0])

    def served(self, number: int) -> SimDevice:
        """Return it as the library serves it."""

        async def action(
            function: int,
            start: int,
            address: int,
            count: int,
            registers: list[int],
            values: Any,
        ) -> None:
            del start, count
            self.asked[0] += 1
            if function in WRITES:
                told = [int(one) for one in values or ()]
                self.writes.extend((address + at, one) for at, one in enumerate(told))
            if function == READ_INPUT:
                for at, word in self.holds(self).items():
                    registers[at] = word
            if function == READ_HOLDING:
                registers[7] = 4711
                registers[3] = self.asked[0] & 0xFFFF  # counts what it is asked

        def block(many: int) -> list[SimData]:
            return [SimData(0, values=[0] * many, datatype=DataType.REGISTERS)]

        bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
        return SimDevice(
            number, (bits, bits, block(HOLDINGS), block(INPUTS)), action=action
        )


def words(form: str, number: float, *, low_first: bool = False) -> tuple[int, ...]:
    raw = struct.pack(f">{form}", number if form in "fd" else round(number))
    found = struct.unpack(f">{len(raw) // 2}H", raw)
    return found[::-1] if low_first else found


def at(first: int, held: tuple[int, ...]) -> dict[int, int]:
    return {first + place: word for place, word in enumerate(held)}


def swapped_float(one: Panel) -> dict[int, int]:
    """Hold a float, low word first, beside a coarse count, a status and a clock."""
    volts = one.sees["volts"] + 1e-6 * (one.asked[0] % 3)
    over = one.sees.get("over")
    held = at(12, words("f", 9.9e37 if over else volts, low_first=True))
    held |= at(5, words("h", volts * 100)) | {0: 0x0101, 20: one.asked[0] & 0xFFFF}
    return held | {1: 230, 2: 17}


def counts(one: Panel) -> dict[int, int]:
    """Hold a count of 10 uV in 32 bits, high word first, and a copy of mV in 16."""
    over = one.sees.get("over")
    count = 0x7FFFFFFF if over else one.sees["volts"] * 1e5
    return at(4, words("i", count)) | at(8, words("h", one.sees["volts"] * 1e3))


def process(one: Panel) -> dict[int, int]:
    """Hold what a converter counts: 27648 for 10 V."""
    return at(2, words("h", one.sees["volts"] * 2764.8))


def told(
    panel: Panel, address: str, answers: Mapping[str, str | list[str]], folder: Path
) -> tuple[Profile, list[str]]:
    """Describe a panel as a person would who sets what it sees."""
    said: list[str] = []
    shows = {
        "What does it show now": 0.9012,
        "Have it show another number": 8.7654,
        "Have it show one below zero": -0.3577,
        "Have it show a fourth": 4.3210,
    }

    def ask(question: str) -> str:
        said.append(question)
        assert len(said) < MOST_SAID, "it asks the same again and again"
        for begin, answer in answers.items():
            if question.startswith(begin):
                return answer if isinstance(answer, str) else answer.pop(0)
        for begin, volts in shows.items():
            if question.startswith(begin):
                panel.sees["volts"] = volts
                return f"{volts:.4f}"
        if question.startswith("Have it show overload"):
            panel.sees["over"] = 1.0
            return "yes"
        if question.startswith("Does the instrument show that"):
            return "yes"
        if question.startswith("Does it speak in lines"):
            return "registers"
        return "Panel" if question.startswith("What do people call") else ""

    def say(text: str) -> None:
        said.append(text)
        if text.startswith(("  Then it says", "  That ")):
            panel.sees.pop("over", None)

    text = describe(
        Dialogue(ask, say),
        name="mine",
        instrument=Instrument(address=address, profile="mine", timeout_s=0.5),
        connect=connect,
        overhear=overhear,
        registers=registers,
    )
    (folder / "profiles").mkdir()
    (folder / "profiles" / "mine.toml").write_text(text, encoding="utf-8")
    return load_profile("mine", folder), said


def binding(address: str, how: Profile) -> Binding:
    return Binding(
        role="output",
        instrument=Instrument(address=address, profile="mine", timeout_s=0.5),
        profile=how,
        connect=connect,
        clock=ScaledClock(),
        retry=NEVER,
    )


def reads(address: str, how: Profile) -> float:
    meter = Meter(binding(address, how))
    try:
        return meter.read()
    finally:
        meter.close()


def test_a_float_of_swapped_words_is_found_among_registers_that_change(
    tmp_path: Path,
) -> None:
    panel = Panel(holds=swapped_float)
    with registers_over_tcp(d17=panel) as address:
        how, said = told(
            panel,
            address,
            {
                "Which number does it have": "17",
                "Which register says what it is": "holding 7 uint16",
                "Is that right": "yes",
            },
            tmp_path,
        )
        panel.sees["volts"] = -1.25
        assert reads(address, how) == pytest.approx(-1.25, abs=1e-5)
        panel.sees["over"] = 1.0
        with pytest.raises(OverrangeError):
            reads(address, how)
    assert not panel.writes, "it is read only"
    assert how.modbus is not None
    assert (how.modbus.device, how.modbus.word_order) == (17, "low first")
    assert (how.read, how.identity) == ("input 12 float32", "holding 7 uint16")
    assert how.exchange["identity"].expect == "4711"
    assert "  These can be read: input 0 to 23, holding 0 to 11." in said
    assert (
        "  The reading is in input 12 to 13, the low word first: float32, in V." in said
    )


def test_a_wide_count_is_preferred_to_its_coarse_copy_and_its_own_half(
    tmp_path: Path,
) -> None:
    panel = Panel(holds=counts)
    with registers_over_tcp(d1=panel) as address:
        how, said = told(panel, address, {}, tmp_path)
        panel.sees["volts"] = 12.34567
        assert reads(address, how) == pytest.approx(12.34567, abs=1e-9)
        panel.sees["over"] = 1.0
        with pytest.raises(OverrangeError):
            reads(address, how)
    assert (how.read, how.scale) == ("input 4 int32", 1e-5)
    assert how.beyond_range == "2147483647"
    assert not any("input 5: int16" in one for one in said)


def test_a_factor_is_asked_for_where_it_is_no_power_of_ten(tmp_path: Path) -> None:
    panel = Panel(holds=process)
    with registers_over_serial(d3=panel) as address:
        how, said = told(
            panel,
            address,
            {
                "Which parity": "none",  # a pseudo-terminal has no other
                "Which number does it have": "3",
                "Where is its reading": "30003",
                "Have it show overload": "no",
                "Have it show a fourth": "",
                "Which register chooses its range": "holding 0 uint16 {range}",
                "What is written for which": "1=1, 10=2",
                "By what is its number multiplied": repr(1 / 2764.8),
            },
            tmp_path,
        )
        panel.sees["volts"] = 5.0
        assert reads(address, how) == pytest.approx(5.0, abs=2e-4)
        meter = Meter(binding(address, how))
        meter.configure(10.0, cycles=1.0)
        meter.close()
    assert (0, 2) in panel.writes
    assert how.serial.parity == "none"
    assert any("About 0.00036" in one for one in said)


def test_a_device_that_does_not_answer_is_asked_for_again(tmp_path: Path) -> None:
    panel = Panel(holds=counts)
    with registers_over_tcp(d1=panel) as address:
        how, said = told(
            panel, address, {"Which number does it have": ["2", "1"]}, tmp_path
        )
    assert any(one.startswith("  Device 2 cannot be read: device 2") for one in said)
    assert how.modbus is not None
    assert how.modbus.device == 1


def test_a_source_with_registers_is_off_first_and_only_read(tmp_path: Path) -> None:
    panel = Panel(holds=counts)
    with registers_over_tcp(d1=panel) as address:
        how, _ = told(
            panel,
            address,
            {
                "What is it?": "current source",
                "Which command turns its output off": "holding 0 uint16 0",
                "Look at the instrument": "yes",
                "Which command sets its level": "holding 4 int32 {level}",
                "How many counts in": "1e9",
                "Which command sets its limit": "none",
                "Which command turns its output on": "holding 0 uint16 1",
            },
            tmp_path,
        )
        assert set(panel.writes) == {(0, 0)}
        source = Source(
            binding(address, how),
            limit=1.0,
            permit=lambda: None,
            step=lambda: None,
        )
        panel.writes.clear()
        source.set_level(0.9e-3, limit=1e-3, setting="here")
        source.close()
    assert panel.writes[-2:] == [(4, 900_000 >> 16), (5, 900_000 & 0xFFFF)]


FORMS = {"float32": "f", "int16": "h", "uint16": "H", "int32": "i", "uint32": "I"}


@given(
    st.sampled_from(sorted(FORMS)),
    st.booleans(),
    st.integers(min_value=1000, max_value=30_000),
    st.integers(min_value=1000, max_value=30_000),
)
def test_what_is_found_reads_what_was_shown(
    type_: str, low_first: bool, one: int, other: int
) -> None:
    """A number of each form, in counts of 0.1 mV, beside registers at rest."""
    if abs(one - other) < 10:
        return
    scale = 1e-4 if type_.startswith("float") else 1.0
    shown = [
        Shown(
            value=Decimal(value).scaleb(-4),
            words=(
                {
                    ("input", at): word
                    for at, word in enumerate(
                        (
                            *(77, 78),
                            *words(FORMS[type_], value * scale, low_first=low_first),
                            *(79, 80),
                        )
                    )
                },
            ),
        )
        for value in (one, other)
    ]
    found = places(shown)
    assert any(each.type == type_ for each in found)
    assert found[0].exact
