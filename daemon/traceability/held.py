"""Holds in their findings' present words."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields

from daemon.presentation import why_held
from storage import (
    Fitting,
    Hold,
    HoldState,
    ReworkKind,
    ReworkOf,
    Scope,
    Signal,
    Store,
    concerns,
    reels_of,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Held(HoldState):
    """A hold with `why` it stands now; its `reason` is what was known when placed."""

    why: str


def holds_of(store: Store, product: str) -> list[Held]:
    """Return every hold on anything of a product, ended ones too, oldest first."""
    signals = store.rows(Signal, "signals", product=product)
    found = {one.signal: one for one in signals}
    return [
        Held(
            **{field.name: getattr(one, field.name) for field in fields(one)},
            why=why_held(one, found.get(one.signal or "")),
        )
        for one in store.rows(HoldState, product=product)
    ]


def kept_units(
    store: Store,
    product: str,
    build: str,
    serials: Sequence[str],
    holds: Iterable[Hold],
) -> dict[str, tuple[str, ...]]:
    """Return by hold the units of a build that it keeps: the rule by which units leave.

    A reel keeps those that have a part of it now, not those in which it was replaced.

    Parameters
    ----------
    serials
        Of the build's units.
    holds
        Open ones.
    """
    mine = list(holds)
    reels: dict[str, set[str]] = {}
    if any(one.scope is Scope.REEL for one in mine):
        fittings = store.rows(Fitting, product=product, build=build)
        replaced = [
            one
            for one in store.rows(ReworkOf, product=product)
            if one.build == build and one.kind == ReworkKind.REPLACE
        ]
        for serial in serials:
            of_it = [one for one in replaced if one.serial == serial]
            reels[serial] = set(reels_of(serial, fittings, of_it).values())
    return {
        one.hold: tuple(
            serial
            for serial in serials
            if concerns(one, serial=serial, build=build, reels=reels.get(serial, set()))
        )
        for one in mine
    }
