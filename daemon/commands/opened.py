"""What a command works with: the maker's folder, the settings, the store."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import click

from config import Settings, StoreUse, load
from daemon.service import Home

if TYPE_CHECKING:  # the database takes longer to load than all else
    from daemon.watch import FindLimit
    from storage import Row, Store

R = TypeVar("R", bound="Row")


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
    from storage import (  # noqa: PLC0415
        Product,
        open_store,
    )

    home = home_here()
    settings = load(home.folder)
    use = settings.plan.store or StoreUse()
    with open_store(
        home.data, memory_mb=use.memory_limit_mb, threads=use.threads
    ) as store:
        store.keep(Product(product=settings.product.name, title=settings.product.title))
        yield Opened(home=home, settings=settings, store=store)
