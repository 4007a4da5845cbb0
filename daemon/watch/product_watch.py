"""What the watch knows of one product: rebuilt from its rows, and folded on."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import Any

from config import Settings
from daemon.judging import ProductModel, StandardsThen
from daemon.presentation import sentences
from daemon.watch.ahead import Ahead
from daemon.watch.events import Accepted, CheckErrors, UnitErrors
from daemon.watch.from_rows import FromRows, RunRows, runs_after
from daemon.watch.kept_line import StoredPast, fingerprint_of, go_on_from, kept_of
from daemon.watch.people import Book, counts_of, decisions_of
from daemon.watch.watcher import FindLimit, Watcher
from storage import (
    Evaluation,
    Fitting,
    KeptLine,
    Mark,
    Signal,
    StorageError,
    Store,
    reel_of,
)

Event = UnitErrors | CheckErrors | Accepted

PAGE_RUNS = 1000
"""Runs that are read at once."""
MARKS_AT_ONCE = 8
"""Marks that are kept in one transaction while many runs are folded again."""


@dataclass(frozen=True, slots=True)
class Entered:
    """A run as it is watched, with what the latest check standard showed by then."""

    event: UnitErrors | CheckErrors
    check: str | None


class ProductWatch:
    """The watch of one product over its rows.

    Parameters
    ----------
    settings
        Product, control plan and, where there is one, the bench.
    store
        Where rows come from.
    own_limit
        See `Watcher`; left out, the shipped limit serves.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        *,
        own_limit: FindLimit | None = None,
    ) -> None:
        self.product = ProductModel.of(settings.product, settings.plan.detector)
        self.watcher = Watcher(
            self.product,
            accepted_per_units=settings.plan.watching.accepted_false_holds_per_units,
            own_limit=own_limit,
            label_of=partial(reel_of, store),
            past=StoredPast(
                store,
                self.product,
                events=self._events,
                runs_of=self._runs_of,
            ),
        )
        self._fingerprint = fingerprint_of(self.product, settings)
        self.folded = 0
        """The watermark: the number of the last run that was folded."""
        self.refolded: str | None = None
        """A sentence where all runs had to be folded again at the start."""
        self.decided: set[str] = set()
        """Holds whose ends were folded."""
        self._name = settings.product.name
        self._store = store
        self._rows = FromRows(
            product=self.product, bench=settings.bench, then=StandardsThen(store)
        )
        self._book: Book | None = None
        bench = settings.bench
        self._unchecked = (
            sentences.NO_STANDARD
            if bench is None or bench.check_standard is None
            else None
        )
        """What is said in place of a check that was never made."""
        self._check = self._unchecked
        self._corrections: int | None = None
        """How many corrections there were when the line was remembered."""
        self._told: tuple[int, str, dict[str, Any]] | None = None
        """The run and what else that followed from which was told last."""
        self._since = 0
        """The run since which the book tells what was recorded and decided."""

    @property
    def book(self) -> Book:
        """What people recorded and decided, as it was last read."""
        return self._book or self.book_now()

    def book_now(self) -> Book:
        """Return what people recorded and decided; read anew when there is more."""
        self._book = Book.read(self._store, self._name, self._book, since=self._since)
        return self._book

    def was_corrected(self) -> bool:
        """Whether a unit or a fitting was corrected since the line was remembered.

        A line that was worked out before does not hold: it is to be begun anew.
        """
        count = int(self.book.counts["amendments"])
        if self._corrections is None:
            self._corrections = count
        return count != self._corrections

    def remember(
        self,
        *,
        keep: bool = False,
        must_be_kept: bool = True,
        step: Callable[[int], None] = lambda _: None,
    ) -> None:
        """Fold what was watched since it was last kept, and take up what was said.

        Parameters
        ----------
        keep
            Whether what is worked out on the way is kept.
        must_be_kept
            Whether it ends where that cannot be kept.
        step
            Called on the way, with the run that was reached; what it raises ends it.
        """
        (mark,) = self._store.rows(Mark, product=self._name)
        watermark = mark.number
        fold = self.watcher.fold
        # Before any row: what is corrected from here on makes what is kept another's.
        self._corrections = int(counts_of(self._store, self._name)["amendments"])
        why = go_on_from(
            fold, self._store, self._name, self.worked_out_with(), until=watermark
        )
        self._since = max(fold.kept_to, 0)
        book = self.book_now()
        self.folded = watermark

        def reached(number: int) -> None:
            step(number)
            if keep:
                self._keep_on_the_way(must_be_kept=must_be_kept)

        fold.on_mark = reached
        self._check = self._check_then(watermark)
        self.watcher.remember(
            self._events(fold.kept_to, watermark + 1, last=watermark),
            book.fittings,
            self._store.rows(Signal, "signals", product=self._name),
            book.found_bad,
            decided=[name for name, at in book.decided.items() if at <= watermark],
            late=self._recorded_late(watermark),
            check=self._check,
        )
        if keep:
            self._keep_on_the_way(least=1, must_be_kept=must_be_kept)
        fold.on_mark = lambda _: None
        fold.forget()
        self.decided = {one.hold for one in book.decisions if one.number <= watermark}
        self.refolded = sentences.refolded(why) if why and watermark else None

    def _recorded_late(self, watermark: int) -> set[str]:
        """Return the builds of which a fitting was recorded since the last run."""
        if not watermark:
            return set()
        since = self._store.rows(
            Fitting, "fittings_since", product=self._name, after=watermark
        )
        return {one.build for one in since}

    def to_keep(self) -> tuple[KeptLine, ...]:
        """Return what was worked out since the last mark that was kept."""
        return kept_of(self.watcher.fold, self._name, self.worked_out_with())

    def worked_out_with(self) -> str:
        """Return the fingerprint of a line: of its settings and of the corrections.

        A line that was worked out before a correction may be kept after it: no start
        may go on from that.
        """
        return f"{self._fingerprint}-{self._corrections or 0}"

    def ahead_to_keep(self) -> str | None:
        """Return what is told of the next build as text, None where more is to come.

        That is what was read of people's book and is not folded yet.
        """
        book = self.book
        if any(one.hold not in self.decided for one in book.decisions):
            return None
        if not self.watcher.fold.goes_by(book.fittings):
            return None
        return self._ahead().text(self._follows_from(book.counts))

    def was_told(self) -> None:
        """Note that what is told of the builds is kept as it stands."""
        self._told = self._telling()

    def keep_told(self) -> None:
        """Keep what is told of the builds, unless it is kept as it stands.

        Where it was told by another text of the program, `status` would have to fold.
        """
        if not self.folded or self._told == self._telling():
            return
        (mark,) = self._store.rows(Mark, product=self._name)
        if mark.number != self.folded:
            return
        ahead = self.ahead_to_keep()
        if (mark.worked_out_with, mark.ahead) != (self.worked_out_with(), ahead):
            self._store.record_evaluation(
                Evaluation(
                    product=self._name,
                    number=mark.number,
                    history=self.watcher.history(),
                    worked_out_with=self.worked_out_with(),
                    ahead=ahead,
                )
            )
        if ahead is not None:
            self.was_told()

    def _telling(self) -> tuple[int, str, dict[str, Any]]:
        return self.folded, self.worked_out_with(), dict(self.book.counts)

    def _follows_from(self, counts: Mapping[str, Any]) -> dict[str, Any]:
        """Return what the line follows from beside its runs."""
        return {"line": self.worked_out_with(), **counts}

    def was_kept(self, lines: Sequence[KeptLine]) -> None:
        """Let go of what is in the Store now."""
        if lines:
            self.watcher.fold.was_kept()
            self.watcher.fold.forget()
            self._since = max(self.watcher.fold.kept_to, 0)

    def _keep_on_the_way(self, *, must_be_kept: bool, least: int | None = None) -> None:
        """Keep what was worked out so far of runs that were watched before."""
        fold = self.watcher.fold
        if len(fold.unkept) < (MARKS_AT_ONCE if least is None else least):
            return
        try:
            self._store.record_evaluation(
                Evaluation(product=self._name, number=self.folded, lines=self.to_keep())
            )
        except StorageError:
            if must_be_kept:
                raise
            return
        fold.was_kept()
        fold.rest()

    def _events(
        self, after: int, until: int, *, last: int | None = None
    ) -> list[Event]:
        """Return what was watched after a mark: runs up to `until`, or to `last`.

        Decisions from `after` on too, below `until`.
        """
        last = until if last is None else last
        events: list[Event] = []
        begin = after
        while begin < last:
            # A page at a time: rows take many times the memory of what is made of them.
            end = min(begin + PAGE_RUNS, last)
            events += [
                self._event(run)
                for run in runs_after(self._store, self._name, begin, end)
                if not self.is_reworked(run)
            ]
            begin = end
        decisions = decisions_of(self._store, self._name, since=after)
        events += [one.event for one in decisions if one.number < until]
        return events

    def _runs_of(self, serial: str, before: int) -> list[UnitErrors]:
        runs = runs_after(self._store, self._name, 0, before - 1, serial=serial)
        return [
            self._rows.unit(one)
            for one in runs
            if one.is_unit and not self.is_reworked(one)
        ]

    def _check_then(self, watermark: int) -> str | None:
        """Return what the latest check standard up to a run showed."""
        (found,) = self._store.table(
            "latest_check", product=self._name, until=watermark
        ).to_pylist()
        number = int(found["number"])
        if not number:
            return self._unchecked
        (run,) = runs_after(self._store, self._name, number - 1, number)
        return self._rows.said_of_check(run)

    def remember_once(self) -> None:
        """Rebuild what the watch knows, unless that was done.

        It is kept where no other process has the records and the disk takes it: the
        next one need not.
        """
        if self.folded:
            return
        alone = self._store.kept_beside_runs is not None
        self.remember(keep=alone, must_be_kept=False)
        if alone:
            with suppress(StorageError):
                self.keep_told()

    def waiting(self) -> list[RunRows]:
        """Return the runs that were not folded yet, in their order."""
        return runs_after(self._store, self._name, self.folded)

    def enter(self, run: RunRows) -> Entered | None:
        """Return a run as it is watched; None for a unit that was reworked before."""
        if self.is_reworked(run):
            return None
        if not run.is_unit:
            self._check = self._rows.said_of_check(run)
        return Entered(self._event(run), self._check)

    def _event(self, run: RunRows) -> UnitErrors | CheckErrors:
        return self._rows.unit(run) if run.is_unit else self._rows.check(run)

    def is_reworked(self, run: RunRows) -> bool:
        """Whether a run is of a unit after its rework: it is of the line no more."""
        since = self.book.reworked.get(run.serial)
        return since is not None and run.started_at > since

    def far_off(self, run: RunRows) -> list[str]:
        """Return titles of the ranges where a run that is not folded yet is far off."""
        if self.is_reworked(run):
            return []
        found = self.watcher.far_off(self._rows.unit(run), self.book.fittings)
        return [self.product.range(key).title for key in found]

    def ahead(self) -> Ahead:
        """Return what the recorded builds teach about the next.

        As it was when the last run was watched, where that stands: working it out loads
        the detector.
        """
        if not self.folded:
            (mark,) = self._store.rows(Mark, product=self._name)
            counts = counts_of(self._store, self._name)
            self._corrections = int(counts["amendments"])
            known = Ahead.of(
                mark.ahead, self._follows_from(counts), self.product.layout
            )
            if known is not None:
                return known
        self.remember_once()
        return self._ahead()

    def _ahead(self) -> Ahead:
        return Ahead(
            baseline=self.watcher.baseline(),
            builds=len(self.watcher.fold.builds),
            says=self.watcher.ahead(),
        )

    def log_odds(self) -> dict[str, float]:
        """Return how likely something is wrong, by build."""
        self.remember_once()
        return self.watcher.log_odds

    def history(self) -> str:
        """Say what the latest build is held against.

        As it was said when the last run was watched, where that stands: working it out
        loads the detector.
        """
        if not self.folded:
            (mark,) = self._store.rows(Mark, product=self._name)
            counts = counts_of(self._store, self._name)
            self._corrections = int(counts["amendments"])
            if mark.history and mark.worked_out_with == self.worked_out_with():
                return mark.history
        self.remember_once()
        return self.watcher.history()
