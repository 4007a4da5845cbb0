"""What pages on which people act say."""

import doctest
from datetime import timedelta
from importlib import import_module

import pytest

from daemon.presentation import screens
from tests.daemon.making import AT


@pytest.mark.parametrize(
    "name",
    [
        "daemon.presentation.screens",
        "daemon.presentation.plots.traced",
        "dashboard.access",
        "dashboard.look",
    ],
)
def test_examples_say_what_they_show(name: str) -> None:
    ran = doctest.testmod(import_module(name))
    assert ran.attempted
    assert not ran.failed


@pytest.mark.parametrize(
    ("stopped", "says", "not_said"),
    [
        (True, "Start it with: holdpoint daemon", "It runs."),
        (False, "It runs. Where it stays silent", "It is stopped"),
    ],
)
def test_a_silent_daemon_is_told_from_a_stopped_one_and_the_source_from_both(
    stopped: bool, says: str, not_said: str
) -> None:
    silence = screens.Silence(since=AT, stopped=stopped, with_bench=True)
    words = " ".join([silence.headline(), *silence.lines(AT + timedelta(minutes=3))])
    assert f"since {screens.clock(AT)}" in words
    assert "3 minutes old" in words
    assert "holdpoint bench off" in words
    assert screens.WAS_LIVE in words
    assert says in words
    assert not_said not in words


def test_a_daemon_that_never_answered_has_no_since() -> None:
    silence = screens.Silence(since=None, stopped=True, with_bench=False)
    words = " ".join([silence.headline(), *silence.lines(AT)])
    assert "since" not in silence.headline()
    assert screens.NEVER in words
    assert screens.WAS_LIVE not in words
