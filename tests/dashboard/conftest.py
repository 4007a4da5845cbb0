"""The screens over a real store, served by a daemon without a bench."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.home import VARIABLE, Home
from daemon.processes import running_daemon
from tests.daemon.seeded import empty_home, seeded_home


@pytest.fixture(scope="session")
def story(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    """Serve a home in which build B-3 is held."""
    home = seeded_home(tmp_path_factory.mktemp("story") / "home")
    with running_daemon(home, "--no-bench"):
        yield home


@pytest.fixture
def held(story: Home, monkeypatch: pytest.MonkeyPatch) -> Home:
    """Let the screens show that home."""
    monkeypatch.setenv(VARIABLE, str(story.folder))
    return story


@pytest.fixture
def nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Home]:
    """Let the screens show a home in which nothing was measured yet."""
    home = empty_home(tmp_path / "home")
    monkeypatch.setenv(VARIABLE, str(home.folder))
    with running_daemon(home, "--no-bench"):
        yield home
