"""What goes between this bench and the shared database, again and again."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from logging import getLogger
from threading import Event, Thread
from time import monotonic
from typing import TYPE_CHECKING

from config import Sharing
from daemon.station import Desk, Shared
from daemon.traceability import benches_of
from storage import (
    LocalStore,
    NotShared,
    Product,
    SharedView,
    StorageError,
    UnreachableError,
    exchange,
)

if TYPE_CHECKING:  # its library loads only where a record is shared
    from storage import PostgresStore

log = getLogger(__name__)

EVERY_S = 0.5
"""A hold is told by one bench and heard by another within two of these."""
LONGEST_PAUSE_S = 5.0
"""Between two tries of a database that does not answer."""
LOOK_S = 30.0
"""How often the benches are looked at beside one another, while rows come."""
SILENT_S = 600.0
"""One exchange may take so long: a bench that joins tells all that it has."""


class Sharer:
    """Tells and hears on a thread of its own; the bench goes on whatever comes.

    Parameters
    ----------
    utc : callable
        What time it is.
    open_shared : callable
        Opens the shared database.
    """

    def __init__(
        self,
        store: LocalStore,
        settings: Sharing,
        desk: Desk,
        *,
        utc: Callable[[], datetime],
        open_shared: "Callable[[str], PostgresStore]",
    ) -> None:
        self._store = store
        self._settings = settings
        self._desk = desk
        self._utc = utc
        self._open = open_shared
        self._shared: PostgresStore | None = None
        self._reached_at: datetime | None = None
        self._said: str | None = ""
        self._seen = -1
        self._looked_s = -LOOK_S
        self._looked_at = (-1, -1)
        self._stop = Event()
        self._thread = Thread(target=self._go_on, name="sharing", daemon=True)

    def start(self) -> None:
        """Begin to tell and to hear."""
        self._store.share(on=True)
        self._say(None)
        self._thread.start()

    def stop(self, *, wait_s: float = 2.0) -> None:
        """Tell no more; what waits is told by the next daemon."""
        self._stop.set()
        self._thread.join(timeout=wait_s)
        if self._shared is not None and not self._thread.is_alive():
            self._shared.close()

    def once(self) -> None:
        """Tell what waits and hear what others told.

        Raises
        ------
        storage.errors.StorageError
            The shared database does not answer, or refuses this bench.
        """
        if self._shared is None:
            self._shared = self._open(self._settings.database)
        while True:
            moved = exchange(self._store, self._shared, self._settings.bench)
            if moved.heard or moved.refused:
                log.info("shared", extra={"heard": moved.heard})
            if self._stop.is_set() or not (moved.told or moved.heard):
                break
        self._reached_at = self._utc()
        self._look(self._shared)
        self._say(None)

    def _look(self, shared: "PostgresStore") -> None:
        """Note how the benches stand beside one another, where anything is new."""
        now_s = monotonic()
        if now_s - self._looked_s < LOOK_S:
            return
        self._looked_s = now_s
        if (changes := (shared.changes(), self._store.changes())) == self._looked_at:
            return
        at, bench, noted = self._utc(), self._settings.bench, 0
        for one in self._store.rows(Product):
            seen = benches_of(self._store, shared, one.product, bench=bench, at=at)
            view = SharedView(shared_view=one.product, body=seen.text, seen_at=at)
            self._store.note_view(view)
            noted += 1
        # Nothing new are our own notes; what others kept meanwhile is looked at next.
        self._looked_at = (changes[0], changes[1] + noted)

    def _go_on(self) -> None:
        pause_s = EVERY_S
        while not self._stop.is_set():
            # Its silence is said: what others hold would not be heard, and nobody told.
            self._desk.vitals.beat("the sharing", within_s=SILENT_S)
            try:
                self.once()
            except StorageError as exc:
                reason = exc.reason if isinstance(exc, UnreachableError) else str(exc)
                if pause_s == EVERY_S:
                    log.warning(
                        "Other benches are told and heard later: %s. It is tried again "
                        "by itself.",
                        reason.rstrip("."),
                    )
                self._say(reason)
                if not isinstance(exc, UnreachableError):
                    self._let_go()
                pause_s = min(2 * pause_s, LONGEST_PAUSE_S)
            else:
                pause_s = EVERY_S
            self._stop.wait(pause_s)

    def _let_go(self) -> None:
        if self._shared is not None:
            with suppress(StorageError):
                self._shared.close()
            self._shared = None

    def _say(self, reason: str | None) -> None:
        changes = self._store.changes()
        if reason is None is self._said and changes == self._seen:
            return  # nothing is asked again and again while nothing happens
        self._said, self._seen = reason, changes
        self._desk.show(
            sharing=Shared(
                bench=self._settings.bench,
                reached_at=self._reached_at,
                waiting=self._store.marks().waiting,
                refused=len(self._store.rows(NotShared)),
                reason=reason,
            )
        )


@contextmanager
def sharing(
    store: LocalStore,
    settings: Sharing | None,
    desk: Desk,
    *,
    utc: Callable[[], datetime],
) -> Iterator[None]:
    """Share the record while the context lasts, unless the bench is alone."""
    if settings is None:
        if store.shares:
            store.share(on=False)
        yield
        return
    from storage import PostgresStore  # noqa: PLC0415 -- see the top

    sharer = Sharer(store, settings, desk, utc=utc, open_shared=PostgresStore)
    sharer.start()
    try:
        yield
    finally:
        sharer.stop()
