"""The sign of life outside ends when any part of the daemon stands still."""

from collections.abc import Iterator
from pathlib import Path
from threading import Event, Thread
from typing import Any

import pytest

from config.plan import Alerts
from daemon.alerts.by_the_clock import Upkeep
from daemon.alerts.sender import Sender
from daemon.bench.clock import ScaledClock
from daemon.service.home import Home
from daemon.service.jobs import LATE_S, SENDER_S, _vital as vital, signs_of_life
from daemon.service.schedule import Job
from daemon.service.worker import Worker
from daemon.station.desk import WORKER_SILENCE_S, Desk
from daemon.station.orders import Order
from daemon.station.vitals import Vitals
from storage.errors import WriteError
from storage.local import LocalStore
from tests.daemon.alerts.fakes import (
    PRODUCT,
    Clock,
    channels,
    message,
    outbox,
    refusing,
)
from tests.daemon.making import demo_settings

SETTINGS = demo_settings()


class Passing:
    """A monotonic clock that tests move."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


class Watched:
    """A worker on its own thread, and the signs that are given of it."""

    def __init__(self, folder: Path, store: LocalStore, alerts: Alerts) -> None:
        self.clock = Passing()
        self.home = Home(folder)
        self.home.data.mkdir()
        real = ScaledClock()
        self.desk = Desk(utc=real.utc, stop=Event(), vitals=Vitals(now_s=self.clock))
        self.worker = Worker(SETTINGS, self.home, store, self.desk, real)
        settings = SETTINGS.model_copy(update={"alerts": alerts})
        self._signs = [*signs_of_life(self.home, settings, self.desk)]
        self._thread = Thread(target=self.worker.work)
        self._thread.start()

    def gives_sign(self) -> bool:
        """Whether the file is written now; the other sign goes with it."""
        self.home.alive.unlink(missing_ok=True)
        for job in self._signs:
            job.action()
        return self.home.alive.exists()

    def end(self) -> None:
        self.desk.stop.set()
        self._thread.join()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[LocalStore]:
    with outbox(tmp_path / "holdpoint.duckdb") as one:
        yield one


def until_idle(desk: Desk) -> None:
    """Wait for the worker's next beat, which an empty queue makes it give."""
    seen = Event()
    beat = desk.vitals.beat

    def noting(part: str, *, within_s: float) -> None:
        beat(part, within_s=within_s)
        seen.set()

    desk.vitals.beat = noting  # type: ignore[method-assign]
    assert seen.wait(120.0)


def test_a_stalled_worker_ends_the_signs_and_one_that_waits_does_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stuck, go_on = Event(), Event()

    def hang(*_: Any) -> None:
        stuck.set()
        go_on.wait()

    with refusing(0.0) as (port, asked), LocalStore(tmp_path / "own.duckdb") as store:
        alerts = Alerts(alive_url=f"http://127.0.0.1:{port}/")
        watched = Watched(tmp_path, store, alerts)
        try:
            until_idle(watched.desk)
            assert watched.gives_sign()
            assert asked["asked"] == 1
            watched.clock.now_s += 2 * WORKER_SILENCE_S
            until_idle(watched.desk)  # idle, and an hour of idling is no stall
            assert watched.gives_sign()
            monkeypatch.setattr(watched.worker, "_carry_out", hang)
            watched.desk.place(Order(serial="PA-001"))
            assert stuck.wait(120.0)
            watched.clock.now_s += WORKER_SILENCE_S + 1
            assert not watched.gives_sign()
            assert asked["asked"] == 2
            said = watched.desk.snapshot()["stalled"]
            assert said is not None
            assert said.startswith("the worker, which measures, has not gone on")
            go_on.set()
            until_idle(watched.desk)
            assert watched.gives_sign()
            assert asked["asked"] == 3
            assert watched.desk.snapshot()["stalled"] is None
        finally:
            go_on.set()
            watched.end()


def test_a_worker_that_waits_for_a_person_is_not_stalled() -> None:
    clock = Passing()
    desk = Desk(utc=Clock().utc, stop=Event(), vitals=Vitals(now_s=clock))
    asked: list[str] = []
    person = Thread(
        target=lambda: asked.append(desk.ask("Connect it.", subject="PA-001"))
    )
    person.start()
    try:
        for _ in range(3):
            clock.now_s += 2 * WORKER_SILENCE_S
            until_idle(desk)
            assert desk.vitals.stalled() is None
    finally:
        while (prompt := desk.snapshot()["prompt"]) is None:
            pass
        desk.answer(prompt["prompt"], "done")
        person.join()
    assert asked == ["done"]


def test_a_measurement_may_be_silent_as_long_as_its_step_may_take() -> None:
    clock = Passing()
    desk = Desk(utc=Clock().utc, stop=Event(), vitals=Vitals(now_s=clock))
    desk.beat(120.0)
    clock.now_s = 120.0 + WORKER_SILENCE_S
    assert desk.vitals.stalled() is None
    clock.now_s += 1.0
    assert desk.vitals.stalled() is not None


class Sticking:
    """A channel that never answers until it is let go."""

    def __init__(self) -> None:
        self.entered = Event()
        self.go_on = Event()

    def send(self, *, title: str, body: str) -> None:
        del title, body
        self.entered.set()
        self.go_on.wait()


def test_a_stalled_sender_is_noticed(store: LocalStore) -> None:
    clock, sticking = Passing(), Sticking()
    vitals = Vitals(now_s=clock)
    store.keep(message(1))
    sender = Sender(
        store,
        channels("chat"),
        utc=Clock().utc,
        open_channel=lambda _: sticking,
        beat=lambda to: vitals.beat(f"the channel {to!r}", within_s=SENDER_S),
    )
    sender.start()
    try:
        assert sticking.entered.wait(120.0)
        assert vitals.stalled() is None
        clock.now_s = SENDER_S + 1
        assert vitals.stalled() == (
            "the channel 'chat' has not gone on for longer than it may"
        )
    finally:
        sticking.go_on.set()
        sender.stop(wait_s=30.0)
    assert vitals.stalled() is None  # it told of the message that went


def test_a_job_that_fails_again_and_again_is_noticed() -> None:
    clock = Passing()
    vitals = Vitals(now_s=clock)
    fails = [False]

    def act() -> None:
        if fails[0]:
            raise WriteError(where="the store", reason="the disk is full")

    job = vital(vitals, Job(name="alerts", every_s=30.0, action=act))
    clock.now_s = LATE_S
    job.action()
    clock.now_s = 2 * LATE_S
    assert vitals.stalled() is None
    fails[0] = True
    with pytest.raises(WriteError):
        job.action()
    clock.now_s = 2 * LATE_S + 31.0
    assert "the job 'alerts'" in str(vitals.stalled())


def test_people_are_told_of_a_stall_once(store: LocalStore) -> None:
    stalled: list[str | None] = ["the worker has not gone on"]
    upkeep = Upkeep(
        store, product=PRODUCT, settings=channels("mail"), utc=Clock().utc,
        alarm=lambda: None, stalled=lambda: stalled[0],
    )  # fmt: skip
    upkeep.look()
    upkeep.look()
    told = store.frame("alerts", product=PRODUCT)
    assert told["title"].tolist() == [
        "The daemon is stalled: the worker has not gone on."
    ]
