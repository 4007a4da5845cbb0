"""Lines to real instruments through VISA: the only file that imports it."""

import errno
import os
import socket
import warnings
from contextlib import suppress
from functools import cache
from select import select
from time import monotonic
from typing import Any, Protocol

import pyvisa
from pyvisa.constants import StatusCode
from pyvisa.resources import MessageBasedResource, SerialInstrument
from pyvisa.rname import ResourceName

from config import Instrument, Profile, SerialLine
from daemon.bench.connection import Connection
from daemon.bench.wire import Line

__all__ = ["connect", "resources"]

LONGEST_ANSWER = 65_536
OWN, INSTALLED = "@py", "@ivi"
"""Libraries: the one that comes along, and that of the machine, if any."""


def connect(role: str, instrument: Instrument, profile: Profile) -> Connection:
    """Open the line of a role; the `Connect` of a bench of real instruments.

    Raises
    ------
    InstrumentError
        Nothing answers at the address.
    """
    return Line(role, instrument, profile, lambda: _VisaLine(instrument, profile))


@cache
def _manager(library: str) -> pyvisa.ResourceManager:
    return pyvisa.ResourceManager(library)


def _manager_for(address: str) -> pyvisa.ResourceManager:
    """Return who opens an address.

    USB and GPIB go through the VISA library that is installed on the machine, where
    there is one: it knows the adapters. All else goes over sockets and serial ports
    whose failures this file knows.
    """
    if address.upper().startswith(("USB", "GPIB")):
        with suppress(Exception):  # back ends raise anything where they are absent
            return _manager(INSTALLED)
    return _manager(OWN)


def resources() -> tuple[str, ...]:
    """Return the addresses that the machine's buses and the network show.

    It takes some seconds and asks the whole network; instruments on plain sockets do
    not show themselves. For a person at a terminal only.
    """
    found: list[str] = []
    for library in (INSTALLED, OWN):
        with warnings.catch_warnings(), suppress(Exception):
            # Each kind of line that is not installed warns.
            warnings.simplefilter("ignore")
            found += _manager(library).list_resources("?*::INSTR")
    return tuple(dict.fromkeys(found))


class _VisaLine:
    """A bare line: it is written to only while nothing lies unread on it."""

    def __init__(self, instrument: Instrument, profile: Profile) -> None:
        self._timeout_s = instrument.timeout_s
        self._profile = profile
        self._resource = _open(instrument)
        try:
            self._wire = _wire_of(self._resource, profile)
            self._resource.timeout = self._timeout_s * 1000
            self._resource.read_termination = profile.read_termination or None
        except BaseException:
            self.close()
            raise

    def write(self, text: str) -> None:
        self._exchange(text, answered=False)

    def query(self, text: str) -> str:
        return self._exchange(text, answered=True)

    def listen(self) -> str:
        if self._wire is None:
            message = "this kind of line carries answers only, nothing unasked"
            raise ValueError(message)
        ending = self._ending
        deadline_s = monotonic() + self._timeout_s
        # What has arrived is of the past, and so is the line that is half way here.
        self._wire.arrived(0.0)
        heard = b""
        while heard.count(ending) < 2:  # noqa: PLR2004 -- the end of it, and of the next
            heard += self._sooner_than(deadline_s, self._wire)
        return self._text(heard.split(ending)[1])

    def drain(self, within_s: float) -> None:
        """Throw away whatever comes within this time."""
        deadline_s = monotonic() + within_s
        while self._wire is not None and (left_s := deadline_s - monotonic()) > 0:
            self._wire.arrived(left_s)

    def close(self) -> None:
        with suppress(Exception):  # back ends raise anything on a broken line
            self._resource.close()

    @property
    def _ending(self) -> bytes:
        return self._profile.read_termination.encode("ascii")

    def _exchange(self, text: str, *, answered: bool) -> str:
        if self._wire is not None and (unread := self._wire.arrived(0.0)):
            message = f"{unread!r} came unasked"
            raise ValueError(message)
        command = text + self._profile.write_termination
        wire = self._wire
        try:
            self._resource.write_raw(command.encode("ascii"))
            if not answered:
                return ""
            raw = self._resource.read_raw() if wire is None else self._answer(wire)
        except pyvisa.errors.VisaIOError as exc:
            if exc.error_code == StatusCode.error_timeout:
                raise self._silence() from exc
            raise ConnectionError(exc.abbreviation) from exc
        except (OSError, ValueError):
            raise
        except Exception as exc:  # back ends raise anything on a broken line
            raise ConnectionError(str(exc)) from exc
        return self._text(raw)

    def _answer(self, wire: "_Wire") -> bytes:
        """Return one whole answer off the wire.

        The back end's own wait goes by the time of day, which can be set back, and
        spins on a line that the other end has closed.
        """
        deadline_s = monotonic() + self._timeout_s
        heard = b""
        while self._ending not in heard:
            heard += self._sooner_than(deadline_s, wire)
        if not heard.endswith(self._ending) or heard.count(self._ending) > 1:
            message = f"answered {heard!r}, more than one answer"
            raise ValueError(message)
        return heard

    def _sooner_than(self, deadline_s: float, wire: "_Wire") -> bytes:
        left_s = deadline_s - monotonic()
        if left_s <= 0:
            raise self._silence()
        return wire.arrived(left_s)

    def _text(self, raw: bytes) -> str:
        try:
            answer = raw.decode("ascii")
        except UnicodeDecodeError as exc:
            message = f"answered {raw!r}, no plain text"
            raise ValueError(message) from exc
        return answer.removesuffix(self._profile.read_termination)

    def _silence(self) -> TimeoutError:
        return TimeoutError(f"no whole answer within {self._timeout_s:g} s")


class _Wire(Protocol):
    """Characters that come with no frame around them."""

    def arrived(self, within_s: float) -> bytes:
        """Return what has come, at the latest after `within_s`; empty if nothing.

        Raises
        ------
        OSError
            The other end is gone.
        """
        ...


class _SocketWire:
    """A plain socket."""

    def __init__(self, link: socket.socket) -> None:
        self.link = link
        refusal = link.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if refusal:  # the back end does not notice
            raise ConnectionRefusedError(refusal, os.strerror(refusal))
        # Without it a command and a query in a row cost 40 ms (RFC 896).
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def arrived(self, within_s: float) -> bytes:
        if not select([self.link], [], [], within_s)[0]:
            return b""
        come = self.link.recv(LONGEST_ANSWER)
        if not come:
            message = "it closed the line"
            raise ConnectionError(message)
        return come


class _SerialWire:
    """A serial port, set as the profile says."""

    def __init__(self, port: Any, profile: Profile) -> None:
        self._port = port
        try:
            self._set(profile.serial)
        except Exception as exc:  # what a port cannot do is told in many ways
            message = f"its port cannot be set as the profile's [serial] says ({exc})"
            raise ConnectionError(message) from exc

    def _set(self, line: SerialLine) -> None:
        port = self._port
        port.baudrate = line.baud
        port.bytesize = line.data_bits
        port.parity = {"none": "N", "even": "E", "odd": "O"}[line.parity]
        port.stopbits = line.stop_bits
        port.rtscts = line.flow_control == "hardware"
        port.xonxoff = line.flow_control == "software"
        if line.power_from_line:
            port.dtr, port.rts = True, False

    def arrived(self, within_s: float) -> bytes:
        # Characters come one by one: wait for the first, then take what is there.
        self._port.timeout = within_s
        first: bytes = self._port.read(1)
        rest: bytes = self._port.read(self._port.in_waiting) if first else b""
        return first + rest


def _wire_of(resource: MessageBasedResource, profile: Profile) -> _Wire | None:
    """Return what carries bare characters; None where the line frames its answers."""
    sessions = getattr(resource.visalib, "sessions", {})
    interface = getattr(sessions.get(resource.session), "interface", None)
    if resource.resource_class == "SOCKET" and isinstance(interface, socket.socket):
        return _SocketWire(interface)
    if isinstance(resource, SerialInstrument):
        return _SerialWire(interface, profile)
    return None


def _open(instrument: Instrument) -> MessageBasedResource:
    """Open the address.

    Raises
    ------
    OSError
        It cannot be opened.
    """
    address = instrument.address
    try:
        _require_known_host(address)
        resource = _manager_for(address).open_resource(
            address, open_timeout=round(instrument.timeout_s * 1000)
        )
    except Exception as exc:  # back ends raise anything here
        message = f"cannot be opened ({exc}){_what_to_do(address, exc)}"
        raise ConnectionError(message) from exc
    if not isinstance(resource, MessageBasedResource):
        resource.close()
        message = "takes no messages"
        raise ConnectionError(message)
    return resource


def _what_to_do(address: str, fault: Exception) -> str:
    """Return what a person does about a line that this machine cannot open."""
    kind = address.upper()
    if kind.startswith("ASRL") and getattr(fault, "errno", None) == errno.EACCES:
        return (
            ": this user may not use the port; on Linux add the user to the port's "
            "group, often dialout, and log in anew"
        )
    if kind.startswith(("USB", "GPIB")) and isinstance(fault, ValueError):
        return (
            ": USB and GPIB need the VISA library of the adapter's maker, or pyusb "
            "for USB, on this machine; or use the instrument's network or serial line"
        )
    return ""


def _require_known_host(address: str) -> None:
    """Raise where the host has no address: the back end would leak a socket there."""
    host = getattr(ResourceName.from_string(address), "host_address", None)
    if host is not None:
        socket.getaddrinfo(host.partition(",")[0], None)
