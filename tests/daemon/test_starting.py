"""What tests start asks for no name, and speaks to this machine alone.

Every daemon, bench and page that the suite forks ends where it would, so that each walk
proves it on the way.
"""

import os
import sys
from pathlib import Path

import pytest

from tests.daemon.starting import WENT_OUT, Forked


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
