"""Who decided what, tamper-evident: each row carries the hash of the one before.

A chain shows that a row in it was changed, removed or moved. It cannot show that
its newest rows were cut off, nor stop somebody from writing a whole new chain:
against both, each backup notes the newest row's hash in a file beside it, and
`verify` is given what was noted. Rows cut off since the last backup show as kept
rows that nobody decided (`undecided`).
"""

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Self

from storage.kept import Kept, Record
from storage.records import Decision

if TYPE_CHECKING:
    from storage.answers import Decided

GENESIS = "0" * 64
"""What the first row names as the hash before it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerRow(Record):
    """One decision in its place in the chain; `seq` counts from 1 without gaps."""

    kept = Kept(table="decision", key=("seq",), by="the ledger")

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """What was noted elsewhere of the newest row at a moment."""

    seq: int
    row_hash: str

    @classmethod
    def of(cls, row: LedgerRow) -> Self:
        """Return what is noted of a row."""
        return cls(seq=row.seq, row_hash=row.row_hash)

    def line(self, at: datetime) -> str:
        """Return the line of a file of anchors.

        >>> Anchor(seq=3, row_hash="ab").line(datetime(2026, 1, 5, 8, tzinfo=UTC))
        '2026-01-05T08:00:00+00:00 3 ab'
        """
        return f"{at.astimezone(UTC).isoformat()} {self.seq} {self.row_hash}"


def anchors_of(text: str) -> tuple[Anchor, ...]:
    """Return the anchors of a file; a line that is none counts as one never kept.

    >>> anchors_of("2026-01-05T08:00:00+00:00 3 ab")
    (Anchor(seq=3, row_hash='ab'),)
    """
    found = []
    for line in text.splitlines():
        match line.split():
            case [_, seq, row_hash] if seq.isdecimal():
                found.append(Anchor(seq=int(seq), row_hash=row_hash))
            case []:
                pass
            case _:
                found.append(Anchor(seq=0, row_hash=line))
    return tuple(found)


def undecided(rows: Iterable[LedgerRow], kept: "Iterable[Decided]") -> "list[Decided]":
    """Return kept rows that need a decision and have none in the ledger.

    Parameters
    ----------
    kept
        What of each was decided, by whom and when.
    """
    said = {(one.subject, one.person, one.decided_at) for one in rows}
    return [
        one for one in kept if (one.subject, one.person, one.decided_at) not in said
    ]


def verify(rows: Iterable[LedgerRow], anchors: Iterable[Anchor] = ()) -> int | None:
    """Return the first place, from 1, at which the chain is broken; None if whole.

    Parameters
    ----------
    rows : iterable of LedgerRow
        The ledger from its first row on, in the order it is kept.
    anchors : iterable of Anchor
        Rows known to have been kept, noted elsewhere; they show a cut-off end.
    """
    before: LedgerRow | None = None
    place = 0
    noted: dict[int, set[str]] = {}
    for one in anchors:
        noted.setdefault(one.seq, set()).add(one.row_hash)
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
        if noted.get(row.seq, {row.row_hash}) != {row.row_hash}:
            return place
        before = row
    if any(not 1 <= seq <= place for seq in noted):
        return place + 1
    return None
