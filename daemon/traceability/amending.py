"""What was recorded by mistake is put right: by whom, why, and what it said before."""

import json
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from uuid import uuid4

from daemon.holds import require_decision
from daemon.presentation import shown_value
from storage import (
    Amended,
    Amendment,
    Decision,
    NotFoundError,
    ReelReceipt,
    RefusedValueError,
    Store,
    row_text,
)

WORDS: Mapping[str, str] = {
    "nominal_ohm": "nominal value",
    "tolerance_ppm": "tolerance",
    "received_at": "day it came in",
    "supplier": "supplier",
    "lot_code": "lot",
    "quantity": "quantity",
    "marking": "marking",
    "date_code": "date code",
    "invoice": "invoice",
    "claim_until": "last day of a claim",
    "planned_units": "planned units",
    "serial": "serial",
    "build": "build",
}
"""What a person calls a column."""
_DONE: Mapping[Amended, tuple[str, str]] = {
    Amended.BUILD: ("build", "correct build"),
    Amended.REEL: ("reel", "correct reel"),
    Amended.REEL_RECEIPT: ("reel", "correct reel"),
    Amended.UNIT: ("unit", "correct unit"),
    Amended.FITTING: ("fitting", "take back fitting"),
    Amended.SHIPMENT: ("shipment", "undo shipment"),
}


def correct(
    store: Store,
    product: str,
    subject: str,
    changes: Mapping[Amended, Mapping[str, object] | None],
    *,
    person: str,
    reason: str,
    people: Iterable[str],
    at: datetime,
) -> list[str]:
    """Put what is recorded of a subject right; return what changed, in words.

    It is one decision: all rows are corrected, or none.

    Parameters
    ----------
    subject
        The id of the row, the same of several.
    changes
        By record, columns and what they say now, those that stay left out; None to
        take the row back. What came with a reel may be said for the first time.

    Raises
    ------
    daemon.holds.policy.NotAllowedError
        The person is not listed, or gives no reason.
    storage.errors.StorageError
        A row is not recorded, or may not be changed so.
    """
    require_decision(
        person, reason, people, do="correct records", done="a record is corrected"
    )
    amendments = []
    for kind, now in changes.items():
        before, after = _texts(store, kind, subject, now)
        amendments.append(
            Amendment(
                amendment=uuid4().hex,
                product=product,
                kind=kind,
                subject=subject,
                before=before,
                after=after,
                person=person,
                reason=reason.strip(),
                amended_at=at,
            )
        )
    said = [one for amendment in amendments for one in changes_in_words(amendment)]
    decision = Decision(
        person=person,
        action=_DONE[next(iter(changes))][1],
        subject=subject,
        reason=f"{'; '.join(said)}: {reason.strip()}" if said else reason.strip(),
        decided_at=at,
    )
    store.keep(*amendments, decision=decision)
    return said


OF_RECEIPT = frozenset({"quantity", "marking", "date_code", "invoice", "claim_until"})
"""What came with a reel, beside what its label says."""


def reel_changes(
    store: Store, reel: str, says: Mapping[str, object]
) -> dict[Amended, Mapping[str, object]]:
    """Return what is to be corrected of a reel, record by record.

    Parameters
    ----------
    says
        Columns of the reel and of what came with it, and what they say now.

    Raises
    ------
    RefusedValueError
        Nothing is to be otherwise; or nobody said yet how many parts came with it.
    """
    label = {key: one for key, one in says.items() if key not in OF_RECEIPT}
    receipt = {key: one for key, one in says.items() if key in OF_RECEIPT}
    if not says:
        raise RefusedValueError(
            what=f"reel {reel}", value="nothing to correct",
            allowed="name what is to be otherwise",
        )  # fmt: skip
    if receipt and "quantity" not in receipt and not store.rows(ReelReceipt, reel=reel):
        raise RefusedValueError(
            what="quantity", value=None,
            allowed="say how many parts came with it, too",
        )  # fmt: skip
    both = {Amended.REEL: label, Amended.REEL_RECEIPT: receipt}
    return {kind: one for kind, one in both.items() if one}


def _texts(
    store: Store,
    kind: Amended,
    subject: str,
    changes: Mapping[str, object] | None,
) -> tuple[str, str | None]:
    """Return a row as it is recorded, and as it is to be."""
    name, _ = _DONE[kind]
    key = "serial" if kind is Amended.UNIT else kind.value
    key = "reel" if kind is Amended.REEL_RECEIPT else key
    rows = store.table(kind.value, **{key: subject}).to_pylist()
    if not rows and kind is not Amended.REEL_RECEIPT:
        raise NotFoundError(kind=name, key=subject)
    before = row_text(rows[0] if rows else {})
    if changes is None:
        return before, None
    now = {
        column: value.astimezone(UTC).isoformat()
        if isinstance(value, datetime)
        else value
        for column, value in changes.items()
    }
    after = row_text({**json.loads(before), **now})
    if after == before:
        raise RefusedValueError(
            what=f"{name} {subject}", value="nothing to correct",
            allowed="it says so already",
        )  # fmt: skip
    return before, after


def changes_in_words(amendment: Amendment) -> list[str]:
    """Return what an amendment changed, a phrase each; nothing of a row taken back."""
    return [
        f"{WORDS[column]} was {shown_value(column, then)}, is "
        f"{shown_value(column, now)}"
        for column, (then, now) in amendment.changed().items()
    ]
