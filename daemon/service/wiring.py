"""Wiring of the running daemon: who owns what, who starts and stops when.

The main thread is the worker: it alone measures and waits for people. HTTP and
scheduled jobs run on threads of their own and meet it at the desk and at the Store;
they serve from the start on, while the worker looks through what was measured before.
A signal sets events and nothing else; the source goes off on the way out.
"""

import os
import secrets
import signal
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from functools import partial
from logging import getLogger
from threading import Event, Thread

from config import StoreUse, load, private_folder
from daemon.bench import ScaledClock
from daemon.service import moved
from daemon.service.control import routes
from daemon.service.hands import Hands, HandsError, hands_of
from daemon.service.home import Home
from daemon.service.jobs import scheduled, sending
from daemon.service.log import logged
from daemon.service.notify import READY, STOPPING, notify
from daemon.service.processes import require_free
from daemon.service.sharing import sharing
from daemon.service.worker import Worker
from daemon.station import Desk
from storage import (
    LocalStore,
    Rework,
    ReworkKind,
    Store,
    StoreLimits,
    application,
    caller_of,
    endpoint as endpoints,
    http_server,
    listen,
    schema_version,
)

log = getLogger(__name__)

STOPS = tuple(
    getattr(signal, name)
    for name in ("SIGTERM", "SIGINT", "SIGHUP", "SIGBREAK")
    if hasattr(signal, name)
)
"""Those that this machine knows: no hang-up on Windows, no break elsewhere."""


def run(
    home: Home,
    *,
    with_bench: bool = True,
    port: int = 0,
    used_by: int | None = None,
    announce: Callable[[str], None] = log.warning,
) -> None:
    """Serve and measure until a signal says stop.

    Parameters
    ----------
    used_by
        The process that this daemon is started for: it ends once that one, and all
        that came to use it meanwhile, are gone. Left out, it goes on.
    announce
        Told what a person at the bench must know before the source is turned on.

    Raises
    ------
    config.errors.ConfigError
        The settings have faults.
    storage.errors.StorageError
        The store is owned by another process, newer than this program, or broken.
    daemon.bench.errors.BenchError
        The bench cannot be opened; the source is off.
    daemon.service.processes.StartError
        The port is in use.
    """
    moved.require_here(home)
    settings = load(home.folder)
    stop = Event()
    private_folder(home.data)
    with ExitStack() as way_out:
        way_out.enter_context(logged(home))
        use = settings.plan.store or StoreUse()
        limits = StoreLimits(memory_mb=use.memory_limit_mb, threads=use.threads)
        # A brief command may have the file just now.
        store = way_out.enter_context(LocalStore.open_briefly(home.store, limits))
        clock = ScaledClock(
            1.0 if settings.bench is None else settings.bench.time_scale
        )
        desk = Desk(utc=clock.utc, stop=stop)
        if used_by is not None:
            desk.serve_only(used_by)
        way_out.enter_context(_signals(desk))
        worker = Worker(settings, home, store, desk, clock)
        way_out.callback(worker.bench.close)
        if with_bench:
            # Loading it later would keep the heartbeats of the bench waiting.
            worker.warm_up()
            if (hands := hands_of(home)) is not None:
                way_out.callback(hands.close)
                desk.connected = _mounting(hands, store, settings.product.name)
            worker.bench.open()
            for caution in desk.snapshot()["cautions"]:
                announce(caution)
        way_out.enter_context(_serving(home, store, worker, port))
        way_out.enter_context(sharing(store, settings.sharing, desk, utc=clock.utc))
        way_out.enter_context(sending(store, settings, worker))
        way_out.enter_context(scheduled(home, store, settings, worker))
        notify(READY, status=f"measures for {home.folder}")
        announce("Ready: commands in another terminal and the dashboard are answered.")
        worker.work()
        notify(STOPPING)


def _mounting(hands: Hands, store: Store, product: str) -> Callable[[str, bool], None]:
    """Return who mounts what is to stand on a simulated bench.

    Parts that were replaced in a unit are replaced first: the bench forgets them when
    it is started again, the Store does not.
    Somebody else may have done it meanwhile: then it is left. Where the hands are gone
    the bench is too, which says so itself.
    """
    seen = -1

    def mount(serial: str, anew: bool) -> None:
        nonlocal seen
        for one in store.rows(
            Rework, product=product, serial=serial, kind=ReworkKind.REPLACE
        ):
            if one.part is not None and one.reel is not None:
                with suppress(HandsError):
                    hands.replace(
                        one.rework, serial=serial, part=one.part, reel=one.reel
                    )
        with suppress(HandsError):
            now = hands.state()
            if now["mounted"] != serial or (anew and now["mounts"] == seen):
                hands.mount(serial)
                now = hands.state()
            seen = int(now["mounts"])

    return mount


@contextmanager
def _signals(desk: Desk) -> Iterator[None]:
    """Let a signal end the work: it sets the events, and the way out does the rest."""

    def stop(_number: int, _frame: object) -> None:
        desk.stop.set()
        desk.halt.set()

    before = {one: signal.signal(one, stop) for one in STOPS}
    try:
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)


@contextmanager
def _serving(
    home: Home, store: LocalStore, worker: Worker, port: int
) -> Iterator[None]:
    """Serve the Store and the control on loopback while the context lasts."""
    require_free(port)
    listening = listen(port)
    endpoint = endpoints.Endpoint(
        address=f"http://127.0.0.1:{listening.getsockname()[1]}",
        pid=os.getpid(),
        token=secrets.token_urlsafe(32),
        schema=schema_version(),
    )
    app = application(
        store,
        endpoint.token,
        extra_routes=routes(
            worker.desk, source_off=worker.bench.source_off, resume=worker.bench.resume
        ),
        stalled=worker.desk.vitals.stalled,
        known=partial(caller_of, home.data),
    )
    server = http_server(app)
    thread = Thread(target=server.run, args=([listening],), name="http", daemon=True)
    thread.start()
    endpoints.write(home.data, endpoint)
    try:
        yield
    finally:
        endpoints.remove(home.data, endpoint)
        server.should_exit = True
        thread.join(timeout=5.0)
