"""What tests start is warm, asks for no name, and speaks to this machine alone.

Every daemon, bench and page that the suite forks ends where it would, so that each walk
proves it on the way.
"""

import os
import sys
from pathlib import Path

import pytest

from daemon.service import processes
from tests.daemon.seeded import seeded_home
from tests.daemon.starting import WENT_OUT, Forked
from tests.daemon.what_was_loaded import LOADED

FEW = 20
"""Modules; all that a daemon needs are some hundreds."""


@pytest.mark.parametrize(
    ("host", "ends"),
    [
        ("meter.invalid", WENT_OUT),
        ("192.0.2.1", WENT_OUT),  # RFC 5737: of nobody
        ("127.0.0.1", 1),  # nobody listens there
        ("localhost", 1),
    ],
)
def test_a_process_that_leaves_this_machine_ends_at_once(
    host: str, ends: int, tmp_path: Path
) -> None:
    said = tmp_path / "errors"
    with said.open("w") as errors:
        process = Forked(
            [sys.executable, "-m", "poplib", host], errors.fileno(), dict(os.environ)
        )
        with process:
            assert process.wait(60.0) == ends
    assert ("is not this machine" in said.read_text()) == (ends == WENT_OUT)


def test_a_daemon_has_loaded_what_it_needs_before_it_is_forked(tmp_path: Path) -> None:
    """Else each of the many that are started loads it anew: seconds, unseen."""
    home = seeded_home(tmp_path / "home")
    said = tmp_path / "errors"
    command = [
        sys.executable, "-m", "tests.daemon.what_was_loaded",
        "daemon.commands.cli", "--home", str(home.folder), "daemon", "--no-bench",
    ]  # fmt: skip
    with said.open("w") as errors:
        process = Forked(command, errors.fileno(), processes.environment(home))
        try:
            processes.wait_for_daemon(home, process, said)
        finally:
            processes.end(process)
    lines = said.read_text().splitlines()
    loaded = [one for one in lines if one.startswith(f"{LOADED} ")]
    assert 0 < len(loaded) < FEW, loaded
