"""Arrow tables as typed rows: texts as the enumerations they are, lists as tuples."""

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields
from datetime import UTC, datetime, timedelta
from enum import Enum
from functools import cache
from types import UnionType
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

import pyarrow as pa

from storage.kept import Record, Row

R = TypeVar("R", bound=Row)
Reader = Callable[[list[Any]], list[Any]]
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def asked(kind: type[Row]) -> str:
    """Return the name of what a kind of row is asked by, unless another is given."""
    if kind.query:
        return kind.query
    if issubclass(kind, Record):
        return kind.kept.table
    raise TypeError(kind)


def typed(kind: type[R], table: pa.Table) -> list[R]:
    """Return a table's rows as `kind`; columns that it has no field for are left out.

    Column by column: a row is only put together once, and no frame is made.
    """
    columns = {
        name: as_kept(_listed(table.column(name)))
        # The checker takes the rows' __hash__ for that of their class.
        for name, as_kept in _columns(kind)  # type: ignore[arg-type]
    }
    return _put_together(kind, columns, table.num_rows)


def typed_columns(kind: type[R], columns: Mapping[str, Sequence[Any]]) -> list[R]:
    """Return rows of columns as `kind`, as `typed` does of Arrow's."""
    told = {
        name: as_kept([*columns[name]])
        for name, as_kept in _columns(kind)  # type: ignore[arg-type]
    }
    return _put_together(kind, told, len(next(iter(told.values()))))


def in_utc(column: Sequence[Any]) -> list[datetime | None]:
    """Return times of any zone as the same times in UTC."""
    return [None if one is None else one.astimezone(UTC) for one in column]


def plain_rows(table: pa.Table) -> list[dict[str, Any]]:
    """Return a table's rows by column name, times in UTC, without loading frames."""
    columns = [_listed(column) for column in table.columns]
    names = table.column_names
    return [
        dict(zip(names, values, strict=True)) for values in zip(*columns, strict=True)
    ]


def _listed(column: pa.ChunkedArray) -> list[Any]:
    """Return a column's values; times in UTC."""
    if not pa.types.is_timestamp(column.type):
        values: list[Any] = column.to_pylist()
        return values
    if column.type.unit != "us":
        raise TypeError(column.type)
    # Given a time's zone, the library would load pandas to tell which it is, and takes
    # three times as long.
    return [
        None if one is None else _EPOCH + timedelta(microseconds=one)
        for chunk in column.chunks
        for one in chunk.view(pa.int64()).to_pylist()
    ]


def _put_together(
    kind: type[R], columns: Mapping[str, Sequence[Any]], count: int
) -> list[R]:
    """Return rows of all their fields, as calling the kind for each would.

    A field at a time takes a third of that: a frozen row's own way sets each by name.
    """
    rows = [kind.__new__(kind) for _ in range(count)]
    for name, values in columns.items():
        deque(map(getattr(kind, name).__set__, rows, values), maxlen=0)
    return rows


def typed_of(kind: type[R], rows: Sequence[Mapping[str, Any]]) -> list[R]:
    """Return rows that are given by column name as `kind`."""
    columns = {
        name: as_kept([row[name] for row in rows])
        for name, as_kept in _columns(kind)  # type: ignore[arg-type]
    }
    return _put_together(kind, columns, len(rows))


@cache
def _columns(
    kind: type[Row],
) -> tuple[tuple[str, Callable[[list[Any]], list[Any]]], ...]:
    hints = get_type_hints(kind)
    return tuple(
        (one.name, _reader(hints[one.name]))
        for one in fields(kind)  # type: ignore[arg-type]
    )


def _reader(hint: Any) -> Reader:
    """Return what makes a column's values of a field's type."""
    choices = get_args(hint) if isinstance(hint, UnionType) else (hint,)
    for one in choices:
        if get_origin(one) is tuple:
            return _tuples
        if isinstance(one, type) and issubclass(one, Enum):
            return _members(one)
    return list


def _tuples(column: list[Any]) -> list[Any]:
    return [None if one is None else tuple(one) for one in column]


def _members(kind: type[Enum]) -> Reader:
    def members(column: list[Any]) -> list[Any]:
        known = {one: None if one is None else kind(one) for one in set(column)}
        return [known[one] for one in column]

    return members
