"""The simulated instruments behind TCP ports on loopback, and the operator's port.

One port an instrument, each with plain lines ended by a line feed; and one for the
simulated operator, whom the measuring daemon never meets: lines of JSON.
"""

import asyncio
import errno
import json
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress

from daemon.bench.clock import ScaledClock
from daemon.simulator.errors import PortInUseError, SimulatorError
from daemon.simulator.faults import Delivery, Link
from daemon.simulator.hands import Hands
from daemon.simulator.rig import Rig
from daemon.simulator.scpi import LONGEST_LINE, ScpiError

__all__ = ["FIXTURE", "BenchServer"]

HOST = "127.0.0.1"
FIXTURE = "fixture"
OVERLONG = b"?" * (LONGEST_LINE + 1)
SHORTEST_WAIT_S = 0.0005
"""Shorter waits cost more than they last."""

Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


class BenchServer:
    """Serves one rig until it is told to quit.

    Parameters
    ----------
    rig : Rig
        The simulated bench.
    clock : ScaledClock
        The rig's own; instruments answer as fast as its scale has it.
    """

    def __init__(self, rig: Rig, clock: ScaledClock) -> None:
        self.quit = asyncio.Event()
        self.ports: dict[str, int] = {}
        """Ports by role once started, and that of the fixture."""
        self._rig = rig
        self._hands = Hands(rig)
        self._scale = clock.scale
        self._servers: dict[str, asyncio.Server] = {}
        self._writers: dict[str, set[asyncio.StreamWriter]] = {}
        self._hung_up: set[str] = set()
        self._conversations: set[asyncio.Task[None]] = set()

    @property
    def addresses(self) -> dict[str, str]:
        """VISA addresses by role."""
        return {
            role: f"TCPIP::{HOST}::{port}::SOCKET"
            for role, port in self.ports.items()
            if role != FIXTURE
        }

    async def start(self, ports: Mapping[str, int] | None = None) -> None:
        """Listen: on the given ports by role, elsewhere on any free one.

        Raises
        ------
        PortInUseError
            If a given port is taken; nothing is left listening.
        """
        wanted = ports or {}
        try:
            for role in (*self._rig.links, FIXTURE):
                await self._listen(role, wanted.get(role, 0))
        except PortInUseError:
            await self.close()
            raise

    async def close(self) -> None:
        """Stop listening and hang up on everybody."""
        self.quit.set()
        for role in tuple(self._servers):
            self._hang_up(role)
        # Whoever was just being accepted still gets in, and is turned away.
        await asyncio.sleep(SHORTEST_WAIT_S)
        if self._conversations:
            await asyncio.wait(self._conversations)

    async def _listen(self, role: str, port: int) -> None:
        writers = self._writers.setdefault(role, set())
        serve = self._serve_hands if role == FIXTURE else self._server_of(role)

        async def converse(
            reader: asyncio.StreamReader, writer: asyncio.StreamWriter
        ) -> None:
            try:
                await serve(reader, writer)
            except ConnectionError:
                pass  # whoever was there has gone
            finally:
                writers.discard(writer)
                await _closed(writer)

        def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            if role in self._hung_up:  # accepted just before the port was closed
                task = asyncio.create_task(_closed(writer))
            else:
                # Known from its first moment on, so that hanging up misses nobody.
                writers.add(writer)
                task = asyncio.create_task(converse(reader, writer))
            self._conversations.add(task)
            task.add_done_callback(self._conversations.discard)

        self._hung_up.discard(role)
        try:
            server = await asyncio.start_server(
                handle, HOST, port, limit=2 * LONGEST_LINE
            )
        except OSError as exc:
            if exc.errno != errno.EADDRINUSE:
                raise
            raise PortInUseError(role=role, port=port) from exc
        self._servers[role] = server
        self.ports[role] = server.sockets[0].getsockname()[1]

    def _hang_up(self, role: str) -> None:
        self._hung_up.add(role)
        self._servers.pop(role).close()
        for writer in self._writers[role]:
            writer.close()

    async def _follow_faults(self) -> None:
        """Close and open ports as the links have it."""
        if self.quit.is_set():
            return
        for role, link in self._rig.links.items():
            if link.closed and role in self._servers:
                self._hang_up(role)
            elif not link.closed and role not in self._servers:
                await self._listen(role, self.ports[role])

    def _server_of(self, role: str) -> Handler:
        async def serve(
            reader: asyncio.StreamReader, writer: asyncio.StreamWriter
        ) -> None:
            line = _Line(self._rig.links[role], writer, self._scale)
            if (await line.serve(reader)).restarts:
                for other in self._writers[role]:
                    other.close()
            await self._follow_faults()

        return serve

    async def _serve_hands(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        while line := await _line(reader):
            answer = self._hands.obey(line)
            try:
                await self._follow_faults()
            except SimulatorError as exc:
                answer = {"ok": False, "error": str(exc)}
            writer.write(json.dumps(answer).encode() + b"\n")
            await writer.drain()
            if self._hands.has_quit:
                self.quit.set()


class _Line:
    """One connection to one instrument."""

    def __init__(self, link: Link, writer: asyncio.StreamWriter, scale: float) -> None:
        self._link = link
        self._writer = writer
        self._scale = scale
        self._late: asyncio.Task[None] | None = None

    async def serve(self, reader: asyncio.StreamReader) -> Delivery:
        """Carry out lines until the connection ends; return the last delivery."""
        delivery = Delivery()
        coming = asyncio.ensure_future(_line(reader))
        try:
            while line := await coming:
                coming = asyncio.ensure_future(_line(reader))
                delivery = self._link.exchange(line.decode("latin-1").strip())
                await self._deliver(delivery, coming)
                if delivery.breaks:
                    break
        finally:
            coming.cancel()
            if self._late is not None:
                self._late.cancel()
        return delivery

    async def _deliver(self, delivery: Delivery, coming: asyncio.Future[bytes]) -> None:
        if delivery.late or (self._late is not None and not self._late.done()):
            self._late = asyncio.create_task(self._write_late(self._late, delivery))
            return
        wait_s = delivery.delay_s / self._scale
        if wait_s >= SHORTEST_WAIT_S:
            await asyncio.wait({coming}, timeout=wait_s)
            if delivery.data and coming.done() and coming.result():
                # IEEE 488.2, 6.3: a new message before the answer was read.
                self._link.instrument.report(ScpiError(-410))
                return
        self._writer.write(delivery.data)
        await self._writer.drain()

    async def _write_late(
        self, before: asyncio.Task[None] | None, delivery: Delivery
    ) -> None:
        """Write once due, and never before what was due earlier."""
        if before is not None:
            await before
        await asyncio.sleep(delivery.delay_s / self._scale)
        self._writer.write(delivery.data)


async def _closed(writer: asyncio.StreamWriter) -> None:
    """Close a connection and see it gone."""
    writer.close()
    with suppress(ConnectionError):
        await writer.wait_closed()


async def _line(reader: asyncio.StreamReader) -> bytes:
    """Return the next whole line; empty at the end of the connection."""
    try:
        line = await reader.readline()
    except ValueError:
        return OVERLONG
    except ConnectionError:
        return b""
    return line if line.endswith(b"\n") else b""
