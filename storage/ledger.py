"""Who decided what, tamper-evident: each row carries the hash of the one before.

A chain shows that a row in it was changed, removed or moved. It cannot show that
its newest rows were cut off, nor stop somebody from writing a whole new chain:
against both, each backup, each heartbeat of the daemon and each brief command that
decided something notes the newest row's hash in a file of its own, and `verify` is
given what was noted. What was decided is sealed in its line (`storage.seals`).

Putting back an older copy cuts rows off too, and is no fault: it is noted in the same
file (`Restored`), lets go of what was noted after the rows it shares, and is said at
each proof.
"""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from json.encoder import encode_basestring_ascii as _quoted
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
    seals: str | None = None
    """What was decided, as it was kept; see `storage.seals`. None in rows of before."""


def canonical(
    seq: int,
    decision: Decision | LedgerRow,
    previous_hash: str,
    seals: str | None = None,
) -> str:
    """Return the text that a row's hash is taken of: JSON, sorted keys, ASCII, UTC.

    Without seals, which rows of before have not, they are no part of it.

    >>> from datetime import UTC, datetime
    >>> decision = Decision(
    ...     person="Ada", action="release", subject="hold 1", reason="reel measured",
    ...     decided_at=datetime(2026, 1, 5, 8, tzinfo=UTC),
    ... )
    >>> canonical(1, decision, "00")[:46]
    '{"action":"release","decided_at":"2026-01-05T0'
    """
    decided_at = decision.decided_at.astimezone(UTC).isoformat(timespec="microseconds")
    sealed = "" if seals is None else f'"seals":{_quoted(seals)},'
    # Written key by key: an encoder that is told to sort takes four times as long.
    return (
        f'{{"action":{_quoted(decision.action)},"decided_at":"{decided_at}",'
        f'"person":{_quoted(decision.person)},'
        f'"previous_hash":{_quoted(previous_hash)},'
        f'"reason":{_quoted(decision.reason)},{sealed}"seq":{seq},'
        f'"subject":{_quoted(decision.subject)}}}'
    )


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def chain(
    decision: Decision, after: LedgerRow | None, seals: str | None = None
) -> LedgerRow:
    """Return the ledger row of `decision`, following `after` (None: the first)."""
    seq = 1 if after is None else after.seq + 1
    previous_hash = GENESIS if after is None else after.row_hash
    text = canonical(seq, decision, previous_hash, seals)
    return LedgerRow(
        seq=seq,
        person=decision.person,
        action=decision.action,
        subject=decision.subject,
        reason=decision.reason,
        decided_at=decision.decided_at,
        previous_hash=previous_hash,
        row_hash=_hash(text),
        seals=seals,
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """A copy was put back: what was noted before it holds for the shared rows alone.

    `seq` is the newest row put back, `shared` the last row that was the same before,
    `let_go` how many rows after that one were known and are no longer in the ledger.
    """

    restored_at: datetime
    seq: int
    shared: int
    let_go: int

    def line(self) -> str:
        """Return the line of a file of anchors.

        >>> at = datetime(2026, 1, 5, 8, tzinfo=UTC)
        >>> Restored(restored_at=at, seq=3, shared=3, let_go=2).line()
        '2026-01-05T08:00:00+00:00 restored 3 3 2'
        """
        at = self.restored_at.astimezone(UTC).isoformat()
        return f"{at} restored {self.seq} {self.shared} {self.let_go}"

    def told(self) -> str:
        """Return the sentence that a person is told.

        >>> at = datetime(2026, 1, 5, 8, tzinfo=UTC)
        >>> Restored(restored_at=at, seq=3, shared=3, let_go=2).told()
        'Restored on 2026-01-05 08:00 UTC to entry 3; 2 later entries were let go.'
        """
        day = self.restored_at.astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC")
        start = f"Restored on {day} to entry {self.seq}"
        entries = (
            "1 {}entry was" if self.let_go == 1 else f"{self.let_go} {{}}entries were"
        )
        if self.shared < self.seq:
            return (
                f"{start}; it differs from what was here after entry {self.shared}: "
                f"{entries.format('')} let go."
            )
        if not self.let_go:
            return f"{start}; no later entry was known here."
        return f"{start}; {entries.format('later ')} let go."


def anchors_of(text: str) -> tuple[Anchor | Restored, ...]:
    """Return what a file of anchors notes, in its order.

    A line that is neither an anchor nor a restore counts as a row never kept.

    >>> anchors_of("2026-01-05T08:00:00+00:00 3 ab")
    (Anchor(seq=3, row_hash='ab'),)
    """
    found: list[Anchor | Restored] = []
    for line in text.splitlines():
        match line.split():
            case [_, seq, row_hash] if seq.isdecimal():
                found.append(Anchor(seq=int(seq), row_hash=row_hash))
            case [at, "restored", *numbers] if one := _restored(at, numbers):
                found.append(one)
            case []:
                pass
            case _:
                found.append(Anchor(seq=0, row_hash=line))
    return tuple(found)


def _restored(at: str, numbers: Sequence[str]) -> Restored | None:
    try:
        seq, shared, let_go = (int(one) for one in numbers if one.isdecimal())
        restored_at = datetime.fromisoformat(at)
    except ValueError:
        return None
    return Restored(restored_at=restored_at, seq=seq, shared=shared, let_go=let_go)


def standing(noted: Iterable[Anchor | Restored]) -> tuple[Anchor, ...]:
    """Return the anchors that no later restore let go."""
    kept: list[Anchor] = []
    for one in noted:
        if isinstance(one, Restored):
            kept = [anchor for anchor in kept if anchor.seq <= one.shared]
        else:
            kept.append(one)
    return tuple(kept)


def note_restore(
    here: str,
    brought: str,
    *,
    rows: Sequence[LedgerRow],
    before: Sequence[LedgerRow],
    at: datetime,
) -> tuple[Restored, str]:
    """Return what is noted of a restore, and the file of anchors after it.

    Parameters
    ----------
    here, brought : str
        The file of anchors that stood here, and the one that came with the copy.
    rows, before : sequence of LedgerRow
        The ledger that is put back, and the one that stood here, if it can be read.
    """
    stood = standing(anchors_of(here))
    shared = len(rows)
    for number, (old, new) in enumerate(zip(before, rows, strict=False), start=1):
        if old.row_hash != new.row_hash:
            shared = number - 1
            break
    for one in stood:
        if 1 <= one.seq <= shared and rows[one.seq - 1].row_hash != one.row_hash:
            shared = one.seq - 1
    known = max((len(before), *(one.seq for one in stood)))
    noted = Restored(
        restored_at=at, seq=len(rows), shared=shared, let_go=max(known - shared, 0)
    )
    # What the copy brings is not let go: a copy of a ledger that was cut stays found
    # out. What stood here alone comes before the restore, which lets go of its end.
    theirs = brought.splitlines()
    lines = [line for line in here.splitlines() if line not in set(theirs)]
    lines += [noted.line(), *theirs]
    if rows:
        lines.append(Anchor.of(rows[-1]).line(at))
    return noted, "".join(f"{line}\n" for line in lines)


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


def verify(
    rows: Iterable[LedgerRow], anchors: Iterable[Anchor | Restored] = ()
) -> int | None:
    """Return the first place, from 1, at which the chain is broken; None if whole.

    Parameters
    ----------
    rows : iterable of LedgerRow
        The ledger from its first row on, in the order it is kept.
    anchors : iterable of Anchor or Restored
        Rows known to have been kept, noted elsewhere; they show a cut-off end. A
        restore among them lets go of those before it, after the rows it shares.
    """
    before = GENESIS
    place = 0
    noted: dict[int, set[str]] = {}
    for one in standing(anchors):
        noted.setdefault(one.seq, set()).add(one.row_hash)
    for place, row in enumerate(rows, start=1):
        if (row.seq, row.previous_hash) != (place, before):
            return place
        try:
            text = canonical(place, row, before, row.seals)
        except (TypeError, AttributeError):  # a cell that is never empty was emptied
            return place
        if row.row_hash != _hash(text):
            return place
        if noted.get(place, {row.row_hash}) != {row.row_hash}:
            return place
        before = row.row_hash
    if any(not 1 <= seq <= place for seq in noted):
        return place + 1
    return None
