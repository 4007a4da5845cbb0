"""The checklist under a finding, and the form that takes what was measured."""

from pathlib import Path

import pytest

from daemon.service.home import VARIABLE
from dashboard.who import ASKED
from tests.daemon.seeded import seeded_home
from tests.daemon.starting import running_daemon
from tests.dashboard.test_pages import button, opened, said


def test_what_was_measured_is_recorded_and_changes_the_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = seeded_home(tmp_path / "home")
    monkeypatch.setenv(VARIABLE, str(home.folder))
    with running_daemon(home, "--no-bench"):
        app = opened("holds")
        assert "Measure loose parts of reel K-900 four-wire" in said(app)
        assert "Not by the bench: bench.toml names no ohmmeter: type" in said(app)
        app.selectbox(key="proof kind B-3-F1").set_value("check standard").run()
        assert "Not by the bench: no bench is open: type what was read" in said(app)
        app.selectbox(key="proof kind B-3-F1").set_value("loose parts").run()
        app.selectbox(key=ASKED).set_value("Ada Moreno")
        app.text_input(key="proof read B-3-F1").set_value("5.0")
        button(app, "Record it").click().run()
        assert "check units and prefixes" in said(app)
        app.text_input(key="proof read B-3-F1").set_value("5.0152k, 5.0147 kohm")
        record = button(app, "Record it")
        record.click().run()
        assert not app.exception
        assert "(1 time, last by Ada Moreno)" in said(app)
        assert "Measured: 2 loose parts of K-900" in said(opened())
        # What was typed is blank again: type it anew, or the second click has nothing.
        app.text_input(key="proof read B-3-F1").set_value("5.0152k, 5.0147 kohm")
        record.click().run()
        assert not app.exception
        assert "(1 time, last by Ada Moreno)" in said(app)
        button(app, "Record it").click().run()
        assert "(2 times, last by Ada Moreno)" in said(app)
