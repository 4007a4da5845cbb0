"""One generic driver per kind of instrument, told by a profile how to speak."""

import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from math import inf
from threading import RLock

from config.model import Instrument
from config.profile import Profile
from daemon.bench.connection import Connect
from daemon.bench.errors import (
    BadAnswerError,
    ImplausibleError,
    InstrumentError,
    LimitError,
    OutputLostError,
    OutputNotOffError,
    OverrangeError,
    RefusedError,
    WrongIdentityError,
)
from daemon.bench.retry import Retry
from daemon.clock import Clock

__all__ = ["ANYTHING", "Binding", "Driver", "Meter", "Selector", "Source", "Window"]

SCPI_NOT_A_NUMBER = 9.91e37
OFF_ATTEMPTS = 3
COMPLAINTS_READ = 20


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
        if self.profile.errors is None:
            return
        complaints = []
        for _ in range(COMPLAINTS_READ):
            entry = self._ask(self.profile.errors)
            if re.match(r"[+-]?0+(,|$)", entry):
                break
            complaints.append(entry)
        if complaints:
            raise self._fault(RefusedError, command, f"answered {complaints}")

    def close(self) -> None:
        """Let go of the line."""
        self._line.close()

    def _tell(self, command: str) -> None:
        """Send a command, and wait until it is done where the instrument can say."""
        if self.profile.complete is None:
            self._line.write(command)
        else:
            text = f"{command};{self.profile.complete}"
            self._expect_one(text, self._line.query(text))
        self._pause()

    def _ask(self, command: str) -> str:
        answer = self._line.query(command).strip()
        self._pause()
        return answer

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

    def __init__(self, binding: Binding, *, divide_by: float = 1.0) -> None:
        super().__init__(binding)
        self._read_command = self._need("read")
        self._number = re.compile(self.profile.number)
        self._factor = self.profile.scale / divide_by
        self._full_scale: float | None = None

    def configure(self, full_scale: float) -> None:
        """Choose the range with this full scale, in the meter's own unit.

        The first reading after a change is thrown away: it may still be one of the
        range before.
        """
        if full_scale == self._full_scale:
            return
        self._full_scale = None
        self._retry.run(
            lambda: self._set_range(full_scale), restore=self.prepare, clock=self._clock
        )
        self._full_scale = full_scale

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
        return self._retry.run(
            lambda: self._read(window), restore=self._restore, clock=self._clock
        )

    def _read(self, window: Window) -> float:
        command = self._read_command
        answer = self._ask(command)
        match = self._number.fullmatch(answer)
        if match is None:
            raise self._fault(
                BadAnswerError, command, f"answered {answer!r}, which is no number"
            )
        value = float(match[1] if match.re.groups else answer)
        if abs(value) >= self.profile.overrange:
            if value == SCPI_NOT_A_NUMBER:
                raise self._fault(BadAnswerError, command, "has no reading to give")
            raise self._fault(OverrangeError, command, "reads beyond its range")
        value *= self._factor
        if not window.low <= value <= window.high:
            raise self._fault(
                ImplausibleError,
                command,
                f"reads {value:g}, not from {window.low:g} to {window.high:g}",
            )
        return value

    def _set_range(self, full_scale: float) -> None:
        if self.profile.set_range is None:
            return
        command = self.profile.set_range.format(range=f"{full_scale:g}")
        self._tell(command)
        self.check_complaints(command)
        self._ask(self._read_command)

    def _restore(self) -> None:
        self.prepare()
        if self._full_scale is not None:
            self._set_range(self._full_scale)


class Source(Driver):
    """Drives the unit's input; every level is checked before it is sent.

    Parameters
    ----------
    limit : float
        The bench's absolute limit of the level, either sign, ampere or volt.
    permit : Callable
        Called before the output may carry anything; raises to refuse.
    """

    def __init__(
        self, binding: Binding, *, limit: float, permit: Callable[[], None]
    ) -> None:
        super().__init__(binding)
        watchdog = self.profile.watchdog
        self._silence_s = inf if watchdog is None else watchdog.seconds
        self._spoken_s = 0.0
        self._limit = limit
        self._permit = permit
        self._compliance_is_set = False
        self._on = False
        # Whether a level may be sent and the sending of it are one step: a thread
        # that turns the output off must not come between them.
        self._lock = RLock()

    def set_compliance(self, compliance: float) -> None:
        """Limit what the source may drive the unit to; comes before output on."""
        self._tell(self._need("set_compliance").format(compliance=f"{compliance:g}"))
        self.check_complaints("compliance")
        self._compliance_is_set = True

    def set_level(self, level: float, *, limit: float, setting: str) -> None:
        """Set the level, ampere or volt.

        Parameters
        ----------
        level : float
            Either sign.
        limit : float
            Largest level of the product's range; `setting` says where it is written.

        Raises
        ------
        LimitError
            The level exceeds the range's or the bench's limit; nothing was sent.
        OutputLostError
            The output went off by itself since it was turned on.
        """
        self._check_level(level, limit=limit, setting=setting)
        with self._lock:
            if level:
                self._permit()
            if self._on:
                self._require_on("before a new level")
            command = self._need("set_level").format(level=f"{level:.9g}")
            self._tell(command)
            self.check_complaints(command)
            self._spoken_s = self._clock.now_s()

    def output_on(self) -> None:
        """Turn the output on, and read back that it is on."""
        with self._lock:
            self._permit()
            command = self._need("output_on")
            if not self._compliance_is_set:
                raise self._fault(
                    RefusedError, command, "not sent: compliance was not set before"
                )
            if self.profile.watchdog is not None:
                start = self.profile.watchdog.start
                self._tell(start.format(seconds=f"{self._silence_s:g}"))
                self.check_complaints(start)
            self._on = True
            self._tell(command)
            self._require_on(command)
            self.check_complaints(command)
            self._spoken_s = self._clock.now_s()

    @property
    def patience_s(self) -> float:
        """How long nobody may speak to the source; half its watchdog's silence."""
        return self._silence_s / 2

    def keep_on(self) -> None:
        """Speak to a source that would soon turn itself off, and see that it is on.

        Whoever measures calls this on the way, so that a measurement which hangs
        ends with the source off.
        """
        if self._clock.now_s() - self._spoken_s < self._silence_s / 4:
            return
        with self._lock:
            if self._on:
                self._require_on("while it was measured")
            self._spoken_s = self._clock.now_s()

    def close(self) -> None:
        """Leave the watchdog off, as at power-on, and let go of the line."""
        if self.profile.watchdog is not None:
            with suppress(InstrumentError):  # the output is off, so it may stay
                self._tell(self.profile.watchdog.stop)
        super().close()

    def output_off(self) -> None:
        """Turn the output off, read back that it is off; tries again by itself.

        Raises
        ------
        OutputNotOffError
            It could not be shown to be off.
        """
        with self._lock:
            reason = "it still says on"
            for _ in range(OFF_ATTEMPTS):
                try:
                    self._tell(self._need("output_off"))
                    if self._is_off():
                        self._on = False
                        self._compliance_is_set = False
                        return
                except InstrumentError as exc:
                    reason = exc.reason
            raise self._fault(OutputNotOffError, self._need("output_off"), reason)

    def _check_level(self, level: float, *, limit: float, setting: str) -> None:
        unit = "A" if "current" in self.profile.kind.value else "V"
        bounds = ((limit, setting), (self._limit, "the bench's source_limit"))
        for bound, name in bounds:
            if not abs(level) <= bound:  # written so that NaN is refused
                raise LimitError(
                    what="source level",
                    value=level,
                    limit=bound,
                    unit=unit,
                    setting=name,
                )

    def _is_off(self) -> bool:
        """Whether it says off; a source that cannot say is taken at its word."""
        return self.profile.output is None or self._output_state() == 0

    def _require_on(self, command: str) -> None:
        if self.profile.output is not None and self._output_state() != 1:
            raise self._fault(
                OutputLostError, command, "the output is off though it was turned on"
            )

    def _output_state(self) -> int:
        command = self._need("output")
        answer = self._ask(command)
        if answer not in {"0", "1"}:
            raise self._fault(BadAnswerError, command, f"answered {answer!r}, not 0, 1")
        return int(answer)


class Selector(Driver):
    """Switches the unit to one of its ranges."""

    def select(self, position: str) -> None:
        """Choose `position`, and read back that it is chosen."""
        self._retry.run(
            lambda: self._select(position), restore=self.prepare, clock=self._clock
        )

    def _select(self, position: str) -> None:
        for command in self.profile.select:
            self._tell(command.format(selector=position))
        if self.profile.selected is not None:
            query = self.profile.selected.format(selector=position)
            self._expect_one(query, self._ask(query))
        self.check_complaints("selection")
