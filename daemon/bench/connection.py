"""What a driver speaks through: the seam that takes a fake."""

from collections.abc import Callable
from typing import Protocol

from config import Instrument, Profile

__all__ = ["BareLine", "Connect", "Connection", "Overhear"]


class Connection(Protocol):
    """A line to one instrument; texts without their terminations."""

    def write(self, text: str) -> None:
        """Send a command that has no answer."""
        ...

    def query(self, text: str, lines: int = 1) -> str:
        r"""Send a query and return its whole answer, `\n` between its lines."""
        ...

    def listen(self) -> str:
        """Return the next whole line of an instrument that talks by itself."""
        ...

    def close(self) -> None:
        """Let go of the instrument; a second time does nothing."""
        ...

    def descriptor(self) -> int | None:
        """Return what another process can speak over, where it can; it stays ours."""
        ...


class BareLine(Connection, Protocol):
    """A line without the care; whatever is wrong with it ends its use.

    An answer is waited for `timeout_s`.
    """

    timeout_s: float

    def drain(self, within_s: float) -> None:
        """Throw away whatever comes within this time."""
        ...


class RegisterLine(Protocol):
    """A bare line to an instrument that has registers."""

    def words(self, table: str, first: int, count: int) -> tuple[int, ...] | None:
        """Return what so many registers hold; None where some are not there.

        Any other refusal is a ValueError.
        """
        ...

    def query(self, text: str, lines: int = 1) -> str:
        """Read a register or a bit, and return it as text."""
        ...

    def close(self) -> None:
        """Let go of the line."""
        ...


OpenRegisters = Callable[[Instrument, Profile], RegisterLine]
"""Opens a bare line to registers. An OSError where there is no such line."""

Overhear = Callable[[Instrument, Profile, str | None, float], list[bytes]]
"""Returns the bare bytes that come over a line of its own within so many seconds.

In pieces, parted where it is silent for a moment; after a line is sent, if one is
given. An OSError where there is no such line."""

Connect = Callable[[str, Instrument, Profile], Connection]
"""Opens the line of a role: role name, its settings, its profile.

One call at a time reaches the instrument, whichever thread asks. Faults are
`InstrumentError`s, and the call after a fault starts from a clean line.
"""
