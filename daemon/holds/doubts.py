"""Runs that no good check stands behind: whom they keep, and who may end the doubt.

A unit whose latest results are in doubt stays like a held one. A run in doubt that was
measured again since keeps nobody: what counts is the latest result of each range, as at
the packing desk.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime

from daemon.holds.policy import require_decision
from storage import Decision, DoubtEnd, RunInDoubt, Store

END_DOUBT = "end doubt"
"""Ledger action."""


def doubted(store: Store, product: str) -> dict[str, tuple[str, ...]]:
    """Return by serial every reason for which a unit's latest results are in doubt.

    Read of the doubts that stand, however many units there are.
    """
    found: dict[str, dict[str, None]] = {}
    for one in store.rows(RunInDoubt, "runs_that_keep", product=product):
        found.setdefault(one.serial, {})[one.reason.rstrip(".")] = None
    return {serial: tuple(reasons) for serial, reasons in found.items()}


def by_reason(
    doubts: Mapping[str, tuple[str, ...]], serials: Iterable[str]
) -> dict[str, list[str]]:
    """Return each reason with those of the serials that it keeps.

    >>> by_reason({"PA-1": ("its check read wrong",)}, ["PA-1", "PA-2"])
    {'its check read wrong': ['PA-1']}
    """
    kept: dict[str, list[str]] = {}
    for serial in serials:
        for reason in doubts.get(serial, ()):
            kept.setdefault(reason, []).append(serial)
    return kept


def ending(
    doubt: str, *, person: str, reason: str, people: Iterable[str], at: datetime
) -> tuple[DoubtEnd, Decision]:
    """Return the rows by which a person ends a doubt, with the ledger's line.

    Raises
    ------
    NotAllowedError
        The person is not listed, or gives no reason.
    """
    require_decision(person, reason, people, do="end a doubt", done="a doubt ends")
    end = DoubtEnd(doubt=doubt, ended_by=person, reason=reason.strip(), ended_at=at)
    decision = Decision(
        person=person,
        action=END_DOUBT,
        subject=doubt,
        reason=end.reason,
        decided_at=at,
    )
    return end, decision
