"""When a finding says that its unit was measured."""

from dataclasses import replace
from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from dashboard import data, noticed
from storage import StorageError
from tests.daemon.making import AT
from tests.daemon.test_words import signal

DAY = timedelta(days=1)
FINDING = replace(signal(), raised_serial="PA-3012", number=9)


def shown(**reworked: datetime) -> Any:
    """Return what the pages know: the finding was raised four days after AT."""
    rows = pd.DataFrame({"signal": [FINDING.signal], "first_made_at": [AT + 4 * DAY]})
    return SimpleNamespace(signals=rows, reworked=reworked)


@pytest.mark.parametrize(
    ("number", "worked", "days"),
    [
        (9, {}, 2),  # the corrected row counts, not the order in which rows came
        (5, {}, 0),  # as it stood before the correction
        (99, {"PA-3012": AT + 2.5 * DAY}, 2),  # what it read after rework is not it
        (1, {}, 4),  # nothing of it was measured by then
    ],
)
def test_a_finding_says_when_the_value_that_it_shows_was_measured(
    monkeypatch: pytest.MonkeyPatch, number: int, worked: dict[str, datetime], days: int
) -> None:
    rows = pd.DataFrame(
        [
            {"number": 3, "range": FINDING.range, "started_at": AT},
            {"number": 3, "range": "another", "started_at": AT + 7 * DAY},
            {"number": 8, "range": FINDING.range, "started_at": AT + 2 * DAY},
            {"number": 20, "range": FINDING.range, "started_at": AT + 3 * DAY},
        ]
    )
    monkeypatch.setattr(data, "asked_of_unit", lambda *_: rows)
    finding = replace(FINDING, number=number)
    assert noticed.measured(shown(**worked), finding, "PA-3012") == AT + days * DAY


def test_while_the_daemon_does_not_answer_it_is_said_when_it_was_raised(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def silent(*_: object) -> pd.DataFrame:
        raise StorageError

    monkeypatch.setattr(data, "asked_of_unit", silent)
    assert noticed.measured(shown(), FINDING, "PA-3012") == AT + 4 * DAY
