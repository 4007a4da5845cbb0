"""The care that every line gets, whatever carries it.

After a timeout the next query on the same line would return the late answer, and
every later one would be one behind; a late tail of a number is a number too. So a
line on which anything went wrong is never used again: it is closed, and the next
call opens another and checks that the same instrument answers.
"""

import re
from collections.abc import Callable
from contextlib import suppress
from threading import RLock
from typing import Protocol

from config import Instrument, Profile
from daemon.bench.connection import BareLine, Connect, Connection
from daemon.bench.errors import (
    AbsentError,
    BadAnswerError,
    InstrumentError,
    NoAnswerError,
    SilentError,
    WrongIdentityError,
)
from daemon.bench.plain import plainly

__all__ = ["Line", "by_address"]

ANY_IDENTITY = r".*,.*"
"""IEEE 488.2, 10.14 (from memory): four fields between commas."""

OPENINGS = 3
"""An instrument with one output queue for all lines may first give the new line what
the old one did not wait for; the opening after that is clean."""


class Line:
    """One instrument's line; any thread may call, one at a time gets through.

    Parameters
    ----------
    role : str
        For messages.
    instrument, profile
        Where it is and how it speaks.
    open_bare : Callable
        Opens a bare line, which may raise what the standard library raises: a
        `TimeoutError` becomes a `NoAnswerError`, a `ValueError` (not one whole
        answer in plain text) a `BadAnswerError`, any other `OSError` an
        `AbsentError`.

    Raises
    ------
    InstrumentError
        Nothing answers at the address.
    """

    def __init__(
        self,
        role: str,
        instrument: Instrument,
        profile: Profile,
        open_bare: Callable[[], BareLine],
    ) -> None:
        self._role = role
        self._address = instrument.address
        self._profile = profile
        self._identity_query = profile.identity
        self._identity_pattern = profile.of("identity").expect or ANY_IDENTITY
        self._talks = profile.talks_by_itself
        self._timeout_s = instrument.timeout_s
        self._failed = False
        self._open_bare = open_bare
        self._lock = RLock()
        self._identity: str | None = None
        self._bare: BareLine | None = None
        with self._lock:
            try:
                self._open()
            except BaseException as exc:
                self._end(exc, "")
                raise

    def write(self, text: str) -> None:
        """Send a command that has no answer."""
        with self._lock:
            try:
                (self._bare or self._open()).write(text)
            except BaseException as exc:
                self._end(exc, text)
                raise

    def query(self, text: str, lines: int = 1) -> str:
        r"""Send a query and return its whole answer, `\n` between its lines.

        Raises
        ------
        NoAnswerError
            Nothing, or only part of an answer, within the instrument's `timeout_s`.
        AbsentError
            The line is or gets closed at the other end. The instrument may have
            lost its settings with its power, so the caller must know.
        BadAnswerError
            Not ASCII, or not one answer of so many lines.
        WrongIdentityError
            After a reopening another instrument answers.
        """
        with self._lock:
            try:
                return (self._bare or self._open()).query(text, lines)
            except BaseException as exc:
                self._end(exc, text)
                raise

    def listen(self) -> str:
        """Return the next whole line of an instrument that talks by itself.

        Raises
        ------
        NoAnswerError
            No whole line within the instrument's `timeout_s`.
        AbsentError
            The line is or gets closed at the other end.
        BadAnswerError
            The line is not ASCII.
        """
        with self._lock:
            try:
                return (self._bare or self._open()).listen()
            except BaseException as exc:
                self._end(exc, "")
                raise

    def descriptor(self) -> int | None:
        """Return what another process can speak over; None while the line is shut."""
        with self._lock:
            return None if self._bare is None else self._bare.descriptor()

    def close(self) -> None:
        """Let go of the instrument; the next call would open it again."""
        with self._lock:
            self._drop()

    def _open(self) -> BareLine:
        """Open until the right instrument answers; what answers first is it."""
        query = self._identity_query
        if query is None:
            self._bare = self._opened()
            if self._failed and not self._talks:
                # It cannot be asked who it is, so whatever is late must come first.
                self._bare.drain(self._timeout_s)
            return self._bare
        answer = ""
        for _ in range(OPENINGS):
            self._bare = self._opened()
            answer = self._bare.query(query).strip()
            new = self._identity is None
            if new and re.fullmatch(self._identity_pattern, answer) is not None:
                self._identity = answer
            if answer == self._identity:
                return self._bare
            self._drop()
        expected = self._identity or "maker, model, serial number, firmware"
        reason = f"answered {answer!r}, expected {expected!r}"
        raise self._fault(WrongIdentityError, query, reason)

    def _opened(self) -> BareLine:
        """Open a bare line; a source is turned off over it before all else.

        Whatever the source answers: who it is, and whether it is off, is asked later.
        """
        profile = self._profile
        bare = self._bare = self._open_bare()
        if profile.opening_pause_s:
            bare.drain(profile.opening_pause_s)
        if profile.output_off is None:
            return bare
        more = profile.of("output_off")
        # What goes before and after a command is acknowledged at most; only the
        # command itself has the answer that the profile says.
        beside = 0 if profile.acknowledge is None else 1
        answered = beside or more.expect is not None
        for command, lines in (
            *((one, beside) for one in more.before),
            (profile.output_off, more.lines if answered else 0),
            *((one, beside) for one in more.after),
        ):
            try:
                if lines:
                    bare.query(command, lines)
                else:
                    bare.write(command)
                if profile.silence_s:
                    bare.drain(profile.silence_s)
            except (TimeoutError, ValueError):
                # A refused step ahead of the off command must not keep it back.
                self._drop()
                bare = self._bare = self._open_bare()
                if profile.opening_pause_s:
                    bare.drain(profile.opening_pause_s)
        return bare

    def _drop(self) -> None:
        """Close the bare line for good, in whatever state it is."""
        bare, self._bare = self._bare, None
        if bare is not None:
            with suppress(OSError):  # it is gone either way
                bare.close()

    def _end(self, exc: BaseException, text: str) -> None:
        """Drop the line; raise this package's error if `exc` is none of it."""
        self._drop()
        self._failed = True
        match exc:
            case TimeoutError():
                kind: type[InstrumentError] = NoAnswerError
            case OSError():
                kind = AbsentError
            case ValueError():
                kind = BadAnswerError
            case _:
                return
        if kind is NoAnswerError and self._talks:
            kind = SilentError
        raise self._fault(kind, text, plainly(exc)) from exc

    def _fault(
        self, kind: type[InstrumentError], text: str, reason: str
    ) -> InstrumentError:
        return kind(role=self._role, address=self._address, command=text, reason=reason)


class _Answering(Protocol):
    """A line that answers at once and never talks by itself."""

    def write(self, text: str) -> None: ...

    def query(self, text: str, lines: int = 1) -> str: ...

    def close(self) -> None: ...


class _InMemory:
    """A bare line of an instrument in memory."""

    timeout_s = 0.0

    def __init__(self, line: _Answering) -> None:
        self.write = line.write
        self.query = line.query
        self.close = line.close

    def listen(self) -> str:
        message = "it never talks by itself"
        raise TimeoutError(message)

    def drain(self, within_s: float) -> None:
        """Do nothing: what answers at once is never late."""

    def descriptor(self) -> None:
        """Return nothing: no other process reaches it."""


def by_address(open_bare: Callable[[str], _Answering]) -> Connect:
    """Make a `Connect` of whatever opens a line in memory by its address."""

    def connect(role: str, instrument: Instrument, profile: Profile) -> Connection:
        address = instrument.address
        return Line(role, instrument, profile, lambda: _InMemory(open_bare(address)))

    return connect
