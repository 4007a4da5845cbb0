"""One generic driver per kind of instrument, told by a profile how to speak."""

import re
from dataclasses import dataclass
from decimal import Decimal, DecimalException
from math import inf

from config import Exchange, Instrument, Profile
from daemon.bench.clock import Clock
from daemon.bench.connection import Connect
from daemon.bench.errors import (
    BadAnswerError,
    ImplausibleError,
    InstrumentError,
    OverrangeError,
    RefusedError,
    WrongIdentityError,
)
from daemon.bench.guard import says_on
from daemon.bench.retry import Retry

__all__ = ["ANYTHING", "Binding", "Driver", "Meter", "Selector", "Window"]

SCPI_NOT_A_NUMBER = 9.91e37
COMPLAINTS_READ = 20
NO_COMPLAINT = re.compile(r'[+-]?0+([,;: ]|$)|"?no errors?\b', re.IGNORECASE)
"""SCPI-99 volume 2, SYSTem:ERRor: `0,"No error"`; older ones leave a half away."""
NEVER_MATCHES = r"(?!)"
EXPONENTS = {"": 0, **{one: 3 * n for n, one in enumerate("fpnum", start=-5)}}
EXPONENTS |= {one: 3 * n for n, one in enumerate("kMG", start=1)}
"""Powers of ten of the SI prefixes that a meter shows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """What a reading can be at all; outside it a number is not believed."""

    low: float
    high: float


ANYTHING = Window(low=-inf, high=inf)


@dataclass(frozen=True, slots=True, kw_only=True)
class Binding:
    """What ties an instrument to its role on the bench.

    The clock is for the pauses that the profile and the retry ask for.
    """

    role: str
    instrument: Instrument
    profile: Profile
    connect: Connect
    clock: Clock
    retry: Retry


class Driver:
    """What every instrument can do: say who it is, take its set-up, complain.

    Raises
    ------
    InstrumentError
        Nothing is there.
    """

    def __init__(self, binding: Binding) -> None:
        self.role = binding.role
        self.address = binding.instrument.address
        self.profile = binding.profile
        self._expected_identity = binding.instrument.identity
        self._clock = binding.clock
        self._retry = binding.retry
        self._line = binding.connect(binding.role, binding.instrument, binding.profile)

    def identify(self) -> str:
        """Return who the instrument says it is; typed where it cannot say.

        Raises
        ------
        WrongIdentityError
            It is not the one that the bench file names.
        """
        if self.profile.identity is None:
            return self._expected_identity or ""
        answer = self._ask(self.profile.identity)
        expected = self._expected_identity
        if expected is not None and not f"{answer},".startswith(f"{expected},"):
            raise self._fault(
                WrongIdentityError,
                self.profile.identity,
                f"answered {answer!r}, expected {expected!r}",
            )
        return answer

    def prepare(self) -> None:
        """Send the profile's set-up and read what the instrument says to it."""
        for command in self.profile.setup:
            self._tell(command)
        self.check_complaints("set-up")

    def check_complaints(self, command: str) -> None:
        """Read the error queue until it is empty; any entry is a `RefusedError`."""
        if complaints := self.complaints():
            raise self._fault(RefusedError, command, f"answered {complaints}")

    def complaints(self) -> list[str]:
        """Empty the error queue and return what was in it, oldest first."""
        found: list[str] = []
        if self.profile.errors is None:
            return found
        none = self.profile.of("errors").no
        for _ in range(COMPLAINTS_READ):
            entry = self._asked("errors")
            if NO_COMPLAINT.match(entry) if none is None else re.fullmatch(none, entry):
                break
            found.append(entry)
        return found

    def close(self) -> None:
        """Let go of the line."""
        self._line.close()

    def _carry_out(
        self, key: str, command: str, place: str = "", text: str = ""
    ) -> str:
        """Send one of the profile's commands with all that belongs to it.

        Parameters
        ----------
        key : str
            Under which the profile has it.
        command : str
            Its text there.
        place, text : str
            What is filled in, and by what.

        Returns
        -------
        str
            The command as it was sent.

        Raises
        ------
        RefusedError
            It is answered, and otherwise than the profile says.
        """
        more = self.profile.of(key)
        for one in more.before:
            self._tell(one)
        sent = command.format(**{place: text}) if place else command
        self._tell(sent, more)
        for one in more.after:
            self._tell(one)
        return sent

    def _asked(self, key: str, place: str = "", text: str = "") -> str:
        """Return the answer to one of the profile's queries."""
        more, command = self.profile.of(key), self._need(key)
        for one in more.before:
            self._tell(one)
        query = command.format(**{place: text}) if place else command
        answer = self._ask(query, more.lines)
        for one in more.after:
            self._tell(one)
        return answer

    def _filled(self, key: str, command: str, value: float, digits: int = 6) -> str:
        """Return what stands in a command for a number.

        Raises
        ------
        RefusedError
            The command cannot say this number; nothing was sent.
        """
        try:
            return self.profile.of(key).sent(value, digits)
        except ValueError as exc:
            raise self._fault(RefusedError, command, f"not sent: {exc}") from exc

    def _tell(self, command: str, more: Exchange | None = None) -> None:
        """Send a command, and wait until it is done where the instrument can say."""
        expected = (more and more.expect) or self.profile.acknowledge
        if expected is not None:
            answer = self._line.query(command, more.lines if more else 1).strip()
            if re.fullmatch(expected, answer) is None:
                reason = f"answered {answer!r}, which is not the profile's {expected!r}"
                raise self._fault(RefusedError, command, reason)
        elif self.profile.complete is None:
            self._line.write(command)
        else:
            text = f"{command};{self.profile.complete}"
            self._expect_one(text, self._line.query(text))
        self._pause()

    def _ask(self, command: str, lines: int = 1) -> str:
        answer = self._line.query(command, lines).strip()
        self._pause()
        return answer

    def _says_yes(self, key: str, answer: str) -> bool | None:
        """Whether an answer says yes; None where it says neither yes nor no."""
        more = self.profile.of(key)
        return says_on(answer, yes=more.yes, no=more.no)

    def _pause(self) -> None:
        if self.profile.silence_s:
            self._clock.wait_s(self.profile.silence_s)

    def _expect_one(self, command: str, answer: str) -> None:
        if answer.strip() not in {"1", "+1"}:
            raise self._fault(BadAnswerError, command, f"answered {answer!r}, not 1")

    def _need(self, field: str) -> str:
        """Return a command that the profile's kind is known to have."""
        command = getattr(self.profile, field)
        if not isinstance(command, str):
            raise self._fault(RefusedError, field, "the profile has no such command")
        return command

    def _fault(
        self, kind: type[InstrumentError], command: str, reason: str
    ) -> InstrumentError:
        return kind(
            role=self.role, address=self.address, command=command, reason=reason
        )


class Meter(Driver):
    """Reads one quantity: ammeter, voltmeter or thermometer.

    Parameters
    ----------
    divide_by : float
        What a reading is divided by: the ohms of a standard resistor whose volts
        are read, 1 otherwise.
    """

    by_hand = False
    """Whether a person reads it, so that each reading is asked for."""

    def __init__(self, binding: Binding, *, divide_by: float = 1.0) -> None:
        super().__init__(binding)
        self._talks = self.profile.talks_by_itself
        self._read_command = "" if self._talks else self._need("read")
        self._number = re.compile(self.profile.number)
        self._beyond_range = re.compile(self.profile.beyond_range or NEVER_MATCHES)
        self._divide_by = divide_by
        self._chosen: tuple[float, float] | None = None
        self.last: float | None = None
        """Its newest reading, be it one that was thrown away."""

    def configure(self, full_scale: float, *, cycles: float = 1.0) -> None:
        """Choose the range with this full scale, in the meter's own unit.

        A reading lasts `cycles` power-line cycles where the profile lets one say.
        The first reading after a change is thrown away: it may still be one of the
        range before.
        """
        chosen = (full_scale, cycles)
        if chosen == self._chosen:
            return
        self._chosen = None
        self._retry.run(
            lambda: self._choose(*chosen), restore=self.prepare, clock=self._clock
        )
        self._chosen = chosen

    def expect(self, where: str, value: float, level: float) -> None:
        """Take what a person would be told before a reading; this one needs nothing."""

    def read(self, window: Window = ANYTHING) -> float:
        """Return one reading, in ampere, volt or degree Celsius.

        Raises
        ------
        OverrangeError
            The meter says that its range is too small.
        ImplausibleError
            The number lies outside `window`.
        InstrumentError
            No answer, or an answer that is no number.
        """
        try:
            return self._retry.run(
                lambda: self._read(window), restore=self._restore, clock=self._clock
            )
        except InstrumentError:
            self._chosen = None  # who knows what it is set to now
            raise

    def believe(self, value: float, window: Window) -> None:
        """Refuse a value that lies outside `window` with an `ImplausibleError`."""
        if not window.low <= value <= window.high:
            raise self._fault(
                ImplausibleError,
                self._read_command,
                f"reads {value:g}, not from {window.low:g} to {window.high:g}",
            )

    def _read(self, window: Window) -> float:
        command = self._read_command
        answer = self._line.listen().strip() if self._talks else self._asked("read")
        if self._beyond_range.fullmatch(answer):
            raise self._fault(OverrangeError, command, "reads beyond its range")
        value = self._number_in(answer)
        if value is None:
            wanted = (
                "the profile's pattern; see that it reads the right quantity"
                if "number" in self.profile.model_fields_set
                else "a number"
            )
            raise self._fault(
                BadAnswerError, command, f"answered {answer!r}, which is not {wanted}"
            )
        if abs(value) >= self.profile.overrange:
            if value == SCPI_NOT_A_NUMBER:
                raise self._fault(BadAnswerError, command, "has no reading to give")
            raise self._fault(OverrangeError, command, "reads beyond its range")
        value = self._value_of(value)
        self.believe(value, window)
        self.last = value
        return value

    def _choose(self, full_scale: float, cycles: float) -> None:
        told = [
            (key, command, place, self._filled(key, command, value))
            for key, place, value in (
                ("set_range", "range", full_scale),
                ("integrate", "cycles", cycles),
            )
            if (command := getattr(self.profile, key)) is not None
        ]
        for one in told:
            self.check_complaints(self._carry_out(*one))
        if told:
            value = self._number_in(self._asked("read"))
            if value is not None:
                self.last = self._value_of(value)

    def _number_in(self, answer: str) -> float | None:
        """Return the number that the profile's pattern finds in an answer."""
        match = self._number.fullmatch(answer)
        if match is None or self.profile.frame is None:
            return _value(match)
        return self.profile.frame.value(match)

    def _value_of(self, number: float) -> float:
        """Return what a number that was answered says, in ampere or volt."""
        read = self.profile.of("read").read(number * self.profile.scale)
        return read / self._divide_by

    def _restore(self) -> None:
        self.prepare()
        if self._chosen is not None:
            self._choose(*self._chosen)


def _value(match: re.Match[str] | None) -> float | None:
    r"""Return the number that a profile's pattern found; None where there is none.

    Examples
    --------
    >>> pattern = r"(?P<number>[+-]?\s*\d+[.,]\d*)\s*(?P<prefix>[num]?)V"
    >>> _value(re.fullmatch(pattern, "- 099,76 mV"))
    -0.09976
    """
    if match is None:
        return None
    named = match.groupdict()
    text = named.get("number") or (match[1] if match.re.groups else match[0])
    digits = re.sub(r"\s", "", text or "").replace(",", ".")
    try:
        exponent = EXPONENTS[named.get("prefix") or ""]
        return float(Decimal(digits).scaleb(exponent))
    except (KeyError, DecimalException):
        return None


class Selector(Driver):
    """Switches the unit to one of its ranges."""

    def select(self, position: str) -> None:
        """Choose `position`, and read back that it is chosen."""
        self._retry.run(
            lambda: self._select(position), restore=self.prepare, clock=self._clock
        )

    def is_selected(self, position: str) -> bool:
        """Whether it says that `position` is chosen; False where it cannot say."""
        if self.profile.selected is None:
            return False
        return self._says_chosen(position) is True

    def _select(self, position: str) -> None:
        text = self._chosen("select", position)
        for command in self.profile.select:
            self._carry_out("select", command, "selector", text)
        if self.profile.selected is not None:
            said = self._says_chosen(position)
            if said is not True:
                reason = f"it does not say that {position} is chosen"
                raise self._fault(BadAnswerError, self.profile.selected, reason)
        self.check_complaints("selection")

    def _says_chosen(self, position: str) -> bool | None:
        answer = self._asked("selected", "selector", self._chosen("selected", position))
        return self._says_yes("selected", answer)

    def _chosen(self, key: str, position: str) -> str:
        try:
            return self.profile.of(key).chosen(position)
        except ValueError as exc:
            raise self._fault(RefusedError, key, f"not sent: {exc}") from exc
