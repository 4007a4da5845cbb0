"""Who decided what, tamper-evident: each row carries the hash of the one before.

A chain shows that a row in it was changed, removed or moved. It cannot show that
its newest rows were cut off, nor stop somebody from writing a whole new chain:
against both, note the newest row's hash elsewhere (a printed document will do) and
give it to `verify` as `head`.
"""

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime

from storage.records import Decision

GENESIS = "0" * 64
"""What the first row names as the hash before it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerRow:
    """One decision in its place in the chain; `seq` counts from 1 without gaps."""

    seq: int
    person: str
    action: str
    subject: str
    reason: str
    decided_at: datetime
    previous_hash: str
    row_hash: str


def canonical(seq: int, decision: Decision, previous_hash: str) -> str:
    """Return the text that a row's hash is taken of: JSON, sorted keys, ASCII, UTC.

    >>> from datetime import UTC, datetime
    >>> decision = Decision(
    ...     person="Ada", action="release", subject="hold 1", reason="reel measured",
    ...     decided_at=datetime(2026, 1, 5, 8, tzinfo=UTC),
    ... )
    >>> canonical(1, decision, "00")[:46]
    '{"action":"release","decided_at":"2026-01-05T0'
    """
    decided_at = decision.decided_at.astimezone(UTC)
    return json.dumps(
        {
            "seq": seq,
            "person": decision.person,
            "action": decision.action,
            "subject": decision.subject,
            "reason": decision.reason,
            "decided_at": decided_at.isoformat(timespec="microseconds"),
            "previous_hash": previous_hash,
        },
        sort_keys=True,
        separators=(",", ":"),
    )


def chain(decision: Decision, after: LedgerRow | None) -> LedgerRow:
    """Return the ledger row of `decision`, following `after` (None: the first)."""
    seq = 1 if after is None else after.seq + 1
    previous_hash = GENESIS if after is None else after.row_hash
    text = canonical(seq, decision, previous_hash)
    return LedgerRow(
        seq=seq,
        person=decision.person,
        action=decision.action,
        subject=decision.subject,
        reason=decision.reason,
        decided_at=decision.decided_at,
        previous_hash=previous_hash,
        row_hash=hashlib.sha256(text.encode()).hexdigest(),
    )


def verify(rows: Iterable[LedgerRow], head: LedgerRow | None = None) -> int | None:
    """Return the first place, from 1, at which the chain is broken; None if whole.

    Parameters
    ----------
    rows : iterable of LedgerRow
        The ledger from its first row on, in the order it is kept.
    head : LedgerRow, optional
        A row known to have been kept, noted elsewhere; shows a cut-off end.
    """
    before: LedgerRow | None = None
    place = 0
    head_seen = head is None
    for place, row in enumerate(rows, start=1):
        decision = Decision(
            person=row.person,
            action=row.action,
            subject=row.subject,
            reason=row.reason,
            decided_at=row.decided_at,
        )
        if chain(decision, before) != row:
            return place
        if head is not None and row.seq == head.seq:
            if row != head:
                return place
            head_seen = True
        before = row
    return None if head_seen else place + 1
