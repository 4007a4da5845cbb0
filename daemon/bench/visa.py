"""Lines to real instruments through VISA, read so that no wrong value is believed.

After a timeout the next query on the same line would return the late answer, and
every later one would be one behind; a late tail of a number is a number too. So a
line is written to only while nothing lies unread on it, and a line on which
anything went wrong is never used again: it is closed, and the next call opens
another and checks that the same instrument answers.
"""

import os
import socket
from contextlib import suppress
from functools import cache
from select import select
from threading import RLock
from time import monotonic, sleep
from typing import Any

import pyvisa
from pyvisa.constants import StatusCode
from pyvisa.resources import MessageBasedResource, SerialInstrument
from pyvisa.rname import ResourceName

from config.model import Instrument
from config.profile import Profile
from daemon.bench.connection import Connection
from daemon.bench.errors import (
    AbsentError,
    BadAnswerError,
    InstrumentError,
    NoAnswerError,
    WrongIdentityError,
)

__all__ = ["VisaConnection", "connect"]

LONGEST_ANSWER = 65_536
PARTIAL_ANSWER_POLL_S = 0.001
OPENINGS = 3
"""An instrument with one output queue for all lines may first give the new line what
the old one did not wait for; the opening after that is clean."""


def connect(role: str, instrument: Instrument, profile: Profile) -> Connection:
    """Open the line of a role; the `Connect` of a bench of real instruments.

    Raises
    ------
    InstrumentError
        Nothing answers at the address.
    """
    return VisaConnection(role, instrument, profile)


@cache
def _manager() -> pyvisa.ResourceManager:
    return pyvisa.ResourceManager("@py")


class VisaConnection:
    """One instrument's line; any thread may call, one at a time gets through."""

    def __init__(self, role: str, instrument: Instrument, profile: Profile) -> None:
        self._role = role
        self._address = instrument.address
        self._timeout_s = instrument.timeout_s
        self._profile = profile
        self._lock = RLock()
        self._identity: str | None = None
        self._resource: MessageBasedResource | None = None
        self._link: socket.socket | None = None
        with self._lock:
            self._open("")

    def write(self, text: str) -> None:
        """Send a command that has no answer."""
        with self._lock:
            self._exchange(text, answered=False)

    def query(self, text: str) -> str:
        """Send a query and return its whole answer, its termination removed.

        Raises
        ------
        NoAnswerError
            Nothing, or only part of an answer, within the instrument's `timeout_s`.
        AbsentError
            The instrument closed the line, or never opened one.
        BadAnswerError
            Not ASCII, or more than one answer.
        WrongIdentityError
            After a reopening another instrument answers.
        """
        with self._lock:
            return self._exchange(text, answered=True)

    def close(self) -> None:
        """Let go of the instrument; the next call would open it again."""
        with self._lock:
            self._drop()

    def _exchange(self, text: str, *, answered: bool) -> str:
        try:
            resource = self._clean_line(text)
            return self._send(resource, text, answered=answered)
        except BaseException:
            self._drop()
            raise

    def _clean_line(self, text: str) -> MessageBasedResource:
        """Return a line on which nothing lies unread, opening one where needed.

        Raises
        ------
        AbsentError
            The instrument has closed its end since: it may have lost its settings
            with its power, so the caller must know.
        """
        if self._resource is not None and self._is_unread():
            if self._link is not None and not self._link.recv(1, socket.MSG_PEEK):
                raise self._fault(AbsentError, text, "it closed the line")
            self._drop()
        if self._resource is None:
            return self._open(text)
        return self._resource

    def _is_unread(self) -> bool:
        if self._link is not None:
            return bool(select([self._link], [], [], 0)[0])
        if isinstance(self._resource, SerialInstrument):
            return bool(self._resource.bytes_in_buffer)
        return False

    def _open(self, text: str) -> MessageBasedResource:
        for left in reversed(range(OPENINGS)):
            resource = self._open_once(text)
            query = self._profile.identity
            if query is None:
                return resource
            try:
                answer = self._send(resource, query, answered=True)
                self._check_identity(query, answer)
            except WrongIdentityError:
                self._drop()
                if not left:
                    raise
            except BaseException:
                self._drop()
                raise
            else:
                return resource
        raise AssertionError  # the last opening returned or raised

    def _check_identity(self, query: str, answer: str) -> None:
        if self._identity is None and "," in answer:
            self._identity = answer
        if answer != self._identity:
            expected = self._identity or "maker, model, serial number, firmware"
            raise self._fault(
                WrongIdentityError, query, f"answered {answer!r}, expected {expected!r}"
            )

    def _open_once(self, text: str) -> MessageBasedResource:
        try:
            _require_known_host(self._address)
            resource: Any = _manager().open_resource(
                self._address, open_timeout=round(self._timeout_s * 1000)
            )
            self._resource = resource
            self._link = _socket_of(resource)
            if self._link is not None:
                _make_ready(self._link)
            resource.timeout = self._timeout_s * 1000
            resource.read_termination = self._profile.read_termination or None
        except Exception as exc:  # back ends raise anything here
            self._drop()
            reason = f"cannot be opened ({exc})"
            raise self._fault(AbsentError, text, reason) from exc
        if not isinstance(resource, MessageBasedResource):
            self._drop()
            raise self._fault(AbsentError, text, "the address takes no messages")
        return resource

    def _send(
        self, resource: MessageBasedResource, text: str, *, answered: bool
    ) -> str:
        try:
            command = text + self._profile.write_termination
            resource.write_raw(command.encode("ascii"))
            return self._answer(resource, text) if answered else ""
        except InstrumentError:
            raise
        except UnicodeError as exc:
            raise self._fault(BadAnswerError, text, "answered no plain text") from exc
        except pyvisa.errors.VisaIOError as exc:
            if exc.error_code == StatusCode.error_timeout:
                raise self._silence(text) from exc
            raise self._fault(AbsentError, text, exc.abbreviation) from exc
        except Exception as exc:  # a lost line shows as many types
            reason = f"the line broke ({exc})"
            raise self._fault(AbsentError, text, reason) from exc

    def _answer(self, resource: MessageBasedResource, text: str) -> str:
        if self._link is not None:
            self._wait_for_answer(self._link, text)
        answer = resource.read_raw().decode("ascii")
        if self._has_more():
            raise self._fault(BadAnswerError, text, "answered more than once")
        return answer.removesuffix(self._profile.read_termination)

    def _wait_for_answer(self, link: socket.socket, text: str) -> None:
        """Return once a whole answer can be read without waiting.

        The back end's own wait goes by the time of day, which can be set back, and
        spins on a line that the other end has closed.
        """
        termination = self._profile.read_termination.encode("ascii")
        deadline_s = monotonic() + self._timeout_s
        while (left_s := deadline_s - monotonic()) > 0:
            if not select([link], [], [], left_s)[0]:
                break
            seen = link.recv(LONGEST_ANSWER, socket.MSG_PEEK)
            if not seen:
                raise self._fault(AbsentError, text, "it closed the line")
            if termination in seen:
                return
            sleep(PARTIAL_ANSWER_POLL_S)
        raise self._silence(text)

    def _has_more(self) -> bool:
        """Whether something came behind the answer."""
        if self._link is None:
            return False
        # The back end takes all that has arrived and keeps the rest to itself.
        pending = _session_of(self._resource)._pending_buffer  # noqa: SLF001
        return bool(pending) or self._is_unread()

    def _drop(self) -> None:
        """Close the line for good, in whatever state it is."""
        resource, self._resource, self._link = self._resource, None, None
        if resource is None:
            return
        with suppress(Exception):  # it is gone either way
            resource.close()

    def _silence(self, text: str) -> InstrumentError:
        return self._fault(
            NoAnswerError, text, f"no whole answer within {self._timeout_s:g} s"
        )

    def _fault(
        self, kind: type[InstrumentError], text: str, reason: str
    ) -> InstrumentError:
        return kind(role=self._role, address=self._address, command=text, reason=reason)


def _session_of(resource: Any) -> Any:
    """Return the back end's own session; None where the back end keeps it hidden."""
    sessions = getattr(resource.visalib, "sessions", {})
    return sessions.get(resource.session)


def _socket_of(resource: Any) -> socket.socket | None:
    """Return the socket of a raw socket session; other sessions frame answers."""
    if resource.resource_class != "SOCKET":
        return None
    link = getattr(_session_of(resource), "interface", None)
    return link if isinstance(link, socket.socket) else None


def _require_known_host(address: str) -> None:
    """Raise where the host has no address: the back end would leak a socket there."""
    parsed = ResourceName.from_string(address)
    host = getattr(parsed, "host_address", None)
    if host is not None:
        socket.getaddrinfo(host, None)


def _make_ready(link: socket.socket) -> None:
    """Raise where the connection was refused, which the back end does not notice."""
    refusal = link.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
    if refusal:
        raise OSError(refusal, os.strerror(refusal))
    # Without it a command and a query in a row cost 40 ms (RFC 896).
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
