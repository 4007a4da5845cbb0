"""An instrument on a loopback socket that fails in a chosen way when it is told to.

``SET n`` is remembered and ``READ?`` answers ``n`` as a number, so that a reader
that knows what it set knows which answer is right.
"""

import socket
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import Enum, auto
from socketserver import BaseRequestHandler, ThreadingTCPServer
from typing import ClassVar

IDENTITY = "Holdpoint,faulty meter,7,1"
OTHER_IDENTITY = "Holdpoint,another meter,8,1"


class Fault(Enum):
    """What happens instead of the answer to a reading."""

    SILENCE = auto()
    LATE = auto()
    LATE_TAIL = auto()
    LATE_TO_NEXT_LINE = auto()
    TWICE = auto()
    GARBAGE = auto()
    NO_TEXT = auto()
    OVERRANGE = auto()
    CLOSE = auto()
    CLOSE_HALF_WAY = auto()
    RESET = auto()
    OTHER_INSTRUMENT = auto()


class FaultyServer(ThreadingTCPServer):
    """Serves any number of lines; all share one instrument."""

    daemon_threads = True
    allow_reuse_address = True

    def __init__(self, late_s: float) -> None:
        self.late_s = late_s
        self.next_fault: Callable[[], Fault | None] = lambda: None
        self.value = 0.0
        self.other_answers = 0
        self.unread: bytes | None = None
        self.lines = 0
        self.received: list[str] = []
        self.stopping = threading.Event()
        super().__init__(("127.0.0.1", 0), FaultyLine)

    @property
    def address(self) -> str:
        """The VISA address of the instrument."""
        return f"TCPIP::127.0.0.1::{self.server_address[1]}::SOCKET"

    def identify(self) -> str:
        """Answer as another instrument as often as asked for."""
        if self.other_answers:
            self.other_answers -= 1
            return OTHER_IDENTITY
        return IDENTITY

    def handle_error(self, request: object, client_address: object) -> None:
        """Ignore it: a line that breaks is what this server is for."""


class FaultyLine(BaseRequestHandler):
    """One line: reads commands, answers or fails."""

    server: FaultyServer
    request: socket.socket
    # What each fault puts on the line at once, if anything.
    at_once: ClassVar[dict[Fault, bytes]] = {
        Fault.GARBAGE: b"+1.2?3E-\n",
        Fault.NO_TEXT: b"\xff\xfe1.0\n",
        Fault.OVERRANGE: b"+9.9E+37\n",
    }

    def handle(self) -> None:
        """Answer until the other end goes."""
        self.server.lines += 1
        with self.request.makefile("rb") as commands:
            for command in commands:
                if not self._answer(command.decode("ascii").strip()):
                    return

    def _answer(self, command: str) -> bool:
        server = self.server
        server.received.append(command)
        if server.unread is not None:
            self.request.sendall(server.unread)
            server.unread = None
            return True
        match command.split():
            case ["*IDN?"]:
                self.request.sendall(f"{server.identify()}\n".encode())
            case ["BYE"]:
                return False
            case ["SET", value]:
                server.value = float(value)
            case ["READ?"]:
                right = f"{server.value:+.6E}\n".encode()
                fault = server.next_fault()
                if fault is None:
                    self.request.sendall(right)
                else:
                    return self._fail(fault, right)
        return True

    def _fail(self, fault: Fault, right: bytes) -> bool:
        server, line = self.server, self.request
        if fault in self.at_once:
            line.sendall(self.at_once[fault])
        elif fault is Fault.TWICE:
            line.sendall(right + right)
        elif fault is Fault.LATE:
            server.stopping.wait(server.late_s)
            line.sendall(right)
        elif fault is Fault.LATE_TAIL:
            line.sendall(right[:4])
            server.stopping.wait(server.late_s)
            line.sendall(right[4:])
        elif fault is Fault.LATE_TO_NEXT_LINE:
            server.unread = right
        elif fault is Fault.CLOSE_HALF_WAY:
            line.sendall(right[:5])
        elif fault is Fault.RESET:
            # Closing with this option and unsent data resets the connection.
            line.setsockopt(
                socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0)
            )
        elif fault is Fault.OTHER_INSTRUMENT:
            server.other_answers = 1
        closing = {Fault.CLOSE, Fault.CLOSE_HALF_WAY, Fault.RESET}
        return fault not in closing | {Fault.OTHER_INSTRUMENT}


@contextmanager
def faulty_server(late_s: float) -> Iterator[FaultyServer]:
    """Run a server on a free port of this machine until the block ends."""
    with FaultyServer(late_s) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.01,))
        thread.start()
        try:
            yield server
        finally:
            server.stopping.set()
            server.shutdown()
            thread.join()
