"""Whether every part of the daemon that must go on does; a part's silence is told.

A process runs on while its measuring thread hangs, and a sign of life that only the
process gives would say that all is well. So each part says when it has worked and how
long it may take until it says so again, and whoever watches from outside gets a sign
only while none is late. By the monotonic clock: setting the time of day makes nobody
late.
"""

import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from threading import Lock

from config import write_whole


class Vitals:
    """Takes signs of life from any thread.

    Parameters
    ----------
    now_s
        A monotonic clock, s.

    Examples
    --------
    >>> clock = iter((0.0, 59.0, 61.0))
    >>> vitals = Vitals(now_s=lambda: next(clock))
    >>> vitals.beat("the worker", within_s=60.0)
    >>> vitals.stalled(), vitals.stalled()
    (None, 'the worker has not gone on for longer than it may')
    """

    def __init__(self, *, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self._due_s: dict[str, float] = {}
        self._lock = Lock()

    def beat(self, part: str, *, within_s: float) -> None:
        """Note that a part goes on, and within what time it will say so again."""
        with self._lock:
            self._due_s[part] = self._now_s() + within_s

    def stalled(self) -> str | None:
        """Say which parts are late; None when all go on."""
        now_s = self._now_s()
        with self._lock:
            late = sorted(part for part, due_s in self._due_s.items() if now_s > due_s)
        if not late:
            return None
        verb = "has" if len(late) == 1 else "have"
        return f"{' and '.join(late)} {verb} not gone on for longer than it may"


def give_sign(file: Path, now: datetime) -> None:
    """Write into the file that another machine may watch for silence."""
    write_whole(file, f"{now:%FT%T%z}\n")
