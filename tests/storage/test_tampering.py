"""Whatever is done by SQL to the ledger, or to what it decides, is named.

The short form runs always, the long one with `-m endurance`, which prints the table.
"""
# ruff: noqa: S608 -- statements are of our own tables' names

import importlib
import pkgutil
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import duckdb
import pytest

import storage
from storage import archive
from storage.amending import row_text
from storage.answers import Decided, DecidedRow
from storage.kept import RECORDS, Row
from storage.ledger import Anchor, LedgerRow, undecided, verify
from storage.local import LocalStore
from storage.records import Scope
from storage.records_amending import Amended, Amendment
from storage.seals import DECIDED, unlike
from storage.statements import text
from storage.typed import typed_of
from tests.storage.samples import (
    END,
    PERSONS_HOLD,
    PLACED,
    RETURN,
    SHIP_RULE,
    SHIPMENT,
    START,
    decided,
    record,
    record_all,
    record_amendment,
    run,
)

TABLES = ("decision", *DECIDED)
MORE = 12
"""Further holds, so that rows can be exchanged with one another."""


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return records in which every kind of decision was taken, and one corrected."""
    path = tmp_path_factory.mktemp("tampered") / "holdpoint.duckdb"
    with LocalStore(path) as store:
        record_all(store)
        record_amendment(store)
        for number in range(MORE):
            at = START + timedelta(days=1, minutes=number)
            name = f"hold {100 + number}"
            store.keep(
                replace(PERSONS_HOLD, hold=name, placed_at=at),
                decision=replace(PLACED, subject=name, decided_at=at),
            )
            end = replace(END, hold=name, ended_at=at)
            line = decided("Ada", "release", name, at)
            store.keep(end, decision=replace(line, reason=end.reason))
    return path


@pytest.fixture
def database(records: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """Return the records as somebody opens them who goes round the program."""
    with duckdb.connect(str(records)) as opened:
        opened.execute("set timezone = 'UTC'")
        yield opened


def rows_of(database: duckdb.DuckDBPyConnection, kind: type[Row]) -> list[Any]:
    """Return what the Store would answer."""
    name = kind.query or kind.kept.table  # type: ignore[attr-defined]
    found = database.sql(text(name, frozenset())).to_arrow_table().to_pylist()
    return list(typed_of(kind, found))


def named(database: duckdb.DuckDBPyConnection, noted: list[Anchor]) -> list[str]:
    """Return what `holdpoint ledger verify` names."""
    rows = rows_of(database, LedgerRow)
    broken = verify(rows, noted)
    said = [] if broken is None else [f"broken at {broken}"]
    said += [one.kind for one in undecided(rows, rows_of(database, Decided))]
    return said + [one.told() for one in unlike(rows, rows_of(database, DecidedRow))]


def columns(database: duckdb.DuckDBPyConnection, table: str) -> list[tuple[str, str]]:
    """Return a table's columns with their types."""
    found = database.execute(
        "select column_name, data_type from duckdb_columns() where table_name = ?",
        [table],
    ).fetchall()
    return [(str(name), str(kind)) for name, kind in found]


def other(value: object, kind: str, chance: Random) -> object:
    """Return another value of a column's type."""
    match kind:
        case "BIGINT" | "INTEGER":
            return chance.randrange(1, 10**6) + int(str(value or 0))
        case "DOUBLE":
            return float(str(value or 0.0)) + chance.choice([1e-9, 1.0, -50.0])
        case "BOOLEAN":
            return not value
        case "TIMESTAMP WITH TIME ZONE":
            was = value if isinstance(value, datetime) else START
            return was + timedelta(microseconds=chance.choice([1, -1, 10**6]))
        case _:
            return f"{value or ''}{chance.choice(['.', 'x', ' '])}"


Tamper = Callable[[duckdb.DuckDBPyConnection, str, Random], None]


def pick(
    database: duckdb.DuckDBPyConnection, table: str, chance: Random
) -> tuple[str, Any]:
    """Return a table's key and the value that it has in some row."""
    key = "seq" if table == "decision" else DECIDED[table].kept.key[0]
    rows = database.execute(f"select {key} from {table} order by {key}").fetchall()
    return key, chance.choice(rows)[0]


def change(database: duckdb.DuckDBPyConnection, table: str, chance: Random) -> None:
    """Give one cell of one row another value."""
    key, at = pick(database, table, chance)
    name, kind = chance.choice(columns(database, table))
    (was,) = database.execute(
        f"select {name} from {table} where {key} = ?", [at]
    ).fetchall()[0]
    nothing = was is not None and name not in _NEEDED and chance.random() < 0.2
    now = None if nothing else other(was, kind, chance)
    database.execute(f"update {table} set {name} = ? where {key} = ?", [now, at])


def remove(database: duckdb.DuckDBPyConnection, table: str, chance: Random) -> None:
    """Delete one row; of the newest decision, what it decided goes too."""
    key, at = pick(database, table, chance)
    database.execute(f"delete from {table} where {key} = ?", [at])
    if table == "decision" and chance.random() < 0.5:
        database.execute(f"delete from decision where seq >= {at}")
        database.execute(
            "delete from hold_end where hold not in (select subject from decision)"
        )


def move(database: duckdb.DuckDBPyConnection, table: str, chance: Random) -> None:
    """Exchange two rows' places, or give one row a place of its own."""
    key, at = pick(database, table, chance)
    _, there = pick(database, table, chance)
    spare = 10**6 if table == "decision" else "elsewhere"
    database.execute(f"update {table} set {key} = ? where {key} = ?", [spare, at])
    if there != at:
        database.execute(f"update {table} set {key} = ? where {key} = ?", [at, there])
        database.execute(
            f"update {table} set {key} = ? where {key} = ?", [there, spare]
        )


def add(database: duckdb.DuckDBPyConnection, table: str, chance: Random) -> None:
    """Copy one row, as the same person's decision of the same moment."""
    key, at = pick(database, table, chance)
    new = 10**6 if table == "decision" else f"{at} again"
    database.execute(
        f"insert into {table} select * replace (? as {key}) from {table} "
        f"where {key} = ?",
        [new, at],
    )


WAYS: dict[str, Tamper] = {
    "changed": change,
    "removed": remove,
    "moved": move,
    "added": add,
}
_NEEDED = {
    *("seq", "person", "action", "subject", "reason", "decided_at", "previous_hash"),
    *("row_hash", "scope", "product", "placed_by", "placed_at", "ended_at", "ended_by"),
    *("disposal", "hold", "doubt", "shipment", "serial", "destination", "reseller"),
    *("shipped_at", "unit_return", "returned_at", "past_shipment", "build", "units"),
    *("rework", "kind", "reworked_at", "containment_step", "step", "note", "noted_at"),
    *("amendment", "before", "amended_at", "calibration", "serial_number", "made_on"),
    *("standard_value", "error_ppm", "before_ppm", "uncertainty_ppm", "written"),
    *("before_uncertainty_ppm", "assigned_at"),
    *("alert", "acknowledged_at", "after_number", "against"),
}
"""Columns that the schema itself keeps from being null."""


@pytest.mark.parametrize(
    "trials", [48, pytest.param(1000, marks=pytest.mark.endurance)]
)
def test_every_tampering_is_named(
    database: duckdb.DuckDBPyConnection,
    trials: int,
    record_property: Callable[[str, object], None],
) -> None:
    newest = archive.newest(database)
    assert newest is not None
    noted = [newest]
    assert named(database, noted) == []
    chance = Random(11)  # noqa: S311 -- trials, not secrets
    found, tried = Counter[str](), Counter[str]()
    missed = []
    for trial in range(trials):
        way = list(WAYS)[trial % len(WAYS)]
        table = TABLES[(trial // len(WAYS)) % len(TABLES)]
        database.execute("begin transaction")
        try:
            WAYS[way](database, table, chance)
            tried[way] += 1
            if named(database, noted):
                found[way] += 1
            else:
                missed.append((way, table))
        finally:
            database.execute("rollback")
    for way in WAYS:
        record_property(f"of {tried[way]} rows {way}, named", found[way])
    assert missed == []


def test_a_row_is_named_by_what_it_is(database: duckdb.DuckDBPyConnection) -> None:
    database.execute("begin transaction")
    database.execute("delete from hold where hold = 'hold 2'")
    database.execute("update hold_end set disposal = 'scrap' where hold = 'hold 101'")
    said = named(database, [])
    database.execute("rollback")
    assert (
        "The hold hold 2 was removed; entry 2 of the ledger says it was recorded."
        in said
    )
    assert any(one.startswith("The hold end hold 101 was changed;") for one in said)


def test_the_newest_decision_with_its_row_is_missed_once_it_was_noted(
    records: Path, tmp_path: Path
) -> None:
    path = tmp_path / "data" / "holdpoint.duckdb"
    path.parent.mkdir()
    path.write_bytes(records.read_bytes())
    with LocalStore(path) as store:
        at = datetime(2026, 2, 1, tzinfo=UTC)
        name = "hold 500"
        store.keep(
            replace(PERSONS_HOLD, hold=name, placed_at=at),
            decision=replace(PLACED, subject=name, decided_at=at),
        )
        store.note_newest()  # as each heartbeat does
        (last,) = store.rows(LedgerRow)[-1:]
    with duckdb.connect(str(path)) as database:
        database.execute("delete from hold where hold = 'hold 500'")
        database.execute(f"delete from decision where seq = {last.seq}")
    with LocalStore(path) as store:
        noted = archive.anchors(path.parent / "backups")
        assert verify(store.rows(LedgerRow), noted) == last.seq


AGAIN = "insert into shipment select * replace ('mistake' as shipment) from shipment"


def corrected(store: LocalStore, kind: Amended, key: str, after: str | None) -> None:
    """Put a row right, as `holdpoint` does."""
    record = RECORDS[kind.value]
    (row,) = store.rows(record, **{record.kept.key[0]: key})
    amendment = Amendment(
        amendment=f"of {key}",
        product="photoamp",
        kind=kind,
        subject=key,
        before=row_text({one.name: getattr(row, one.name) for one in fields(row)}),  # type: ignore[arg-type]
        after=after,
        person="Ada",
        reason="typed wrong",
        amended_at=START + timedelta(days=30),
    )
    line = decided("Ada", "correct", key, amendment.amended_at)
    store.keep(amendment, decision=replace(line, reason=amendment.reason))


def test_what_was_put_right_by_name_is_as_decided(tmp_path: Path) -> None:
    """A shipment taken back, and a held unit whose serial was typed wrong."""
    path = tmp_path / "holdpoint.duckdb"
    with LocalStore(path) as store:
        record_all(store)
        later = RETURN.returned_at + timedelta(hours=1)
        left = replace(SHIPMENT, shipment="mistake", shipped_at=later)
        line = decided("Ada", "ship", "S001", left.shipped_at)
        assert store.ship(left, SHIP_RULE, line) == []
        record(store, run(9))
        serial = run(9).serial
        held = replace(
            PERSONS_HOLD, hold="on unit", scope=Scope.UNIT, subject=str(serial)
        )
        store.keep(held, decision=replace(PLACED, subject="on unit"))
        corrected(store, Amended.SHIPMENT, "mistake", None)
        unit_ = {"serial": "S900", "build": "B1", "product": "photoamp"}
        corrected(store, Amended.UNIT, str(serial), row_text(unit_))
        assert unlike(store.rows(LedgerRow), store.rows(DecidedRow)) == ()
    with duckdb.connect(str(path)) as database:
        database.execute("set timezone = 'UTC'")
        newest = archive.newest(database)
        assert newest is not None
        assert named(database, [newest]) == []
        for statement, says in (
            (
                f"update hold set subject = '{serial}' where hold = 'on unit'",
                "The hold on unit was changed;",
            ),
            (AGAIN, "The shipment mistake was added without an entry"),
        ):
            database.execute("begin transaction")
            database.execute(statement)
            assert any(one.startswith(says) for one in named(database, [newest]))
            database.execute("rollback")


def test_every_decided_record_is_known_whatever_was_loaded_before() -> None:
    """A command loads the proof of the ledger alone, and must know amendments."""
    asked = "from storage.seals import DECIDED; print(*sorted(DECIDED))"
    alone = subprocess.run(
        [sys.executable, "-c", asked], capture_output=True, text=True, check=True
    )
    for one in pkgutil.iter_modules(storage.__path__):
        importlib.import_module(f"storage.{one.name}")
    decided = {
        table for table, record in RECORDS.items() if record.kept.decided is not None
    }
    assert "amendment" in decided
    assert set(alone.stdout.split()) == decided
