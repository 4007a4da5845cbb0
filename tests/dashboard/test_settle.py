"""The checklist under a finding, and the form that takes what was measured."""

from pathlib import Path

import pytest

from daemon.service.home import VARIABLE
from dashboard.settle import readings
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
        # A comma that may part thousands: it is refused, and nothing is recorded.
        app.text_input(key="proof read B-3-F1").set_value("5,015 k")
        button(app, "Record it").click().run()
        assert "'5,015 k': write the decimal sign as a point" in said(app)
        app.text_input(key="proof read B-3-F1").set_value("5,0152 k; 5.0147 kohm")
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


@pytest.mark.parametrize(
    ("typed", "pieces"),
    [
        ("10,10", ["10,10"]),
        ("10,147", ["10,147"]),
        ("+0,02 %, 0,03 %", ["+0,02 %", "0,03 %"]),
        ("10.1 10.2; 10.3, 10.4 kohm", ["10.1", "10.2", "10.3", "10.4 kohm"]),
        ("10.1k,10.2k", ["10.1k", "10.2k"]),
        # What is no number is refused where it is read, not left out.
        ("- 0.02 %", ["-", "0.02 %"]),
        ("ten", ["ten"]),
        (".5 %", [".5 %"]),
    ],
)
def test_nothing_that_was_typed_is_parted_at_a_decimal_comma_or_left_out(
    typed: str, pieces: list[str]
) -> None:
    assert readings(typed) == pieces
