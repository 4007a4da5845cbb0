"""A profile asked for and tried, on instruments that nobody prepared."""

import re
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from click.testing import CliRunner

from config.dialogue import Dialogue
from config.load import load_profile
from config.model import Instrument
from config.profile import Kind, Profile
from daemon.bench import describing
from daemon.bench.clock import ScaledClock
from daemon.bench.describing import _Describing, describe, talk
from daemon.bench.driver import Binding, Meter
from daemon.bench.errors import OutputNotOffError, RefusedError
from daemon.bench.retry import NEVER
from daemon.bench.source import Source
from daemon.bench.visa import connect, overhear, registers
from daemon.commands import bench_instruments
from daemon.service.home import Home
from tests.daemon.bench.fakes import PROFILES, FakeBench
from tests.daemon.bench.old_instruments import serial_instrument
from tests.daemon.bench.test_exchange import Board


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wait no longer than what is here needs to send."""
    monkeypatch.setattr(describing, "LISTEN_S", 0.02)


def described(
    folder: Path,
    address: str,
    answers: Mapping[str, str | list[str]],
    said: list[str] | None = None,
) -> tuple[Profile, list[str]]:
    """Describe what is at an address; return its profile and what was said."""
    said = [] if said is None else said

    def ask(question: str) -> str:
        said.append(question)
        found = [one for begin, one in answers.items() if question.startswith(begin)]
        assert len(found) <= 1, question
        answer = found[0] if found else ""
        return answer if isinstance(answer, str) else answer.pop(0)

    text = describe(
        Dialogue(ask, said.append),
        name="mine",
        instrument=Instrument(address=address, profile="mine", timeout_s=0.5),
        connect=connect,
        overhear=overhear,
        registers=registers,
    )
    (folder / "profiles").mkdir()
    (folder / "profiles" / "mine.toml").write_text(text, encoding="utf-8")
    return load_profile("mine", folder), said


def _in_turn(answers: list[str]) -> Callable[[str], str]:
    """Answer each question with the next."""

    def ask(_: str) -> str:
        return answers.pop(0)

    return ask


def binding(address: str, how: Profile) -> Binding:
    return Binding(
        role="mine",
        instrument=Instrument(address=address, profile="mine", timeout_s=0.5),
        profile=how,
        connect=connect,
        clock=ScaledClock(),
        retry=NEVER,
    )


def meter(heard: str) -> str | None:
    said = {"I": "bench meter 7\r\n", "M": "U= -12.5 mV DC\r\n"}
    return "".join(said.get(one, "what\r\n") for one in heard.split("\r")[:-1])


def test_a_meter_is_described_by_what_it_answers(tmp_path: Path) -> None:
    with serial_instrument(meter) as port:
        how, said = described(
            tmp_path,
            port.address,
            {
                "What is it?": "voltmeter",
                "What do people call it?": "Meter of the lab",
                "What ends a line that is sent": "return",
                "What ends a line that it sends": "both",
                "Which line asks it who": "I",
                "Which line asks for a reading": "M",
            },
        )
        assert how.kind is Kind.VOLTMETER
        one = Meter(binding(port.address, how))
        assert one.read() == pytest.approx(-0.0125)
        assert one.identify() == "bench meter 7"
        one.close()
    assert "  'M' is answered 'U= -12.5 mV DC'." in said
    assert "  reads -0.0125 V" in said


def test_a_question_mark_is_help_and_a_wrong_line_is_tried_again() -> None:
    tries = iter(["?", "X", "M"])
    right = iter(["no", "yes"])

    def scaled(heard: str) -> str:
        return "".join(
            "125\n" if one == "M" else "what\n" for one in heard.split("\n")[:-1]
        )

    with serial_instrument(scaled) as port:
        said: list[str] = []

        def ask(question: str) -> str:
            said.append(question)
            if question.startswith("Which line asks for a reading"):
                return next(tries)
            if question.startswith("Is that right"):
                return next(right)
            asked = {
                "What do people call it?": "Counter",
                "Which line asks it who it is?": "none",
                "By what is the number multiplied": "0.001",
            }
            return next((v for k, v in asked.items() if question.startswith(k)), "")

        text = describe(
            Dialogue(ask, said.append),
            name="mine",
            instrument=Instrument(address=port.address, profile="mine", timeout_s=0.5),
            connect=connect,
            overhear=overhear,
            registers=registers,
        )
    assert "  Such as READ?; 'none' where it sends readings by itself." in said
    assert "  'X' is answered 'what'." in said
    assert "scale = 0.001" in text
    assert "  reads 0.125 V" in said


def test_a_source_is_off_first_and_told_nothing_that_turns_it_on(
    tmp_path: Path,
) -> None:
    board = Board()
    with serial_instrument(board) as port:
        how, said = described(
            tmp_path,
            port.address,
            {
                "What is it?": "current source",
                "What do people call it?": "Board",
                "What ends a line that it sends": "both",
                "Does it send more": "yes",
                "Does it send back": "yes",
                "What does it answer to a line": "ok",
                "What does it send once it is ready": '"> "',
                "Which line turns its output off?": "stop",
                "Which line asks it who": "who",
                "'who' is not one query": "yes",
                "Which line asks whether its output": "state",
                "'state' is not one query": "yes",
                "It says 'stopped'. Look at the instrument": "yes",
                "It says 'stopped' while it is off": "running",
                "Which line sets its level": "dac {level}",
                "Which line sets its limit": "limit {compliance}",
                "Which line turns its output on": "run",
            },
        )
        off = ["stop", "stop"]  # as the line is opened, and to see what it answers
        assert board.heard == [*off, "who", "stop", "state", "stop", "stop"]
        assert not board.on
        source = Source(
            binding(port.address, how),
            limit=1.0,
            permit=lambda: None,
            step=lambda: None,
        )
        source.output_off()
        assert source.identify() == "board 7"
        source.close()
    assert "  'state' is answered 'stopped'." in said


class Chatty:
    """A board that answers each command with a word of its own, and counts in mA."""

    def __init__(self) -> None:
        self.heard: list[str] = []
        self._rest = ""

    def __call__(self, heard: str) -> str:
        """Return what is answered to what came."""
        *lines, self._rest = (self._rest + heard).split("\n")
        self.heard += lines
        said = {"ver": "little amp 2", "st": "halted"}
        return "".join(f"{said.get(one, f'ack {one}')}\n" for one in lines)


def test_words_that_change_and_a_unit_of_its_own_are_asked_for(tmp_path: Path) -> None:
    board = Chatty()
    with serial_instrument(board) as port:
        how, said = described(
            tmp_path,
            port.address,
            {
                "What is it?": "current source",
                "What do people call it?": "Little amp",
                "Does it send more": "yes",
                # Wrong at first: then what came is shown, and it is asked again.
                "What does it answer to a line": ["OK", "ack *"],
                "What does it send once it is ready": "none",
                "Which line turns its output off?": "halt",
                "Which line asks it who": "ver",
                "'ver' is not one query": "yes",
                "Which line asks whether its output": "st",
                "'st' is not one query": "yes",
                "It says 'halted'. Look at the instrument": "yes",
                "It says 'halted' while it is off": "running",
                "Which line sets its level": "i {level}",
                "In which unit is the number in 'i {level}'": ["amps", "mA"],
                "Which line sets its limit": "none",
                "Which line turns its output on": "go",
            },
        )
        source = Source(
            binding(port.address, how),
            limit=1.0,
            permit=lambda: None,
            step=lambda: None,
        )
        source.set_level(0.9e-3, limit=1e-3, setting="here")
        source.close()
    assert "  'halt' is answered 'ack halt'." in said
    assert board.heard[-1] == "i 0.9"
    assert not any("take the source's output as live" in one for one in said)
    assert "go" not in board.heard


def test_a_line_that_does_not_turn_it_off_makes_no_profile(tmp_path: Path) -> None:
    """Misspelt, and the board says nothing to that: its output is still on."""

    def still_on(heard: str) -> str:
        return "".join(
            "running\n" if one == "st?" else "" for one in heard.split("\n")[:-1]
        )

    with (
        serial_instrument(still_on) as port,
        pytest.raises(OutputNotOffError, match="does not turn the output off") as found,
    ):
        described(
            tmp_path,
            port.address,
            {
                "What is it?": "current source",
                "What do people call it?": "Amp",
                "Which line turns its output off?": "hlat",
                "Which line asks it who": "none",
                "Which line asks whether its output": "st?",
                "It says 'running'. Look at the instrument": "no",
            },
        )
    assert "live" in str(found.value)
    assert not (tmp_path / "profiles").exists()


AMP = {
    "What is it?": "current source",
    "What do people call it?": "Amp",
    "Which line turns its output off?": "halt",
    "Which line asks it who": "none",
    "Which line asks whether its output": "st?",
    "It says '0'. Look at the instrument": "yes",
    "Which line sets its level": "i {level}",
    "Which line sets its limit": "none",
    "Which line turns its output on": "go",
}


def test_an_answer_that_says_off_is_seen_by_a_person_too(tmp_path: Path) -> None:
    """The line asks another thing, such as whether anything is wrong."""

    def running(heard: str) -> str:
        return "".join("0\n" if one == "st?" else "" for one in heard.split("\n")[:-1])

    unseen = AMP | {"It says '0'. Look at the instrument": "no"}
    with serial_instrument(running) as port, pytest.raises(OutputNotOffError):
        described(tmp_path, port.address, unseen)
    assert not (tmp_path / "profiles").exists()


def test_a_source_that_takes_no_off_at_the_end_has_no_profile(tmp_path: Path) -> None:
    """What turned it off before is answered by something else at last."""
    offs: list[str] = []

    def board(heard: str) -> str:
        said = []
        for one in heard.split("\n")[:-1]:
            if one == "halt":
                offs.append(one)
            # As the line opens, to see its answer, after the one query; then no more.
            ok = one != "halt" or len(offs) < 4
            said.append("0\n" if one == "st?" else "ok\n" if ok else "fault 3\n")
        return "".join(said)

    told: list[str] = []
    with serial_instrument(board) as port, pytest.raises(OutputNotOffError):
        described(
            tmp_path,
            port.address,
            AMP
            | {
                "Does it send more": "yes",
                "What does it answer to a line": "ok",
                "What does it send once it is ready": "none",
            },
            told,
        )
    assert any("'halt': answered 'fault 3'" in one for one in told)
    assert not (tmp_path / "profiles").exists()


def test_what_is_wrong_in_an_exchange_is_asked_for_there_or_left_out() -> None:
    """Once more a pattern that is none, then one that is right; or it is left out."""
    for answers, stands in ((["[", "ok"], {"expect": "ok"}), (["none"], None)):
        asking = _Describing(
            Dialogue(_in_turn(answers), lambda _: None),
            "mine",
            Instrument(address="COM1", profile="mine"),
            connect,
            overhear,
            registers,
            {},
        )
        asking._found = {"title": "Meter", "kind": "voltmeter", "read": "READ?"}
        asking._found["identity"] = "*IDN?"
        asking._more = {"identity": {"expect": "("}}
        assert asking._made().identity == "*IDN?"
        assert answers == []
        assert asking._more.get("identity") == stands


@pytest.mark.parametrize("confirmed", ["yes", "no"])
def test_a_line_that_turns_a_source_on_leaves_it_off(confirmed: str) -> None:
    """Typed for a query, and the person leaves at the next question."""
    board = Board()
    answers = {
        "What is it?": "current source",
        "What do people call it?": "Board",
        "What ends a line that it sends": "both",
        "Does it send more": "yes",
        "Does it send back": "yes",
        "What does it answer to a line": "ok",
        "What does it send once it is ready": '"> "',
        "Which line turns its output off?": "stop",
        "Which line asks it who": "run",
        "'run' is not one query": confirmed,
    }
    asked: list[str] = []

    def ask(question: str) -> str:
        if question.startswith("Is that right") or asked.count(question) > 0:
            raise KeyboardInterrupt
        if question.startswith("Which line asks it who"):
            asked.append(question)
        return next((v for k, v in answers.items() if question.startswith(k)), "")

    with serial_instrument(board) as port:
        with pytest.raises(KeyboardInterrupt):
            describe(
                Dialogue(ask, lambda _: None),
                name="mine",
                instrument=Instrument(
                    address=port.address, profile="mine", timeout_s=0.5
                ),
                connect=connect,
                overhear=overhear,
                registers=registers,
            )
        assert ("run" in board.heard) == (confirmed == "yes")
        assert board.heard[-1] == "stop"
        assert not board.on


@pytest.mark.parametrize(
    ("line", "allowed"),
    [("OUTP ON", False), ("SOUR:CURR:LEV 1", False), ("OUTP?", True)],
)
def test_a_source_is_told_nothing_by_hand(line: str, allowed: bool) -> None:
    fake = FakeBench(on=False)
    one = Instrument(address="fake source", profile="source")

    def say() -> str:
        return talk("source", one, PROFILES["source"], line, connect=fake.connect)

    if allowed:
        assert say() == "0"
    else:
        with pytest.raises(RefusedError, match=r"may be asked '\*IDN\?', 'SYST:ERR\?'"):
            say()
        assert fake.sent == []


def test_a_meter_is_told_what_a_person_likes() -> None:
    fake = FakeBench()
    one = Instrument(address="fake output", profile="voltmeter")
    said: Callable[[str], str] = lambda line: talk(  # noqa: E731
        "output", one, PROFILES["voltmeter"], line, connect=fake.connect
    )
    assert said("*IDN?") == "Holdpoint,fake output,1,0"
    assert fake.open_lines == set()


class Counting:
    """A meter that says channel, count and reading; the count goes on."""

    def __init__(self) -> None:
        self._count = 0

    def __call__(self, heard: str) -> str:
        said = ""
        for _ in heard.split("\n")[:-1]:
            self._count += 1
            said += f"ch1 {self._count:4d}:  {-1234567.5 - self._count} nV ok\n"
        return said


def test_the_reading_is_found_among_other_numbers(tmp_path: Path) -> None:
    with serial_instrument(Counting()) as port:
        how, said = described(
            tmp_path,
            port.address,
            {
                "What do people call it?": "Counter",
                "Which line asks it who": "none",
                "Which line asks for a reading": "V",
                "Which number in": "-1234568.5",
            },
        )
        assert "  The number in it is -1234568.5, with nV." in said
        assert sum(one.startswith("  reads -0.0012345") for one in said) == 3
    assert re.fullmatch(how.number, "ch1   17: -12.5 nV ok")
    assert re.fullmatch(how.number, "ch2   17: -12.5 nV ok") is None


def test_what_is_not_what_the_instrument_shows_is_asked_for_again(
    tmp_path: Path,
) -> None:
    with serial_instrument(Counting()) as port:
        how, said = described(
            tmp_path,
            port.address,
            {
                "What do people call it?": "Counter",
                "Which line asks it who": "none",
                "Which line asks for a reading": "V",
                "Which number in": ["1", "-1234575.5"],
                "Does the instrument show that": ["no", "yes"],
            },
        )
    assert said.count("  reads 1 V") == 3
    assert re.fullmatch(how.number, "ch1   17: -12.5 nV ok")


def test_a_meter_that_sends_by_itself_is_listened_to(tmp_path: Path) -> None:
    with serial_instrument(lambda _: "DC  1.2345 V\n", talks=0.01) as port:
        how, said = described(
            tmp_path,
            port.address,
            {
                "What is it?": ["volt", "voltm"],
                "What do people call it?": "Talker",
                "Which line asks it who": "none",
                "Which line asks for a reading": "none",
            },
        )
    assert "  'volt' may be voltage source or voltmeter: type more of it" in said
    assert how.talks_by_itself
    assert "  It sends 'DC  1.2345 V'." in said
    assert said.count("  reads 1.2345 V") == 3


def test_the_command_goes_back_a_question_and_writes_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bench_instruments, "interactive", lambda: True)
    typed = ["", "Counter", "", "", "both", "back", *[""] * 4, "none", "V", *[""] * 4]
    with serial_instrument(Counting()) as port:
        done = CliRunner().invoke(
            bench_instruments.bench_describe,
            ["mine", "--address", port.address],
            obj=Home(tmp_path),
            input="\n".join(typed) + "\n",
        )
    assert done.exit_code == 0, done.output
    assert done.output.count("What ends a line that it sends?") == 2
    assert load_profile("mine", tmp_path).read_termination == "\n"


@pytest.mark.parametrize(
    ("answer", "which", "volts"),
    [
        (".512 V", "", 0.512),
        ("U= -.512 V", "", -0.512),
        ("3,9.0123 V", "9.0123", 9.0123),
        ("- 099,76 mV", "", -0.09976),
    ],
)
def test_a_number_is_found_whole(
    tmp_path: Path, answer: str, which: str, volts: float
) -> None:
    with serial_instrument(lambda heard: f"{answer}\n" if heard else "") as port:
        _, said = described(
            tmp_path,
            port.address,
            {
                "What do people call it?": "Meter",
                "Which line asks it who": "none",
                "Which line asks for a reading": "V",
                "Which number in": [which],
            },
        )
    assert said.count(f"  reads {volts:.9g} V") == 3


def test_a_number_left_away_is_not_made_of_another(tmp_path: Path) -> None:
    count = iter(range(10, 100))
    with serial_instrument(
        lambda heard: f"{next(count)} 3.5\n" if heard else ""
    ) as port:
        how, _ = described(
            tmp_path,
            port.address,
            {
                "What do people call it?": "Meter",
                "Which line asks it who": "none",
                "Which line asks for a reading": "V",
            },
        )
    assert re.fullmatch(how.number, "99 4.25")
    assert re.fullmatch(how.number, "99-4.25")
    assert re.fullmatch(how.number, "99") is None


SOURCE = {
    "What is it?": "current source",
    "What do people call it?": "Amp \N{GRINNING FACE}",
    "Which line turns its output off?": "halt",
    "Which line asks it who": "none",
    "Which line asks whether its output": "none",
    "Look at the instrument": "yes",
    "Which line sets its level": "i {level}",
    "Which line sets its limit": "none",
    "Which line turns its output on": "go",
}


def test_what_no_profile_can_hold_is_asked_for_again(tmp_path: Path) -> None:
    with serial_instrument(Chatty()) as port:
        how, said = described(
            tmp_path,
            port.address,
            {
                **SOURCE,
                "How many baud": ["fast", "1", "9600"],
                "How many seconds": ["-1", "nan", "0"],
                "Which line turns its output off?": ["h\xe4lt", "halt {x}", "halt"],
            },
        )
    assert how.title == "Amp \N{GRINNING FACE}"
    assert "  'fast': must be a whole number >= 50 and <= 4000000" in said
    assert "  'nan': must be a number >= 0 and <= 600" in said
    assert "  'halt {x}': write it without { and }" in said


def test_a_source_that_cannot_say_is_looked_at(tmp_path: Path) -> None:
    with serial_instrument(Chatty()) as port, pytest.raises(OutputNotOffError):
        described(tmp_path, port.address, {**SOURCE, "Look at the instrument": "no"})


def test_going_back_over_a_line_that_broke_is_no_yes_to_silence() -> None:
    """The cable is pulled after the first answers; they are gone through again."""
    board = Board()
    begun = {
        "What is it?": "current source",
        "What do people call it?": "Board",
        "What ends a line that it sends": "both",
        "Does it send more": "yes",
        "Does it send back": "yes",
        "What does it answer to a line": "ok",
        "What does it send once it is ready": '"> "',
        "Which line turns its output off?": "stop",
        "Which line asks it who": "who",
        "'who' is not one query": "yes",
    }
    live, said = True, list[str]()

    def ask(question: str) -> str:
        if question.startswith(("Which line asks whether", "Nothing was read")):
            raise KeyboardInterrupt
        return next((v for k, v in begun.items() if question.startswith(k)), "")

    def once(given: list[tuple[str, str]]) -> list[tuple[str, str]]:
        dialogue = Dialogue(ask, said.append, given=given)
        with pytest.raises(KeyboardInterrupt):
            describe(
                dialogue,
                name="mine",
                instrument=Instrument(
                    address=port.address, profile="mine", timeout_s=0.05
                ),
                connect=connect,
                overhear=overhear,
                registers=registers,
            )
        return dialogue.answers

    with serial_instrument(lambda heard: board(heard) if live else "") as port:
        answers = once([])
        assert answers[-1][0].startswith("Is that right")
        live = False
        assert not any("as live" in one for one in said)
        assert once(answers) == answers[:-1]
    assert any("as live" in one for one in said)
