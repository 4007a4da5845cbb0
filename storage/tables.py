"""Rows and tables: one table a row class, one column a field, kept once by key."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol, TypeVar

from storage.door import Cell
from storage.errors import ConflictError, NotFoundError
from storage.kept import Record
from storage.statements import text
from storage.typed import typed_of

R = TypeVar("R", bound=Record)


class Transaction(Protocol):
    """One open transaction; whoever opened it commits it or rolls it back."""

    def ask(self, sql: str, parameters: Mapping[str, Cell]) -> list[dict[str, object]]:
        """Return rows by column name."""
        ...

    def run(self, sql: str, parameters: Mapping[str, Cell]) -> None:
        """Change rows."""
        ...

    def fill(self, table: str, rows: Sequence[Mapping[str, Cell]]) -> None:
        """Add many rows, all of the same columns, to a table."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """A row that another row names; a `key` of None names nothing."""

    kind: str
    key: Cell
    column: str | None = None
    """Where it differs from the kind's own name."""
    place: int | None = None
    """Of several with one place, one is enough."""


_SPELLED_OUT = 2
"""Rows of a statement that names each value: planning it soon takes longer than the
rows."""

# Table and column names below come from the code of this package, never from a
# caller: that is what makes building statements from them safe (S608).


def insert(
    transaction: Transaction, table: str, rows: Sequence[Mapping[str, Cell]]
) -> None:
    """Add rows of one table, all of the same columns, in a single statement."""
    if len(rows) > _SPELLED_OUT:
        transaction.fill(table, rows)
        return
    columns = tuple(rows[0])
    values = ", ".join(
        f"({', '.join(f'${column}_{i}' for column in columns)})"
        for i in range(len(rows))
    )
    transaction.run(
        f"insert into {table} ({', '.join(columns)}) values {values}",  # noqa: S608
        {f"{name}_{i}": row[name] for i, row in enumerate(rows) for name in columns},
    )


def find(
    transaction: Transaction, table: str, key: Mapping[str, Cell]
) -> dict[str, object] | None:
    """Return the row under `key`, None when there is none."""
    where = " and ".join(f"{column} = ${column}" for column in key)
    rows = transaction.ask(f"select * from {table} where {where}", key)  # noqa: S608
    return rows[0] if rows else None


def read(transaction: Transaction, kind: type[R], **given: Cell) -> list[R]:
    """Return the rows of a record that have the given values."""
    rows = transaction.ask(text(kind.kept.table, frozenset(given)), given)
    return typed_of(kind, rows)


def keep_row(
    transaction: Transaction,
    table: str,
    row: Mapping[str, Cell],
    *,
    key: Sequence[str],
    unlike: Sequence[str] = (),
) -> bool:
    """Add a row unless it is already there; return whether it was added.

    Parameters
    ----------
    key : sequence of str
        Primary key columns.
    unlike : sequence of str
        Columns in which a repeated row may differ from the kept one.

    Raises
    ------
    ConflictError
        When the key is taken by a row with other content.
    """
    kept = find(transaction, table, {name: row[name] for name in key})
    if kept is None:
        insert(transaction, table, [row])
        return True
    compare(table, "/".join(str(row[name]) for name in key), kept, row, unlike)
    return False


def compare(
    kind: str,
    key: str,
    kept: Mapping[str, object],
    row: Mapping[str, Cell],
    unlike: Sequence[str] = (),
) -> None:
    """Raise `ConflictError` naming the first column in which `row` differs."""
    for column, value in row.items():
        if column not in unlike and kept[column] != value:
            raise ConflictError(
                kind=kind,
                key=key,
                detail=f"{column} is {_spelled(kept[column])}, not {_spelled(value)}",
            )


def _spelled(value: object) -> str:
    """Return a cell as people read it.

    >>> _spelled(datetime(2026, 11, 30, 0, 58, 19, tzinfo=UTC))
    '2026-11-30 00:58:19 UTC'
    """
    if isinstance(value, datetime):
        return f"{value.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"
    return repr(value)


def require(transaction: Transaction, references: Iterable[Reference]) -> None:
    """Check in one statement that everything named is recorded.

    Raises
    ------
    NotFoundError
        Naming the first that is not.
    """
    named = [one for one in references if one.key is not None]
    if not named:
        return
    # A union: as columns of one row the planner takes ten times as long.
    looks = " union all ".join(
        f"select {i} as place from {one.kind} "  # noqa: S608
        f"where {one.column or one.kind} = $key_{i}"
        for i, one in enumerate(named)
    )
    keys = {f"key_{i}": one.key for i, one in enumerate(named)}
    found = {row["place"] for row in transaction.ask(looks, keys)}
    told = {one.place: i for i, one in enumerate(named)}
    there = {one.place for i, one in enumerate(named) if i in found}
    for i, one in enumerate(named):
        alone = one.place is None
        if i not in found and (
            alone or (told[one.place] == i and one.place not in there)
        ):
            raise NotFoundError(kind=one.kind, key=str(one.key))
