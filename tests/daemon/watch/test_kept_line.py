"""What is kept of the line: a start from it gives the odds of a refold, bit for bit."""

from collections.abc import Iterator, Sequence
from typing import Any

import pytest
from hypothesis import given, settings, strategies as st

from daemon.watch import Accepted, Fold, UnitErrors, fold as folding
from daemon.watch.fold import EVERY, Event, order_of
from daemon.watch.kept_line import StoredPast, go_on_from, kept_of
from storage import (
    Fitting,
    KeptLine,
    LineBench,
    LineMark,
    LinePiece,
    LineSegment,
    ReelCheck,
)
from tests.daemon.watch.test_live_and_rebuilt import PRODUCT, Life, odds, rebuilt

NAME = PRODUCT.settings.name
WITH = "this program"


@pytest.fixture(autouse=True, scope="module")
def _often() -> Iterator[None]:
    """Mark every few events and keep few marks, so that little stays in memory."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(folding, "EVERY", 5)
        patch.setattr(folding, "MOST_CHECKPOINTS", 6)
        patch.setattr(folding, "AT_HAND", 2)
        yield


class Shelf:
    """Lines as the Store keeps them, in lists."""

    def __init__(self) -> None:
        self.kept: dict[type, list[Any]] = {
            kind: [] for kind in (LineMark, LineSegment, LinePiece, LineBench)
        }
        self.fittings: list[Fitting] = []
        self.fetched = 0

    def keep(self, lines: Sequence[KeptLine]) -> None:
        """Keep lines as `storage.commands` does."""
        for line in lines:
            for kind, rows in self.kept.items():
                self.kept[kind] = [one for one in rows if one.number <= line.after]
            gone = {one.number for one in line.dropped}
            marks = [one for one in self.kept[LineMark] if one.number not in gone]
            self.kept[LineMark] = [*marks, line.mark]
            self.kept[LineSegment] += line.segments
            self.kept[LinePiece] += line.pieces
            self.kept[LineBench] += line.bench
            self.kept[LineSegment].sort(key=lambda one: (one.segment, one.number))
            places = [one.place for one in self.kept[LineBench]]
            assert places == sorted(set(places)), "one piece of the bench twice"
            numbers = [one.number for one in self.kept[LineMark]]
            assert numbers == sorted(set(numbers)), "one mark twice"

    def rows(self, kind: type, query: str | None = None, /, **given: Any) -> list[Any]:
        """Answer as the Store."""
        if kind is Fitting:
            return [one for one in self.fittings if one.build == given["build"]]
        if kind is ReelCheck:
            return []
        if query == "line_bench_from":
            rows = self.kept[LineBench]
            before = [one.place for one in rows if one.place <= given["place"]]
            first = max(before, default=0)
            return [one for one in rows if one.place >= first]
        rows = self.kept[kind]
        if kind is LinePiece:
            self.fetched += 1
        return [
            one
            for one in rows
            if all(getattr(one, name) == value for name, value in given.items())
        ]


class Kept(Life):
    """A life whose watch keeps its line and forgets what is kept."""

    def __init__(self, seed: int) -> None:
        self.shelf = Shelf()
        super().__init__(seed, self.past)
        self.shelf.fittings = self.fittings
        self.when: dict[str, int] = {}

    @property
    def past(self) -> StoredPast:
        return StoredPast(
            self.shelf,  # type: ignore[arg-type]
            PRODUCT,
            events=self.events,
            runs_of=self.runs_of,
        )

    def events(self, after: int, until: int) -> list[Event]:
        """Return what came after a mark."""
        return [
            one
            for one in self.rows
            if (
                after <= one.number < until
                if isinstance(one, Accepted)
                else after < one.number <= until
            )
        ]

    def runs_of(self, serial: str, before: int) -> list[UnitErrors]:
        return [
            one
            for one in sorted(self.rows, key=order_of)
            if isinstance(one, UnitErrors)
            and one.serial == serial
            and one.number < before
        ]

    def step(self) -> None:
        super().step()
        for one in self.fittings:
            self.when.setdefault(one.fitting, self.number)

    def keep(self) -> None:
        """Keep what is new, as the commit of a run does."""
        lines = kept_of(self.live, NAME, WITH)
        if lines:
            self.shelf.keep(lines)
            self.live.was_kept()
            self.live.forget()

    def restarted(self) -> Fold:
        """Return the fold as a start from what is kept makes it."""
        fold = Fold(PRODUCT, self.past)
        why = go_on_from(
            fold,
            self.shelf,  # type: ignore[arg-type]
            NAME,
            WITH,
            until=self.number,
        )
        # Of a few runs nothing is said where nothing was kept.
        assert (why is None) == (bool(self.shelf.kept[LineMark]) or self.number < EVERY)
        later = self.events(fold.kept_to, self.number + 1)
        since = max(fold.kept_to, 0)
        fold.refit(tuple(f for f in self.fittings if self.when[f.fitting] >= since))
        fold.found_bad(self.bad)
        fold.take_all(later)
        return fold


def live(seed: int, *, restarts: float) -> Kept:
    life = Kept(seed)
    for _ in range(int(life.rng.integers(30, 110))):
        life.step()
        # A run is committed with what was worked out, or the process dies before.
        if life.rng.random() < 0.7:
            life.keep()
        if life.rng.random() < restarts:
            again = life.restarted()
            assert odds(again) == odds(rebuilt(life))
            if life.rng.random() < 0.5:
                life.live = again
    return life


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_a_start_from_what_is_kept_gives_the_odds_of_a_refold(seed: int) -> None:
    """Reruns, late reels, decisions, holds by hand, segments, ends at any event."""
    life = live(seed, restarts=0.1)
    assert odds(life.live) == odds(rebuilt(life))
    assert odds(life.restarted()) == odds(rebuilt(life))


@pytest.mark.bench
def test_a_thousand_kept_histories_are_identical() -> None:
    for seed in range(1000):
        life = live(seed, restarts=0.05)
        assert odds(life.live) == odds(rebuilt(life)), seed
        assert odds(life.restarted()) == odds(rebuilt(life)), seed
