"""What happens to every run, whoever took the readings: judge, record, watch, act.

The commit of a run is its acknowledgement; watching follows from the rows. After a
crash the rows past the watermark are watched again, and nothing is raised twice.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from typing import Any
from uuid import uuid4

from config.model import Settings
from daemon import holds, rejudging, words
from daemon.alerts.policy import Message
from daemon.alerts.telling import Teller
from daemon.bench.readings import RangeReadings
from daemon.beside import linearity
from daemon.beside import results as results_beside
from daemon.decades import wrong_decades
from daemon.judge import Judge, KnownGood
from daemon.product import ProductModel
from daemon.reels import reel_of
from daemon.spc.detector.baseline import Baseline
from daemon.watch import (
    Accepted,
    CheckErrors,
    FindLimit,
    Suspect,
    UnitErrors,
    Watcher,
    warm_up,
)
from daemon.watch.from_rows import (
    TEACHING,
    Decided,
    FromRows,
    RunRows,
    decisions_of,
    fittings_of,
    measured_again,
    runs_after,
    seated_again,
)
from storage.answers import HoldState, Mark, Rejudged
from storage.records import (
    CheckResult,
    Evaluation,
    Fitting,
    Hold,
    RangeResult,
    Rejudgement,
    Run,
    RunKind,
    Scope,
    Signal,
    Unit,
    Verdict,
)
from storage.records_shipping import Rework
from storage.store import Store

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


Event = UnitErrors | CheckErrors | Accepted


@dataclass(frozen=True, slots=True, kw_only=True)
class _Book:
    """What people recorded of reels and decided of holds, as it was last read."""

    counts: Mapping[str, Any]
    fittings: tuple[Fitting, ...]
    decisions: tuple[Decided, ...]
    found_bad: frozenset[tuple[str, str]]
    ended: frozenset[str]
    """Holds that a person ended."""
    reworked: Mapping[str, datetime]
    """By serial, when a unit was first reworked."""


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
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        *,
        own_limit: FindLimit | None = None,
    ) -> None:
        self.settings = settings
        self.store = store
        self.product = ProductModel.of(settings.product, settings.plan.detector)
        self._name = settings.product.name
        self._rows = FromRows(product=self.product, bench=settings.bench)
        self._titles = {one.key: one.title for one in self.product.ranges}
        self._watcher = Watcher(
            self.product,
            accepted_per_units=settings.plan.watching.accepted_false_holds_per_units,
            own_limit=own_limit,
            label_of=partial(reel_of, store),
        )
        self._folded = 0
        self._placed: set[str] = set()
        self._decided: set[str] = set()
        self._book: _Book | None = None
        self._warned: set[str] = set()
        self._teller = Teller(self._name, settings.alerts)
        self._check: str | None = None

    def judge(self) -> Judge:
        """Return the judge for this bench.

        Raises
        ------
        ValueError
            There is no bench file, so nothing is known about the meters.
        """
        if self.settings.bench is None:
            message = "bench.toml is missing: the meters' accuracy must be known"
            raise ValueError(message)
        return Judge(self.product, self.settings.bench, self.settings.plan.judging)

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
        run = header.run or uuid4().hex
        judge = self.judge()
        results = tuple(judge.unit(run, one, known_good) for one in readings)
        remarks = wrong_decades(self.product, results)
        if remarks:
            noted = [header.note] if header.note else []
            header = replace(header, note=" ".join([*noted, *remarks]))
        unit = None
        if header.build is not None:
            unit = Unit(serial=header.serial, product=self._name, build=header.build)
        checks = (
            *results_beside(run, self.settings.plan.checks, readings, answers or {}),
            *linearity(run, self.settings, readings),
        )
        number = self.store.record_run(
            self._row(run, header, readings), results, unit, checks
        )
        return Recorded(
            run=run,
            number=number,
            verdict=worst(
                [one.verdict for one in results] + [one.verdict for one in checks]
            ),
            results=results,
            checks=checks,
            remarks=remarks,
        )

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

    def resume(self) -> None:
        """Rebuild what watching knows from the rows, then watch what is new."""
        warm_up(self.product)
        self._remember()
        self.watch()

    def baseline(self) -> Baseline:
        """Return what the recorded builds teach about the next; records nothing."""
        self._remember_once()
        return self._watcher.baseline()

    def far_off(self, number: int) -> list[str]:
        """Return titles of the ranges for which a run is to be seated again.

        It is recorded and not watched yet: alone it is far off there, or would raise a
        finding. A poor contact looks like either.

        Parameters
        ----------
        number
            Of a unit's run.
        """
        book = self._book_now()
        runs = runs_after(self.store, self._name, self._folded)
        if any(one.number < number for one in runs):
            self.watch(before=number)
        run = next((one for one in runs if one.number == number and one.is_unit), None)
        if run is None or self._is_reworked(run):
            return []
        found = self._watcher.far_off(self._rows.unit(run), book.fittings)
        return [self.product.range(key).title for key in found]

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

    def log_odds(self) -> dict[str, float]:
        """Return how likely something is wrong, by build; records nothing."""
        self._remember_once()
        return self._watcher.log_odds

    @property
    def builds(self) -> int:
        """Builds that were measured so far."""
        self._remember_once()
        return len(self._watcher.fold.builds)

    def history(self) -> str:
        """Say what the latest build is held against; records nothing."""
        self._remember_once()
        return self._watcher.history()

    def ahead(self) -> str:
        """Say what the next build will be held against; records nothing."""
        self._remember_once()
        return self._watcher.ahead()

    def suspects(
        self, signal: Signal, serials: Mapping[str, Iterable[str]] | None = None
    ) -> tuple[Suspect, ...]:
        """Return the units that a finding about a reel concerns; records nothing.

        Each with the probability that it carries the suspect reel and with the error
        of the named range, measured or predicted; see `daemon.watch.Suspect`.

        Parameters
        ----------
        signal
            From the Store; one that names no reel of a range concerns nobody by name.
        serials
            By build, units that exist and were not measured yet.
        """
        self._remember_once()
        return self._watcher.suspects(signal, serials or {})

    def _remember_once(self) -> None:
        """Rebuild what watching knows, unless that was done."""
        if not self._folded:
            self._remember()

    def _remember(self) -> None:
        """Fold all that was watched, and take up what was said of it."""
        watermark = self._watermark()
        book = self._book_now()
        events: list[Event] = []
        for run in runs_after(self.store, self._name, 0):
            if run.number > watermark:
                break
            if (event := self._event(run)) is not None:
                events.append(event)
        decided = [one for one in book.decisions if one.number <= watermark]
        self._decided = {one.hold for one in decided}
        self._watcher.remember(
            [*events, *(one.event for one in decided)],
            book.fittings,
            self.store.rows(Signal, "signals", product=self._name),
            book.found_bad,
        )
        self._placed = {one.hold for one in self.store.rows(Hold, product=self._name)}
        warned = self.store.frame("signal", cause="chart", product=self._name)
        self._warned = set(warned["signal"])
        self._teller.remember(self.store.frame("alerts", product=self._name))
        self._folded = watermark

    def watch(
        self, *, step: Callable[[], None] = lambda: None, before: int | None = None
    ) -> list[Signal]:
        """Watch every run past the watermark; return what was found.

        Signals, holds and the watermark are committed together, run by run. What people
        decided meanwhile is taken at the place, among the runs, where they decided it.

        Parameters
        ----------
        step
            Called before each run: many may wait.
        before
            Only runs of lower numbers; left out, all.
        """
        runs = runs_after(self.store, self._name, self._folded)
        passed_over, once_more = measured_again(runs), seated_again(runs)
        if before is not None:
            runs = [one for one in runs if one.number < before]
        checks: list[dict[str, Any]] = []
        again: list[Rejudged] = []
        if runs:
            name, after = self._name, self._folded
            table = self.store.table
            checks = table("check_results", product=name, after=after).to_pylist()
            # Only a run of the check standard judges runs before it again.
            if not all(one.is_unit for one in runs):
                again = self.store.rows(Rejudged, product=name, after=after)
        found = []
        # Read after the runs: a decision then never stands after one that it preceded.
        book = self._book_now()
        fittings = book.fittings
        decisions = [d for d in book.decisions if d.hold not in self._decided]
        if changed := self._watcher.found_bad(book.found_bad):
            found += self._act(self._folded, changed, ())
        for run in runs:
            step()
            number = run.number
            found += self._decide(decisions, before=number, fittings=fittings)
            signals = []
            event = self._event(run)
            if isinstance(event, UnitErrors) and number in passed_over:
                self._watcher.pass_over(event, fittings)
            elif event is not None:
                signals = self._watcher.take(event, fittings, check=self._check)
            held, told = rejudging.asked_for(
                [one for one in again if one.check_number == number],
                store=self.store,
                product=self._name,
                titles=self._titles,
            )
            found += self._act(
                number,
                signals,
                self._verdict_holds(run, checks, seated_again=number in once_more)
                + held,
                told,
                () if number in passed_over else self._warnings(run),
            )
        found += self._decide(decisions, before=self._folded + 1, fittings=fittings)
        # Reels may be recorded after the units that carry them.
        if late := self._watcher.refit(fittings):
            found += self._act(self._folded, late, ())
        return found

    @property
    def _known(self) -> "_Book":
        """What people recorded and decided, as it was last read."""
        return self._book or self._book_now()

    def _book_now(self) -> "_Book":
        """Return what people recorded and decided; read anew when there is more."""
        told = self.store.table("changes", product=self._name, but_by=holds.PLACED_BY)
        counts = told.to_pylist()[0]
        if self._book is None or self._book.counts != counts:
            decisions = tuple(decisions_of(self.store, self._name))
            self._book = _Book(
                counts=counts,
                fittings=tuple(fittings_of(self.store, self._name)),
                decisions=decisions,
                found_bad=frozenset(self._found_bad()),
                ended=frozenset(one.hold for one in decisions),
                reworked=self._reworks(),
            )
        return self._book

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
            if one.number >= before or one.hold in self._decided:
                continue
            self._decided.add(one.hold)
            if signals := self._watcher.take(one.event, fittings):
                found += self._act(self._folded, signals, ())
        return found

    def _found_bad(self) -> list[tuple[str, str]]:
        """Return reels and builds that a person holds by hand, or found bad."""
        return [
            (one.scope.value, one.subject)
            for one in self.store.rows(HoldState, product=self._name)
            if one.signal is None
            and one.placed_by != holds.PLACED_BY
            and one.scope in {Scope.REEL, Scope.BUILD}
            and one.disposal not in TEACHING
        ]

    def _act(
        self,
        number: int,
        signals: list[Signal],
        placed: tuple[Hold, ...],
        told: Sequence[Message] = (),
        warnings: tuple[Signal, ...] = (),
    ) -> list[Signal]:
        """Commit what one run changed, and that it was watched; return the findings."""
        said = [*signals, *warnings]
        for signal in signals:
            placed += self._due(signal)
        # A finding is sharpened by every unit; what stands because of it is not.
        placed = tuple(one for one in placed if one.hold not in self._placed)
        self.store.record_evaluation(
            Evaluation(
                product=self._name,
                number=number,
                signals=tuple(said),
                holds=placed,
                alerts=self._teller.tell(said, placed, told),
            )
        )
        self._placed.update(one.hold for one in placed)
        self._warned.update(one.signal for one in warnings)
        self._folded = number
        return signals

    def _due(self, signal: Signal) -> tuple[Hold, ...]:
        """Return the holds that a finding asks for and that do not stand yet."""
        asked = holds.from_signal(signal, words.reads(signal))
        if not any(one.hold in self._placed for one in asked):
            return asked
        names = {one.hold for one in asked}
        if names <= self._placed and not names & self._known.ended:
            return ()
        known = self.store.rows(HoldState, product=self._name)
        history = self.store.rows(Signal, signal=signal.signal)
        found = (
            holds.raised_again(one, signal=signal, holds=known, history=history)
            for one in asked
        )
        return tuple(one for one in found if one is not None)

    def _is_reworked(self, run: RunRows) -> bool:
        """Whether a run is of a unit after its rework: it is of the line no more."""
        since = self._known.reworked.get(run.serial)
        return since is not None and run.started_at > since

    def _reworks(self) -> dict[str, datetime]:
        """Return when each reworked unit was first reworked."""
        first: dict[str, datetime] = {}
        for one in self.store.rows(Rework, product=self._name):
            at = one.reworked_at
            first[one.serial] = min(at, first.get(one.serial, at))
        return first

    def _event(self, run: RunRows) -> UnitErrors | CheckErrors | None:
        """Return a run as it is watched; None for a unit that was reworked before."""
        if self._is_reworked(run):
            return None
        if run.is_unit:
            return self._rows.unit(run)
        self._check = self._rows.said_of_check(run)
        return self._rows.check(run)

    def _warnings(self, run: RunRows) -> tuple[Signal, ...]:
        """Return what charts newly warn of at a unit's run that was folded."""
        charts = self.settings.plan.charts
        if charts is None or not run.is_unit or self._is_reworked(run):
            return ()
        told = self._watcher.warnings(str(run.head["build"]), run.serial, charts.kinds)
        return tuple(one for one in told if one.signal not in self._warned)

    def _verdict_holds(
        self,
        run: RunRows,
        checks: Sequence[Mapping[str, Any]],
        *,
        seated_again: bool,
    ) -> tuple[Hold, ...]:
        """Return the hold for what a unit's run reads outside its limits.

        What was read once more of a unit that was seated again counts in its place; of
        `checks`, of all runs that are watched now, the latest of the unit.
        """
        if not run.is_unit:
            return ()
        latest = {
            one["check"]: one["number"] for one in checks if one["serial"] == run.serial
        }
        mine = [
            one
            for one in checks
            if one["number"] == run.number
            and (latest[one["check"]] == run.number or not seated_again)
        ]
        return holds.from_verdicts(
            run=str(run.head["run"]),
            serial=run.serial,
            product=self._name,
            verdicts=[
                (self.product.range(str(one["range"])).title, Verdict(one["verdict"]))
                for one in run.rows
                if not seated_again
            ],
            checks=[(str(one["check"]), Verdict(one["verdict"])) for one in mine],
            at=run.started_at,
        )

    def _watermark(self) -> int:
        (mark,) = self.store.rows(Mark, product=self._name)
        return mark.number

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
