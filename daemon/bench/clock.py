"""Time, passed in: real, or scaled so that a simulated bench runs fast."""

import time
from datetime import UTC, datetime, timedelta
from threading import Event
from typing import Protocol


class Clock(Protocol):
    """Waiting by a monotonic clock; rows by UTC."""

    def now_s(self) -> float:
        """Return seconds on a monotonic clock; only differences mean anything."""
        ...

    def wait_s(self, seconds: float, unless: Event | None = None) -> None:
        """Wait; return early once `unless` is set."""
        ...

    def utc(self) -> datetime:
        """Return the time of day, with its zone."""
        ...


class ScaledClock:
    """The machine's monotonic clock, running `scale` times as fast.

    Two processes on one machine that use the same scale agree on `now_s`, because
    the monotonic clock is the machine's.
    """

    def __init__(self, scale: float = 1.0) -> None:
        self.scale = scale

    def now_s(self) -> float:
        """Return scaled monotonic seconds."""
        return time.monotonic() * self.scale

    def wait_s(self, seconds: float, unless: Event | None = None) -> None:
        """Wait `seconds` of scaled time, less when `unless` is set."""
        if unless is None:
            time.sleep(max(seconds, 0.0) / self.scale)
        else:
            unless.wait(max(seconds, 0.0) / self.scale)

    def utc(self) -> datetime:
        """Return the real time of day: rows are never scaled."""
        return datetime.now(UTC)


class VirtualClock:
    """Time that passes only when somebody waits; for simulations without sockets."""

    def __init__(self, start: datetime = datetime(2026, 1, 5, 8, tzinfo=UTC)) -> None:
        self._start = start
        self._s = 0.0

    def now_s(self) -> float:
        """Return the virtual seconds waited so far."""
        return self._s

    def wait_s(self, seconds: float, unless: Event | None = None) -> None:
        """Let `seconds` pass at once, unless `unless` is already set."""
        if unless is None or not unless.is_set():
            self._s += max(seconds, 0.0)

    def utc(self) -> datetime:
        """Return the start plus the virtual seconds."""
        return self._start + timedelta(seconds=self._s)
