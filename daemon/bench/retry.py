"""When to ask an instrument again: the one place that decides it."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from daemon.bench.clock import Clock
from daemon.bench.errors import (
    AbsentError,
    BadAnswerError,
    ImplausibleError,
    NoAnswerError,
)

__all__ = ["NEVER", "USUAL", "Retry"]

Result = TypeVar("Result")

TRANSIENT = (AbsentError, NoAnswerError, BadAnswerError, ImplausibleError)
"""Faults that a clean line may cure. An overrange or a wrong identity it does not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Retry:
    """Ask at most `attempts` times, `pause_s` apart."""

    attempts: int = 3
    pause_s: float = 0.1

    def run(
        self,
        action: Callable[[], Result],
        *,
        restore: Callable[[], None],
        clock: Clock,
    ) -> Result:
        """Return `action()`; after a transient fault `restore()` comes first.

        An instrument that went away may have lost its settings with its power, so
        a second attempt never trusts them.
        """
        attempt = 1
        while True:
            try:
                if attempt > 1:
                    restore()
                return action()
            except TRANSIENT:
                if attempt >= self.attempts:
                    raise
            clock.wait_s(self.pause_s)
            attempt += 1


USUAL = Retry()
"""For a bench of real instruments."""

NEVER = Retry(attempts=1)
"""For tests, and for what must not be tried twice."""
