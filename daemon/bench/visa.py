"""Lines to real instruments through VISA: the only file that imports it."""

import os
import socket
from contextlib import suppress
from functools import cache
from select import select
from time import monotonic, sleep
from typing import Any

import pyvisa
from pyvisa.constants import StatusCode
from pyvisa.resources import MessageBasedResource, SerialInstrument
from pyvisa.rname import ResourceName

from config.model import Instrument
from config.profile import Profile
from daemon.bench.connection import Connection
from daemon.bench.line import Line

__all__ = ["connect"]

LONGEST_ANSWER = 65_536
PARTIAL_ANSWER_POLL_S = 0.001


def connect(role: str, instrument: Instrument, profile: Profile) -> Connection:
    """Open the line of a role; the `Connect` of a bench of real instruments.

    Raises
    ------
    InstrumentError
        Nothing answers at the address.
    """
    return Line(role, instrument, profile, lambda: _VisaLine(instrument, profile))


@cache
def _manager() -> pyvisa.ResourceManager:
    return pyvisa.ResourceManager("@py")


class _VisaLine:
    """A bare line: it is written to only while nothing lies unread on it."""

    def __init__(self, instrument: Instrument, profile: Profile) -> None:
        self._timeout_s = instrument.timeout_s
        self._profile = profile
        self._resource = _open(instrument)
        try:
            self._link = _socket_of(self._resource)
            if self._link is not None:
                _make_ready(self._link)
            self._resource.timeout = self._timeout_s * 1000
            self._resource.read_termination = profile.read_termination or None
        except BaseException:
            self.close()
            raise

    def write(self, text: str) -> None:
        self._exchange(text, answered=False)

    def query(self, text: str) -> str:
        return self._exchange(text, answered=True)

    def close(self) -> None:
        with suppress(Exception):  # back ends raise anything on a broken line
            self._resource.close()

    def _exchange(self, text: str, *, answered: bool) -> str:
        self._require_nothing_unread()
        command = text + self._profile.write_termination
        try:
            self._resource.write_raw(command.encode("ascii"))
            return self._answer() if answered else ""
        except pyvisa.errors.VisaIOError as exc:
            if exc.error_code == StatusCode.error_timeout:
                raise self._silence() from exc
            raise ConnectionError(exc.abbreviation) from exc
        except pyvisa.errors.Error as exc:
            raise ConnectionError(str(exc)) from exc

    def _answer(self) -> str:
        if self._link is not None:
            self._wait_for_answer(self._link)
        raw = self._resource.read_raw()
        if self._link is not None:
            # The back end takes all that has arrived and keeps the rest to itself.
            rest = bytes(_session_of(self._resource)._pending_buffer)  # noqa: SLF001
            if rest:
                message = f"answered {raw + rest!r}, more than one answer"
                raise ValueError(message)
        try:
            answer = raw.decode("ascii")
        except UnicodeDecodeError as exc:
            message = f"answered {raw!r}, no plain text"
            raise ValueError(message) from exc
        return answer.removesuffix(self._profile.read_termination)

    def _wait_for_answer(self, link: socket.socket) -> None:
        """Return once a whole answer can be read without waiting.

        The back end's own wait goes by the time of day, which can be set back, and
        spins on a line that the other end has closed.
        """
        termination = self._profile.read_termination.encode("ascii")
        deadline_s = monotonic() + self._timeout_s
        while (left_s := deadline_s - monotonic()) > 0:
            if not select([link], [], [], left_s)[0]:
                break
            if termination in _peek(link):
                return
            sleep(PARTIAL_ANSWER_POLL_S)
        raise self._silence()

    def _require_nothing_unread(self) -> None:
        link, resource = self._link, self._resource
        if link is not None and select([link], [], [], 0)[0]:
            message = f"{_peek(link)!r} came unasked"
            raise ValueError(message)
        if isinstance(resource, SerialInstrument) and resource.bytes_in_buffer:
            message = f"{resource.bytes_in_buffer} characters came unasked"
            raise ValueError(message)

    def _silence(self) -> TimeoutError:
        return TimeoutError(f"no whole answer within {self._timeout_s:g} s")


def _open(instrument: Instrument) -> MessageBasedResource:
    """Open the address.

    Raises
    ------
    OSError
        It cannot be opened.
    """
    try:
        _require_known_host(instrument.address)
        resource = _manager().open_resource(
            instrument.address, open_timeout=round(instrument.timeout_s * 1000)
        )
    except Exception as exc:  # back ends raise anything here
        message = f"cannot be opened ({exc})"
        raise ConnectionError(message) from exc
    if not isinstance(resource, MessageBasedResource):
        resource.close()
        message = "takes no messages"
        raise ConnectionError(message)
    return resource


def _require_known_host(address: str) -> None:
    """Raise where the host has no address: the back end would leak a socket there."""
    host = getattr(ResourceName.from_string(address), "host_address", None)
    if host is not None:
        socket.getaddrinfo(host, None)


def _make_ready(link: socket.socket) -> None:
    """Raise where the connection was refused, which the back end does not notice."""
    refusal = link.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
    if refusal:
        raise ConnectionRefusedError(refusal, os.strerror(refusal))
    # Without it a command and a query in a row cost 40 ms (RFC 896).
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _peek(link: socket.socket) -> bytes:
    """Return what has arrived and leave it there."""
    arrived = link.recv(LONGEST_ANSWER, socket.MSG_PEEK)
    if not arrived:
        message = "it closed the line"
        raise ConnectionError(message)
    return arrived


def _session_of(resource: Any) -> Any:
    """Return the back end's own session; None where the back end keeps it hidden."""
    sessions = getattr(resource.visalib, "sessions", {})
    return sessions.get(resource.session)


def _socket_of(resource: MessageBasedResource) -> socket.socket | None:
    """Return the socket of a raw socket session; other sessions frame answers."""
    if resource.resource_class != "SOCKET":
        return None
    link = getattr(_session_of(resource), "interface", None)
    return link if isinstance(link, socket.socket) else None
