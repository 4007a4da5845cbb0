"""A bench's sessions, checks and units as they are kept, whoever drives the bench.

The station drives instruments and asks people; a simulation lives days in process.
Both write here, in the same order: a session is opened, the check standard opens it,
units are judged until a check is due, and each good check closes their runs.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from uuid import uuid4

from config import HoldpointError, model
from daemon.bench import Clock, RangeReadings
from daemon.judging import Measured, meet, row
from daemon.station.check_standard import Standing, disagreed
from daemon.station.cycle import Cycle, Recorded, RunHeader
from daemon.station.rejudging import OpenRun, sentences
from storage import (
    BenchInstrument,
    Doubt,
    DoubtCause,
    RangeResult,
    RunKind,
    Session,
    StandardCheck,
    Verdict,
)

ENDS = "more than source_stability_ppm in bench.toml allows."
PUT_IN_DOUBT = re.compile(rf"This run was put in doubt: (.*?{re.escape(ENDS)})")
"""What the note of a run says, by which its doubt is raised should it be missing."""


class NotJudgedError(HoldpointError):
    """The bench may judge no unit just now, and why; nothing was kept of one."""


class OutOfControlError(NotJudgedError):
    """The check standard does not read as it should, so no unit is judged."""

    def __init__(
        self, *, serial: str, ranges: Sequence[str], beside: Sequence[str] = ()
    ) -> None:
        self.serial = serial
        self.ranges = tuple(ranges)
        message = (
            f"check standard {serial} is outside its limits on {', '.join(ranges)}: "
            "no unit is judged, and the runs since the last good check are in doubt; "
            "connect it again and measure it without touching anything else, or find "
            "what moved: leads, meter ranges, nulls"
        )
        said = " ".join(beside)
        super().__init__(f"{message}. {said.removesuffix('.')}" if said else message)


class MovedAlikeError(OutOfControlError):
    """Both meters moved alike: the check standard's error does not show when."""

    def __init__(self, *, serial: str, ranges: Sequence[str], moved_ppm: float) -> None:
        self.serial = serial
        self.ranges = tuple(ranges)
        self.moved_ppm = moved_ppm
        NotJudgedError.__init__(
            self,
            "both meters moved together against the source's setting, "
            f"{moved_ppm:+.0f} ppm since the session began, on {', '.join(ranges)}: "
            "that is more than "
            "source_stability_ppm in bench.toml allows, and check standard "
            f"{serial} cannot tell what units between saw. The runs since the last "
            "good check are in doubt until a person decides, and the session is ended; "
            "see that meters and source are warm and undisturbed",
        )


class NoStandardError(NotJudgedError):
    """A check is asked for and the bench file names no check standard."""

    def __init__(self) -> None:
        super().__init__(
            "bench.toml names no check standard; write [check_standard], with the "
            "serial and the known errors of a unit that is kept for this"
        )


class BenchBook:
    """Keeps the sessions of one bench, and the checks and units in them.

    Parameters
    ----------
    cycle
        Judges and records.
    bench
        Its settings.
    clock
        Monotonic, for how long ago the last check was; rows carry its UTC.
    configuration
        Hash of the settings that everything here is judged by.
    """

    def __init__(
        self, cycle: Cycle, bench: model.Bench, *, clock: Clock, configuration: str
    ) -> None:
        self._cycle = cycle
        self._bench = bench
        self._clock = clock
        self._configuration = configuration
        self._said: tuple[str, ...] = ()
        self._checked: tuple[str, dict[str, Measured]] | None = None
        self.compared = False
        """Whether the session's standards were run beside one another."""
        self.session: str | None = None
        """The one that is open."""
        self.instruments: list[BenchInstrument] = []
        """Those of the session, as they were met."""
        self.standing: Standing | None = None
        """None without a check standard."""
        if bench.check_standard is not None:
            self.standing = Standing(
                cycle.store,
                cycle.settings.product.name,
                bench.check_standard,
                clock=clock,
                configuration=configuration,
                source_stability_ppm=bench.source_stability_ppm,
            )
        self._raise_missing_doubts()

    def open_session(self, identities: Mapping[str, str]) -> str:
        """Open a session of a bench that was set up anew; return it.

        Parameters
        ----------
        identities
            What each role's instrument says it is; left out where it cannot say.
        """
        session, now = uuid4().hex, self._clock.utc()
        store = self._cycle.store
        store.keep(
            Session(
                session=session,
                bench=self._bench.name,
                opened_at=now,
                configuration=self._configuration,
                set_up=True,
            )
        )
        self.instruments = meet(store, session, self._bench, identities, now)
        self.session = session
        return session

    def end_session(self) -> None:
        """Leads or nulls were changed: the next unit waits for a new check."""
        self.session, self.compared = None, False
        if self.standing is not None:
            self.standing.new_session()

    def check_is_due(self) -> bool:
        """Whether no unit may be judged before a check.

        One that is overdue puts the runs since the last in doubt.
        """
        if self.standing is None or self.standing.due() is None:
            return False
        self.standing.notice_overdue()
        return True

    def unit(
        self,
        readings: Sequence[RangeReadings],
        *,
        session: str,
        serial: str,
        build: str,
        started_at: datetime,
        rerun_of: str | None = None,
        note: str | None = None,
        answers: Mapping[str, float] | None = None,
    ) -> Recorded:
        """Judge and keep a unit's readings; the next good check closes the run."""
        moved = self.disagreements(readings)
        reason = self.disagreement(moved) if moved else None
        if reason is not None:
            # Kept with the run: the doubt is kept after it, or at the next start.
            said = f"This run was put in doubt: {reason}"
            note = f"{note} {said}" if note else said
        header = self._header(session, serial, build, started_at, rerun_of, note)
        known_good = {} if self.standing is None else self.standing.known_good()
        recorded = self._cycle.record(readings, header, known_good, answers or {})
        if self.standing is not None:
            self.standing.count(OpenRun(run=recorded.run, readings=tuple(readings)))
        if reason is not None:
            self._doubt(recorded.number, session, reason, header.finished_at)
            recorded = replace(recorded, remarks=(*recorded.remarks, reason))
        return recorded

    def disagreements(self, readings: Sequence[RangeReadings]) -> dict[str, float]:
        """Return where the reference reads otherwise than the source may, ppm."""
        if self.standing is None:
            return {}
        # As the run is judged: what is not noticed here is in its budget.
        learned = self._cycle.judge().learned(readings)
        return self.standing.disagreements(
            {one.range: learned.error(one) for one in readings}
        )

    def disagreement(self, moved_ppm: Mapping[str, float]) -> str:
        """Return a sentence about ranges on which the reference reads otherwise."""
        titles = {one.key: one.title for one in self._cycle.product.ranges}
        where = ", ".join(
            f"{titles[key]} ({one:+.0f} ppm)" for key, one in moved_ppm.items()
        )
        return (
            "The reference disagreed with the source's setting, compared with the "
            f"session's first check, on {where}: {ENDS}"
        )

    def check(
        self, readings: Sequence[RangeReadings], *, session: str, started_at: datetime
    ) -> int:
        """Judge and keep a run of the check standard; return its run number.

        A good one closes the runs since the one before.

        Raises
        ------
        OutOfControlError
            It reads wrong: the runs since its last good check are in doubt. Where both
            meters moved alike the session is ended too.
        NoStandardError
            There is none.
        """
        standing = self.standing
        if standing is None:
            raise NoStandardError
        judge = self._cycle.judge()
        learned = judge.learned(readings)
        measured = {one.range: learned.error(one) for one in readings}
        run, verdicts = uuid4().hex, standing.judge(measured)
        self._checked = None
        closes = (
            standing.closes(run, measured, judge)
            if set(verdicts.values()) == {Verdict.CONFORMING}
            else ()
        )
        results = _check_rows(run, measured, verdicts)
        header = self._header(session, standing.serial, None, started_at, None, None)
        number = self._cycle.record_check(results, header, readings, closes)
        self._checked = run, measured
        product = self._cycle.product
        titles = {one.key: one.title for one in product.ranges}
        outside = standing.checked(
            run=run,
            number=number,
            session=session,
            results=results,
            measured=measured,
            titles=titles,
        )
        if outside and (moved_ppm := standing.moved_ppm) is not None:
            self.end_session()
            raise MovedAlikeError(
                serial=standing.serial, ranges=outside, moved_ppm=moved_ppm
            )
        if outside:
            raise OutOfControlError(serial=standing.serial, ranges=outside)
        self._said = sentences(
            self._cycle.store, product.settings.name, titles, after=number - 1
        )
        return number

    def further_standards(self) -> tuple[model.KnownStandard, ...]:
        """Return those to run beside the check standard: none past its calibration."""
        today = self._clock.utc().date()
        return tuple(
            one for one in self._bench.further_standards if not one.past_due(today)
        )

    def compare(
        self,
        others: Sequence[tuple[model.KnownStandard, Sequence[RangeReadings]]],
        *,
        session: str,
    ) -> tuple[StandardCheck, ...]:
        """Keep other standards' readings beside those of the check that was just made.

        Raises
        ------
        NoStandardError
            No check was made.
        """
        standard = self._bench.check_standard
        if standard is None or self._checked is None:
            raise NoStandardError
        run, first = self._checked
        judge = self._cycle.judge()
        measured: list[tuple[model.KnownStandard, Mapping[str, Measured]]] = []
        for one, readings in others:
            learned = judge.learned(readings)
            measured.append(
                (one, {each.range: learned.error(each) for each in readings})
            )
        shared = {key for _, by_range in measured for key in by_range}
        measured.insert(0, (standard, {key: first[key] for key in shared}))
        now = self._clock.utc()
        rows = tuple(
            StandardCheck(
                check_run=run,
                serial=one.serial,
                range=key,
                product=self._cycle.settings.product.name,
                session=session,
                error_ppm=each.error.error_ppm,
                uncertainty_ppm=each.error.uncertainty_ppm,
                own_uncertainty_ppm=each.error.own_uncertainty_ppm,
                known_ppm=one.error_ppm[key],
                known_uncertainty_ppm=one.uncertainty_ppm,
                measured_at=now,
            )
            for one, by_range in measured
            for key, each in by_range.items()
        )
        self._cycle.store.keep(*rows)
        self.compared = True
        return rows

    def take_said(self) -> tuple[str, ...]:
        """Return once what the last check changed of units measured before it."""
        said, self._said = self._said, ()
        return said

    def _doubt(self, number: int, session: str, reason: str, at: datetime) -> None:
        """Put one run in doubt; repeating it changes nothing."""
        product = self._cycle.settings.product.name
        self._cycle.store.keep(
            disagreed(product, session=session, number=number, reason=reason, at=at)
        )

    def _raise_missing_doubts(self) -> None:
        """Raise the doubts that runs say of themselves and that were not kept.

        A run is kept before its doubt; the program may have been ended in between.
        """
        store, product = self._cycle.store, self._cycle.settings.product.name
        runs = store.table("run", product=product, kind=RunKind.UNIT.value)
        said = [
            (place, found[1])
            for place, note in enumerate(runs.column("note").to_pylist())
            if note and (found := PUT_IN_DOUBT.search(note)) is not None
        ]
        if not said:
            return
        cause = DoubtCause.DISAGREED.value
        doubts = store.rows(Doubt, product=product, cause=cause)
        known = {(one.session, one.raised_at) for one in doubts}
        for place, reason in said:
            (run,) = runs.slice(place, 1).to_pylist()
            session, at = run["session"], run["finished_at"]
            if (session, at) in known:
                continue
            kept = store.table("unit_runs", serial=run["serial"]).to_pylist()
            number = next(one["number"] for one in kept if one["run"] == run["run"])
            self._doubt(number, session, reason, at)

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
    run: str, measured: Mapping[str, Measured], verdicts: Mapping[str, Verdict]
) -> list[RangeResult]:
    """Return the check's rows, each conforming when it reads as it is known to."""
    return [row(run, one, verdicts[key], None) for key, one in measured.items()]
