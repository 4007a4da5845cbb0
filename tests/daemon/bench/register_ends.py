"""Instruments with registers, served by the library's own server (pymodbus)."""

import asyncio
import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from threading import Event, Thread
from typing import Any

from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tests.daemon.bench.old_instruments import SerialInstrument

WRITE_COIL, WRITE_ONE, WRITE_SEVERAL = 5, 6, 16
READ_COILS, READ_INPUT = 1, 4
WORDS = 8


@dataclass(frozen=True, kw_only=True)
class Device:
    """What one device does; `None` where it is never asked for that.

    Attributes
    ----------
    reads
        The volts or amperes of its input registers 0 and 1, a float of 32 bits.
    coil
        Whether its coil 0 is set.
    written
        Told the table's letter, the address and the words, or the bit.
    """

    reads: Callable[[], float] | None = None
    coil: Callable[[], bool] | None = None
    written: Callable[[str, int, list[int]], None] = lambda *_: None

    def served(self, number: int) -> SimDevice:
        """Return it as the library serves it."""

        async def action(
            function: int,
            _start: int,
            address: int,
            _count: int,
            registers: list[int],
            values: Any,
        ) -> None:
            if values is not None:
                table = "coil" if function == WRITE_COIL else "holding"
                self.written(table, address, [int(one) for one in values])
            elif function == READ_INPUT and self.reads is not None:
                registers[0:2] = struct.unpack(">2H", struct.pack(">f", self.reads()))
            elif function == READ_COILS and self.coil is not None:
                registers[0] = int(self.coil())

        def block() -> list[SimData]:
            return [SimData(0, values=[0] * WORDS, datatype=DataType.REGISTERS)]

        def bits() -> list[SimData]:
            return [SimData(0, values=[False] * 16, datatype=DataType.BITS)]

        return SimDevice(number, (bits(), bits(), block(), block()), action=action)


@contextmanager
def registers_over_tcp(**devices: Device) -> Iterator[str]:
    """Serve devices, each by its number as `d1`, over a socket; give its address."""
    with _served(
        lambda: ModbusTcpServer(_all(devices), address=("127.0.0.1", 0))
    ) as server:
        port = server.transport.sockets[0].getsockname()[1]
        yield f"TCPIP::127.0.0.1::{port}::SOCKET"


@contextmanager
def registers_over_serial(**devices: Device) -> Iterator[str]:
    """Serve devices over a serial line; give its address.

    The server opens a port as we do, so that there are two, joined.
    """
    ours, theirs = SerialInstrument(), SerialInstrument()
    ended = Event()

    def join() -> None:
        with suppress(OSError):
            while not ended.is_set():
                for one, other in ((ours, theirs), (theirs, ours)):
                    other.pass_on(one)

    thread = Thread(target=join)
    thread.start()
    try:
        with _served(lambda: ModbusSerialServer(_all(devices), port=theirs.port)):
            yield ours.address
    finally:
        ended.set()
        thread.join(10.0)
        ours.unplug()
        theirs.unplug()


def _all(devices: dict[str, Device]) -> list[SimDevice]:
    return [one.served(int(name.removeprefix("d"))) for name, one in devices.items()]


@contextmanager
def _served(make: Callable[[], Any]) -> Iterator[Any]:
    loop = asyncio.new_event_loop()
    thread = Thread(target=loop.run_forever)
    thread.start()

    async def start() -> Any:
        server = make()
        await server.serve_forever(background=True)
        return server

    try:
        server = asyncio.run_coroutine_threadsafe(start(), loop).result(10.0)
        yield server
        asyncio.run_coroutine_threadsafe(server.shutdown(), loop).result(10.0)
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10.0)
        loop.close()
