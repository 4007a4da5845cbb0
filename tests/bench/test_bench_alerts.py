"""A thousand findings over a channel that fails, through a sender that dies."""

from pathlib import Path
from random import Random

import pytest

from daemon.alerts.sender import Sender, Tally
from tests.daemon.alerts.fakes import (
    Clock,
    Killed,
    Lossy,
    channels,
    message,
    outbox,
)

FINDINGS = 1000
KILLS = 20


@pytest.mark.bench
def test_a_thousand_findings_are_delivered_over_twenty_kills(tmp_path: Path) -> None:
    """30 % of tries fail; each arrives at least once under one id, none is lost."""
    clock = Clock()
    chat = Lossy(Random(20), fails=0.3, killed=0.009)  # noqa: S311 -- when to kill
    path = tmp_path / "holdpoint.duckdb"
    with outbox(path) as store:
        store.queue_alerts([message(one) for one in range(FINDINGS)])
    done = False
    while not done:
        with outbox(path) as store:
            sender = Sender(
                store, channels("chat"), utc=clock.utc, open_channel=lambda _: chat
            )
            try:
                while not done:
                    done = sender.send_due("chat") == Tally()
                    clock.pass_(hours=1)
            except Killed:
                continue
    again = sum(chat.arrived.values()) - FINDINGS
    print(f"{FINDINGS} findings, {chat.kills} kills, {again} arrived twice")  # noqa: T201
    assert set(chat.arrived) == {f"finding F{one}" for one in range(FINDINGS)}
    assert chat.kills >= KILLS
    assert again <= chat.kills
