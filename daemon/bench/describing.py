"""One instrument met by hand: a line sent to it, or its profile asked for and tried.

A source is turned off before all else and after every line that is tried on it, and
told nothing that could turn it on.
"""

import json
import re
from collections.abc import Mapping, Sequence
from typing import Annotated, Any

from pydantic import BaseModel, ValidationError

from config import (
    Dialogue,
    Instrument,
    Kind,
    Modbus,
    Profile,
    SerialLine,
    access_of,
    integer,
    number,
    text,
    wrong_access,
)
from daemon.bench.connection import (
    Connect,
    Connection,
    OpenRegisters,
    Overhear,
    RegisterLine,
)
from daemon.bench.describing_frames import describe_frames, offered
from daemon.bench.describing_registers import describe_registers, require_answer
from daemon.bench.errors import (
    InstrumentError,
    NoAnswerError,
    OutputNotOffError,
    RefusedError,
)
from daemon.bench.guard import TAKE_AS_LIVE, says_on

__all__ = ["describe", "talk"]

SOURCES = (Kind.CURRENT_SOURCE, Kind.VOLTAGE_SOURCE)
UNITS = {
    Kind.AMMETER: "A",
    Kind.VOLTMETER: "V",
    Kind.OHMMETER: "ohm",
    Kind.THERMOMETER: "degrees Celsius",
}
ENDINGS = {"newline": "\n", "return": "\r", "both": "\r\n"}
NUMBER = r"(?:[+-]\s*)?(?:\d+(?:\.\d*|,\d*(?![\d.]))?|(?<!\d)\.\d+)(?:[eE][+-]?\d+)?"
"""A number in an answer; a comma before another decimal point parts two numbers."""
VALUE = r"(?:[+-]\s*)?(?:\d+[.,]?\d*|\.\d+)(?:[eE][+-]?\d+)?"
OTHER = r"[+-]?\s*[\d.]+,?\d*(?:[eE][+-]?\d+)?"
"""The reading in a pattern, and what stands for a number that changes beside it."""
APART = r"(?:\s+|(?=[+-]))"
"""Between two numbers: without it one number could be taken for both."""
NONE = "none"
ANYTHING = "*"
PREFIXES = ("", *"fpnumkMG")
READINGS = 3
ANSWERS = 4
"""So many answers tell which bytes of a frame change."""
FRAMES_S = 2.0
LISTEN_S = 1.0
OFF_ATTEMPTS = 3
MODBUS_PORT = "::502::"
READS = "Which command reads it?"
QUERIES = ("read", "selected")
COMMANDS = (
    *("output_off", "set_level", "set_compliance", "output_on", "set_range"),
    *QUERIES,
)
REGISTER = (
    "A table, the number of a register and its type, such as input 0 float32; a bit "
    "has no type, such as coil 3. What is written stands behind it, such as coil 0 1."
)


def talk(
    role: str,
    instrument: Instrument,
    profile: Profile,
    text: str,
    *,
    connect: Connect,
) -> str:
    """Send one line by hand and return what is answered; empty where nothing is.

    Parameters
    ----------
    role
        For messages.

    Raises
    ------
    RefusedError
        It is a source, and the line is none of the queries of its profile.
    InstrumentError
        Nothing is there, or the answer is not one.
    """
    queries = (profile.identity, profile.errors, profile.output)
    if profile.kind in SOURCES and text not in queries:
        allowed = ", ".join(repr(one) for one in queries if one is not None)
        raise RefusedError(
            role=role,
            address=instrument.address,
            command=text,
            reason="not sent: a source is told nothing by hand; it may be asked "
            + (allowed or "nothing, since its profile has no query"),
        )
    line = connect(role, instrument, profile)
    try:
        return line.query(text).strip()
    except NoAnswerError:
        return ""
    finally:
        line.close()


def describe(
    dialogue: Dialogue,
    *,
    name: str,
    instrument: Instrument,
    connect: Connect,
    overhear: Overhear,
    registers: OpenRegisters,
    known: Mapping[str, Profile] | None = None,
) -> str:
    """Ask how an instrument speaks, try each line on it; return its profile as text.

    Parameters
    ----------
    dialogue
        Where a person answers.
    name
        Of the profile.
    instrument
        Where it is; its profile is what this finds.
    connect
        Opens its line.
    overhear
        Hears its bytes, where they are no lines.
    registers
        Opens a bare line to registers, where it has them.
    known
        Profiles that may fit frames of bytes as they are, by name.

    Raises
    ------
    InstrumentError
        Nothing is at the address.
    """
    return _Describing(
        dialogue, name, instrument, connect, overhear, registers, known or {}
    ).text()


class _Describing:
    def __init__(
        self,
        dialogue: Dialogue,
        name: str,
        instrument: Instrument,
        connect: Connect,
        overhear: Overhear,
        registers: OpenRegisters,
        known: Mapping[str, Profile],
    ) -> None:
        self._dialogue = dialogue
        self._name = name
        self._instrument = instrument
        self._connect = connect
        self._overhear = overhear
        self._registers = registers
        self._known = known
        self._found: dict[str, Any] = {}
        self._more: dict[str, dict[str, Any]] = {}
        self._is_source = False

    def text(self) -> str:
        """Ask everything, try it, and return the profile."""
        kind = self._ask_line()
        self._is_source = kind in SOURCES
        if self._is_source:
            self._ask_off()
        elif kind in UNITS and not self._has_registers and self._sends_frames(kind):
            return self._tried(kind)
        line = self._open()
        try:
            line = self._see_off(line)
            self._ask_identity(line)
            if self._is_source:
                self._ask_source(line, kind)
            elif kind is Kind.SWITCH:
                self._ask_switch()
            else:
                self._ask_meter(line, kind)
        finally:
            try:
                off = self._turn_off(line)
            finally:
                line.close()
        if not off:
            raise self._not_off()
        return self._tried(kind)

    def _tried(self, kind: Kind) -> str:
        """Read by the profile until a person says it is right; return its text."""
        made = self._made()
        while not self._reads_right(made):
            keys = ("read", "talks_by_itself", "number", "scale")
            for key in (*keys, "beyond_range", "frame"):
                self._found.pop(key, None)
            self._more.pop("read", None)
            if self._has_registers:
                self._find_registers(kind)
            elif not self._sends_frames(kind):
                line = self._open()
                try:
                    self._ask_reading(line, kind)
                finally:
                    line.close()
            made = self._made()
        return _toml(self._name, self._found, self._more)

    def _sends_frames(self, kind: Kind, ask: str | None = None) -> bool:
        """Offer frames where what comes is no text; whether that is how it speaks.

        Parameters
        ----------
        ask
            The line that asks for a reading; None where it sends by itself.
        """
        how = self._plain()
        if not offered(self._dialogue, self._heard_bare(how, ask, LISTEN_S)):
            return False

        def hear() -> list[bytes]:
            if ask is None:
                return self._heard_bare(how, None, FRAMES_S)
            answers = [self._heard_bare(how, ask, FRAMES_S) for _ in range(ANSWERS)]
            return [b"".join(one) for one in answers]

        found = describe_frames(
            self._dialogue, hear, UNITS[kind], kind, self._known, asked=ask is not None
        )
        if found is None:
            if self._dialogue.agree(
                "Is it to be tried again?",
                why="No: it is asked how it speaks in lines of text.",
                default=True,
            ):
                return self._sends_frames(kind, ask)
            return False
        if ask is None:
            self._found["talks_by_itself"] = True
        self._found.pop("identity", None)
        self._more.pop("identity", None)
        self._found |= found
        return True

    def _heard_bare(
        self, how: Profile, ask: str | None, within_s: float
    ) -> list[bytes]:
        try:
            return self._overhear(self._instrument, how, ask, within_s)
        except OSError:
            return []  # whoever opens the line next says what is wrong with it

    def _ask_line(self) -> Kind:
        ask = self._dialogue
        kind = ask.choose(
            "What is it?",
            {one.value: one for one in Kind},
            why="In the trade's words; the first letters are enough.",
            default=Kind.VOLTMETER.value,
        )
        self._ask_text("title", "What do people call it?", why="For screens.")
        self._found["kind"] = kind.value
        if self._may_have_registers and self._dialogue.choose(
            "Does it speak in lines of text, or does it have registers (Modbus)?",
            {"lines": False, "registers": True},
            why="Modbus RTU on a serial line, Modbus TCP on a socket, port 502 mostly. "
            "Its manual then has a table of registers, such as 30001 and 40001.",
            default="registers" if MODBUS_PORT in self._instrument.address else "lines",
        ):
            self._ask_registers(kind)
            return kind
        for key, what in (
            ("write_termination", "What ends a line that is sent to it?"),
            ("read_termination", "What ends a line that it sends?"),
        ):
            self._found[key] = ask.choose(
                what,
                ENDINGS,
                why="Newline is \\n, return is \\r; both is return and newline.",
                default="newline",
            )
        if self._is_serial:
            self._found["serial"] = {"baud": self._ask_baud()}
        pause_s = ask.put(
            "How many seconds does it need once its line is opened?",
            number(_allowed(Profile, "opening_pause_s")),
            why="A board may start anew then; what it says meanwhile is thrown away.",
            default="0",
        )
        if pause_s:
            self._found["opening_pause_s"] = pause_s
        if ask.agree(
            "Does it send more than answers: an echo, a prompt, a word for a command?",
            why="As boards with a microcontroller often do.",
            default=False,
        ):
            self._ask_manners()
        return kind

    @property
    def _is_serial(self) -> bool:
        return self._instrument.address.upper().startswith("ASRL")

    @property
    def _may_have_registers(self) -> bool:
        """Whether it is reached as Modbus is: a serial line, or a plain socket."""
        return self._is_serial or self._instrument.address.upper().endswith("::SOCKET")

    @property
    def _has_registers(self) -> bool:
        return "modbus" in self._found

    @property
    def _word(self) -> str:
        return "command" if self._has_registers else "line"

    def _ask_baud(self) -> int:
        return self._dialogue.put(
            "How many baud has its serial line?",
            integer(_allowed(SerialLine, "baud")),
            why="As its menu or its manual says.",
            default="9600",
        )

    def _ask_registers(self, kind: Kind) -> None:
        """Ask how the line to its registers is; see that a meter answers there."""
        ask = self._dialogue
        if self._is_serial:
            baud = self._ask_baud()
            parity = ask.choose(
                "Which parity has its serial line?",
                {one: one for one in ("even", "none", "odd")},
                why="Even where its manual does not say.",
                default="even",
            )
            self._found["serial"] = {"baud": baud, "parity": parity}
        while True:
            device = ask.put(
                "Which number does it have on the line?",
                integer(_allowed(Modbus, "device")),
                why="Its manual says address, unit or slave number. Often 1.",
                default=self._instrument.addressee or "1",
            )
            self._found["modbus"] = {"device": device}
            # A source is told to be off before it is asked anything.
            if kind in SOURCES or self._answers(device):
                return

    def _answers(self, device: int) -> bool:
        """Whether a device answers; said where it does not."""
        try:
            line = self._open_registers()
            try:
                require_answer(line)
            finally:
                line.close()
        except (OSError, ValueError) as exc:
            self._dialogue.say(
                f"  Device {device} cannot be read: {exc}. See its number and its "
                "line. Type back to answer earlier questions again.",
                again=True,
            )
            return False
        return True

    def _open_registers(self, word_order: str = "high first") -> RegisterLine:
        """Open a bare line to its registers, to read numbers in an order of words."""
        how = self._plain()
        if how.modbus is not None:
            modbus = how.modbus.model_copy(update={"word_order": word_order})
            how = how.model_copy(update={"modbus": modbus})
        return self._registers(self._instrument, how)

    def _find_registers(self, kind: Kind) -> None:
        """Find out which registers hold its reading, until they are found."""
        while True:
            try:
                found = describe_registers(
                    self._dialogue, self._open_registers, UNITS[kind]
                )
            except OSError as exc:
                self._dialogue.say(f"  Not read: {exc}.", again=True)
                found = None
            if found is not None:
                break
            if not self._dialogue.agree(
                "Is it to be tried again?",
                why="No: type the command that reads it.",
                default=True,
            ):
                self._ask_text("read", READS, why=REGISTER)
                return
        self._found |= found.keys
        if found.word_order is not None:
            self._found["modbus"]["word_order"] = found.word_order
        if found.of_reading:
            self._more["read"] = found.of_reading

    def _ask_manners(self) -> None:
        if self._dialogue.agree(
            "Does it send back each line before it answers?",
            why="An echo.",
            default=False,
        ):
            self._found["echo"] = True
        self._ask_word()
        self._ask_text(
            "prompt",
            "What does it send once it is ready again, on no line of its own?",
            why=f'In quotes, so that blanks count, such as "> "; {NONE!r} where it '
            "sends nothing.",
        )

    def _ask_word(self, shown: str | None = None) -> None:
        """Ask what answers a line that asks nothing; `shown` is what just came."""
        word = self._dialogue.put(
            "What does it answer to a line that asks nothing?",
            str,
            why=f"Such as OK. {ANYTHING} stands for what changes from line to line, as "
            f"in 'ok {ANYTHING}'. {NONE!r} where it answers nothing.",
            default=shown,
        )
        self._found.pop("acknowledge", None)
        if word != NONE:
            self._found["acknowledge"] = ".*".join(
                re.escape(one) for one in word.split(ANYTHING)
            )

    def _see_off(self, line: Connection) -> Connection:
        """Turn a source off, and see that its answer is what it was said to be.

        Returns
        -------
        Connection
            The line, opened anew where the answer was another one.
        """
        if not self._is_source:
            return line
        command = self._found["output_off"]
        for _ in range(OFF_ATTEMPTS):
            expected = self._found.get("acknowledge")
            if expected is None:
                break
            try:
                answer = line.query(command).strip()
            except InstrumentError as exc:
                self._dialogue.say(f"  {command!r}: {exc.reason}")
                break
            self._dialogue.say(f"  {command!r} is answered {answer!r}.")
            if re.fullmatch(expected, answer) is not None:
                break
            self._ask_word(answer)
            line.close()
            line = self._open()
        return line

    def _ask_off(self) -> None:
        """Ask how a source is turned off; nothing is tried on one that cannot be."""
        while "output_off" not in self._found:
            self._ask_text(
                "output_off",
                f"Which {self._word} turns its output off?",
                why="It is sent before anything else, now and ever after."
                + (f" {REGISTER}" if self._has_registers else ""),
            )
            if "output_off" not in self._found:
                self._dialogue.say("  A source must have a line that turns it off.")

    def _turn_off(self, line: Connection) -> bool:
        """Turn a source off, whatever was sent to it before; say where that failed.

        What is described here has one line for it; a line that failed is opened anew,
        and with that the source is turned off too.

        Returns
        -------
        bool
            Whether the line was taken; so it is of what is no source.
        """
        if not self._is_source:
            return True
        command, expected = self._found["output_off"], self._found.get("acknowledge")
        reason = ""
        for _ in range(OFF_ATTEMPTS):
            try:
                if expected is None:
                    line.write(command)
                    return True
                answer = line.query(command).strip()
            except InstrumentError as exc:
                reason = exc.reason
                continue
            if re.fullmatch(expected, answer) is not None:
                return True
            reason = f"answered {answer!r}"
        self._dialogue.say(f"  {command!r}: {reason}; {TAKE_AS_LIVE}.", again=True)
        return False

    def _not_off(self) -> OutputNotOffError:
        return OutputNotOffError(
            role=self._name,
            address=self._instrument.address,
            command=self._found["output_off"],
            reason="it does not turn the output off, so no profile was written",
        )

    def _open(self) -> Connection:
        return self._connect(self._name, self._instrument, self._plain())

    def _plain(self) -> Profile:
        """Return the profile of what is known of its line."""
        keys = (
            *("write_termination", "read_termination", "serial", "opening_pause_s"),
            *("echo", "acknowledge", "prompt", "output_off", "modbus"),
        )
        how = {key: self._found[key] for key in keys if key in self._found}
        read = "input 0 uint16" if self._has_registers else "?"
        return Profile.model_validate(
            {"title": "being described", "kind": "voltmeter", "read": read, **how}
        )

    def _ask_identity(self, line: Connection) -> None:
        answer = self._ask_query(
            line,
            "identity",
            "Which register says what it is?"
            if self._has_registers
            else "Which line asks it who it is?",
            why=f"Such as holding 100 uint16; {NONE!r} where none does."
            if self._has_registers
            else f"Such as *IDN?; {NONE!r} where it cannot say.",
        )
        if answer is not None and "," not in answer:
            self._more["identity"] = {"expect": re.escape(answer)}

    def _ask_source(self, line: Connection, kind: Kind) -> None:
        unit, other = ("A", "V") if kind is Kind.CURRENT_SOURCE else ("V", "A")
        answer = self._ask_query(
            line,
            "output",
            f"Which {self._word} asks whether its output is on?",
            why=f"It was told to be off. {NONE!r} where it cannot say.",
        )
        # Even a 0 may be the answer of another question than was meant.
        self._require_off(answer)
        if answer is not None and says_on(answer) is not False:
            on = self._dialogue.put(
                f"It says {answer!r} while it is off. What does it say while it is on?",
                str,
                why="It is not turned on to find out.",
            )
            self._more["output"] = {"yes": re.escape(on), "no": re.escape(answer)}
        limit = f"Which {self._word} sets its limit? {{compliance}} stands for it"
        for key, what, of in (
            (
                "set_level",
                f"Which {self._word} sets its level? {{level}} stands for it",
                unit,
            ),
            (
                "set_compliance",
                f"{limit}; {NONE!r} where the circuit limits",
                other,
            ),
            ("output_on", f"Which {self._word} turns its output on?", None),
        ):
            self._ask_text(key, what, why="It is written down and not sent.")
            if of is not None and key in self._found:
                self._ask_unit(key, of)
        if "set_compliance" not in self._found:
            self._found["limit_in_circuit"] = True

    def _require_off(self, answer: str | None) -> None:
        """Have a person see that it is off, whatever it says of itself.

        Raises
        ------
        OutputNotOffError
            It is not: the line that is to turn it off does not.
        """
        if self._dialogue.agree(
            ("" if answer is None else f"It says {answer!r}. ")
            + "Look at the instrument: is its output off?",
            why=f"{self._found['output_off']!r} was sent, and must have turned it off.",
            default=False,
        ):
            return
        raise self._not_off()

    def _ask_unit(self, key: str, unit: str) -> None:
        """Ask what the number in a command counts; ampere or volt needs no word."""
        if self._has_registers:
            self._ask_counts(key, unit)
            return

        def read(answer: str) -> str:
            if answer[-1:] != unit or answer[:-1] not in PREFIXES:
                message = f"must be {unit}, or one with a prefix such as m{unit}"
                raise ValueError(message)
            return answer

        told = self._dialogue.put(
            f"In which unit is the number in {self._found[key]!r}?",
            read,
            why=f"{unit}, or m{unit} where the instrument counts thousandths.",
            default=unit,
        )
        if told != unit:
            self._more[key] = {"unit": told}

    def _ask_counts(self, key: str, unit: str) -> None:
        """Ask what a register counts; one of whole numbers is told whole ones."""
        factor = self._dialogue.put(
            f"How many counts in {self._found[key]!r} are 1 {unit}?",
            number(_allowed(Profile, "scale")),
            why=f"1000000000 where it counts in n{unit}, 1 where it is told {unit}.",
            default="1",
        )
        more: dict[str, Any] = {} if factor == 1.0 else {"factor": factor}
        if access_of(re.sub(r"\{\w+\}", "0", self._found[key])).whole:
            more["whole"] = True
        if more:
            self._more[key] = more

    def _ask_switch(self) -> None:
        chosen = self._dialogue.put(
            f"Which {self._word} chooses a position? {{selector}} stands for it",
            str,
            why="It is written down and not sent.",
        )
        self._found["select"] = [chosen]
        self._ask_text(
            "selected",
            f"Which {self._word} asks whether it is chosen? "
            "{selector} stands for the position",
            why=f"Answered with 1 when it is; {NONE!r} where it cannot say.",
        )

    def _ask_meter(self, line: Connection, kind: Kind) -> None:
        if self._has_registers:
            self._find_registers(kind)
            self._ask_range_register(kind)
            return
        self._ask_reading(line, kind)
        if self._found.get("talks_by_itself"):
            return
        self._ask_text(
            "set_range",
            "Which line chooses its range? {range} stands for the full scale",
            why=f"It is written down and not sent. {NONE!r} where a person chooses it, "
            "or the instrument by itself.",
            default=NONE,
        )
        if "set_range" in self._found:
            self._ask_unit("set_range", UNITS[kind])

    def _ask_range_register(self, kind: Kind) -> None:
        """Ask which register chooses the range, and what is written for each."""
        self._ask_text(
            "set_range",
            "Which register chooses its range? {range} stands for what is written",
            why="Such as holding 0 uint16 {range}. It is written down and not sent. "
            f"{NONE!r} where a person chooses it, or the instrument by itself.",
            default=NONE,
        )
        if "set_range" not in self._found:
            return

        def read(answer: str) -> dict[str, str]:
            pairs = [one.partition("=") for one in answer.replace(",", " ").split()]
            for scale, _, told in pairs:
                if not (re.fullmatch(VALUE, scale) and re.fullmatch(VALUE, told)):
                    message = f"{scale!r}: must be such as 1=1, 10=2"
                    raise ValueError(message)
            return {scale: told for scale, _, told in pairs}

        self._more["set_range"] = {
            "texts": self._dialogue.put(
                f"What is written for which full scale, in {UNITS[kind]}?",
                read,
                why="Such as 1=1, 10=2, where 1 chooses the range of "
                f"1 {UNITS[kind]} and 2 that of 10 {UNITS[kind]}.",
            )
        }

    def _ask_reading(self, line: Connection, kind: Kind) -> None:
        answer = self._ask_query(
            line,
            "read",
            "Which line asks for a reading?",
            why=f"Such as READ?; {NONE!r} where it sends readings by itself.",
        )
        if "read" not in self._found:
            self._found["talks_by_itself"] = True
        if answer is None:
            line.close()  # two who hear one line take each other's bytes
            if self._sends_frames(kind, self._found.get("read")):
                return
        more = self._heard(line)
        if answer is None and more:
            answer = more[0]
            self._dialogue.say(f"  It sends {answer!r}.")
        if answer is not None:
            self._take_number(answer, more, UNITS[kind])

    def _heard(self, line: Connection) -> list[str]:
        """Return further readings as they come, to see what changes in them."""
        heard = []
        try:
            for _ in range(READINGS):
                if self._found.get("talks_by_itself"):
                    heard.append(line.listen().strip())
                else:
                    heard.append(line.query(self._found["read"]).strip())
        except InstrumentError as exc:
            self._dialogue.say(f"  {exc.reason}")
        return heard

    def _take_number(self, answer: str, more: Sequence[str], unit: str) -> None:
        """Work out the pattern of a reading, and see that it means what is shown.

        Parameters
        ----------
        more
            Further readings: a number that is another one there may be any number.
        """
        numbers = list(re.finditer(NUMBER, answer))
        if not numbers:
            self._dialogue.say(f"  There is no number in {answer!r}.")
            return
        one = self._ask_which(answer, numbers, unit)
        word, begins = _word_after(answer, one)
        prefix, after = _prefix(word, unit), one.end()
        named = f"(?P<number>{VALUE})"
        if prefix is not None:
            named += rf"\s*(?P<prefix>[fpnumkMG]?){unit}"
            after = begins + len(word)
        if answer != one[0]:
            steady = _steady(answer, more)
            self._found["number"] = (
                _literal(answer, 0, one.start(), steady)
                + named
                + _literal(answer, after, len(answer), steady)
            )
        self._dialogue.say(f"  The number in it is {one[0]}, with {word or 'no unit'}.")
        if prefix is not None:
            return
        factor = self._dialogue.put(
            f"By what is the number multiplied, to be in {unit}?",
            number(_allowed(Profile, "scale")),
            why="1 where it is already; 0.001 where it shows thousandths.",
            default="1",
        )
        if factor != 1.0:
            self._found["scale"] = factor

    def _ask_which(
        self, answer: str, numbers: Sequence[re.Match[str]], unit: str
    ) -> re.Match[str]:
        """Return which number of an answer is the reading; asked where several are."""
        likely = max(
            numbers,
            key=lambda one: (
                _prefix(_word_after(answer, one)[0], unit) is not None,
                not answer[: one.start()][-1:].isalnum(),
                len(one[0]),
            ),
        )
        if len(numbers) == 1:
            return likely
        shown = [one[0].strip() for one in numbers]

        def read(told: str) -> re.Match[str]:
            if told not in shown:
                message = f"{told!r}: must be {' or '.join(shown)}"
                raise ValueError(message)
            return likely if told == likely[0] else numbers[shown.index(told)]

        return self._dialogue.put(
            f"Which number in {answer!r} is the reading?",
            read,
            why="The others are no reading: a channel, a counter, the time.",
            default=likely[0].strip(),
        )

    def _ask_query(
        self, line: Connection, key: str, question: str, *, why: str
    ) -> str | None:
        """Ask for a query until what it is answered is right; return that."""
        default = NONE if self._has_registers else None  # few have such a register
        while True:
            text = self._dialogue.put(question, str, why=why, default=default)
            if text == NONE:
                return None
            if not self._may_try(text):
                self._dialogue.say(f"  {text!r} is not sent.")
                continue
            try:
                answer = line.query(text).strip()
            except InstrumentError as exc:
                self._dialogue.say(f"  {text!r}: {exc.reason}")
                answer = None
            else:
                self._dialogue.say(f"  {text!r} is answered {answer!r}.")
            finally:
                self._turn_off(line)
            # Two questions: going back, nobody's yes to an answer is one to silence.
            if self._dialogue.agree(
                "Is that right?"
                if answer is not None
                else f"Nothing was read. Write {text!r} in the profile all the same?",
                why="No: another line is tried.",
                default=answer is not None,
            ):
                self._found[key] = text
                return answer

    def _may_try(self, text: str) -> bool:
        """Whether a line only asks; of a source a person must say so in doubt."""
        if self._has_registers:
            return _reads(text)
        if not self._is_source or ("?" in text and ";" not in text):
            return True
        return self._dialogue.agree(
            f"{text!r} is not one query with a question mark. Does it only ask, and "
            "turn nothing on?",
            why="No: it is not sent. A line that turns the output on is dangerous.",
            default=False,
        )

    def _ask_text(
        self, key: str, question: str, *, why: str, default: str | None = None
    ) -> None:
        def read(answer: str) -> str | None:
            if answer == NONE:
                return None
            if key == "output_off" and set("{}") & set(answer):
                message = f"{answer!r}: write it without {{ and }}"
                raise ValueError(message)
            if key in COMMANDS and self._has_registers:
                asks = key in QUERIES
                wrong = next(wrong_access(answer, asks=asks, whole=True), None)
                if wrong is not None:
                    message = f"{answer!r}: {wrong}"
                    raise ValueError(message)
            return text(_allowed(Profile, key))(answer.strip('"'))

        answer = self._dialogue.put(question, read, why=why, default=default)
        if answer is not None:
            self._found[key] = answer

    def _made(self) -> Profile:
        """Return the profile; say what is wrong with it, and ask for that again."""
        while True:
            raw = {**self._found}
            if self._more:
                raw["exchange"] = self._more
            try:
                return Profile.model_validate(raw)
            except ValidationError as exc:
                first = exc.errors()[0]
                keys = [str(one) for one in first["loc"]]
                said = str(first["msg"]).removeprefix("Value error, ")
                self._dialogue.say(f"  {'.'.join(keys) + ': ' if keys else ''}{said}")
                self._ask_again(keys or said.partition(":")[0].split("."))

    def _ask_again(self, keys: Sequence[str]) -> None:
        """Ask what should stand where something is wrong, and put it there.

        Of an exchange that is one of its keys, or the exchange is left out; what no
        answer here can mend is mended by going back.
        """
        wrong = keys[0]
        exchange = self._more.get(keys[1]) if wrong == "exchange" and keys[1:] else None
        known = exchange is not None or wrong in Profile.model_fields
        answer = self._dialogue.put(
            f"What should stand at {'.'.join(keys if exchange else keys[:1])}?"
            if known
            else "Which answer was it? Type back until its question is asked again",
            str,
            why=f"{NONE!r} leaves it out.",
        )
        if exchange is not None:
            if answer == NONE or not keys[2:]:
                del self._more[keys[1]]
            else:
                exchange[keys[2]] = answer
            return
        self._found.pop(wrong, None)
        if answer != NONE and known:
            self._found[wrong] = [answer] if wrong == "select" else answer

    def _reads_right(self, made: Profile) -> bool:
        """Read a meter by its new profile; return whether a person says it is right."""
        from daemon.bench.clock import ScaledClock  # noqa: PLC0415
        from daemon.bench.driver import Binding, Meter  # noqa: PLC0415
        from daemon.bench.retry import NEVER  # noqa: PLC0415

        if made.read is None and not made.talks_by_itself:
            return True
        reads = False
        meter = Meter(
            Binding(
                role=self._name,
                instrument=self._instrument,
                profile=made,
                connect=self._connect,
                clock=ScaledClock(),
                retry=NEVER,
            )
        )
        try:
            for _ in range(READINGS):
                value = meter.read()
                self._dialogue.say(f"  reads {value:.9g} {UNITS[made.kind]}")
            reads = True
        except InstrumentError as exc:
            self._dialogue.say(f"  not read: {exc.reason}")
        finally:
            meter.close()
        return self._dialogue.agree(
            "Does the instrument show that?",
            why="No: the reading is asked for again.",
            default=reads,
        )


def _reads(text: str) -> bool:
    """Whether a command for registers reads one, and writes nothing."""
    try:
        return access_of(text).value is None
    except ValueError:
        return False


def _allowed(model: type[BaseModel], key: str) -> Any:
    """Return what a key of a profile may be, as its model says it."""
    field = model.model_fields[key]
    return (
        Annotated[field.annotation, *field.metadata]
        if field.metadata
        else field.annotation
    )


def _word_after(answer: str, number: re.Match[str]) -> tuple[str, int]:
    """Return the word that follows a number, and where it begins."""
    word = re.compile(r"\s*(\S*)").match(answer, number.end())
    return ("", number.end()) if word is None else (word[1], word.start(1))


def _prefix(word: str, unit: str) -> str | None:
    """Return the SI prefix of a word that is a unit, empty for none; else None."""
    if word == unit:
        return ""
    return word[:1] if word[1:] == unit and word[:1] in "fpnumkMG" else None


def _steady(answer: str, more: Sequence[str]) -> frozenset[int]:
    """Return where numbers begin that are the same in each further answer."""
    rows = [[one[0] for one in re.finditer(NUMBER, text)] for text in more]
    return frozenset(
        one.start()
        for place, one in enumerate(re.finditer(NUMBER, answer))
        if all(len(row) > place and row[place] == one[0] for row in rows)
    )


def _literal(answer: str, first: int, end: int, steady: frozenset[int]) -> str:
    """Return the pattern of a part of an answer; blanks may be more or fewer."""
    pattern, at = "", first
    for one in re.finditer(NUMBER, answer):
        if first <= one.start() < end and one.start() not in steady:
            pattern += _between(answer, at, one.start()) + OTHER
            at = one.end()
    return pattern + _between(answer, at, end)


def _between(answer: str, first: int, end: int) -> str:
    """Return the pattern of a text; two numbers in it are kept apart."""
    pattern, at = "", first
    for blank in re.compile(r" +|(?<=\d)(?=[+-])").finditer(answer, first, end + 1):
        if blank.end() > end:
            break
        before, after = answer[: blank.start()][-1:], answer[blank.end() :][:1]
        apart = before.isdigit() and (after.isdigit() or after in {"+", "-", "."})
        pattern += re.escape(answer[at : blank.start()])
        pattern += APART if apart else r"\s*"
        at = blank.end()
    return pattern + re.escape(answer[at:end])


def _toml(
    name: str, found: Mapping[str, Any], more: Mapping[str, Mapping[str, Any]]
) -> str:
    """Return a profile as its file says it."""
    lines = [
        f"# {name}: written by the command bench describe.",
        "# Lines that ask were tried, lines that set were not.",
    ]
    lines += [
        f"{key} = {_value(value)}"
        for key, value in found.items()
        if not isinstance(value, Mapping)
    ]
    tables: dict[str, Mapping[str, Any]] = {
        key: value for key, value in found.items() if isinstance(value, Mapping)
    }
    tables |= {f"exchange.{key}": value for key, value in more.items()}
    for title, table in tables.items():
        lines += ["", f"[{title}]"]
        lines += [f"{key} = {_value(value)}" for key, value in table.items()]
    return "\n".join(lines) + "\n"


def _value(value: Any) -> str:
    """Return a value as TOML writes it; its texts are those of JSON."""
    if isinstance(value, Mapping):
        inside = (f"{json.dumps(key)} = {_value(one)}" for key, one in value.items())
        return f"{{ {', '.join(inside)} }}"
    return json.dumps(value, ensure_ascii=False)
