"""Every record there is, whichever of them a process has met so far.

A record makes itself known where its file is loaded. Whoever goes through all of them
asks here: else what is found depends on what was loaded before.
"""

from storage import (
    ledger,
    records,
    records_alerts,
    records_amending,
    records_gauge,
    records_line,
    records_sharing,
    records_shipping,
)
from storage.kept import RECORDS

__all__ = ["DECLARED_IN", "RECORDS"]

DECLARED_IN = (
    ledger,
    records,
    records_alerts,
    records_amending,
    records_gauge,
    records_line,
    records_sharing,
    records_shipping,
)
"""The files that declare records."""
