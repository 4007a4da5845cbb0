"""Instruments on lines of other kinds than plain sockets, for tests.

A serial port is a pty. The HiSLIP (IVI-6.1) and VXI-11 servers speak just what one
client needs, and hand every message to a plain function.
"""

import os
import pty
import socket
import struct
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from select import select
from socketserver import BaseRequestHandler, ThreadingTCPServer

Instrument = Callable[[str], str | None]
"""What an instrument answers to a message, if anything."""


class SerialInstrument:
    """The instrument's end of a serial line."""

    def __init__(self) -> None:
        self._own, self._far = pty.openpty()
        tty.setraw(self._own)
        self.port = os.ttyname(self._far)
        self.heard: list[str] = []

    @property
    def address(self) -> str:
        """The VISA address of the port."""
        return f"ASRL{self.port}::INSTR"

    def say(self, text: str) -> None:
        """Send characters, whoever asked."""
        os.write(self._own, text.encode())

    def send(self, raw: bytes) -> None:
        """Send bytes, whoever asked."""
        os.write(self._own, raw)

    def hear(self, within_s: float) -> str:
        """Return what has come."""
        if not select([self._own], [], [], within_s)[0]:
            return ""
        heard = os.read(self._own, 1000).decode()
        self.heard.append(heard)
        return heard

    def pass_on(self, other: "SerialInstrument") -> None:
        """Send on what has come at another's end."""
        if select([other._own], [], [], 0.001)[0]:
            os.write(self._own, os.read(other._own, 1000))

    def unplug(self) -> None:
        """Pull the cable."""
        for end in (self._own, self._far):
            with suppress(OSError):
                os.close(end)


@contextmanager
def serial_instrument(
    answers: Callable[[str], str | bytes | None] | None = None,
    *,
    talks: float | None = None,
) -> Iterator[SerialInstrument]:
    """Run an instrument that answers, or that sends its reading by itself.

    Parameters
    ----------
    talks
        Seconds between the lines that `answers` gives to nothing.
    """
    one = SerialInstrument()
    ended = threading.Event()

    def serve() -> None:
        with suppress(OSError):
            while not ended.is_set():
                heard = "" if talks is not None else one.hear(0.02)
                if answers is not None and (heard or talks is not None):
                    said = answers(heard) or b""
                    one.send(said.encode() if isinstance(said, str) else said)
                if talks is not None:
                    ended.wait(talks)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield one
    finally:
        ended.set()
        thread.join()
        one.unplug()


@contextmanager
def _served(handler: type[BaseRequestHandler], instrument: Instrument) -> Iterator[int]:
    class Server(ThreadingTCPServer):
        daemon_threads = True
        allow_reuse_address = True
        block_on_close = False

    with Server(("127.0.0.1", 0), handler) as server:
        server.instrument = instrument  # type: ignore[attr-defined]
        thread = threading.Thread(
            target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True
        )
        thread.start()
        try:
            yield server.server_address[1]
        finally:
            server.shutdown()
            thread.join()


def _exactly(link: socket.socket, count: int) -> bytes:
    got = b""
    while len(got) < count:
        more = link.recv(count - len(got))
        if not more:
            raise EOFError
        got += more
    return got


class _HislipLine(BaseRequestHandler):
    """Either of a client's two channels (IVI-6.1, table 3: message types)."""

    INITIALIZE, INITIALIZED = 0, 1
    DATA, DATA_END = 6, 7
    ASYNC_SIZE, ASYNC_SIZED = 15, 16
    ASYNC_INITIALIZE, ASYNC_INITIALIZED = 17, 18

    def handle(self) -> None:
        message = b""
        with suppress(EOFError, OSError):
            while True:
                _, kind, _, parameter, size = struct.unpack(
                    "!2sBBIQ", _exactly(self.request, 16)
                )
                payload = _exactly(self.request, size)
                match kind:
                    case self.INITIALIZE:
                        self._say(self.INITIALIZED, 0x0100_0001)
                    case self.ASYNC_INITIALIZE:
                        self._say(self.ASYNC_INITIALIZED, 0)
                    case self.ASYNC_SIZE:
                        self._say(self.ASYNC_SIZED, 0, payload)
                    case self.DATA:
                        message += payload
                    case self.DATA_END:
                        text = (message + payload).decode().strip()
                        message = b""
                        answer = self.server.instrument(text)  # type: ignore[attr-defined]
                        if answer is not None:
                            self._say(self.DATA_END, parameter, f"{answer}\n".encode())

    def _say(self, kind: int, parameter: int, payload: bytes = b"") -> None:
        header = struct.pack("!2sBBIQ", b"HS", kind, 0, parameter, len(payload))
        self.request.sendall(header + payload)


@contextmanager
def hislip_instrument(instrument: Instrument) -> Iterator[str]:
    """Serve an instrument over HiSLIP; give its address."""
    with _served(_HislipLine, instrument) as port:
        yield f"TCPIP::127.0.0.1::hislip0,{port}::INSTR"


class _Vxi11Line(BaseRequestHandler):
    """One client's calls (ONC RPC, RFC 5531, of the VXI-11 core channel)."""

    CREATE_LINK, WRITE, READ, DESTROY_LINK = 10, 11, 12, 23
    IO_TIMEOUT = 15
    END = 4
    ENDS_SET = 0x80
    """Device flag: an answer ends at this character (VXI-11, from memory)."""

    def handle(self) -> None:
        self._answers: list[str] = []
        with suppress(EOFError, OSError):
            while True:
                (mark,) = struct.unpack("!I", _exactly(self.request, 4))
                call = _exactly(self.request, mark & 0x7FFF_FFFF)
                xid, _, _, _, _, procedure = struct.unpack("!6I", call[:24])
                reply = struct.pack("!6I", xid, 1, 0, 0, 0, 0)
                reply += self._carry_out(procedure, call[40:])
                self.request.sendall(
                    struct.pack("!I", 0x8000_0000 | len(reply)) + reply
                )

    def _carry_out(self, procedure: int, body: bytes) -> bytes:
        match procedure:
            case self.CREATE_LINK:
                return struct.pack("!4I", 0, 1, 0, 4096)
            case self.WRITE:
                (size,) = struct.unpack("!I", body[16:20])
                text = body[20 : 20 + size].decode().strip()
                answer = self.server.instrument(text)  # type: ignore[attr-defined]
                self._answers += [] if answer is None else [answer]
                return struct.pack("!2I", 0, size)
            case self.READ:
                if not self._answers:
                    return struct.pack("!3I", self.IO_TIMEOUT, 0, 0)
                said = f"{self._answers.pop(0)}\n".encode()
                flags, ends = struct.unpack("!2I", body[16:24])
                if flags & self.ENDS_SET:
                    said = said[: said.index(ends) + 1]
                padding = b"\0" * (-len(said) % 4)
                return struct.pack("!3I", 0, self.END, len(said)) + said + padding
            case _:
                return struct.pack("!I", 0)


@contextmanager
def vxi11_instrument(instrument: Instrument) -> Iterator[str]:
    """Serve an instrument over VXI-11; give its address."""
    with _served(_Vxi11Line, instrument) as port:
        yield f"TCPIP::127.0.0.1,{port}::inst0::INSTR"
