"""What charts warn of stands on the first page, beside what is found and held."""

from pathlib import Path

import pytest

from config.model import Charts
from daemon.service.home import VARIABLE
from storage.local import LocalStore
from tests.daemon.seeded import empty_home
from tests.daemon.starting import running_daemon
from tests.daemon.test_chart_warnings import begun, measured, with_charts
from tests.dashboard.test_pages import opened, said


def test_the_first_page_says_what_charts_warn_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = empty_home(tmp_path / "home")
    home.data.mkdir()
    with LocalStore(home.store) as store:
        begun(store)
        measured(store, with_charts(Charts(units=True, steps=True)))
    monkeypatch.setenv(VARIABLE, str(home.folder))
    with running_daemon(home, "--no-bench"):
        words = said(opened())
    assert "<h2>Charts warn</h2>" in words
    assert "Look at build B-2, range 10 µA: unit B-2-05 reads +0.1" in words
    assert "the step to unit B-2-05 from the one before is +0.1" in words
    assert "<h2>Must not leave</h2>" not in words
