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
    kind: Amended,
    subject: str,
    changes: Mapping[str, object] | None,
    *,
    person: str,
    reason: str,
    people: Iterable[str],
    at: datetime,
) -> list[str]:
    """Put a recorded row right; return what changed, in words.

    Parameters
    ----------
    kind, subject
        Of which record, and its id.
    changes
        Columns and what they say now, those that stay left out; None to take the row
        back.

    Raises
    ------
    daemon.holds.policy.NotAllowedError
        The person is not listed, or gives no reason.
    storage.errors.StorageError
        The row is not recorded, or may not be changed so.
    """
    name, action = _DONE[kind]
    require_decision(
        person, reason, people, do="correct records", done="a record is corrected"
    )
    key = "serial" if kind is Amended.UNIT else kind.value
    key = "reel" if kind is Amended.REEL_RECEIPT else key
    rows = store.table(kind.value, **{key: subject}).to_pylist()
    if not rows:
        raise NotFoundError(kind=name, key=subject)
    before = row_text(rows[0])
    after = None
    if changes is not None:
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
    amendment = Amendment(
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
    said = changes_in_words(amendment)
    decision = Decision(
        person=person,
        action=action,
        subject=subject,
        reason=f"{'; '.join(said)}: {reason.strip()}" if said else reason.strip(),
        decided_at=at,
    )
    store.keep(amendment, decision=decision)
    return said


def changes_in_words(amendment: Amendment) -> list[str]:
    """Return what an amendment changed, a phrase each; nothing of a row taken back."""
    return [
        f"{WORDS[column]} was {shown_value(column, then)}, is "
        f"{shown_value(column, now)}"
        for column, (then, now) in amendment.changed().items()
    ]
