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
def opened(implementation: str, path: Path) -> Iterator[Store]:
    """Open one implementation over a file."""
    with LocalStore(path) as local:
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
    with opened(request.param, tmp_path / "holdpoint.duckdb") as store:
        yield store


@pytest.fixture(params=IMPLEMENTATIONS)
def store(
    request: pytest.FixtureRequest, tmp_path: Path, furnished: Path
) -> Iterator[Store]:
    """Return a store with a product, two builds, a reel and a session."""
    copy = shutil.copy(furnished, tmp_path)
    with opened(request.param, Path(copy)) as store:
        yield store


@pytest.fixture(scope="module", params=IMPLEMENTATIONS)
def shared(
    request: pytest.FixtureRequest,
    tmp_path_factory: pytest.TempPathFactory,
    furnished: Path,
) -> Iterator[Store]:
    """Return one furnished store for all tests of a module."""
    copy = shutil.copy(furnished, tmp_path_factory.mktemp(request.param))
    with opened(request.param, Path(copy)) as store:
        yield store
