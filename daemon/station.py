"""The bench as the daemon uses it: sessions opened by the check standard, then units.

A unit is judged only in a session whose last check of every range was in control.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from uuid import uuid4

from config.model import CheckStandard
from daemon.bench.bench import Bench
from daemon.bench.check import in_control
from daemon.bench.readings import RangeReadings
from daemon.bench.sequence import Progress, measure
from daemon.clock import Clock
from daemon.control import Desk
from daemon.cycle import Cycle, Recorded, RunHeader
from daemon.judge import KnownGood, Measured, row
from storage.records import RangeResult, Session, Verdict


class OutOfControlError(Exception):
    """The check standard does not read as it should, so no unit is judged."""

    def __init__(self, *, serial: str, ranges: Sequence[str]) -> None:
        self.serial = serial
        self.ranges = tuple(ranges)
        super().__init__(
            f"check standard {serial} is outside its limits on {', '.join(ranges)}: "
            "no unit is judged; check leads, meter ranges and nulls, then measure again"
        )


class Station:
    """One bench, one person, one unit after another.

    Parameters
    ----------
    cycle
        Takes the readings further.
    bench
        Open, its source off.
    desk
        Where the person is asked to connect this or that.
    clock
        For settling; rows carry its UTC.
    configuration
        Hash of the settings that everything here is judged by.
    """

    def __init__(
        self,
        cycle: Cycle,
        bench: Bench,
        *,
        desk: Desk,
        clock: Clock,
        configuration: str,
    ) -> None:
        self._cycle = cycle
        self._bench = bench
        self._desk = desk
        self._clock = clock
        self._configuration = configuration
        self._session: str | None = None
        self._since_check = 0
        self._known_good: dict[str, KnownGood] = {}

    def end_session(self) -> None:
        """Leads or nulls were changed: the next unit waits for a new check."""
        self._session = None

    def unit(
        self,
        *,
        serial: str,
        build: str,
        ranges: Sequence[str],
        rerun_of: str | None = None,
        note: str | None = None,
    ) -> Recorded:
        """Measure the unit that is connected; check the bench first when it is due.

        Raises
        ------
        OutOfControlError
            The check standard reads wrong; nothing was judged.
        daemon.bench.errors.BenchError
            The unit could not be measured, or the source was ordered off; nothing
            was kept.
        """
        session = self._checked_session(serial)
        started_at = self._clock.utc()
        self._desk.show(phase="measuring", serial=serial, build=build)
        readings = self._measure(ranges)
        header = self._header(session, serial, build, started_at, rerun_of, note)
        recorded = self._cycle.record(readings, header, self._known_good)
        self._since_check += 1
        return recorded

    def _checked_session(self, serial: str) -> str:
        standard = self._settings_standard
        due = standard is not None and (
            standard.every_units is not None
            and self._since_check >= standard.every_units
        )
        if self._session is None:
            self._session = self._open_session()
            due = standard is not None
        if standard is not None and due:
            self._check(self._session, standard)
            self._desk.ask(f"Connect unit {serial}, then confirm.", subject=serial)
        return self._session

    @property
    def _settings_standard(self) -> CheckStandard | None:
        bench = self._cycle.settings.bench
        return None if bench is None else bench.check_standard

    def _open_session(self) -> str:
        session = uuid4().hex
        bench = self._cycle.settings.bench
        self._cycle.store.open_session(
            Session(
                session=session,
                bench="" if bench is None else bench.name,
                opened_at=self._clock.utc(),
                configuration=self._configuration,
            )
        )
        self._desk.show(session=session)
        return session

    def _check(self, session: str, standard: CheckStandard) -> None:
        self._desk.ask(
            f"Connect check standard {standard.serial}, then confirm.",
            subject=standard.serial,
        )
        started_at = self._clock.utc()
        self._desk.show(phase="checking", serial=standard.serial, build=None)
        readings = self._measure(self._cycle.product.keys)
        judge = self._cycle.judge()
        measured = {one.range: judge.error(one) for one in readings}
        results = _check_rows(uuid4().hex, measured, standard)
        header = self._header(session, standard.serial, None, started_at, None, None)
        self._cycle.record_check(results, header, readings)
        outside = [
            self._cycle.product.range(one.range).title
            for one in results
            if one.verdict is Verdict.NONCONFORMING
        ]
        if outside:
            self._session = None
            raise OutOfControlError(serial=standard.serial, ranges=outside)
        self._since_check = 0
        self._known_good = {
            key: KnownGood(
                error_ppm=one.error.error_ppm,
                uncertainty_ppm=one.error.comparison_uncertainty_ppm,
            )
            for key, one in measured.items()
        }

    def _measure(self, ranges: Sequence[str]) -> list[RangeReadings]:
        return measure(
            self._bench,
            ranges,
            self._clock,
            stop=self._desk.halt,
            progress=self._show_progress,
        )

    def _show_progress(self, progress: Progress) -> None:
        self._desk.show(
            range=progress.range,
            done=progress.done,
            points=progress.points,
            source_on=progress.done < progress.points,
            live={
                "level": progress.point.level,
                "reference": progress.point.reference[-1],
                "output": progress.point.output[-1],
            },
        )

    def _header(
        self,
        session: str,
        serial: str,
        build: str | None,
        started_at: datetime,
        rerun_of: str | None,
        note: str | None,
    ) -> RunHeader:
        return RunHeader(
            serial=serial,
            build=build,
            session=session,
            origin="bench",
            started_at=started_at,
            finished_at=self._clock.utc(),
            configuration=self._configuration,
            rerun_of=rerun_of,
            note=note,
        )


def _check_rows(
    run: str, measured: Mapping[str, Measured], standard: CheckStandard
) -> list[RangeResult]:
    """Return the check's rows, each conforming when it reads as it is known to."""
    return [
        row(
            run,
            one,
            Verdict.CONFORMING
            if in_control(
                error_ppm=one.error.error_ppm,
                uncertainty_ppm=one.error.uncertainty_ppm,
                known_ppm=standard.error_ppm[key],
                known_uncertainty_ppm=standard.uncertainty_ppm,
            )
            else Verdict.NONCONFORMING,
            None,
        )
        for key, one in measured.items()
    ]
