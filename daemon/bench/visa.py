"""Lines to real instruments through VISA: the only file that imports it."""

import errno
import os
import socket
import warnings
from contextlib import suppress
from functools import cache
from select import select
from threading import Event
from time import monotonic
from typing import TYPE_CHECKING, Any, Protocol

import pyvisa
from pyvisa.constants import StatusCode
from pyvisa.resources import MessageBasedResource, SerialInstrument
from pyvisa.rname import ResourceName

from config import Instrument, Profile, SerialLine
from daemon.bench.common_line import Behind
from daemon.bench.connection import BareLine, Connection
from daemon.bench.framing import Frames, Framing
from daemon.bench.plain import plainly
from daemon.bench.wire import Line

if TYPE_CHECKING:
    from daemon.bench.modbus import Registers

__all__ = ["connect", "overhear", "registers", "resources"]

LONGEST_ANSWER = 65_536
SILENT_S = 0.02
DTR_DSR = "hardware DTR/DSR"
DSR_LOOK_S = 0.005
NOT_READY = "it did not raise its line DSR, which says that it is ready, within"
ITS_LEAD = (
    "see that it is on and that its lead has that wire; without it the profile's "
    'flow_control is "none"'
)
"""What comes later than this after the rest is another piece."""
OWN, INSTALLED = "@py", "@ivi"
"""Libraries: the one that comes along, and that of the machine, if any."""


def connect(role: str, instrument: Instrument, profile: Profile) -> Connection:
    """Open the line of a role; the `Connect` of a bench of real instruments.

    Raises
    ------
    InstrumentError
        Nothing answers at the address.
    """
    return Line(role, instrument, profile, lambda: _bare(instrument, profile))


def overhear(
    instrument: Instrument, profile: Profile, ask: str | None, within_s: float
) -> list[bytes]:
    """Return what comes within a time, in pieces; the `Overhear` of real lines.

    Raises
    ------
    OSError
        It cannot be opened, or the other end is gone.
    """
    line = _VisaLine(instrument, profile)
    try:
        return line.overhear(ask, within_s)
    finally:
        line.close()


def registers(instrument: Instrument, profile: Profile) -> "Registers":
    """Open a bare line to registers; the `OpenRegisters` of real lines.

    Raises
    ------
    OSError
        It cannot be opened, or nothing is there.
    """
    from daemon.bench.modbus import Registers  # noqa: PLC0415 -- few benches need it

    return Registers(instrument, profile)


def _bare(instrument: Instrument, profile: Profile) -> BareLine:
    """Open whatever carries an instrument's exchanges."""
    if profile.modbus is not None:
        return registers(instrument, profile)
    if profile.adapter is not None:
        return Behind(instrument, profile, lambda: _VisaLine(instrument, profile))
    return _VisaLine(instrument, profile)


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
        self.timeout_s = instrument.timeout_s
        self._profile = profile
        self._framing = Framing(
            profile.read_termination.encode("ascii"),
            profile.echo,
            (profile.prompt or "").encode("ascii"),
        )
        frame = profile.frame
        self._frames = (
            None if frame is None else Frames(frame.start, frame.length, frame.checksum)
        )
        self._wire: _Wire | None = None
        self._resource = _open(instrument)
        try:
            self._wire = _wire_of(self._resource, profile)
            self._resource.timeout = self.timeout_s * 1000
            # No byte of a frame ends it.
            self._resource.read_termination = (
                None if frame is not None else profile.read_termination or None
            )
        except BaseException:
            self.close()
            raise

    def write(self, text: str) -> None:
        self._exchange(text, 0)

    def query(self, text: str, lines: int = 1) -> str:
        return self._exchange(text, lines)

    def listen(self) -> str:
        if self._wire is None:
            message = "this kind of line gives answers only, nothing unasked"
            raise ValueError(message)
        ending = self._framing.ending
        deadline_s = monotonic() + self.timeout_s
        # What has arrived is of the past, and so is the line that is half way here.
        self._wire.arrived(0.0)
        heard = b""
        if self._frames is not None:
            while (frame := self._frames.first(heard)) is None:
                heard += self._sooner_than(deadline_s, self._wire)
            return self._frames.text(frame)
        while heard.count(ending) < 2:  # noqa: PLR2004 -- the end of it, and of the next
            heard += self._sooner_than(deadline_s, self._wire)
        return self._text(heard.split(ending)[1])

    def overhear(self, ask: str | None, within_s: float) -> list[bytes]:
        """Return what comes within a time, parted where it is silent for a moment.

        Once a line was sent, what comes up to the next silence is its answer.
        """
        wire = self._wire
        if wire is None:
            return []  # a line that gives answers only, each framed by itself
        wire.arrived(0.0)
        if ask is not None:
            wire.until_ready(within_s)
            self._resource.write_raw((ask + self._profile.write_termination).encode())
        pieces: list[bytes] = []
        silent = True
        deadline_s = monotonic() + within_s
        while (left_s := deadline_s - monotonic()) > 0:
            come = wire.arrived(min(SILENT_S, left_s))
            if come and silent:
                pieces.append(come)
            elif come:
                pieces[-1] += come
            elif ask is not None and pieces:
                break
            silent = not come
        return pieces

    def drain(self, within_s: float) -> None:
        """Throw away whatever comes within this time."""
        if self._wire is None:
            Event().wait(within_s)
            return
        deadline_s = monotonic() + within_s
        while (left_s := deadline_s - monotonic()) > 0:
            self._wire.arrived(left_s)

    def descriptor(self) -> int | None:
        return None if self._wire is None else self._wire.descriptor()

    def close(self) -> None:
        with suppress(Exception):  # back ends raise anything on a broken line
            if self._wire is not None:
                self._wire.hang_up()
        with suppress(Exception):
            self._resource.close()

    def _exchange(self, text: str, lines: int) -> str:
        if self._wire is not None and (unread := self._wire.arrived(0.0)):
            message = f"{unread!r} came unasked"
            raise ValueError(message)
        command = text + self._profile.write_termination
        try:
            # Off is sent in any case: what it does not take is not seen as off.
            if self._wire is not None and text != self._profile.output_off:
                self._wire.until_ready(self.timeout_s)
            self._resource.write_raw(command.encode("ascii"))
            if self._wire is not None:
                raw = self._answer(self._wire, text.encode("ascii"), lines)
            else:
                raw = self._message(lines) if lines else b""
        except pyvisa.errors.VisaIOError as exc:
            if exc.error_code == StatusCode.error_timeout:
                raise self._silence() from exc
            raise ConnectionError(exc.abbreviation) from exc
        except (OSError, ValueError):
            raise
        except Exception as exc:  # back ends raise anything on a broken line
            raise ConnectionError(str(exc)) from exc
        if self._frames is not None and lines:
            return self._frames.text(raw)
        return self._text(raw)

    def _message(self, lines: int) -> bytes:
        r"""Return the answer on a line that frames it, `\n` between its lines."""
        raw = self._resource.read_raw()
        if self._frames is not None:
            return raw
        raw = raw.removesuffix(self._framing.ending)
        if not (lines > 1 and self._framing.ending):
            return raw
        said = raw.split(self._framing.ending)
        if len(said) != lines:
            message = f"answered {raw!r}, not {lines} lines"
            raise ValueError(message)
        return b"\n".join(said)

    def _answer(self, wire: "_Wire", command: bytes, lines: int) -> bytes:
        """Return one whole answer off the wire; none where none follows.

        The back end's own wait goes by the time of day, which can be set back, and
        spins on a line that the other end has closed.
        """
        if not self._framing.speaks(lines):
            return b""
        deadline_s = monotonic() + self.timeout_s
        heard = b""
        if self._frames is not None:
            while len(heard) < self._frames.length:
                heard += self._sooner_than(deadline_s, wire)
            return heard
        while not self._framing.is_whole(heard, lines):
            heard += self._sooner_than(deadline_s, wire)
        return self._framing.answer(heard, command, lines)

    def _sooner_than(self, deadline_s: float, wire: "_Wire") -> bytes:
        left_s = deadline_s - monotonic()
        if left_s <= 0:
            raise self._silence()
        return wire.arrived(left_s)

    def _text(self, raw: bytes) -> str:
        try:
            return raw.decode("ascii")
        except UnicodeDecodeError as exc:
            message = f"answered {raw!r}, no plain text"
            raise ValueError(message) from exc

    def _silence(self) -> TimeoutError:
        return TimeoutError(f"no whole answer within {self.timeout_s:g} s")


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

    def until_ready(self, within_s: float) -> None:
        """Wait until the other end takes a line.

        Raises
        ------
        OSError
            It does not within this time, or cannot say so.
        """
        ...

    def descriptor(self) -> int | None:
        """Return what another process can speak over, where it can."""
        ...

    def hang_up(self) -> None:
        """End the line for whoever else holds it too."""
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

    def until_ready(self, within_s: float) -> None:
        """Do nothing: the network sees to it."""

    def descriptor(self) -> int | None:
        return self.link.fileno()

    def hang_up(self) -> None:
        self.link.shutdown(socket.SHUT_RDWR)


class _SerialWire:
    """A serial port, set as the profile says."""

    def __init__(self, port: Any, profile: Profile) -> None:
        self._port = port
        self._asks_dsr = profile.serial.flow_control == DTR_DSR
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
        port.dsrdtr = line.flow_control == DTR_DSR
        port.xonxoff = line.flow_control == "software"
        if line.power_from_line:
            port.dtr, port.rts = True, False

    def arrived(self, within_s: float) -> bytes:
        # Characters come one by one: wait for the first, then take what is there.
        self._port.timeout = within_s
        first: bytes = self._port.read(1)
        rest: bytes = self._port.read(self._port.in_waiting) if first else b""
        return first + rest

    def until_ready(self, within_s: float) -> None:
        # Few systems hold back what is sent for DSR; each tells how it stands.
        if not self._asks_dsr:
            return
        deadline_s = monotonic() + within_s
        while not self._port.dsr:
            if monotonic() > deadline_s:
                message = f"{NOT_READY} {within_s:g} s: {ITS_LEAD}"
                raise TimeoutError(message)
            Event().wait(DSR_LOOK_S)

    def descriptor(self) -> int | None:
        try:
            return int(self._port.fileno())
        except (AttributeError, OSError):  # not on this system
            return None

    def hang_up(self) -> None:
        """Do nothing: a port has no other end that waits."""


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
        message = f"cannot be opened ({plainly(exc)}){_what_to_do(address, exc)}"
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
