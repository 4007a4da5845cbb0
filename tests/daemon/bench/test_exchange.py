"""Commands that are answered, echoed, numbered and spelled as makers please."""

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from config.errors import ConfigError
from config.exchange import Exchange
from config.load import load_profile
from config.model import Instrument
from config.profile import Profile
from daemon.bench.clock import ScaledClock
from daemon.bench.driver import Binding, Meter, Selector
from daemon.bench.errors import (
    BadAnswerError,
    InstrumentError,
    OutputNotOffError,
    RefusedError,
    WrongIdentityError,
)
from daemon.bench.retry import NEVER
from daemon.bench.source import Source
from daemon.bench.visa import connect
from tests.daemon.bench.old_instruments import SerialInstrument, serial_instrument

BOARD = """
title = "Board with a converter"
kind = "current source"
read_termination = "\\r\\n"
identity = "who"
acknowledge = "ok"
echo = true
prompt = "> "
opening_pause_s = 0.05
set_level = "dac {level}"
set_compliance = "limit {compliance}"
output_on = "run"
output_off = "stop"
output = "state"
exchange.identity.expect = "board .*"
exchange.output = { yes = "running", no = "stopped" }
exchange.set_compliance = { unit = "mV", whole = true }

[exchange.set_level]
factor = 2.0e6
offset = 2048
whole = true
lowest = 0
highest = 4095
"""

METER = """
title = "Meter that acknowledges and then sends"
kind = "voltmeter"
write_termination = "\\r"
read_termination = "\\r"
read = "D?"
number = 'ack\\n(?P<number>[+-]?[0-9.]+) mV'
set_range = "R {range}"

[exchange.read]
lines = 2
unit = "mV"
before = ["front"]

[exchange.set_range]
expect = "set"
texts = { "0.1" = "low", "1" = "high" }
"""

SWITCH = """
title = "Switch that knows names"
kind = "switch"
select = ["choose {selector}"]
selected = "chosen {selector}"

[exchange.select]
expect = "done"
texts = { 1 = "first", 2 = "second" }

[exchange.selected]
yes = "y"
no = "n"
texts = { 1 = "first", 2 = "second" }
"""


def profile(text: str, folder: Path) -> Profile:
    """Read a profile as a maker writes it."""
    (folder / "profiles").mkdir(exist_ok=True)
    (folder / "profiles" / "mine.toml").write_text(text, encoding="utf-8")
    return load_profile("mine", folder)


def binding(role: str, address: str, how: Profile, timeout_s: float = 5.0) -> Binding:
    return Binding(
        role=role,
        instrument=Instrument(address=address, profile="mine", timeout_s=timeout_s),
        profile=how,
        connect=connect,
        clock=ScaledClock(),
        retry=NEVER,
    )


class Board:
    """A source on a microcontroller: echo, acknowledgement, prompt, codes."""

    def __init__(self) -> None:
        self.heard: list[str] = []
        self.code = 0
        self.on = True
        self.answers: dict[str, str] = {}

    def __call__(self, heard: str) -> str:
        return "".join(self._one(one) for one in heard.split("\n")[:-1])

    def _one(self, said: str) -> str:
        self.heard.append(said)
        answer = "ok"
        match said.split():
            case ["who"]:
                answer = "board 7"
            case ["dac", code]:
                self.code = int(code)
            case ["run"]:
                self.on = True
            case ["stop"]:
                self.on = False
            case ["state"]:
                answer = "running" if self.on else "stopped"
        return f"{said}\r\n{self.answers.get(said, answer)}\r\n> "


@contextmanager
def source(folder: Path, board: Board, text: str = BOARD) -> Iterator[Source]:
    with serial_instrument(board) as port:
        port.say("board starts\r\n> ")
        one = Source(
            binding("source", port.address, profile(text, folder)),
            limit=1e-3,
            permit=lambda: None,
            step=lambda: None,
        )
        yield one
        one.close()


def test_a_board_is_told_codes_and_its_words_are_understood(tmp_path: Path) -> None:
    board = Board()
    with source(tmp_path, board) as one:
        assert board.heard[0] == "stop"
        assert one.identify() == "board 7"
        one.output_off()
        one.set_level(0.0, limit=0.0, setting="zero")
        assert board.code == 2048
        one.set_compliance(1.25)
        assert board.heard[-1] == "limit 1250"
        one.output_on()
        for level, code in ((0.9e-3, 3848), (-0.1e-3, 1848), (0.2549e-6, 2048)):
            one.set_level(level, limit=1e-3, setting="test")
            assert board.code == code
        one.output_off()
        assert not board.on


def test_what_a_board_refuses_is_said_with_what_it_answered(tmp_path: Path) -> None:
    board = Board()
    board.answers["dac 2448"] = "error 3"
    with source(tmp_path, board) as one:
        with pytest.raises(RefusedError, match="answered 'error 3', which is not"):
            one.set_level(0.2e-3, limit=1e-3, setting="test")
        one.output_off()


def test_a_number_that_a_converter_has_not_is_not_sent(tmp_path: Path) -> None:
    board = Board()
    narrow = BOARD.replace("highest = 4095", "highest = 3000")
    with source(tmp_path, board, narrow) as one:
        with pytest.raises(RefusedError, match="sent as 3848; highest is 3000"):
            one.set_level(0.9e-3, limit=1e-3, setting="test")
        assert not any(said.startswith("dac") for said in board.heard)


def test_a_board_that_says_neither_yes_nor_no_is_not_off(tmp_path: Path) -> None:
    board = Board()
    board.answers["state"] = "perhaps"
    with source(tmp_path, board) as one:
        with pytest.raises(OutputNotOffError, match="perhaps"):
            one.output_off()
        board.answers.clear()
        one.output_off()


def test_another_board_than_the_pattern_says_is_none(tmp_path: Path) -> None:
    board = Board()
    board.answers["who"] = "bootloader"
    with (
        pytest.raises(WrongIdentityError, match="bootloader"),
        source(tmp_path, board),
    ):
        pass
    assert not board.on


def test_an_echo_of_something_else_is_no_answer(tmp_path: Path) -> None:
    board = Board()

    def mumbling(heard: str) -> str:
        return board(heard).replace("who", "hwo")

    with serial_instrument(mumbling) as port, pytest.raises(InstrumentError):
        Source(
            binding("source", port.address, profile(BOARD, tmp_path)),
            limit=1e-3,
            permit=lambda: None,
            step=lambda: None,
        )


@contextmanager
def meter(
    folder: Path, answers: Callable[[str], str | None], timeout_s: float = 5.0
) -> Iterator[tuple[Meter, SerialInstrument]]:
    with serial_instrument(answers) as port:
        how = profile(METER, folder)
        one = Meter(binding("output", port.address, how, timeout_s))
        yield one, port
        one.close()


def test_a_meter_that_acknowledges_and_then_sends_is_read(tmp_path: Path) -> None:
    """The text of its range, a step before each reading, millivolt."""
    said = {"R low\r": "set\r", "R high\r": "set\r", "front\rD?\r": "ack\r99.5 mV\r"}

    def answers(heard: str) -> str | None:
        if heard == "front\r":
            return None
        return said.get(heard, "ack\r99.5 mV\r" if heard == "D?\r" else "no\r")

    with meter(tmp_path, answers) as (one, port):
        one.configure(0.1)
        assert one.read() == pytest.approx(0.0995)
        one.configure(1.0)
        heard = "".join(port.heard)
        assert heard.startswith("R low\rfront\rD?\r")
        assert "R high\r" in heard
        with pytest.raises(RefusedError, match=r"no text for 10; it has 0\.1, 1"):
            one.configure(10.0)


TERMINALS = """
title = "Meter with two pairs of terminals"
kind = "voltmeter"
read = "ROUT:TERM?;:READ?"
number = 'FRON;(?P<number>[-+.0-9E]+)'
"""


def test_a_meter_that_was_switched_to_its_rear_gives_no_reading(
    tmp_path: Path,
) -> None:
    said = ["FRON;+9.0E-01\n", "REAR;+1.2E-05\n"]
    with serial_instrument(lambda _: said.pop(0)) as port:
        one = Meter(binding("output", port.address, profile(TERMINALS, tmp_path)))
        assert one.read() == pytest.approx(0.9)
        with pytest.raises(BadAnswerError, match="REAR"):
            one.read()
        one.close()


@pytest.mark.parametrize("said", ["ack\r", "ack\r1.0 mV\rack\r", "nak\r1.0 mV\r"])
def test_another_number_of_lines_is_no_reading(tmp_path: Path, said: str) -> None:
    waits_s = 0.3 if said == "ack\r" else 5.0  # what never comes is waited for
    with meter(tmp_path, lambda heard: said if "D?" in heard else None, waits_s) as (
        one,
        _,
    ):
        with pytest.raises(InstrumentError) as caught:
            one.read()
        assert isinstance(caught.value, BadAnswerError) == (said != "ack\r")


def test_a_switch_is_told_the_words_it_knows(tmp_path: Path) -> None:
    chosen = ""

    def answers(heard: str) -> str:
        nonlocal chosen
        verb, word = heard.strip().split(" ")
        if verb == "choose":
            chosen = word
            return "done\n"
        return "y\n" if word == chosen else "n\n"

    with serial_instrument(answers) as port:
        one = Selector(binding("selector", port.address, profile(SWITCH, tmp_path)))
        one.select("2")
        assert chosen == "second"
        assert one.is_selected("2")
        assert not one.is_selected("1")
        with pytest.raises(RefusedError, match="no text for '3'; it has 1, 2"):
            one.select("3")
        one.close()


FAULTS = {
    'exchange.set_lvel.expect = "ok"': "no such command.*did you mean 'set_level'",
    "exchange.set_range.lines = 2": "says more of set_range, which is not there",
    "exchange.output_on.whole = true": r"is not for output_on; allowed: expect, lines",
    'exchange.output.yes = "1"': r"exchange\.output\.no: missing",
    "exchange.set_level.factor = 0": "must not be 0",
    'exchange.set_level = { unit = "mA", factor = 2.0 }': "either unit or factor",
    'exchange.set_level.unit = "mW"': "A, V or ohm, with an SI prefix",
    "exchange.set_level = { whole = true, offset = 0.5 }": "must be whole",
    "exchange.set_level = { lowest = 3, highest = 1 }": "must be > lowest, 3",
    'exchange.set_level.texts = { one = "A" }': "must be the number it is sent for",
    'exchange.set_level = { whole = true, texts = { 1 = "A" } }': "texts say what is",
    'exchange.output_on.expect = "("': "must be a regular expression",
    'complete = "*OPC?"': "a command is answered once",
    'prompt = ""': "of 1 to 20 characters",
}


@pytest.mark.parametrize("line", FAULTS)
def test_each_bad_key_gets_one_error_that_says_what_is_allowed(
    line: str, tmp_path: Path
) -> None:
    text = f"""
title = "Board"
kind = "current source"
acknowledge = "ok"
set_level = "L {{level}}"
set_compliance = "C {{compliance}}"
output_on = "on"
output_off = "off"
output = "out"
{line}
"""
    with pytest.raises(ConfigError) as caught:
        profile(text, tmp_path)
    said = str(caught.value)
    assert re.search(FAULTS[line], said), said
    assert len(caught.value.faults) == 1, said
    assert "mine.toml" in said


@pytest.mark.parametrize(
    ("more", "value", "sent"),
    [
        ({"unit": "mA"}, 9e-6, "0.009"),
        ({"factor": -1.0, "offset": 5.0}, 2.0, "3"),
        ({"factor": 10.0, "whole": True}, -0.99, "-9"),
        ({"factor": 10.0, "whole": True}, 0.3, "3"),
        ({"texts": {"1e-3": "R2"}}, 0.001, "R2"),
    ],
)
def test_numbers_are_sent_as_the_instrument_counts(
    more: dict[str, Any], value: float, sent: str
) -> None:
    assert Exchange.model_validate(more).sent(value, 9) == sent
