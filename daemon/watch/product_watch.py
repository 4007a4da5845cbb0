"""What the watch knows of one product: rebuilt from its rows, and folded on."""

from dataclasses import dataclass
from functools import partial

from config import Settings
from daemon.judging import ProductModel
from daemon.spc.detector import Baseline
from daemon.watch.events import Accepted, CheckErrors, UnitErrors
from daemon.watch.from_rows import FromRows, RunRows, runs_after
from daemon.watch.people import Book
from daemon.watch.watcher import FindLimit, Watcher
from storage import Mark, Signal, Store, reel_of

Event = UnitErrors | CheckErrors | Accepted


@dataclass(frozen=True, slots=True)
class Entered:
    """A run as it is watched, with what the latest check standard showed by then."""

    event: UnitErrors | CheckErrors
    check: str | None


class ProductWatch:
    """The watch of one product over its rows; keeps nothing in the Store.

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
        )
        self.folded = 0
        """The watermark: the number of the last run that was folded."""
        self.decided: set[str] = set()
        """Holds whose ends were folded."""
        self._name = settings.product.name
        self._store = store
        self._rows = FromRows(product=self.product, bench=settings.bench)
        self._book: Book | None = None
        self._check: str | None = None

    @property
    def book(self) -> Book:
        """What people recorded and decided, as it was last read."""
        return self._book or self.book_now()

    def book_now(self) -> Book:
        """Return what people recorded and decided; read anew when there is more."""
        self._book = Book.read(self._store, self._name, self._book)
        return self._book

    def remember(self) -> None:
        """Fold all that was watched, and take up what was said of it."""
        (mark,) = self._store.rows(Mark, product=self._name)
        watermark = mark.number
        book = self.book_now()
        events: list[Event] = []
        for run in runs_after(self._store, self._name, 0):
            if run.number > watermark:
                break
            if (entered := self.enter(run)) is not None:
                events.append(entered.event)
        decided = [one for one in book.decisions if one.number <= watermark]
        self.decided = {one.hold for one in decided}
        self.watcher.remember(
            [*events, *(one.event for one in decided)],
            book.fittings,
            self._store.rows(Signal, "signals", product=self._name),
            book.found_bad,
        )
        self.folded = watermark

    def remember_once(self) -> None:
        """Rebuild what the watch knows, unless that was done."""
        if not self.folded:
            self.remember()

    def waiting(self) -> list[RunRows]:
        """Return the runs that were not folded yet, in their order."""
        return runs_after(self._store, self._name, self.folded)

    def enter(self, run: RunRows) -> Entered | None:
        """Return a run as it is watched; None for a unit that was reworked before."""
        if self.is_reworked(run):
            return None
        if run.is_unit:
            return Entered(self._rows.unit(run), self._check)
        self._check = self._rows.said_of_check(run)
        return Entered(self._rows.check(run), self._check)

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

    def baseline(self) -> Baseline:
        """Return what the recorded builds teach about the next."""
        self.remember_once()
        return self.watcher.baseline()

    @property
    def builds(self) -> int:
        """Builds that were measured so far."""
        self.remember_once()
        return len(self.watcher.fold.builds)

    def log_odds(self) -> dict[str, float]:
        """Return how likely something is wrong, by build."""
        self.remember_once()
        return self.watcher.log_odds

    def history(self) -> str:
        """Say what the latest build is held against."""
        self.remember_once()
        return self.watcher.history()

    def ahead(self) -> str:
        """Say what the next build will be held against."""
        self.remember_once()
        return self.watcher.ahead()
