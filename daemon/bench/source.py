"""The driver of the source: limits before every level, off that is seen to be off."""

from collections.abc import Callable
from contextlib import suppress
from math import inf
from threading import RLock

from config import Kind
from daemon.bench.driver import Binding, Driver
from daemon.bench.errors import (
    BadAnswerError,
    InstrumentError,
    LimitError,
    OutputLostError,
    OutputNotOffError,
    RefusedError,
)

__all__ = ["Source"]

OFF_ATTEMPTS = 3
LEVEL_DIGITS = 9
LONGEST_PAUSE_S = 1.0
"""Whoever waits with the source on says this often that it still does."""


class Source(Driver):
    """Drives the unit's input; every level is checked before it is sent.

    Parameters
    ----------
    limit : float
        The bench's absolute limit of the level, either sign, ampere or volt.
    permit : Callable
        Called before the output may carry anything; raises to refuse.
    step : Callable
        Called whenever whoever measures shows that the measurement goes on.
    """

    def __init__(
        self,
        binding: Binding,
        *,
        limit: float,
        permit: Callable[[], None],
        step: Callable[[], None],
    ) -> None:
        super().__init__(binding)
        self._step = step
        watchdog = self.profile.watchdog
        self._silence_s = inf if watchdog is None else watchdog.seconds
        self._spoken_s = 0.0
        self._limit = limit
        self._permit = permit
        self._compliance_is_set = False
        self._on = False
        self._through_ohm: float | None = None
        # Whether a level may be sent and the sending of it are one step: a thread
        # that turns the output off must not come between them.
        self._lock = RLock()

    def set_compliance(self, compliance: float) -> None:
        """Limit what the source may drive the unit to; comes before output on.

        Nothing is sent where the limit stands in the circuit.
        """
        if self.profile.limit_in_circuit:
            self._compliance_is_set = True
            return
        command = self._need("set_compliance")
        text = self._filled("set_compliance", command, compliance)
        self._carry_out("set_compliance", command, "compliance", text)
        self.check_complaints("compliance")
        self._compliance_is_set = True

    def drive_through(self, ohm: float | None) -> None:
        """Have levels, ampere, be set as volts across a resistor; at level zero only.

        Parameters
        ----------
        ohm
            All that the current flows through; None for a current source.
        """
        self._through_ohm = ohm

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
            command = self._need("set_level")
            told = level * (self._through_ohm or 1.0)
            text = self._filled("set_level", command, told, LEVEL_DIGITS)
            sent = self._carry_out("set_level", command, "level", text)
            self.check_complaints(sent)
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
            self._carry_out("output_on", command)
            self._require_on(command)
            self.check_complaints(command)
            self._spoken_s = self._clock.now_s()

    def descriptor(self) -> int | None:
        """Return what another process can speak to it over, where it can."""
        return self._line.descriptor()

    @property
    def is_on(self) -> bool:
        """Whether the output may be on: from before it is told so until seen off."""
        return self._on

    @property
    def patience_s(self) -> float:
        """How long to wait at most before `keep_on`; half its watchdog's silence."""
        return min(self._silence_s / 2, LONGEST_PAUSE_S)

    def keep_on(self) -> None:
        """Speak to a source that would soon turn itself off, and see that it is on.

        Whoever measures calls this on the way, so that a measurement which hangs
        ends with the source off.
        """
        self._step()
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

    def output_off(self, *, patience_s: float = -1.0) -> None:
        """Turn the output off, read back that it is off; tries again by itself.

        Parameters
        ----------
        patience_s : float
            How long to wait for another thread that is speaking to the source;
            by default until it has done.

        Raises
        ------
        OutputNotOffError
            It could not be shown to be off.
        """
        if not self._lock.acquire(timeout=patience_s):
            raise self._fault(
                OutputNotOffError, self._need("output_off"), "its line is in use"
            )
        try:
            reason = "it still says on"
            for _ in range(OFF_ATTEMPTS):
                refused = self._refused_off()
                told = refused is None
                reason = refused or reason
                try:
                    # One that answered something else may have gone off all the same.
                    can_say = self.profile.output is not None
                    if (told or can_say) and self._is_off():
                        self._on = False
                        self._compliance_is_set = False
                        return
                except InstrumentError as exc:
                    reason = exc.reason
            raise self._fault(OutputNotOffError, self._need("output_off"), reason)
        finally:
            self._lock.release()

    def _refused_off(self) -> str | None:
        """Send all that turns the output off, whatever is refused; return why, or None.

        A refused step ahead of the off command must not keep it back.
        """
        more = self.profile.of("output_off")
        reason = None
        for one, answered in (
            *((one, None) for one in more.before),
            (self._need("output_off"), more),
            *((one, None) for one in more.after),
        ):
            try:
                self._tell(one, answered)
            except InstrumentError as exc:
                reason = exc.reason
        return reason

    def _check_level(self, level: float, *, limit: float, setting: str) -> None:
        amps = self.profile.kind is Kind.CURRENT_SOURCE or self._through_ohm
        unit = "A" if amps else "V"
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
        return self.profile.output is None or not self._says_on()

    def _require_on(self, command: str) -> None:
        if self.profile.output is not None and not self._says_on():
            raise self._fault(
                OutputLostError, command, "the output is off though it was turned on"
            )

    def _says_on(self) -> bool:
        command = self._need("output")
        answer = self._asked("output")
        on = self._says_yes("output", answer)
        if on is None:
            more = self.profile.of("output")
            wanted = "0, 1, OFF or ON" if more.yes is None else "what says on, or off"
            reason = f"answered {answer!r}, not {wanted}"
            raise self._fault(BadAnswerError, command, reason)
        return on
