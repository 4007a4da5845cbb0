"""Of holds, those that a person placed and that stand are told; no address is."""

import logging
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from config.plan import Channel
from daemon.alerts.by_the_clock import Upkeep
from daemon.alerts.channels import LIBRARY, AppriseChannel
from daemon.alerts.errors import UndeliveredError
from storage.local import LocalStore
from storage.records import (
    Build,
    Decision,
    Disposal,
    Evaluation,
    Hold,
    HoldEnd,
    Run,
    RunKind,
    Scope,
    Session,
)
from storage.store import Store
from tests.daemon.alerts.fakes import AT, PRODUCT, Clock, channels, outbox
from tests.storage.samples import CONFIGURATION, results, unit

WATCHED = Hold(
    hold="run-1:PA-1", scope=Scope.UNIT, subject="PA-1", product=PRODUCT, signal=None,
    reason="outside its error limit: 1 mA", placed_by="holdpoint", placed_at=AT,
)  # fmt: skip
BY_HAND = replace(
    WATCHED, hold="by hand 1", scope=Scope.BUILD, subject="B-1", placed_by="Ada Moreno",
    # The last of all: what is not told must not end the look.
    reason="scratched cases", placed_at=AT + timedelta(minutes=1),
)  # fmt: skip
ENDED = replace(BY_HAND, hold="by hand 2", reason="a wrong label", placed_at=AT)


def decided(action: str, hold: Hold) -> Decision:
    """Return the ledger's line of a decision on a hold."""
    return Decision(
        person="Ada Moreno", action=action, subject=hold.hold, reason="why",
        decided_at=AT,
    )  # fmt: skip


def furnish(store: Store) -> None:
    """Keep a build, one unit of it, and the hold that its verdict placed."""
    store.keep(CONFIGURATION)
    store.keep(Build(build="B-1", product=PRODUCT, planned_units=9, opened_at=AT))
    store.keep(Session(session="s", bench="b", opened_at=AT, configuration="c0ffee"))
    run = Run(
        run="run-1", kind=RunKind.UNIT, product=PRODUCT, serial="PA-1", build="B-1",
        session="s", origin="bench", started_at=AT, finished_at=AT,
        configuration="c0ffee", ambient_c=None,
    )  # fmt: skip
    number = store.record_run(run, results(run), unit(run))
    store.record_evaluation(
        Evaluation(product=PRODUCT, number=number, holds=(WATCHED,))
    )


def place(store: Store, hold: Hold) -> None:
    """Keep a hold that a person placed."""
    store.keep(hold, decision=decided("hold", hold))


def end(store: Store, hold: Hold) -> None:
    """Keep that a person released a hold."""
    store.keep(
        HoldEnd(
            hold=hold.hold, disposal=Disposal.RELEASE, person="Ada Moreno",
            reason="why", ended_at=AT,
        ),
        decision=decided("release", hold),
    )  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> Iterator[LocalStore]:
    """Return an outbox with a hold of the watch, one by hand and one that ended."""
    with outbox(tmp_path / "holdpoint.duckdb") as opened:
        furnish(opened)
        place(opened, BY_HAND)
        place(opened, ENDED)
        end(opened, ENDED)
        yield opened


def test_only_the_hold_by_hand_that_stands_is_told(store: LocalStore) -> None:
    """The watch told of its own when it placed it; of an ended one nobody asks."""
    Upkeep(
        store, product=PRODUCT, settings=channels("mail"), utc=Clock().utc,
        alarm=lambda: None,
    ).look()  # fmt: skip
    told = store.frame("alerts", product=PRODUCT)
    assert told["alert"].tolist() == ["hold by hand 1"]
    assert told["title"].tolist() == ["Hold build B-1: scratched cases."]


class Kept(logging.Handler):
    """A log of the whole program."""

    def __init__(self) -> None:
        super().__init__(level=logging.DEBUG)
        self.said: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.said.append(record.getMessage())


def test_what_the_library_says_of_an_address_is_in_no_log(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It warns with the whole address: that warning ends at our ear."""
    log = logging.getLogger(LIBRARY)
    monkeypatch.setattr(log, "propagate", True)
    channel = AppriseChannel(Channel(name="hook", url="json://127.0.0.1:9/t0ken-abc"))

    class Loud:
        def notify(self, **_: object) -> bool:
            log.warning("no answer of json://127.0.0.1:9/t0ken-abc")
            return False

    channel._sender = Loud()
    kept = Kept()
    logging.getLogger().addHandler(kept)
    try:
        with pytest.raises(UndeliveredError, match="no answer") as caught:
            channel.send(title="t", body="b")
    finally:
        logging.getLogger().removeHandler(kept)
    assert "t0ken-abc" not in str(caught.value)
    assert not any("t0ken-abc" in one for one in kept.said)
