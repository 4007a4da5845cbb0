"""How many units some findings concern and how many of them left, of few rows.

The numbers that a recall says. Nothing is told here of errors and limits, which loads
what a list of every unit takes.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from daemon.judging import ProductModel
from daemon.traceability import who_carries
from daemon.traceability.tracing import Carrying, builds_about
from daemon.watch import narrowed
from storage import (
    ContainmentStep,
    Proof,
    ReworkOf,
    ShipmentState,
    Signal,
    Step,
    Store,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Away:
    """Units that a finding concerns: all, those that left, those of them not closed."""

    concerned: int
    left: int
    still_open: int


def suspects_away(
    store: Store,
    product: ProductModel,
    findings: Iterable[Signal],
    proofs: Iterable[Proof],
    reworks: Sequence[ReworkOf],
) -> dict[str, Away]:
    """Return by finding how many units it concerns, and how many of them have left.

    Asked for all findings at once, of the builds that they may concern alone.

    Parameters
    ----------
    findings
        One that does not stand concerns nobody and is left out.
    proofs
        Of the product: they tell which part of several is the one that is off.
    reworks
        Of the product, oldest first: they tell which parts were replaced.
    """
    named = [one for one in findings if one.standing]
    if not named:
        return {}
    name, measured = product.settings.name, list(proofs)
    signals = [
        narrowed(one, [o for o in measured if o.signal == one.signal], product)
        for one in named
    ]
    told = {serial for one in signals for serial, _ in one.basis.carrying}
    about = {one.build for one in signals} | told
    about |= {one.reel for one in (*named, *signals) if one.reel is not None}
    builds = builds_about(store, name, about, reworks)
    units = Carrying.of_builds(store, name, builds, reworks)
    left = _left(store.rows(ShipmentState, product=name, builds=json.dumps(builds)))
    steps: dict[str, dict[str, Step]] = {}
    for one in store.rows(
        ContainmentStep,
        product=name,
        subject_in=json.dumps([one.signal for one in signals]),
    ):
        steps.setdefault(one.subject, {})[one.serial] = one.step
    return {
        one.signal: _counted(units, one, left, steps.get(one.signal, {}))
        for one in signals
    }


def _left(shipments: Sequence[ShipmentState]) -> set[str]:
    """Return the units whose latest shipment did not come back."""
    latest = {one.serial: one for one in shipments}
    return {serial for serial, one in latest.items() if one.returned_at is None}


def _counted(
    units: Carrying, signal: Signal, left: set[str], steps: Mapping[str, Step]
) -> Away:
    carrying = who_carries.probabilities(units, signal)
    concerned = {
        serial
        for serial, probability in carrying.items()
        if probability >= who_carries.NEGLIGIBLE
    }
    gone = concerned & left
    return Away(
        concerned=len(concerned),
        left=len(gone),
        still_open=sum(steps.get(one) != Step.CLOSED for one in gone),
    )
