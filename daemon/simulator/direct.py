"""The simulated instruments without sockets, for simulations by the thousand."""

from daemon.simulator.rig import Rig
from daemon.simulator.scpi import Instrument

__all__ = ["DirectBench", "DirectConnection"]


class DirectConnection:
    """One instrument, spoken to line by line; a query lasts as long as it takes."""

    def __init__(self, rig: Rig, instrument: Instrument) -> None:
        self._rig = rig
        self._instrument = instrument

    def write(self, text: str) -> None:
        """Send a line that is not answered."""
        self._instrument.handle(text)

    def query(self, text: str) -> str:
        """Send a line and return its answer.

        Raises
        ------
        TimeoutError
            If the instrument does not answer.
        """
        answer = self._instrument.handle(text)
        if self._instrument.took_s:
            self._rig.clock.wait_s(self._instrument.took_s)
        if answer is None:
            message = f"no answer to {text!r}"
            raise TimeoutError(message)
        return answer

    def close(self) -> None:
        """Hang up; the instrument keeps its settings."""


class DirectBench:
    """Connects by the addresses of the bench's settings."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self._roles = {one.address: role for role, one in rig.bench.instruments.items()}

    def connect(self, address: str) -> DirectConnection:
        """Return a connection to the instrument at `address`.

        Raises
        ------
        ConnectionRefusedError
            If no instrument of the bench is there.
        """
        if address not in self._roles:
            message = f"nothing listens at {address}"
            raise ConnectionRefusedError(message)
        return DirectConnection(self.rig, self.rig.instruments[self._roles[address]])
