"""For what a unit is held by its readings already: none is held twice for one cause.

One hold stands for one cause. A further reading that is as bad is kept as a run and is
said; the hold that stands is the one that somebody decides on.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from daemon.watch import PLACED_BY
from storage import CheckRow, Hold, HoldState, Scope, Store, Verdict, plain_rows

JUDGED_AGAIN = "judged again"
"""Ends the id of a hold that a check's judging again placed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldFor:
    """What of a unit read bad, of the runs that holds on it stand for."""

    ranges: frozenset[str] = frozenset()
    """Their keys."""
    checks: frozenset[str] = frozenset()
    """Their names."""


NOT_HELD = HeldFor()


def held_for(
    store: Store,
    product: str,
    serial: str,
    *,
    waiting: Iterable[Hold] = (),
    but: str | None = None,
) -> HeldFor:
    """Return for what a unit is held by its readings, by holds that stand.

    Parameters
    ----------
    waiting
        Holds that are to be placed and are not kept yet.
    but
        The id of a hold that does not count.
    """
    kept = store.rows(HoldState, product=product, subject=serial)
    standing = [*waiting, *(one for one in kept if one.disposal is None)]
    first: set[str] = set()
    again: set[str] = set()
    for one in standing:
        of_unit = one.scope is Scope.UNIT and one.subject == serial
        by_itself = one.signal is None and one.placed_by == PLACED_BY
        if not (of_unit and by_itself) or one.hold == but:
            continue
        run = one.hold.removesuffix(f":{JUDGED_AGAIN}")
        runs = first if run == one.hold else again
        runs.add(run.removesuffix(f":{serial}"))
    if not first and not again:
        return NOT_HELD
    bad = Verdict.NONCONFORMING
    results = plain_rows(store.table("unit_runs", serial=serial))
    checks = store.rows(CheckRow, product=product, after=0, serial=serial)
    return HeldFor(
        ranges=frozenset(
            str(one["range"])
            for one in results
            if (one["run"] in first and one["verdict"] == bad)
            or (one["run"] in again and one["again_verdict"] == bad)
        ),
        checks=frozenset(
            one.name for one in checks if one.run in first and one.verdict is bad
        ),
    )
