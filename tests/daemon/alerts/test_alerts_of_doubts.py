"""Doubts: told, reminded of until noted or ended, as loud as the settings say."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from config.plan import Alerts
from daemon.alerts import who_hears
from daemon.alerts.by_the_clock import Upkeep
from storage.local import LocalStore
from storage.records import Decision
from storage.records_alerts import Acknowledgement, Severity
from tests.daemon.alerts.fakes import AT, Clock, channels, message
from tests.storage.samples import CLEARED, DOUBT, DOUBT_END, furnish, record, run


@pytest.fixture
def in_doubt(tmp_path: Path) -> Iterator[LocalStore]:
    """Return a store in which the runs of a session are in doubt."""
    with LocalStore(tmp_path / "doubts.duckdb") as store:
        furnish(store)
        record(store, run(1))
        store.keep(DOUBT)
        yield store


def looked(store: LocalStore, settings: Alerts, *hours: float) -> list[dict[str, Any]]:
    """Look at these times after the doubt was raised; return every message."""
    clock = Clock()
    upkeep = Upkeep(
        store, product=DOUBT.product, settings=settings, utc=clock.utc,
        alarm=lambda: None,
    )  # fmt: skip
    for one in hours:
        clock.now = DOUBT.raised_at + timedelta(hours=one)
        upkeep.look()
    found: list[dict[str, Any]] = store.table(
        "alerts", product=DOUBT.product
    ).to_pylist()
    return found


def test_a_doubt_is_told_once_and_an_ended_one_never(in_doubt: LocalStore) -> None:
    """Who asks for warnings hears that units of a session stay."""
    in_doubt.keep(replace(DOUBT, doubt="ended before"))
    in_doubt.keep(replace(DOUBT_END, doubt="ended before"), decision=CLEARED)
    (said,) = looked(in_doubt, channels("mail", severity="warning"), 0, 1)
    assert said["alert"] == f"doubt {DOUBT.doubt}"
    assert said["severity"] == Severity.WARNING
    assert said["title"].startswith(f"Runs of session {DOUBT.session} are in doubt: ")


def test_a_doubt_is_reminded_of_until_somebody_takes_note(
    in_doubt: LocalStore,
) -> None:
    """In words of its own, as loud as it was told, once an interval."""
    settings = channels("mail", severity="warning")
    first, second = f"reminder 1 of doubt {DOUBT.doubt}", "reminder 2 of doubt "
    said = looked(in_doubt, settings, 0, 23, 25, 26)
    assert [one["alert"] for one in said] == [f"doubt {DOUBT.doubt}", first]
    assert said[1]["title"] == (
        "Reminder: Runs of a session are in doubt and nobody has taken note."
    )
    assert said[1]["severity"] == Severity.WARNING
    assert f"doubt {DOUBT.doubt}: Runs of session" in said[1]["body"]
    assert len(looked(in_doubt, settings, 49)) == 3
    in_doubt.keep(
        Acknowledgement(
            alert=f"doubt {DOUBT.doubt}", person="Ada Moreno", acknowledged_at=AT
        ),
        decision=Decision(
            person="Ada Moreno", action="take note", subject=f"doubt {DOUBT.doubt}",
            reason="read", decided_at=AT,
        ),
    )  # fmt: skip
    said = looked(in_doubt, settings, 73, 97)
    assert len(said) == 3
    assert said[2]["alert"].startswith(second)


def test_a_doubt_that_ended_is_reminded_of_no_more(in_doubt: LocalStore) -> None:
    """A good check or a person cleared the runs."""
    settings = channels("mail", severity="warning")
    looked(in_doubt, settings, 0)
    in_doubt.keep(DOUBT_END, decision=CLEARED)
    assert len(looked(in_doubt, settings, 25, 49)) == 1


def test_how_loud_a_doubt_is_told_is_in_the_settings(in_doubt: LocalStore) -> None:
    """A channel for holds hears of doubts and their reminders only where they count."""
    quiet = channels("mail")
    assert looked(in_doubt, quiet, 0, 25) == []
    loud = quiet.model_copy(update={"doubt_severity": "hold"})
    said = looked(in_doubt, loud, 0, 25)
    assert [one["severity"] for one in said] == [Severity.HOLD, Severity.HOLD]


def test_many_doubts_are_one_reminder() -> None:
    """Their number is said."""
    settings = channels("mail", severity="warning")
    said = who_hears.reminder(
        [message(one) for one in range(3)],
        of=who_hears.doubts(settings), settings=settings, at=AT + timedelta(hours=25),
    )  # fmt: skip
    assert said is not None
    assert said.title == "Reminder: 3 doubts on runs stand and nobody has taken note."
