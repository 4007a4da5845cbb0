"""What a decision was about, sealed in its line of the ledger.

Each line says of every row that was decided with it the table, the key, and the SHA-256
of the row as it was kept. `unlike` walks through the ledger and tells each row that is
not what the lines say by now: changed, removed, or added without a line. What was put
right by an `amendment`, which is a decision itself, is as the amendment says.
"""

import hashlib
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TypeVar

from storage.answers import Decided, DecidedRow
from storage.errors import BusyError
from storage.every_record import RECORDS
from storage.kept import Row, words
from storage.ledger import LedgerRow
from storage.store import Store
from storage.typed import asked, typed

R = TypeVar("R", bound=Row)
DECIDED = {
    table: record
    for table, record in RECORDS.items()
    if record.kept.decided is not None
}
"""The records of which a person, or the watch, decides each row, by their table."""
_WHEN = {
    table: next(
        name
        for name, kind in record.__annotations__.items()
        if kind in {datetime, "datetime"}
    )
    for table, record in DECIDED.items()
}
"""Which field says when it was decided."""
TRIES = 10
"""Readings of records in which somebody decides just then."""
_EXACT = 2.0**53
_written = json.JSONEncoder(sort_keys=True, separators=(",", ":")).encode
_TIME = re.compile(r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d:\d\d(?:\.\d{1,6})?[+-]\d\d(?::\d\d)?")
"""A time as databases write it into JSON."""
CHANGED, REMOVED, ADDED = "changed", "removed", "added"
Place = tuple[str, str]
"""A table, and a key in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unlike:
    """A row that is not what the ledger says.

    `line` is the line that says so, None where none says anything of it.
    """

    table: str
    key: str
    how: str
    line: int | None

    def told(self) -> str:
        """Return the sentence that a person is told.

        >>> Unlike(table="hold_end", key="H-1", how=REMOVED, line=3).told()
        'The hold end H-1 was removed; entry 3 of the ledger says it was recorded.'
        """
        if self.table not in DECIDED:  # a line of before, which does not say the table
            what = f"{self.table}, {self.key}"
            return f"What entry {self.line} of the ledger decided was removed: {what}."
        said = f"The {words(DECIDED[self.table])} {self.key} was {self.how}"
        match self.how:
            case "removed":
                return f"{said}; entry {self.line} of the ledger says it was recorded."
            case "changed":
                return f"{said}; entry {self.line} of the ledger says something else."
            case _:
                return f"{said} without an entry in the ledger."


def seal(kept_row: str) -> str:
    """Return the hash of a row, given as JSON; what is null is no part of it.

    So a column that a later version of the program adds changes no hash. Nor does it
    matter which database wrote the JSON: times and numbers are taken as what they mean.

    >>> seal('{"a": 1, "b": null}') == seal('{"a":1.0}')
    True
    >>> seal('{"at": "2026-01-05 08:00:00+00"}') == seal(
    ...     '{"at": "2026-01-05T08:00:00+00:00"}'
    ... )
    True
    """
    said = {
        # Most texts are no time, which is seen at a glance.
        name: value if value.__class__ is str and value[4:5] != "-" else _meant(value)
        for name, value in json.loads(kept_row).items()
        if value is not None
    }
    return hashlib.sha256(_written(said).encode()).hexdigest()


def _meant(value: object) -> object:
    if isinstance(value, float) and value.is_integer() and abs(value) < _EXACT:
        return int(value)
    if isinstance(value, str) and _TIME.fullmatch(value):
        at = datetime.fromisoformat(value).astimezone(UTC)
        return at.isoformat(timespec="microseconds")
    return value


def text_of(sealed: Iterable[tuple[str, str, str]]) -> str:
    """Return the seals of one decision: table, key and hash of each row."""
    return json.dumps([list(one) for one in sealed], separators=(",", ":"))


def at_rest(
    store: Store,
) -> tuple[list[LedgerRow], list[Decided], list[DecidedRow]]:
    """Return the ledger and what was decided, read while nobody decides.

    Else a row that was decided between two questions would seem changed.
    """
    for _ in range(TRIES):
        newest = store.rows(LedgerRow, "newest_decisions", newest=1)
        decided, kept = _many(store, Decided), _many(store, DecidedRow)
        rows = _many(store, LedgerRow)
        if rows[-1:] == newest:
            return rows, decided, kept
    raise BusyError(path="the ledger", pid=None)


def _many(store: Store, kind: type[R]) -> list[R]:
    """Return all rows of a kind: of years, and as Arrow in two thirds of the time."""
    return typed(kind, store.table(asked(kind)))


def unlike(
    ledger: Sequence[LedgerRow], kept: Iterable[DecidedRow]
) -> tuple[Unlike, ...]:
    """Return each decided row that is not what the ledger says.

    Parameters
    ----------
    ledger
        All of it, oldest first; that its chain is whole is another question.
    kept
        Every decided row as it is now.
    """
    now = {(one.kind, one.key): one.kept_row for one in kept}
    wanted, renamed = _as_decided(ledger, now)
    found = [
        Unlike(table=table, key=key, how=how, line=line)
        for (table, key), (line, sealed) in wanted.items()
        if (how := _how(table, now.get((table, key)), sealed, line, renamed))
    ]
    found += _without_seals(ledger, now, wanted)
    return tuple(sorted(found, key=lambda one: (one.line or 0, one.table, one.key)))


def _as_decided(
    ledger: Sequence[LedgerRow], now: Mapping[Place, str]
) -> tuple[dict[Place, tuple[int, str | None]], list[tuple[int, str, str]]]:
    """Return by which line each row must hash to what; None where it was taken back.

    With it the serials that were corrected: the line, the old one, the new one.
    """
    wanted: dict[Place, tuple[int, str | None]] = {}
    renamed: list[tuple[int, str, str]] = []
    for line in ledger:
        for table, key, sealed in _seals(line):
            wanted[table, key] = (line.seq, sealed)
            row = now.get((table, key))
            if table != "amendment" or row is None or seal(row) != sealed:
                continue
            said = json.loads(row)
            before = json.loads(said["before"])
            if said["after"] is None and (said["kind"], said["subject"]) in wanted:
                wanted[said["kind"], said["subject"]] = (line.seq, None)
            elif said["kind"] == "unit":
                after = json.loads(said["after"])
                renamed.append((line.seq, before["serial"], after["serial"]))
    return wanted, renamed


def _seals(line: LedgerRow) -> list[tuple[str, str, str]]:
    """Return a line's seals; none of a line that was spoilt: the chain tells of it."""
    try:
        said = json.loads(line.seals or "[]")
        return [(str(table), str(key), str(sealed)) for table, key, sealed in said]
    except (ValueError, TypeError):
        return []


def _how(
    table: str,
    row: str | None,
    sealed: str | None,
    line: int,
    renamed: Sequence[tuple[int, str, str]],
) -> str | None:
    """Say how a row differs from what it must hash to; None where it does not."""
    if sealed is None:
        return None if row is None else ADDED
    if row is None:
        return REMOVED
    if table == "hold":
        row = _as_placed(row, [one for one in renamed if one[0] > line], sealed)
    return None if row is not None and seal(row) == sealed else CHANGED


def _as_placed(
    row: str, renamed: Sequence[tuple[int, str, str]], sealed: str
) -> str | None:
    """Return a hold as it was placed, before its unit's serial was corrected.

    None where no serial of before leads to the one that it names now.
    """
    said = json.loads(row)
    if said.get("scope") != "unit":
        return row
    for first in dict.fromkeys([said["subject"], *(old for _, old, _ in renamed)]):
        serial = first
        for _, old, new in renamed:
            serial = new if serial == old else serial
        before = json.dumps({**said, "subject": first})
        if serial == said["subject"] and seal(before) == sealed:
            return before
    return None


def _without_seals(
    ledger: Sequence[LedgerRow],
    now: Mapping[Place, str],
    wanted: Mapping[Place, object],
) -> list[Unlike]:
    """Compare rows and lines of before by who decided when.

    A line of before without its row, and a row without any line.
    """
    lines = {
        (one.person, one.decided_at.timestamp()): one
        for one in ledger
        if one.seals is None
    }
    # Of rows that are sealed it is asked for the lines of before alone.
    rows = {
        place: _who_when(place[0], text)
        for place, text in now.items()
        if lines or place not in wanted
    }
    found = [
        Unlike(table=table, key=key, how=ADDED, line=None)
        for (table, key), who_when in rows.items()
        if (table, key) not in wanted and who_when not in lines
    ]
    taken_back = {
        _who_when(said["kind"], said["before"])
        for (table, _), text in now.items()
        if table == "amendment"
        for said in [json.loads(text)]
        if said["kind"] in DECIDED
    }
    known = {*rows.values(), *taken_back}
    found += [
        Unlike(table=one.action, key=one.subject, how=REMOVED, line=one.seq)
        for who_when, one in lines.items()
        if who_when not in known
    ]
    return found


def _who_when(table: str, row: str) -> tuple[str, float]:
    """Return who decided a row, and when, in seconds since 1970."""
    said = json.loads(row)
    duty = DECIDED[table].kept.decided
    by = "" if duty is None else duty.by
    try:
        at = datetime.fromisoformat(str(said.get(_WHEN[table]))).timestamp()
    except ValueError:
        at = 0.0
    return str(said.get(by)), at
