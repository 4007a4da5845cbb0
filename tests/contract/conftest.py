"""Every implementation of the Store, one test each."""

import shutil
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
def empty(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """Return a store without rows."""
    with (
        LocalStore(tmp_path / "holdpoint.duckdb") as local,
        asked(request.param, local) as store,
    ):
        yield store


@pytest.fixture(params=IMPLEMENTATIONS)
def store(
    request: pytest.FixtureRequest, tmp_path: Path, furnished: Path
) -> Iterator[Store]:
    """Return a store with a product, two builds, a reel and a session."""
    copy = Path(shutil.copy(furnished, tmp_path))
    with LocalStore(copy) as local, asked(request.param, local) as store:
        yield store


@pytest.fixture(scope="module")
def behind(
    tmp_path_factory: pytest.TempPathFactory, furnished: Path
) -> Iterator[LocalStore]:
    """Return the open file behind `shared`."""
    copy = Path(shutil.copy(furnished, tmp_path_factory.mktemp("shared")))
    with LocalStore(copy) as local:
        yield local


@pytest.fixture(scope="module", params=IMPLEMENTATIONS)
def shared(request: pytest.FixtureRequest, behind: LocalStore) -> Iterator[Store]:
    """Return one furnished store for all tests of a module."""
    with asked(request.param, behind) as store:
        yield store
