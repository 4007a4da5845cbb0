"""What a driver speaks through: the seam that takes a fake."""

from collections.abc import Callable
from typing import Protocol

from config.model import Instrument
from config.profile import Profile
from daemon.bench.errors import AbsentError, NoAnswerError

__all__ = ["Connect", "Connection", "by_address"]


class Connection(Protocol):
    """A line to one instrument; texts without their terminations.

    One call at a time reaches the instrument, whichever thread asks. Faults are
    `InstrumentError`s; the call after a fault starts from a clean line.
    """

    def write(self, text: str) -> None:
        """Send a command that has no answer."""
        ...

    def query(self, text: str) -> str:
        """Send a query and return its whole answer."""
        ...

    def close(self) -> None:
        """Let go of the instrument; a second time does nothing."""
        ...


Connect = Callable[[str, Instrument, Profile], Connection]
"""Opens the line of a role: role name, its settings, its profile."""


def by_address(open_line: Callable[[str], Connection]) -> Connect:
    """Make a `Connect` of anything that opens a line by its address alone.

    Such a line may raise what the standard library raises: a timeout becomes a
    `NoAnswerError`, any other `OSError` an `AbsentError`.
    """

    def connect(role: str, instrument: Instrument, profile: Profile) -> Connection:
        del profile
        return _Translated(role, instrument.address, open_line)

    return connect


class _Translated:
    """A line whose faults are this package's."""

    def __init__(
        self, role: str, address: str, open_line: Callable[[str], Connection]
    ) -> None:
        self._role = role
        self._address = address
        try:
            self._line = open_line(address)
        except OSError as exc:
            raise self._fault(exc) from exc

    def write(self, text: str) -> None:
        try:
            self._line.write(text)
        except OSError as exc:
            raise self._fault(exc, text) from exc

    def query(self, text: str) -> str:
        try:
            return self._line.query(text)
        except OSError as exc:
            raise self._fault(exc, text) from exc

    def close(self) -> None:
        self._line.close()

    def _fault(self, exc: OSError, text: str = "") -> AbsentError | NoAnswerError:
        kind = NoAnswerError if isinstance(exc, TimeoutError) else AbsentError
        return kind(
            role=self._role, address=self._address, command=text, reason=str(exc)
        )
