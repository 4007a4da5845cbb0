"""How a story's findings are scored beside what truly happened."""

from typing import Any

import pytest

from daemon.trials.stories import outcome
from tests.daemon.test_words import gone, odd, signal

SERIALS = [f"PA-{number}" for number in range(3000, 3030)]
TRUTH = {"build": "B-3", "first_serial": "PA-3010"}


@pytest.mark.parametrize(
    ("found", "delay", "false"),
    [
        ([signal(raised_serial="PA-3011")], 2, 0),
        # Somebody had to look, whatever was said of it later.
        ([signal(raised_serial="PA-3009")], None, 1),
        ([gone(raised_serial="PA-3009")], None, 1),
        # The bad reel was found and then let go: it is missed.
        ([gone(raised_serial="PA-3011")], None, 0),
        ([gone(raised_serial="PA-3011"), signal(raised_serial="PA-3015")], 6, 0),
        # One odd unit holds nothing: it is no false hold, and finds no reel.
        ([odd()], None, 0),
    ],
)
def test_what_counts_as_late_and_as_false(
    found: list[Any], delay: int | None, false: int
) -> None:
    said = outcome.findings(found)
    serials = ["PA-1007", *SERIALS]
    assert outcome.score(said, TRUTH, serials) == (delay, false)


def test_a_finding_is_told_with_whether_it_stands() -> None:
    (first, second) = outcome.findings([signal(), gone()])
    assert (first["holds"], first["standing"], first["withdrawn"]) == (True, True, None)
    assert (second["standing"], second["withdrawn"]) == (
        False,
        "Unit PA-1007 measured again reads like the others.",
    )
