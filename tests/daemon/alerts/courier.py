"""A process that empties an outbox over webhooks of this machine, to be killed.

Nobody waits here: when nothing is due, its clock leaps to the next try.
"""

import sys
from pathlib import Path

import pandas as pd

from config.plan import Alerts
from daemon.alerts.sender import Sender, Tally
from storage.local import LocalStore
from storage.store import Store
from tests.daemon.alerts.fakes import PRODUCT, Clock, webhook

CHANNELS = ("chat", "bell")
TRIES = 4
"""So few that a channel failing 30 % of the time gives some messages up."""


def settings(port: int) -> Alerts:
    """Return a channel that refuses some, and one that hears of what was given up."""
    return Alerts(
        channels=tuple(webhook(port, path=one, name=one) for one in CHANNELS),
        give_up_after_tries=TRIES,
    )


def last_try(store: Store, clock: Clock) -> None:
    """Set the clock to where the courier before left off."""
    tried = store.frame("alerts", product=PRODUCT)["tried_at"].dropna()
    if not tried.empty:
        clock.now = max(clock.now, tried.max().to_pydatetime())


def carry(store: Store, port: int) -> None:
    """Send until every message arrived or was given up."""
    clock = Clock()
    last_try(store, clock)
    sender = Sender(store, settings(port), utc=clock.utc)
    while True:
        if any(sender.send_due(one) != Tally() for one in CHANNELS):
            continue
        waits = store.frame("alerts", product=PRODUCT)["next_at"].dropna()
        if waits.empty:
            return
        clock.now = max(clock.now, pd.Timestamp(waits.min()).to_pydatetime())


if __name__ == "__main__":
    with LocalStore(Path(sys.argv[1])) as outbox:
        carry(outbox, int(sys.argv[2]))
