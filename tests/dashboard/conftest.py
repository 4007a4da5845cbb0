"""The screens over a real store, served by a daemon without a bench."""

from collections.abc import Iterator
from pathlib import Path

import pytest
import streamlit as st

from daemon.service.home import VARIABLE, Home
from dashboard import data, replaying, scanner
from tests.daemon.seeded import empty_home, seeded_home
from tests.daemon.starting import running_daemon


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a page wait for its daemon, however busy the machine is just now."""
    monkeypatch.setattr("dashboard.data.PATIENCE_S", 60.0)
    monkeypatch.setattr("dashboard.data.SHORT_PATIENCE_S", 60.0)


@pytest.fixture(scope="session")
def story(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    """Serve a home in which build B-3 is held."""
    home = seeded_home(tmp_path_factory.mktemp("story") / "home")
    with running_daemon(home, "--no-bench"):
        yield home


@pytest.fixture
def held(story: Home, monkeypatch: pytest.MonkeyPatch) -> Home:
    """Let the screens show that home, to be looked at and left as it is."""
    monkeypatch.setenv(VARIABLE, str(story.folder))
    return story


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    """Serve another such home to a file; each test adds its own, or ends its own."""
    home = seeded_home(tmp_path_factory.mktemp("written") / "home")
    with running_daemon(home, "--no-bench"):
        yield home


@pytest.fixture
def changed(written: Home, monkeypatch: pytest.MonkeyPatch) -> Home:
    """Let the screens show and change that home."""
    monkeypatch.setenv(VARIABLE, str(written.folder))
    return written


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Home]:
    """Let the screens show and change such a home that no other test sees."""
    home = seeded_home(tmp_path / "home")
    monkeypatch.setenv(VARIABLE, str(home.folder))
    with running_daemon(home, "--no-bench"):
        yield home


@pytest.fixture(scope="session")
def quiet_home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """Return a home in which build B-3 is held; no daemon serves it."""
    return seeded_home(tmp_path_factory.mktemp("quiet") / "home")


@pytest.fixture(scope="session")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    """Serve a home in which nothing was measured yet."""
    home = empty_home(tmp_path_factory.mktemp("empty") / "home")
    with running_daemon(home, "--no-bench"):
        yield home


@pytest.fixture
def nothing(empty: Home, monkeypatch: pytest.MonkeyPatch) -> Home:
    """Let the screens show that empty home."""
    monkeypatch.setenv(VARIABLE, str(empty.folder))
    return empty


@pytest.fixture(autouse=True)
def let_go(request: pytest.FixtureRequest) -> Iterator[None]:
    """Close what the screens keep open between two looks.

    A home that is left as it is has the same rows for the next test: what was drawn
    of them is as it would be drawn anew.
    """
    yield
    if "held" not in request.fixturenames:
        st.cache_resource.clear()
        return
    for one in (data._pulse, replaying._trials, scanner._taken):
        one.clear()


@pytest.fixture(autouse=True, scope="module")
def let_go_of_all() -> Iterator[None]:
    """Leave nothing open of a home whose daemon is about to end."""
    yield
    st.cache_resource.clear()
