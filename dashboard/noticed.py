"""When the unit was measured whose value a finding shows."""

from contextlib import suppress
from datetime import datetime

import pandas as pd

from dashboard import data
from dashboard.data import Shown
from storage import Signal, StorageError


def measured(shown: Shown, finding: Signal, serial: str) -> datetime:
    """Return when a unit was measured as a finding says it, as it stands now.

    A unit that was measured again before the finding was said last, or whose row was
    corrected, counts by that reading; what it read after rework is another unit's.

    Parameters
    ----------
    serial
        One of the finding's units.
    """
    first = shown.signals.set_index("signal")["first_made_at"][finding.signal]
    with suppress(StorageError):
        rows = data.asked_of_unit(shown, serial)
        mine = rows[rows["number"] <= finding.number]
        if finding.range is not None:
            mine = mine[mine["range"] == finding.range]
        if (worked := shown.reworked.get(serial)) is not None:
            mine = mine[mine["started_at"] <= worked]
        if not mine.empty:
            first = mine.sort_values("number")["started_at"].iloc[-1]
    found: datetime = pd.Timestamp(first).to_pydatetime()
    return found
