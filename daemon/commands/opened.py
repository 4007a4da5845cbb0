"""What a command works with: the maker's folder, the settings, the store."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import click

from config import Settings, StoreUse, load
from daemon.commands import SHARED
from daemon.commands.showing import misuse
from daemon.service import Home, moved

if TYPE_CHECKING:  # the database takes longer to load than all else
    from daemon.watch import FindLimit
    from storage import Row, Store, StoreLimits

R = TypeVar("R", bound="Row")
LOOK_S = 3.0
STARTING_S = 300.0
"""A daemon's first start of all compiles the detector."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """The settings and the store that a command works with."""

    home: Home
    settings: Settings
    store: "Store"

    @property
    def product(self) -> str:
        """Name of the product."""
        return self.settings.product.name

    def rows(self, kind: type[R], query: str | None = None, **asked: Any) -> list[R]:
        """Return what the Store has of a kind on the product."""
        return self.store.rows(kind, query, product=self.product, **asked)

    def own_limit(self) -> "FindLimit":
        """Return what finds the product's own limit of the detector."""
        from daemon.watch import limits_of  # noqa: PLC0415 -- see the top

        return limits_of(self.home.data, self.settings).serving


def home_here() -> Home:
    """Return the home that the command line chose."""
    found = click.get_current_context().find_object(Home)
    return found if found is not None else Home.usual()


def _store_of(home: Home, use: StoreUse) -> "Store":
    """Open the store; wait for a daemon that has the file and does not answer yet."""
    from storage import BusyError, open_store  # noqa: PLC0415 -- see the top

    deadline_s = time.monotonic() + STARTING_S
    told = False
    while True:
        try:
            return open_store(
                home.data,
                wait_s=LOOK_S,
                memory_mb=use.memory_limit_mb,
                threads=use.threads,
            )
        except BusyError as exc:
            if time.monotonic() > deadline_s:
                raise
            if not told:
                owner = "Another process" if exc.pid is None else f"Process {exc.pid}"
                click.echo(
                    f"{owner} has the records, most likely a daemon that starts. This "
                    "waits for it; Ctrl-C ends the waiting.",
                    err=True,
                )
                told = True


def is_shared() -> bool:
    """Whether the command line asks the record that several benches share."""
    return bool(click.get_current_context().meta.get(SHARED))


def _shared_store(settings: Settings) -> "Store":
    from storage import PostgresStore  # noqa: PLC0415 -- see the top

    if settings.sharing is None:
        misuse("--shared needs sharing.toml beside product.toml: it names the database")
    return PostgresStore(settings.sharing.database, store_limits(settings))


def store_limits(settings: Settings) -> "StoreLimits":
    """Return what a file that a command opens beside the store may take."""
    from storage import StoreLimits  # noqa: PLC0415 -- see the top

    use = settings.plan.store or StoreUse()
    return StoreLimits(memory_mb=use.memory_limit_mb, threads=use.threads)


@contextmanager
def opened() -> Iterator[Opened]:
    """Open the store: through the daemon where one runs, else the file for a moment.

    Raises
    ------
    config.errors.ConfigError
        The settings have faults.
    storage.errors.StorageError
        The store cannot be opened.
    """
    from storage import Product  # noqa: PLC0415

    home = home_here()
    moved.require_here(home)
    settings = load(home.folder)
    use = settings.plan.store or StoreUse()
    if is_shared():
        with _shared_store(settings) as store:
            yield Opened(home=home, settings=settings, store=store)
        return
    with _store_of(home, use) as store:
        store.keep(Product(product=settings.product.name, title=settings.product.title))
        yield Opened(home=home, settings=settings, store=store)
