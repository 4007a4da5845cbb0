"""Serials by file drop, jobs by the clock, a story's score."""

from datetime import UTC, datetime, timedelta
from logging import getLogger
from pathlib import Path
from threading import Event

import pytest

from daemon.service.home import Home
from daemon.service.log import logged
from daemon.service.schedule import Job, Schedule
from daemon.station.desk import Desk
from daemon.station.inbox import Inbox
from daemon.trials.stories.outcome import score


def desk() -> Desk:
    return Desk(utc=lambda: datetime(2026, 3, 2, tzinfo=UTC), stop=Event())


def test_a_dropped_file_is_taken_once_it_no_longer_grows(tmp_path: Path) -> None:
    one = desk()
    inbox = Inbox(tmp_path / "next", one)
    file = tmp_path / "next" / "scan.txt"
    file.write_text("PA-1\n")
    assert inbox.look() == 0
    file.write_text("PA-1\nPA-2\n\n")
    assert inbox.look() == 0
    assert inbox.look() == 2
    assert inbox.look() == 0
    orders = [one.next_order(wait_s=0.0) for _ in range(2)]
    assert [o.order.serial for o in orders if o is not None] == ["PA-1", "PA-2"]
    # Nobody said that the first of a list stands on the bench.
    assert [o.connect_first for o in orders if o is not None] == [True, True]
    assert (tmp_path / "next" / "taken" / "scan.txt").exists()


def test_of_files_that_lay_there_together_each_unit_is_asked_for(
    tmp_path: Path,
) -> None:
    one = desk()
    inbox = Inbox(tmp_path / "next", one)
    for name in ("scan-1", "scan-2"):
        (tmp_path / "next" / f"{name}.txt").write_text(f"{name}\n", "utf-8-sig")
    inbox.look()
    assert inbox.look() == 2
    orders = [one.next_order(wait_s=0.0) for _ in range(2)]
    assert [(o.order.serial, o.connect_first) for o in orders if o is not None] == [
        ("scan-1", True), ("scan-2", True),
    ]  # fmt: skip


def test_two_files_of_one_name_are_both_kept(tmp_path: Path) -> None:
    one = desk()
    inbox = Inbox(tmp_path / "next", one)
    for serial in ("PA-1", "PA-2"):
        (tmp_path / "next" / "scan.txt").write_text(f"{serial}\n")
        inbox.look()
        inbox.look()
        (scanned,) = list(one._tickets.values())[-1:]
        assert not scanned.connect_first
        one.update(scanned.ticket, state="done")
    kept = sorted(p.name for p in (tmp_path / "next" / "taken").iterdir())
    assert kept == ["scan-2.txt", "scan.txt"]


def test_an_overdue_job_runs_at_once_and_its_success_is_kept() -> None:
    ran, kept = Event(), list[str]()
    noted = Event()

    def succeeded(name: str, at: datetime) -> None:
        assert at.tzinfo is not None
        kept.append(name)
        noted.set()

    schedule = Schedule(
        (Job(name="backup", every_s=3600.0, action=ran.set),),
        succeeded=succeeded,
        last_success={"backup": datetime.now(UTC) - timedelta(days=2)},
    )
    schedule.start()
    assert ran.wait(60.0)
    assert noted.wait(60.0)
    schedule.stop()
    assert kept == ["backup"]


def test_a_job_that_is_not_due_waits() -> None:
    ran = Event()
    schedule = Schedule(
        (Job(name="backup", every_s=3600.0, action=ran.set),),
        succeeded=lambda _name, _at: None,
        last_success={"backup": datetime.now(UTC)},
    )
    schedule.start()
    assert not ran.wait(0.3)
    schedule.stop()


def test_a_last_success_in_the_future_does_not_stop_a_job_for_good() -> None:
    """The clock was ahead by a year when the job last ran."""
    schedule = Schedule(
        (Job(name="backup", every_s=60.0, action=lambda: None),),
        succeeded=lambda _name, _at: None,
        last_success={"backup": datetime.now(UTC) + timedelta(days=365)},
    )
    schedule.start()
    (job,) = schedule._scheduler.get_jobs()
    assert job.next_run_time < datetime.now(UTC) + timedelta(seconds=61)
    schedule.stop()


def test_a_clock_step_reschedules_and_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    schedule = Schedule(
        (Job(name="backup", every_s=60.0, action=lambda: None),),
        succeeded=lambda _name, _at: None,
        last_success={"backup": datetime.now(UTC)},
        clock_look_s=3600.0,
    )
    schedule.start()
    assert not schedule.notice_clock_step()
    monkeypatch.setattr("daemon.service.schedule.time.time", lambda: 0.0)
    assert schedule.notice_clock_step()
    assert not schedule.notice_clock_step()
    schedule.stop()


def found(build: str, serial: str) -> dict[str, str | bool]:
    return {
        "build": build,
        "raised_at_serial": serial,
        "holds": True,
        "standing": True,
    }


SERIALS = ["a1", "a2", "b1", "b2", "b3"]
TRUTH = {"build": "b", "first_serial": "b2"}


def test_the_first_bad_unit_counts_as_one() -> None:
    assert score([found("b", "b2")], TRUTH, SERIALS) == (1, 0)


def test_a_finding_before_anything_was_wrong_is_false() -> None:
    assert score([found("a", "a2"), found("b", "b3")], TRUTH, SERIALS) == (2, 1)
    assert score([found("b", "b1")], TRUTH, SERIALS) == (None, 1)


def test_in_a_good_story_every_finding_is_false() -> None:
    assert score([found("b", "b3")], None, SERIALS) == (None, 1)
    assert score([], None, SERIALS) == (None, 0)


def test_a_job_that_fails_says_why(caplog: pytest.LogCaptureFixture) -> None:
    tried = Event()

    def fail() -> None:
        raise OSError(28, "No space left on device")

    schedule = Schedule(
        (Job(name="history", every_s=3600.0, action=fail),),
        succeeded=lambda _name, _at: None,
        last_success={},
    )
    schedule._scheduler.add_listener(lambda _event: tried.set())
    with caplog.at_level("ERROR", logger="daemon.service.schedule"):
        schedule.start()
        assert tried.wait(60.0)
        schedule.stop()
    (said,) = [one for one in caplog.records if one.name == "daemon.service.schedule"]
    assert "No space left" in said.getMessage()


def test_a_terminal_is_told_sentences_of_ours_and_the_log_all_with_the_time(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = Home(tmp_path)
    with logged(home):
        getLogger("apscheduler.scheduler").warning("Execution of job %s skipped", "x")
        fault = OSError(28, "No space left on device")
        getLogger("daemon.alerts.sender").error("It is tried again.", exc_info=fault)
    getLogger("daemon.alerts.sender").warning("Afterwards.")
    assert capsys.readouterr().err.splitlines()[0] == "It is tried again."
    kept = home.log.read_text()
    assert "WARNING apscheduler.scheduler: Execution of job x skipped" in kept
    assert "OSError: [Errno 28] No space left on device" in kept
    assert "Afterwards" not in kept


def test_a_clock_that_was_set_is_said_in_a_sentence_with_how_far(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    apart_s = iter([1000.0, 4600.0, 4600.5, 1000.5])
    monkeypatch.setattr("daemon.service.schedule._apart_s", lambda: next(apart_s))
    schedule = Schedule((), succeeded=lambda _name, _at: None, last_success={})
    assert [schedule.notice_clock_step() for _ in range(3)] == [True, False, True]
    first, second = (one.getMessage() for one in caplog.records)
    assert first.startswith("The clock of this machine jumped forward by 3600 s: ")
    assert second.startswith("The clock of this machine jumped back by 3600 s: ")
