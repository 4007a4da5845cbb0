"""Every implementation of the Store, one test each."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from storage.local import LocalStore
from storage.postgres import PostgresStore
from storage.remote import RemoteStore
from storage.store import Store
from tests.storage.postgres_server import Databases
from tests.storage.samples import furnish
from tests.storage.serving import serving

IMPLEMENTATIONS = ("local", "remote", "postgres")


@contextmanager
def opened(databases: Databases, fill: Callable[[Store], None]) -> Iterator[Store]:
    """Give a store over a database of its own."""
    with (
        databases.filled(fill) as conninfo,
        PostgresStore(conninfo) as store,
    ):
        yield store


@contextmanager
def asked(implementation: str, local: LocalStore) -> Iterator[Store]:
    """Give one implementation over an open file."""
    if implementation == "local":
        yield local
    else:
        with serving(local) as endpoint, RemoteStore(endpoint) as remote:
            yield remote


@pytest.fixture(scope="session")
def furnished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a closed file of `furnish`'s rows, to be copied."""
    path = tmp_path_factory.mktemp("furnished") / "holdpoint.duckdb"
    with LocalStore(path) as store:
        furnish(store)
    return path


@pytest.fixture(params=IMPLEMENTATIONS)
def empty(
    request: pytest.FixtureRequest, tmp_path: Path, databases: Databases
) -> Iterator[Store]:
    """Return a store without rows."""
    if request.param == "postgres":
        with opened(databases, lambda _: None) as store:
            yield store
        return
    with (
        LocalStore(tmp_path / "holdpoint.duckdb") as local,
        asked(request.param, local) as store,
    ):
        yield store


@pytest.fixture(params=IMPLEMENTATIONS)
def store(
    request: pytest.FixtureRequest,
    tmp_path: Path,
    furnished: Path,
    databases: Databases,
) -> Iterator[Store]:
    """Return a store with a product, two builds, a reel and a session."""
    if request.param == "postgres":
        with opened(databases, furnish) as store:
            yield store
        return
    copy = Path(shutil.copy(furnished, tmp_path))
    with LocalStore(copy) as local, asked(request.param, local) as store:
        yield store


@pytest.fixture(scope="module", params=IMPLEMENTATIONS)
def implementation(request: pytest.FixtureRequest) -> str:
    """Return which one the tests of a module ask just now."""
    return str(request.param)


@pytest.fixture(scope="module")
def behind(
    implementation: str,
    tmp_path_factory: pytest.TempPathFactory,
    furnished: Path,
    databases: Databases,
) -> Iterator[Store]:
    """Return the open file or database behind `shared`."""
    if implementation == "postgres":
        with opened(databases, furnish) as store:
            yield store
        return
    copy = Path(shutil.copy(furnished, tmp_path_factory.mktemp("shared")))
    with LocalStore(copy) as local:
        yield local


@pytest.fixture(scope="module")
def shared(implementation: str, behind: Store) -> Iterator[Store]:
    """Return one furnished store for all tests of a module."""
    if isinstance(behind, LocalStore):
        with asked(implementation, behind) as store:
            yield store
    else:
        yield behind
