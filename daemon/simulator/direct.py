"""The simulated instruments without sockets, for simulations by the thousand."""

from collections import deque

from daemon.simulator.faults import Delivery, Link
from daemon.simulator.rig import Rig

__all__ = ["DirectBench", "DirectConnection"]


class DirectConnection:
    """One instrument, spoken to line by line; a query lasts as long as it takes.

    Like a socket it keeps what came too late, and hands it to the next query.
    """

    def __init__(self, rig: Rig, link: Link, timeout_s: float) -> None:
        self._clock = rig.clock
        self._link = link
        self._timeout_s = timeout_s
        self._buffer = b""
        self._coming: deque[tuple[float, Delivery]] = deque()
        self._broken = False

    def write(self, text: str) -> None:
        """Send a line.

        Raises
        ------
        ConnectionError
            If the connection is broken.
        """
        if self._quiet:
            self._link.instrument.handle(text)
        else:
            self._send(text)

    def query(self, text: str, lines: int = 1) -> str:
        """Send a line and return the next line that comes; it never sends several.

        Raises
        ------
        TimeoutError
            If none comes within the instrument's timeout.
        ConnectionError
            If the connection is or gets broken.
        """
        del lines
        if self._quiet:
            instrument = self._link.instrument
            answer = instrument.handle(text)
            if answer is not None:
                if instrument.took_s:
                    self._clock.wait_s(instrument.took_s)
                return answer
        else:
            self._send(text)
        return self._receive()

    def close(self) -> None:
        """Hang up; the instrument keeps its settings."""
        self._broken = True

    @property
    def _quiet(self) -> bool:
        """Whether nothing is wrong and nothing is left over: the short way."""
        return self._link.sound and not (self._broken or self._coming or self._buffer)

    def _send(self, text: str) -> None:
        if self._broken:
            raise _reset()
        delivery = self._link.exchange(text)
        due_s = self._clock.now_s() + delivery.delay_s
        if self._coming:
            due_s = max(due_s, self._coming[-1][0])
        if delivery.data or delivery.breaks:
            self._coming.append((due_s, delivery))

    def _receive(self) -> str:
        deadline_s = self._clock.now_s() + self._timeout_s
        while b"\n" not in self._buffer:
            if self._broken:
                raise _reset()
            if not self._coming or self._coming[0][0] > deadline_s:
                self._clock.wait_s(deadline_s - self._clock.now_s())
                message = f"no answer within {self._timeout_s:g} s"
                raise TimeoutError(message)
            due_s, delivery = self._coming.popleft()
            self._clock.wait_s(due_s - self._clock.now_s())
            self._buffer += delivery.data
            self._broken = delivery.breaks
        line, _, self._buffer = self._buffer.partition(b"\n")
        return line.decode("latin-1")


class DirectBench:
    """Connects by the addresses of the bench's settings."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self._roles = {
            one.address: (role, one.timeout_s)
            for role, one in rig.bench.instruments.items()
        }

    def connect(self, address: str) -> DirectConnection:
        """Return a connection to the instrument at `address`.

        Raises
        ------
        ConnectionRefusedError
            If no instrument of the bench listens there.
        """
        role, timeout_s = self._roles.get(address, ("", 0.0))
        link = self.rig.links.get(role)
        if link is None or link.closed:
            message = f"nothing listens at {address}"
            raise ConnectionRefusedError(message)
        return DirectConnection(self.rig, link, timeout_s)


def _reset() -> ConnectionResetError:
    return ConnectionResetError("the connection is broken")
