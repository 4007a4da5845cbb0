"""Two hundred times each mishap: the source off within a second, none on."""

import pytest

from daemon.trials.selftest.safe_trials import (
    OFF_WITHIN_S,
    WATCHDOG_WITHIN_S,
    SafeStateRow,
    trials,
)

TRIALS = 200


@pytest.fixture(scope="module")
def table() -> list[SafeStateRow]:
    """Return the table, printed: the figures are the result."""
    rows = trials(TRIALS)
    for row in rows:
        print(row)  # noqa: T201
    return rows


@pytest.mark.bench
def test_no_mishap_leaves_the_source_on(table: list[SafeStateRow]) -> None:
    for row in table:
        assert row.failures == 0, row
        if row.slowest_off_s is not None:
            within_s = WATCHDOG_WITHIN_S if row.watchdog else OFF_WITHIN_S
            assert row.slowest_off_s < within_s, row


@pytest.mark.bench
def test_every_mishap_was_tried(table: list[SafeStateRow]) -> None:
    untried = [row.note for row in table if row.trials < TRIALS]
    if untried:
        pytest.skip("; ".join(untried))
