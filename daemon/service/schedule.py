"""Jobs by the clock; the only file that knows the scheduler.

The scheduler keeps nothing: jobs are declared at start, the Store keeps when each
last succeeded, and a job that is overdue at start runs at once.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from logging import getLogger
from threading import Event, Thread
from typing import Any

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_EXECUTED, JobExecutionEvent
from apscheduler.schedulers.background import BackgroundScheduler

log = getLogger(__name__)

CLOCK_STEP_S = 5.0
"""Wall and monotonic clock may part by this much between two looks."""
CLOCK_LOOK_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Something done again and again."""

    name: str
    every_s: float
    action: Callable[[], None]
    keep: bool = True
    """Whether its last success is worth remembering over a restart."""


class Schedule:
    """Runs jobs on threads of its own.

    Parameters
    ----------
    jobs
        What is done, and how often.
    succeeded
        Called with name and time after each success of a job worth remembering.
    last_success
        What was remembered, by job name; later starts follow from it.
    clock_look_s
        How often the wall clock is compared with the monotonic one. By a thread of
        its own: a job would wait by the very clock that was set back.
    """

    def __init__(
        self,
        jobs: tuple[Job, ...],
        *,
        succeeded: Callable[[str, datetime], None],
        last_success: dict[str, datetime],
        clock_look_s: float = CLOCK_LOOK_S,
    ) -> None:
        self._jobs = {job.name: job for job in jobs}
        self._succeeded = succeeded
        self._last_success = last_success
        self._scheduler: Any = BackgroundScheduler(
            timezone=UTC, job_defaults={"coalesce": True, "max_instances": 1}
        )
        self._apart_s = _apart_s()
        self._clock_look_s = clock_look_s
        self._stopped = Event()
        self._clock_watch = Thread(target=self._watch_clock, name="clock", daemon=True)

    def start(self) -> None:
        """Start the jobs; what is overdue runs at once."""
        self._scheduler.add_listener(
            self._ended, mask=EVENT_JOB_EXECUTED | EVENT_JOB_ERROR
        )
        now = datetime.now(UTC)
        for job in self._jobs.values():
            every = timedelta(seconds=job.every_s)
            last = self._last_success.get(job.name)
            due = now if last is None else max(now, last + every)
            self._scheduler.add_job(
                job.action,
                "interval",
                id=job.name,
                seconds=job.every_s,
                # A clock that was set into the future must not stop a job for good.
                next_run_time=min(due, now + every),
                misfire_grace_time=None,
            )
        self._scheduler.start()
        self._clock_watch.start()

    def notice_clock_step(self) -> bool:
        """Reschedule everything when the wall clock was stepped; say whether it was.

        Interval jobs wait by the wall clock: set back by an hour, they would stop
        for that hour.
        """
        apart_s = _apart_s()
        by_s, self._apart_s = apart_s - self._apart_s, apart_s
        stepped = abs(by_s) > CLOCK_STEP_S
        if stepped:
            log.warning(
                "The clock of this machine jumped %s by %.0f s: it was set, or the "
                "machine slept. Nothing is to be done: the new time counts from now.",
                "forward" if by_s > 0 else "back",
                abs(by_s),
            )
            for job in self._jobs.values():
                self._scheduler.reschedule_job(
                    job.name, trigger="interval", seconds=job.every_s
                )
        return stepped

    def stop(self) -> None:
        """Stop after the jobs that are running."""
        self._stopped.set()
        if self._clock_watch.is_alive():
            self._clock_watch.join()
        if self._scheduler.running:
            self._scheduler.shutdown(wait=True)

    def _watch_clock(self) -> None:
        while not self._stopped.wait(self._clock_look_s):
            self.notice_clock_step()

    def _ended(self, event: JobExecutionEvent) -> None:
        if event.exception is not None:
            log.error(
                "What is done by the clock (%s) failed: %s. It is tried again at its "
                "next time.",
                event.job_id,
                str(event.exception).rstrip("."),
            )
        elif self._jobs[event.job_id].keep:
            self._succeeded(event.job_id, datetime.now(UTC))


def _apart_s() -> float:
    """Return how far the wall clock is ahead of the monotonic one."""
    return time.time() - time.monotonic()
