"""A driver of a GPIB controller, with instruments behind it.

Such a controller hangs on USB; its driver gives the modules `gpib` and `Gpib`. This one
has the calls that the library makes of it, in the sense of IEEE 488.1: a message ends
with EOI, and nothing is read that was not asked for.
"""

import importlib
import logging
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import ModuleType

import pyvisa

from daemon.bench import visa

Answers = Callable[[str], str]
"""What an instrument answers to a message; empty where nothing."""

END, TIMED_OUT = 0x2000, 0x4000
IBA_TIMEOUT = 3
TIMEOUTS_S = (0, 1e-5, 3e-5, 1e-4, 3e-4, 1e-3, 3e-3, 0.01, 0.03, 0.1, 0.3, 1, 3, 10)


class GpibError(Exception):
    """As the driver raises it."""


class Bus:
    """Instruments by primary address."""

    def __init__(self) -> None:
        self.instruments: dict[int, Answers] = {}
        self.heard: list[tuple[int, bytes]] = []

    @contextmanager
    def at(self, address: int, answers: Answers) -> Iterator[str]:
        """Put an instrument on the bus; give its address as VISA spells it."""
        self.instruments[address] = answers
        yield f"GPIB0::{address}::INSTR"
        del self.instruments[address]


BUS = Bus()


class Gpib:
    """The line to one instrument, or to the controller itself."""

    def __init__(self, name: int = 0, pad: int | None = None, **_: object) -> None:
        del name
        self._address = pad
        self._said = b""
        self._status = 0
        self._count = 0
        self._timeout = 13

    def write(self, data: bytes) -> None:
        """Send one message; an address without a listener takes none."""
        assert self._address is not None
        answers = BUS.instruments.get(self._address)
        if answers is None:
            raise GpibError
        BUS.heard.append((self._address, data))
        self._said = answers(data.decode().strip()).encode()
        self._status, self._count = 0, len(data)

    def read(self, count: int) -> bytes:
        """Read up to EOI, or up to so many bytes; time out where nothing is said."""
        if not self._said:
            time.sleep(TIMEOUTS_S[self._timeout])
            self._status = TIMED_OUT
            raise GpibError
        given, self._said = self._said[:count], self._said[count:]
        self._status = 0 if self._said else END
        return given

    def ibsta(self) -> int:
        """Return the status of the last call."""
        return self._status

    def ibcnt(self) -> int:
        """Return how many bytes the last call sent."""
        return self._count

    def timeout(self, place: int) -> None:
        """Choose one of the driver's times."""
        self._timeout = place

    def ask(self, option: int) -> int:
        """Return a setting."""
        return self._timeout if option == IBA_TIMEOUT else 0

    def config(self, option: int, value: int) -> None:
        """Take a setting."""

    def clear(self) -> None:
        """Forget what was not read."""
        self._said = b""

    def close(self) -> None:
        """Let go of the instrument."""


@contextmanager
def installed() -> Iterator[None]:
    """Have the driver on the machine; the VISA library looks for it once."""
    driver, line = ModuleType("gpib"), ModuleType("Gpib")
    driver.GpibError = GpibError  # type: ignore[attr-defined]
    line.Gpib = Gpib  # type: ignore[attr-defined]
    pyvisa.ResourceManager("@py").close()  # what it loads is loaded before
    known = importlib.import_module("pyvisa_py.sessions").Session._session_classes
    before = dict(known)
    sys.modules |= {"gpib": driver, "Gpib": line}
    sys.modules.pop("pyvisa_py.gpib", None)
    logging.disable(logging.WARNING)  # it says that it registers a kind of line anew
    try:
        importlib.import_module("pyvisa_py.gpib")
    finally:
        logging.disable(logging.NOTSET)
    visa._manager.cache_clear()
    try:
        yield
    finally:
        for name in ("gpib", "Gpib", "pyvisa_py.gpib"):
            sys.modules.pop(name, None)
        known.clear()
        known.update(before)
        visa._manager.cache_clear()
