"""Every implementation of the Store, one test each."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from storage.local import LocalStore
from storage.remote import RemoteStore
from storage.store import Store
from tests.storage.samples import furnish
from tests.storage.serving import serving

IMPLEMENTATIONS = ("local", "remote")


@contextmanager
def opened(implementation: str, folder: Path) -> Iterator[Store]:
    """Open an empty store of one implementation."""
    with LocalStore(folder / "holdpoint.duckdb") as local:
        if implementation == "local":
            yield local
        else:
            with serving(local) as endpoint, RemoteStore(endpoint) as remote:
                yield remote


@pytest.fixture(params=IMPLEMENTATIONS)
def empty(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """Return a store without rows."""
    with opened(request.param, tmp_path) as store:
        yield store


@pytest.fixture
def store(empty: Store) -> Store:
    """Return a store with a product, two builds, a reel and a session."""
    furnish(empty)
    return empty


@pytest.fixture(scope="module", params=IMPLEMENTATIONS)
def shared(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Store]:
    """Return one furnished store for all examples of a property."""
    folder = tmp_path_factory.mktemp(request.param)
    with opened(request.param, folder) as store:
        furnish(store)
        yield store
