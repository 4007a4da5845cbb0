"""What people wrote down and decided, as the watch takes it from the rows."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Self

from daemon.watch.events import Accepted
from storage import Disposal, Fitting, HoldState, Rework, Scope, Store, plain_rows

PLACED_BY = "holdpoint"
"""Who placed a hold that no person placed."""
TEACHING = {Disposal.RELEASE, Disposal.CONCESSION}
"""Ends of a hold that accept what was found."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """A person's decision on one hold."""

    hold: str
    event: Accepted

    @property
    def number(self) -> int:
        """The latest run when it was taken."""
        return self.event.number


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """What people recorded of reels and decided of holds, as it was last read."""

    counts: Mapping[str, Any]
    fittings: tuple[Fitting, ...]
    """Those recorded since a run."""
    decisions: tuple[Decided, ...]
    """Those taken since then."""
    decided: Mapping[str, int]
    """Findings that a person decided about, and after which run first."""
    found_bad: frozenset[tuple[str, str]]
    """Scope and subject of reels and builds that a person holds, or found bad."""
    ended: frozenset[str]
    """Holds that a person ended."""
    reworked: Mapping[str, datetime]
    """By serial, when a unit was first reworked."""
    kept_beside_runs: int | None
    """Of the store, before it was read; see there."""

    @classmethod
    def read(
        cls, store: Store, product: str, last: "Self | None" = None, *, since: int = 0
    ) -> Self:
        """Return the book as it stands; `last` itself where nothing was added to it.

        Parameters
        ----------
        since
            The run from which on fittings and decisions are asked for.
        """
        kept = store.kept_beside_runs
        if last is not None and kept is not None and last.kept_beside_runs == kept:
            return last
        counts = counts_of(store, product)
        if last is not None and last.counts == counts:
            return replace(last, kept_beside_runs=kept)
        decisions = tuple(decisions_of(store, product))
        fittings = store.rows(Fitting, "fittings_since", product=product, after=since)
        return cls(
            counts=counts,
            fittings=tuple(fittings),
            decisions=tuple(one for one in decisions if one.number >= since),
            decided={one.event.signal: one.number for one in reversed(decisions)},
            found_bad=frozenset(_found_bad(store, product)),
            ended=frozenset(one.hold for one in decisions),
            reworked=_reworked(store, product),
            kept_beside_runs=kept,
        )


def counts_of(store: Store, product: str) -> Mapping[str, Any]:
    """Return how much people recorded and decided; `amendments` are corrections."""
    (counts,) = store.table("changes", product=product, but_by=PLACED_BY).to_pylist()
    return dict(counts)


def decisions_of(store: Store, product: str, *, since: int = 0) -> Iterator[Decided]:
    """Return what people decided about findings since a run, in order."""
    for one in plain_rows(store.table("hold_ends", product=product)):
        if one["signal"] is None or one["build"] is None:
            continue
        if int(one["after_number"] or 0) < since:
            continue
        yield Decided(
            hold=str(one["hold"]),
            event=Accepted(
                number=int(one["after_number"] or 0),
                signal=str(one["signal"]),
                taught=one["disposal"] in TEACHING,
                cause=str(one["cause"]),
                range=one["range"],
                part=one["part"],
                reel=one["reel"],
                build=str(one["build"]),
            ),
        )


def _found_bad(store: Store, product: str) -> Iterator[tuple[str, str]]:
    for one in store.rows(HoldState, product=product):
        by_hand = one.signal is None and one.placed_by != PLACED_BY
        of_many = one.scope in {Scope.REEL, Scope.BUILD}
        if by_hand and of_many and one.disposal not in TEACHING:
            yield one.scope.value, one.subject


def _reworked(store: Store, product: str) -> dict[str, datetime]:
    first: dict[str, datetime] = {}
    for one in store.rows(Rework, product=product):
        at = one.reworked_at
        first[one.serial] = min(at, first.get(one.serial, at))
    return first
