"""Nothing in the ledger can be changed, removed or moved unseen."""

import json
from dataclasses import asdict, fields, replace
from datetime import UTC, datetime, timedelta, timezone
from random import Random
from types import NoneType
from typing import Any

import pytest
from hypothesis import given, strategies as st

from storage.answers import Decided
from storage.ledger import (
    GENESIS,
    Anchor,
    LedgerRow,
    anchors_of,
    canonical,
    chain,
    note_restore,
    undecided,
    verify,
)
from storage.records import Decision
from tests.storage.samples import ENDED, PLACED

DECISIONS = st.builds(
    Decision,
    person=st.text(max_size=8),
    action=st.text(max_size=8),
    subject=st.text(max_size=8),
    reason=st.text(max_size=8),
    decided_at=st.datetimes(timezones=st.just(UTC)),
)


@st.composite
def ledgers(draw: st.DrawFn, least: int = 1) -> list[LedgerRow]:
    """Draw a whole ledger."""
    rows: list[LedgerRow] = []
    for decision in draw(st.lists(DECISIONS, min_size=least, max_size=6)):
        seals = draw(st.none() | st.text(max_size=8))
        rows.append(chain(decision, rows[-1] if rows else None, seals))
    return rows


def other(value: Any, data: st.DataObject) -> Any:
    """Draw a value of the same type that is not `value`."""
    kinds = {
        int: st.integers(-1, 10),
        str: st.text(max_size=8),
        NoneType: st.text(max_size=8),
        datetime: st.datetimes(timezones=st.just(UTC)),
    }
    return data.draw(kinds[type(value)].filter(lambda one: one != value))


@given(
    decision=DECISIONS,
    seq=st.integers(1, 10**6),
    previous_hash=st.text(max_size=8),
    seals=st.none() | st.text(max_size=8),
)
def test_what_is_hashed_is_json_as_the_library_writes_it(
    decision: Decision, seq: int, previous_hash: str, seals: str | None
) -> None:
    """RFC 8259, keys sorted, nothing between them; seals where there are some."""
    said = {**asdict(decision), "seq": seq, "previous_hash": previous_hash}
    said["decided_at"] = decision.decided_at.isoformat(timespec="microseconds")
    if seals is not None:
        said["seals"] = seals
    expected = json.dumps(said, sort_keys=True, separators=(",", ":"))
    assert canonical(seq, decision, previous_hash, seals) == expected


@given(rows=ledgers(), data=st.data())
def test_a_cell_that_was_emptied_is_found(
    rows: list[LedgerRow], data: st.DataObject
) -> None:
    place = data.draw(st.integers(0, len(rows) - 1))
    name = data.draw(st.sampled_from(["person", "reason", "decided_at", "row_hash"]))
    empty: dict[str, Any] = {name: None}
    rows[place] = replace(rows[place], **empty)
    assert verify(rows) == place + 1


@given(rows=ledgers(least=0))
def test_an_untouched_ledger_is_whole(rows: list[LedgerRow]) -> None:
    assert verify(rows) is None
    assert verify(rows, [Anchor.of(one) for one in rows]) is None


@given(data=st.data(), rows=ledgers())
def test_a_change_of_any_field_is_found_where_it_is(
    data: st.DataObject, rows: list[LedgerRow]
) -> None:
    place = data.draw(st.integers(0, len(rows) - 1))
    name = data.draw(st.sampled_from([one.name for one in fields(LedgerRow)]))
    value = other(getattr(rows[place], name), data)
    rows[place] = replace(rows[place], **{name: value})
    assert verify(rows) == place + 1


@given(data=st.data(), rows=ledgers(least=2))
def test_a_removed_row_is_found_where_it_was(
    data: st.DataObject, rows: list[LedgerRow]
) -> None:
    place = data.draw(st.integers(0, len(rows) - 2))
    head = [Anchor.of(rows[-1])]
    del rows[place]
    assert verify(rows) == place + 1
    assert verify(rows, head) == place + 1


@given(data=st.data(), rows=ledgers())
def test_a_cut_off_end_is_found_by_whoever_noted_the_head(
    data: st.DataObject, rows: list[LedgerRow]
) -> None:
    kept = data.draw(st.integers(0, len(rows) - 1))
    assert verify(rows[:kept]) is None
    assert verify(rows[:kept], [Anchor.of(rows[-1])]) == kept + 1


@given(data=st.data(), rows=ledgers(least=2))
def test_moved_rows_are_found(data: st.DataObject, rows: list[LedgerRow]) -> None:
    order = data.draw(
        st.permutations(range(len(rows))).filter(lambda one: one != sorted(one))
    )
    first_moved = next(i for i, place in enumerate(order) if i != place)
    assert verify([rows[i] for i in order]) == first_moved + 1


@given(data=st.data(), rows=ledgers(), put=DECISIONS)
def test_an_inserted_row_is_found(
    data: st.DataObject, rows: list[LedgerRow], put: Decision
) -> None:
    place = data.draw(st.integers(0, len(rows) - 1))
    before = rows[place - 1] if place else None
    rows.insert(place, chain(put, before))
    broken = verify(rows)
    # A row that repeats the one it pushed back shows one place later.
    assert broken in {place + 1, place + 2}


@given(rows=ledgers())
def test_a_chain_written_anew_is_found_by_whoever_noted_the_head(
    rows: list[LedgerRow],
) -> None:
    forged: list[LedgerRow] = []
    for row in rows:
        decision = Decision(
            person=f"not {row.person}",
            action=row.action,
            subject=row.subject,
            reason=row.reason,
            decided_at=row.decided_at,
        )
        forged.append(chain(decision, forged[-1] if forged else None))
    assert verify(forged) is None
    assert verify(forged, [Anchor.of(rows[-1])]) == len(rows)


TRIALS = 1000
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def long_ledger() -> list[LedgerRow]:
    """Return a ledger of forty decisions."""
    rows: list[LedgerRow] = []
    for number in range(40):
        decision = replace(
            PLACED, subject=f"hold {number}", decided_at=PLACED.decided_at
        )
        seals = f'[["hold","hold {number}","{number:064x}"]]'
        rows.append(chain(decision, rows[-1] if rows else None, seals))
    return rows


def with_one_byte_changed(row: LedgerRow, chance: Random) -> LedgerRow | None:
    """Flip a bit of one byte of a row as it is kept; None: it is no row any more."""
    name = chance.choice([one.name for one in fields(row)])
    was = getattr(row, name)
    if isinstance(was, datetime):  # kept as a count of microseconds
        moved = (was - EPOCH) // timedelta(microseconds=1) ^ 1 << chance.randrange(55)
        return replace(row, decided_at=EPOCH + timedelta(microseconds=moved))
    data = bytearray(str(was).encode())
    data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    try:
        value: Any = int(data.decode()) if isinstance(was, int) else data.decode()
    except ValueError:
        return None
    return replace(row, **{name: value})


def test_any_changed_byte_any_removal_and_any_move_is_found() -> None:
    """1000 of 1000 trials of each, against a ledger whose newest row was noted."""
    rows = long_ledger()
    noted = [Anchor.of(rows[-1])]
    chance = Random(5)  # noqa: S311 -- trials, not secrets
    found = {"changed": 0, "removed": 0, "moved": 0}
    for _ in range(TRIALS):
        place = chance.randrange(len(rows))
        spoilt = with_one_byte_changed(rows[place], chance)
        changed = [*rows]
        if spoilt is not None:
            changed[place] = spoilt
        found["changed"] += spoilt is None or (
            spoilt != rows[place] and verify(changed, noted) == place + 1
        )
        removed = rows[:place] + rows[place + 1 :]
        found["removed"] += verify(removed, noted) == place + 1
        there = chance.choice([i for i in range(len(rows)) if i != place])
        moved = [*rows]
        moved[place], moved[there] = moved[there], moved[place]
        found["moved"] += verify(moved, noted) == min(place, there) + 1
    assert found == dict.fromkeys(found, TRIALS)


def test_rows_cut_off_since_the_last_backup_show_in_what_they_decided() -> None:
    rows = long_ledger()
    kept = [
        Decided(
            kind="hold",
            subject=one.subject,
            person=one.person,
            decided_at=one.decided_at,
        )
        for one in rows
    ]
    assert undecided(rows, kept) == []
    assert verify(rows[:38]) is None
    assert undecided(rows[:38], kept) == kept[38:]


def test_anchors_read_back_as_written_and_garbage_is_a_break() -> None:
    rows = long_ledger()
    noted = [Anchor.of(one) for one in rows[::10]]
    text = "\n".join(one.line(PLACED.decided_at) for one in noted)
    assert anchors_of(text) == tuple(noted)
    assert verify(rows, anchors_of(text)) is None
    assert verify(rows, anchors_of(f"{text}\nnonsense")) is not None
    assert verify([], noted) == 1


def test_a_restore_lets_go_of_what_differs_and_of_nothing_noted_after_it() -> None:
    at = PLACED.decided_at
    rows = long_ledger()
    went_on = rows[:5]
    for _ in range(3):  # other decisions, after an older copy was put back
        went_on.append(chain(ENDED, went_on[-1]))
    here = "".join(f"{Anchor.of(row).line(at)}\n" for row in (went_on[4], went_on[7]))
    brought = f"{Anchor.of(rows[9]).line(at)}\n"
    for before in (went_on, ()):  # the second: records that cannot be read any more
        noted, text = note_restore(here, brought, rows=rows[:10], before=before, at=at)
        assert noted.told().startswith("Restored on ")
        assert verify(rows[:10], anchors_of(text)) is None
        assert verify(rows[:9], anchors_of(text)) == 10
        assert verify(went_on, anchors_of(text)) is not None
        if before:
            assert (noted.seq, noted.shared, noted.let_go) == (10, 5, 3)
            assert "after entry 5: 3 entries were let go." in noted.told()
    # What the copy itself notes is not let go: its own ledger was cut before.
    _, text = note_restore(here, brought, rows=rows[:9], before=went_on, at=at)
    assert verify(rows[:9], anchors_of(text)) == 10
    # Without a restore on record the cut is a cut.
    assert verify(rows[:3], anchors_of(here)) == 4


def test_the_first_row_follows_the_genesis_value() -> None:
    first = chain(PLACED, None)
    assert (first.seq, first.previous_hash) == (1, GENESIS)
    assert chain(ENDED, first).previous_hash == first.row_hash


@pytest.mark.parametrize("hours", [-11, 0, 5])
def test_a_moment_hashes_alike_in_every_time_zone(hours: int) -> None:
    there = timezone(timedelta(hours=hours))
    moved = replace(PLACED, decided_at=PLACED.decided_at.astimezone(there))
    assert chain(moved, None).row_hash == chain(PLACED, None).row_hash


@pytest.mark.source("FIPS 180-4, SHA-256, computed with another program")
def test_the_hash_is_sha_256_of_the_canonical_text() -> None:
    text = (
        '{"action":"place hold","decided_at":"2026-01-05T09:00:00.000000+00:00",'
        f'"person":"Ada","previous_hash":"{"0" * 64}",'
        '"reason":"R13 reads 0.3 % high","seq":1,"subject":"hold 2"}'
    )
    assert canonical(1, PLACED, GENESIS) == text
    assert chain(PLACED, None).row_hash == (
        "f83ec4d01cb4ae175d9750237f44dd43d2ad0cf8f1d35bf3d4bd4c3c0880f271"
    )
