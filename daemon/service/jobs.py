"""What the daemon does by the clock, beside the worker: jobs, and messages that leave.

Each part says when it has worked. The sign of life that another machine may watch is
given only while all of them do and the worker goes on too.
"""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import datetime
from logging import getLogger
from typing import Protocol

from config import Settings, rotate
from daemon.alerts import EVERY_S as UPKEEP_S, Sender, Upkeep, show_alive
from daemon.service.bench_at_work import BenchAtWork
from daemon.service.home import Home
from daemon.service.notify import ALIVE, notify
from daemon.service.schedule import Job, Schedule
from daemon.station import Desk, Vitals, give_sign
from daemon.watch import CAN_BE_WORKED_OUT, StopError, calibrate_wanted
from storage import LocalStore, Product, plain_rows, write_history

log = getLogger(__name__)

HEARTBEAT_S = 10.0
CHECK_LOOK_S = 15.0
"""How soon an overdue check standard is noticed."""
BACKUP_S = HISTORY_S = 24 * 3600.0
CALIBRATION_S = 3600.0
CALIBRATION_STEP_PERCENT = 5
"""How finely is said how far a calibration is."""
SENDER_S = 300.0
"""A channel may take this long for one message, with all that its library retries."""
LOG_LOOK_S = 3600.0
LATE_S = 300.0
"""A job may come, or succeed, this much too late."""


class Working(Protocol):
    """The worker, as jobs know it; all of it may be called from any thread."""

    @property
    def desk(self) -> Desk:
        """Where it says what it does."""
        ...

    def utc(self) -> datetime:
        """Return what time rows carry."""
        ...

    @property
    def bench(self) -> BenchAtWork:
        """The bench while the daemon has it."""
        ...

    def show_watching(self) -> None:
        """Say which limit serves and what builds are held against."""
        ...


@contextmanager
def sending(store: LocalStore, settings: Settings, worker: Working) -> Iterator[None]:
    """Send what is in the outbox while the context lasts."""
    vitals = worker.desk.vitals
    sender = Sender(
        store,
        settings.alerts,
        utc=worker.utc,
        beat=lambda to: vitals.beat(f"the channel {to!r}", within_s=SENDER_S),
    )
    sender.start()
    try:
        yield
    finally:
        sender.stop()


@contextmanager
def scheduled(
    home: Home, store: LocalStore, settings: Settings, worker: Working
) -> Iterator[None]:
    """Give signs of life, look, remind and back up while the context lasts."""
    jobs = plain_rows(store.table("jobs"))

    def back_up() -> None:
        store.backup(str(home.backups))

    def put_log_aside() -> None:
        rotate(home.log)

    schedule = Schedule(
        (
            *signs_of_life(home, settings, worker.desk),
            *(
                _vital(worker.desk.vitals, one)
                for one in _looks(store, settings, worker)
            ),
            Job(name="backup", every_s=BACKUP_S, action=back_up),
            # What is decided cannot be taken out of the records unseen from then on.
            Job(
                name="ledger", every_s=HEARTBEAT_S, action=store.note_newest, keep=False
            ),
            Job(name="log", every_s=LOG_LOOK_S, action=put_log_aside, keep=False),
            *_calibrating(home, settings, worker),
            *_keeping_history(home, store, settings),
        ),
        succeeded=store.note_job,
        last_success={str(row["job"]): row["succeeded_at"] for row in jobs},
    )
    schedule.start()
    try:
        yield
    finally:
        schedule.stop()


def signs_of_life(home: Home, settings: Settings, desk: Desk) -> Iterator[Job]:
    """Return what shows outside that everything goes on; silent when a part does not.

    A stalled scheduler gives no sign either: these are jobs of it.
    """

    def heartbeat() -> None:
        stalled, before = desk.vitals.stalled(), desk.snapshot()["stalled"]
        desk.show(stalled=stalled)
        if stalled is None:
            notify(ALIVE)
            give_sign(home.alive, datetime.now().astimezone())
        elif before is None:
            log.critical(
                "The program does not go on: %s. Look at the bench, then stop the "
                "daemon and start it again.",
                stalled.rstrip("."),
            )

    yield Job(name="heartbeat", every_s=HEARTBEAT_S, action=heartbeat, keep=False)
    if (url := settings.alerts.alive_url) is not None:
        yield Job(
            name="alive",
            every_s=settings.alerts.alive_every_s,
            action=lambda: None if desk.vitals.stalled() else show_alive(url),
            keep=False,
        )


def _looks(store: LocalStore, settings: Settings, worker: Working) -> Iterator[Job]:
    """Return what nobody would miss in time if it stopped in silence."""
    upkeep = Upkeep(
        store,
        product=settings.product.name,
        settings=settings.alerts,
        utc=worker.utc,
        alarm=lambda: worker.desk.snapshot()["alarm"],
        stalled=worker.desk.vitals.stalled,
    )
    yield Job(name="alerts", every_s=UPKEEP_S, action=upkeep.look, keep=False)
    yield Job(
        name="check standard",
        every_s=CHECK_LOOK_S,
        action=worker.bench.notice_overdue,
        keep=False,
    )


def _vital(vitals: Vitals, job: Job) -> Job:
    """Have the silence of a job, or its failing again and again, be noticed."""

    def beat() -> None:
        vitals.beat(f"the job {job.name!r}", within_s=job.every_s + LATE_S)

    def act() -> None:
        job.action()
        beat()

    beat()
    return replace(job, action=act)


def _keeping_history(
    home: Home, store: LocalStore, settings: Settings
) -> Iterator[Job]:
    """Return the job that adds to the history, where the maker wants one."""
    if settings.plan.store is None or settings.plan.store.history_folder is None:
        return
    folder = home.folder / settings.plan.store.history_folder

    def write() -> None:
        for one in store.rows(Product):
            write_history(store, one.product, folder)

    yield Job(name="history", every_s=HISTORY_S, action=write)


def _calibrating(home: Home, settings: Settings, worker: Working) -> Iterator[Job]:
    """Work out the detector's own limit; not for a simulation."""
    if settings.bench is not None and settings.bench.time_scale > 1:
        return
    if not CAN_BE_WORKED_OUT:
        return

    desk = worker.desk

    def tell(share: float) -> None:
        if desk.stop.is_set():
            raise StopError
        steps = int(share * 100 / CALIBRATION_STEP_PERCENT)
        desk.show(calibrating_percent=steps * CALIBRATION_STEP_PERCENT)

    def calibrate() -> None:
        # the shipped limit serves on until another day
        with suppress(StopError):
            try:
                calibrate_wanted(home.data, settings, progress=tell)
                worker.show_watching()
            finally:
                desk.show(calibrating_percent=None)

    yield Job(name="calibration", every_s=CALIBRATION_S, action=calibrate, keep=False)
