"""A daemon's web application on a loopback port, in a thread of this process."""

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from threading import Thread

from storage.endpoint import Endpoint
from storage.limits import http_server
from storage.roles import Caller
from storage.server import application, listen
from storage.statements import schema_version
from storage.store import Store
from storage.ways import Way

TOKEN = "the daemon's token"  # noqa: S105 - of this test alone


@contextmanager
def serving(
    store: Store,
    extra_routes: Sequence[Way] = (),
    *,
    known: Callable[[str], Caller | None] = lambda _: None,
) -> Iterator[Endpoint]:
    """Serve `store` and `extra_routes` until the block ends."""
    with listen() as listener:
        server = http_server(
            application(store, TOKEN, extra_routes, known=known),
            log_level="critical",
        )
        thread = Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            yield Endpoint(
                address=f"http://127.0.0.1:{listener.getsockname()[1]}",
                pid=os.getpid(),
                token=TOKEN,
                schema=schema_version(),
            )
        finally:
            server.should_exit = True
            thread.join()
