"""Holds in their findings' present words."""

from dataclasses import dataclass, fields

from daemon.presentation import why_held
from storage import HoldState, Signal, Store


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
