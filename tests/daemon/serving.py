"""A simulated bench served by this process, so that a test brings its own boards."""

import asyncio
from collections.abc import Coroutine
from threading import Thread
from typing import Any

from daemon.bench.clock import ScaledClock
from daemon.simulator.rig import Rig
from daemon.simulator.server import BenchServer


class Serving:
    """A bench server in a thread of its own.

    Parameters
    ----------
    rig
        The simulated bench.
    clock
        The rig's own.
    """

    def __init__(self, rig: Rig, clock: ScaledClock) -> None:
        self.server = BenchServer(rig, clock)
        self._loop = asyncio.new_event_loop()
        self._thread = Thread(target=self._loop.run_forever)
        self._thread.start()
        self._run(self.server.start())

    def close(self) -> None:
        """Hang up on everybody and end the thread."""
        self._run(self.server.close())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(60.0)
        self._loop.close()

    def _run(self, coroutine: Coroutine[Any, Any, None]) -> None:
        asyncio.run_coroutine_threadsafe(coroutine, self._loop).result(60.0)
