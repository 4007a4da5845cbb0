"""What happens to every run, whoever took the readings: judge, record, watch, act.

The commit of a run is its acknowledgement; watching follows from the rows. After a
crash the rows past the watermark are watched again, and nothing is raised twice.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from logging import getLogger
from typing import Any
from uuid import uuid4

from config import Settings
from daemon.alerts import Message, Teller, of_bad_again
from daemon.bench import RangeReadings
from daemon.holds import policy
from daemon.judging import (
    Judge,
    KnownGood,
    linearity,
    results as results_beside,
    wrong_decades,
)
from daemon.presentation import sentences
from daemon.presentation.points import why_not_judged
from daemon.station import rejudging
from daemon.station.held_already import NOT_HELD, held_for
from daemon.watch import (
    Decided,
    FindLimit,
    ProductWatch,
    RunRows,
    UnitErrors,
    measured_again,
    seated_again,
    warm_up,
)
from storage import (
    Alert,
    AlertState,
    CheckResult,
    Evaluation,
    Fitting,
    Hold,
    HoldState,
    KeptLine,
    RangeResult,
    Rejudged,
    Rejudgement,
    Run,
    RunKind,
    Signal,
    Store,
    Unit,
    Verdict,
    WholeRun,
    plain_rows,
)

log = getLogger(__name__)

AT_ONCE = 200
"""Runs that changed something and are committed together, of many that wait."""
WORST_FIRST = (
    Verdict.NONCONFORMING,
    Verdict.CHANGED,
    Verdict.UNDECIDED,
    Verdict.NOT_JUDGED,
    Verdict.LIKE_KNOWN_GOOD,
    Verdict.CONFORMING,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunHeader:
    """What a run is, beside its readings. Without a build it is of a check standard."""

    serial: str
    build: str | None
    session: str
    origin: str
    started_at: datetime
    finished_at: datetime
    configuration: str
    rerun_of: str | None = None
    note: str | None = None
    run: str | None = None
    """Its id; a new one when left out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """A run as the Store acknowledged it."""

    run: str
    number: int
    verdict: Verdict
    results: tuple[RangeResult, ...]
    checks: tuple[CheckResult, ...] = ()
    remarks: tuple[str, ...] = ()
    """What whoever stands at the bench is told of it."""


def worst(verdicts: Sequence[Verdict]) -> Verdict:
    """Return the verdict that decides what happens to a unit."""
    return min(verdicts, key=WORST_FIRST.index, default=Verdict.NOT_JUDGED)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    """What one run, or one decision, changed."""

    signals: tuple[Signal, ...] = ()
    placed: tuple[Hold, ...] = ()
    told: Sequence[Message] = ()
    warned: tuple[Signal, ...] = ()
    again: tuple[str, ...] = ()
    """What is said of a unit that is held and was measured again."""


_NOTHING = _Step()


def _passing(steps: Sequence[_Step]) -> set[str]:
    """Return the findings that were raised and taken back in these steps."""
    said = [one for step in steps for one in step.signals]
    last = {one.signal: one for one in said}
    raised = {one.signal for one in said if one.revision == 1}
    return {name for name in raised if not last[name].standing}


class Cycle:
    """Judges, records and watches the runs of one product.

    Parameters
    ----------
    settings
        Product, control plan and, where runs are judged, the bench.
    store
        Where rows go.
    own_limit
        See `daemon.watch.Watcher`; left out, the shipped limit serves.
    utc
        What time it is when something is held or told: a sheet's runs may be of weeks
        ago. Left out, the time of the run that asked for it.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        *,
        own_limit: FindLimit | None = None,
        utc: Callable[[], datetime] | None = None,
    ) -> None:
        self.settings = settings
        self._utc = utc
        self.store = store
        self._own_limit = own_limit
        self.known = ProductWatch(settings, store, own_limit=own_limit)
        self.product = self.known.product
        self._name = settings.product.name
        self._titles = {one.key: one.title for one in self.product.ranges}
        self._watcher = self.known.watcher
        self._warm = False
        self._steps: list[_Step] = []
        """What runs changed that were watched and are not committed yet."""
        self._placed: set[str] = set()
        self._said: tuple[str, ...] = ()
        self._warned: set[str] = set()
        self._without_checks: set[int] = set()
        """Runs recorded here that are not watched yet and have no other checks."""
        self._teller = Teller(self._name, settings.alerts)

    def judge(self) -> Judge:
        """Return the judge for this bench, or for the meters that are read by hand."""
        return Judge(self.product, self.settings.meters, self.settings.plan.judging)

    def record(
        self,
        readings: Sequence[RangeReadings],
        header: RunHeader,
        known_good: Mapping[str, KnownGood],
        answers: Mapping[str, float] | None = None,
    ) -> Recorded:
        """Judge a unit's readings and commit them; watching comes after.

        Parameters
        ----------
        answers
            By check of the plan, what a person read beside the range errors.

        Raises
        ------
        storage.errors.StorageError
            Nothing of the run was kept.
        """
        whole, remarks = self._judged(readings, header, known_good, answers or {})
        number = self.store.record_run(
            whole.run, whole.results, whole.unit, whole.checks
        )
        if not whole.checks:
            self._without_checks.add(number)
        return Recorded(
            run=whole.run.run,
            number=number,
            verdict=worst(
                [one.verdict for one in whole.results]
                + [one.verdict for one in whole.checks]
            ),
            results=whole.results,
            checks=whole.checks,
            remarks=remarks,
        )

    def take_said(self) -> tuple[str, ...]:
        """Say what was held, or stays so, since this was asked last."""
        taken, self._said = self._said, ()
        return taken

    def judged(self, readings: Sequence[RangeReadings], header: RunHeader) -> WholeRun:
        """Judge a unit's readings as `record` does, and leave the run to be kept."""
        whole, _ = self._judged(readings, header, {}, {})
        return whole

    def _judged(
        self,
        readings: Sequence[RangeReadings],
        header: RunHeader,
        known_good: Mapping[str, KnownGood],
        answers: Mapping[str, float],
    ) -> tuple[WholeRun, tuple[str, ...]]:
        """Return a run, and what whoever stands at the bench is told of it."""
        run = header.run or uuid4().hex
        judge = self.judge().learned(readings)
        results = tuple(judge.unit(run, one, known_good) for one in readings)
        remarks = tuple(wrong_decades(self.product, results))
        if remarks:
            noted = [header.note] if header.note else []
            header = replace(header, note=" ".join([*noted, *remarks]))
        unit = None
        if header.build is not None:
            unit = Unit(serial=header.serial, product=self._name, build=header.build)
        checks = (
            *results_beside(run, self.settings.plan.checks, readings, answers),
            *linearity(run, self.settings, readings),
        )
        row = self._row(run, header, readings)
        whole = WholeRun(run=row, results=results, unit=unit, checks=checks)
        return whole, (*remarks, *self._not_judged(results))

    def _not_judged(self, results: Sequence[RangeResult]) -> Iterator[str]:
        """Say why ranges have no verdict, once for all that lack it alike."""
        for why, titles in why_not_judged(
            (self._titles[one.range], one.judged_points)
            for one in results
            if one.verdict is Verdict.NOT_JUDGED
        ).items():
            yield f"Not judged on {' and '.join(titles)}: {why}."

    def record_check(
        self,
        results: Sequence[RangeResult],
        header: RunHeader,
        readings: Sequence[RangeReadings],
        closes: Sequence[Rejudgement] = (),
    ) -> int:
        """Commit a run of the check standard, and the units' runs that it closes.

        Returns its run number.
        """
        return self.store.record_run(
            self._row(results[0].run, header, readings), results, closes=closes
        )

    def warm_up(self) -> None:
        """Load what all threads must wait for, before a bench is open."""
        if not self._warm:
            warm_up(self.product)
            self._warm = True

    def resume(self, step: Callable[[int], None] = lambda _: None) -> None:
        """Go on from what watching knew, then watch what is new.

        Parameters
        ----------
        step
            Called on the way, with the run that was reached; what it raises ends it.
        """
        self.warm_up()
        self.known.remember(keep=True, step=step)
        if self.known.refolded is not None:
            log.warning(self.known.refolded)
        self._placed = {one.hold for one in self.store.rows(Hold, product=self._name)}
        warned = self.store.table("signal", product=self._name, cause="chart")
        self._warned = set(warned.column("signal").to_pylist())
        self._teller.remember(self.store.rows(AlertState, product=self._name))
        self.watch(step=lambda: step(self.known.folded))

    def far_off(self, number: int) -> list[str]:
        """Return titles of the ranges for which a run is to be seated again.

        It is recorded and not watched yet: alone it is far off there, or would raise a
        finding. A poor contact looks like either.

        Parameters
        ----------
        number
            Of a unit's run.
        """
        self.known.book_now()
        runs = self.known.waiting()
        if any(one.number < number for one in runs):
            self.watch(before=number)
        run = next((one for one in runs if one.number == number and one.is_unit), None)
        return [] if run is None else self.known.far_off(run)

    def bench_in_question(self) -> str | None:
        """Say that another check is worth while; None where the last one tells enough.

        A step of the bench may be too small beside the noise of one check.
        """
        titles = self._watcher.bench_in_question()
        if not titles:
            return None
        return (
            f"The bench may have moved a little on {' and '.join(titles)}: run the "
            "check standard once more, without touching anything else."
        )

    def watch(
        self, *, step: Callable[[], None] = lambda: None, before: int | None = None
    ) -> list[Signal]:
        """Watch every run past the watermark; return what was found.

        Signals, holds and the watermark are committed together, of many runs that wait
        all at once: after a crash they are watched again. A finding that was raised and
        taken back among them holds nothing. What people decided meanwhile is taken at
        the place, among the runs, where they decided it.

        Parameters
        ----------
        step
            Called before each run: many may wait.
        before
            Only runs of lower numbers; left out, all.
        """
        if self._steps:  # they could not be kept when they were watched
            self._commit(self.known.folded, more=True)
        runs = self.known.waiting()
        passed_over, once_more = measured_again(runs), seated_again(runs)
        if before is not None:
            runs = [one for one in runs if one.number < before]
        checks: list[dict[str, Any]] = []
        closed: list[Rejudged] = []
        if runs:
            name, after = self._name, self.known.folded
            table = self.store.table
            numbers = {one.number for one in runs}
            if numbers - self._without_checks:
                checks = plain_rows(table("check_results", product=name, after=after))
            self._without_checks -= numbers
            # Only a run of the check standard judges runs before it again.
            if not all(one.is_unit for one in runs):
                closed = self.store.rows(
                    Rejudged, product=name, after=after, changed=True
                )
        found = []
        # Read after the runs: a decision then never stands after one that it preceded.
        book = self.known.book_now()
        if self.known.was_corrected():
            self._look_again()
            # Runs that were read before it may say what was corrected.
            return self.watch(step=step, before=before)
        fittings = book.fittings
        decisions = [d for d in book.decisions if d.hold not in self.known.decided]
        if changed := self._watcher.found_bad(book.found_bad):
            found += self._act(self.known.folded, changed, ())
        for run in runs:
            step()
            number = run.number
            found += self._decide(decisions, before=number, fittings=fittings)
            signals = []
            entered = self.known.enter(run)
            if entered is None:
                pass
            elif isinstance(entered.event, UnitErrors) and number in passed_over:
                self._watcher.pass_over(entered.event, fittings)
            else:
                signals = self._watcher.take(
                    entered.event, fittings, check=entered.check
                )
            held, told = rejudging.asked_for(
                [one for one in closed if one.check_number == number],
                store=self.store,
                product=self._name,
                titles=self._titles,
                waiting=self._waiting(),
            )
            placed, again = self._verdict_holds(
                run, checks, seated_again=number in once_more
            )
            found += self._act(
                number,
                signals,
                placed + held,
                [*told, *self._bad_again(run, again)],
                () if number in passed_over else self._warnings(run),
                again,
                more=run is not runs[-1],
            )
        found += self._decide(
            decisions, before=self.known.folded + 1, fittings=fittings
        )
        # Reels may be recorded after the units that carry them.
        if late := self._watcher.refit(fittings):
            found += self._act(self.known.folded, late, ())
        self.known.keep_told()
        return found

    def _look_again(self) -> None:
        """Go through all runs again: what was recorded of units was corrected."""
        self.known = ProductWatch(self.settings, self.store, own_limit=self._own_limit)
        self._watcher = self.known.watcher
        self.known.remember(keep=True)

    def _decide(
        self,
        decisions: Sequence[Decided],
        *,
        before: int,
        fittings: Sequence[Fitting],
    ) -> list[Signal]:
        """Take what people decided about findings before a run."""
        found = []
        for one in decisions:
            if one.number >= before or one.hold in self.known.decided:
                continue
            self.known.decided.add(one.hold)
            if signals := self._watcher.take(one.event, fittings):
                found += self._act(self.known.folded, signals, ())
        return found

    def _act(
        self,
        number: int,
        signals: list[Signal],
        placed: tuple[Hold, ...],
        told: Sequence[Message] = (),
        warnings: tuple[Signal, ...] = (),
        again: tuple[str, ...] = (),
        *,
        more: bool = False,
    ) -> list[Signal]:
        """Note what one run changed, and commit it; return the findings.

        Parameters
        ----------
        more
            Whether another run follows at once: what this one changed waits for it. A
            finding that the runs after it take back then holds nothing.
        """
        step = _Step(
            signals=tuple(signals),
            placed=placed,
            told=told,
            warned=warnings,
            again=again,
        )
        if step != _NOTHING:
            self._steps.append(step)
        self._warned.update(one.signal for one in warnings)
        self.known.folded = number
        if not more or len(self._steps) >= AT_ONCE:
            self._commit(number, more=more)
        elif not self._steps and (lines := self.known.to_keep()):
            self._commit(number, more=more, lines=lines)
        return signals

    def _commit(
        self, number: int, *, more: bool, lines: Sequence[KeptLine] | None = None
    ) -> None:
        """Commit what runs changed up to one, and that they were watched."""
        said: list[Signal] = []
        placed: list[Hold] = []
        alerts: list[Alert] = []
        passing = _passing(self._steps)
        told = self._teller.known()
        at = None if self._utc is None else self._utc()
        for step in self._steps:
            stays = [one for one in step.signals if one.signal not in passing]
            due = [*step.placed, *(hold for one in stays for hold in self._due(one))]
            # A finding is sharpened by every unit; what stands because of it is not.
            new = [
                one if at is None else replace(one, placed_at=at)
                for one in due
                if one.hold not in self._placed
            ]
            self._placed.update(one.hold for one in new)
            said += [*step.signals, *step.warned]
            placed += new
            alerts += self._teller.tell([*stays, *step.warned], new, step.told)
        lines = self.known.to_keep() if lines is None else lines
        ahead = None if more else self.known.ahead_to_keep()
        evaluation = Evaluation(
            product=self._name,
            number=number,
            signals=tuple(said),
            holds=tuple(placed),
            alerts=tuple(
                one if at is None else replace(one, made_at=at) for one in alerts
            ),
            lines=tuple(lines),
            # Of many runs, what is said after the last counts.
            history=None if more else self._watcher.history(),
            worked_out_with=self.known.worked_out_with(),
            ahead=ahead,
        )
        try:
            self.store.record_evaluation(evaluation)
        except BaseException:
            self._placed.difference_update(one.hold for one in placed)
            self._teller.go_back(told)
            raise
        again = (said for step in self._steps for said in step.again)
        self._said += (*map(sentences.held_now, placed), *again)
        self._steps.clear()
        self.known.was_kept(lines)
        if ahead is not None:
            self.known.was_told()

    def _due(self, signal: Signal) -> tuple[Hold, ...]:
        """Return the holds that a finding asks for and that do not stand yet."""
        asked = policy.from_signal(signal, sentences.reads(signal))
        if not any(one.hold in self._placed for one in asked):
            return asked
        names = {one.hold for one in asked}
        if names <= self._placed and not names & self.known.book.ended:
            return ()
        known = self.store.rows(HoldState, product=self._name)
        history = self.store.rows(Signal, signal=signal.signal)
        found = (
            policy.raised_again(one, signal=signal, holds=known, history=history)
            for one in asked
        )
        return tuple(one for one in found if one is not None)

    def _warnings(self, run: RunRows) -> tuple[Signal, ...]:
        """Return what charts newly warn of at a unit's run that was folded."""
        charts = self.settings.plan.charts
        if charts is None or not run.is_unit or self.known.is_reworked(run):
            return ()
        told = self._watcher.warnings(str(run.head["build"]), run.serial, charts.kinds)
        return tuple(one for one in told if one.signal not in self._warned)

    def _waiting(self) -> tuple[Hold, ...]:
        """Return the holds of steps that are not committed yet."""
        return tuple(hold for step in self._steps for hold in step.placed)

    def _bad_again(self, run: RunRows, again: Sequence[str]) -> list[Message]:
        return [
            of_bad_again(str(run.head["run"]), run.serial, said=one, at=run.started_at)
            for one in again
        ]

    def _verdict_holds(
        self,
        run: RunRows,
        checks: Sequence[Mapping[str, Any]],
        *,
        seated_again: bool,
    ) -> tuple[tuple[Hold, ...], tuple[str, ...]]:
        """Return the hold for what a unit's run reads outside its limits.

        What was read once more of a unit that was seated again counts in its place; of
        `checks`, of all runs that are watched now, the latest of the unit. What the
        unit is held for already is said, in the second of the two.
        """
        if not run.is_unit:
            return (), ()
        latest = {
            one["check"]: one["number"] for one in checks if one["serial"] == run.serial
        }
        mine = [
            (str(one["check"]), Verdict(one["verdict"]))
            for one in checks
            if one["number"] == run.number
            and (latest[one["check"]] == run.number or not seated_again)
        ]
        read = [
            (str(one["range"]), Verdict(one["verdict"]))
            for one in run.rows
            if not seated_again
        ]
        known = NOT_HELD
        verdicts = {one for _, one in (*read, *mine)}
        if run.head["rerun_of"] is not None and Verdict.NONCONFORMING in verdicts:
            known = held_for(
                self.store, self._name, run.serial, waiting=self._waiting()
            )
        placed = policy.from_verdicts(
            run=str(run.head["run"]),
            serial=run.serial,
            product=self._name,
            verdicts=[(self._titles[o], v) for o, v in read if o not in known.ranges],
            checks=[(one, v) for one, v in mine if one not in known.checks],
            at=run.started_at,
        )
        again = policy.read_bad(
            [(self._titles[one], v) for one, v in read if one in known.ranges],
            [(one, v) for one, v in mine if one in known.checks],
        )
        return placed, (sentences.bad_again(run.serial, again),) if again else ()

    def _row(
        self, run: str, header: RunHeader, readings: Sequence[RangeReadings]
    ) -> Run:
        return Run(
            run=run,
            kind=RunKind.UNIT if header.build is not None else RunKind.CHECK,
            product=self._name,
            serial=header.serial,
            build=header.build,
            session=header.session,
            origin=header.origin,
            started_at=header.started_at,
            finished_at=header.finished_at,
            configuration=header.configuration,
            ambient_c=readings[0].ambient_c if readings else None,
            rerun_of=header.rerun_of,
            note=header.note,
        )
