"""One line to several instruments: opened once, spoken over by one at a time.

Behind an adapter, or on one bus of registers, each exchange says whom it is for. What
fails ends the line for all, since a late answer could be taken for another's; the next
exchange, whoever's it is, opens it anew and throws away what is late.
"""

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from threading import Lock, RLock
from typing import Generic, Protocol, Self, TypeVar

from config import Instrument, Profile
from daemon.bench.connection import BareLine

__all__ = ["Behind", "Common"]


class Shared(Protocol):
    """What can be a line to several."""

    def drain(self, within_s: float) -> None:
        """Throw away whatever comes within this time."""
        ...

    def close(self) -> None:
        """Let go of it."""
        ...


One = TypeVar("One", bound=Shared)

_lines: dict[str, "Common[Shared]"] = {}
_lock = Lock()


class Common(Generic[One]):
    """A line that several share; each of them lets go of it once.

    Parameters
    ----------
    open_line : Callable
        Opens it; what it raises goes to whoever speaks.
    """

    def __init__(self, open_line: Callable[[], One]) -> None:
        self._open = open_line
        self._line: One | None = None
        self._speaking = RLock()
        self._late_s = 0.0
        self.users = 0

    @classmethod
    def at(cls, address: str, open_line: Callable[[], One]) -> "Common[One]":
        """Return the line at an address, one user more."""
        with _lock:
            found = _lines.setdefault(address, cls(open_line))  # type: ignore[arg-type]
            found.users += 1
            return found  # type: ignore[return-value]

    @contextmanager
    def spoken(self, timeout_s: float) -> Iterator[One]:
        """Have the line to oneself; whatever is raised meanwhile ends it.

        Parameters
        ----------
        timeout_s : float
            So long an answer may be late that nobody waited for.
        """
        with self._speaking:
            try:
                if self._line is None:
                    self._line = self._open()
                    if self._late_s:
                        self._line.drain(self._late_s)
                        self._late_s = 0.0
                yield self._line
            except BaseException:
                self._late_s = max(self._late_s, timeout_s)
                self._drop()
                raise

    def now(self) -> One | None:
        """Return the line as it is; None while it is shut."""
        return self._line

    def let_go(self, address: str) -> None:
        """Be one user less; the last one closes it."""
        with _lock:
            self.users -= 1
            last = self.users == 0
            if last and _lines.get(address) is self:
                del _lines[address]
        if last:
            with self._speaking:
                self._drop()

    def _drop(self) -> None:
        line, self._line = self._line, None
        if line is not None:
            with suppress(OSError):  # it is gone either way
                line.close()


class Behind:
    """A bare line to one of several instruments behind an adapter.

    Parameters
    ----------
    instrument, profile
        Whom the adapter is told, and how; the profile has an adapter.
    open_line : Callable
        Opens the adapter's own line.
    """

    def __init__(
        self,
        instrument: Instrument,
        profile: Profile,
        open_line: Callable[[], BareLine],
    ) -> None:
        adapter = profile.adapter
        if adapter is None:
            message = "the profile has no adapter"
            raise TypeError(message)
        self._adapter = adapter
        self._address = instrument.address
        self.timeout_s = instrument.timeout_s
        self._choose = adapter.choose.format(addressee=instrument.addressee)
        self._pause_s = profile.opening_pause_s

        def opened() -> BareLine:
            line = open_line()
            try:
                if self._pause_s:
                    line.drain(self._pause_s)
                for one in adapter.setup:
                    self._tell(line, one)
            except BaseException:
                line.close()
                raise
            return line

        self._common: Common[BareLine] | None = Common.at(self._address, opened)
        try:
            with self._spoken():
                pass  # so that an adapter that is absent is noticed at once
        except BaseException:
            self.close()
            raise

    def write(self, text: str) -> None:
        """Send a command that has no answer."""
        with self._spoken() as line:
            self._tell(line, self._choose)
            line.write(text)

    def query(self, text: str, lines: int = 1) -> str:
        """Send a query, have the adapter fetch its answer, and return that."""
        with self._spoken() as line:
            self._tell(line, self._choose)
            if self._adapter.fetch is None:
                return line.query(text, lines)
            line.write(text)
            return line.query(self._adapter.fetch, lines)

    def listen(self) -> str:
        """Refuse: nobody talks by himself behind an adapter."""
        message = "behind an adapter it gives answers only, nothing unasked"
        raise ValueError(message)

    def drain(self, within_s: float) -> None:
        """Throw away whatever comes within this time."""
        with self._spoken() as line:
            line.drain(within_s)

    def close(self) -> None:
        """Let go of the line; a second time does nothing."""
        common, self._common = self._common, None
        if common is not None:
            common.let_go(self._address)

    def descriptor(self) -> int | None:
        """Return what another process can speak over, where it can."""
        line = None if self._common is None else self._common.now()
        return None if line is None else line.descriptor()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def _spoken(self) -> Iterator[BareLine]:
        if self._common is None:
            message = "the line was let go of"
            raise ConnectionError(message)
        with self._common.spoken(self.timeout_s) as line:
            line.timeout_s = self.timeout_s
            yield line

    def _tell(self, line: BareLine, text: str) -> None:
        """Tell the adapter something.

        Raises
        ------
        ValueError
            It answers otherwise than the profile says.
        """
        if self._adapter.acknowledge is None:
            line.write(text)
            return
        answer = line.query(text).strip()
        if re.fullmatch(self._adapter.acknowledge, answer) is None:
            message = f"the adapter answered {answer!r} to {text!r}"
            raise ValueError(message)
