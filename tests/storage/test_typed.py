"""Rows are put together a field at a time: as calling their kind would."""

import sys
from collections.abc import Iterator
from dataclasses import fields
from datetime import UTC, datetime
from typing import Any

import pyarrow as pa
import pytest

import storage.answers
import storage.every_record  # noqa: F401 -- kinds are known once they were loaded
from storage.kept import Row
from storage.ledger import LedgerRow
from storage.typed import plain_rows, typed, typed_of

AT = [
    datetime(1969, 12, 31, 23, 59, 59, 999999, tzinfo=UTC),
    datetime(2026, 1, 5, 8, 0, 0, 1, tzinfo=UTC),
    datetime(1, 1, 1, tzinfo=UTC),
    datetime(9999, 12, 31, 23, 59, 59, 999999, tzinfo=UTC),
]


def kinds(of: type[Row] = Row) -> Iterator[type[Row]]:
    """Give all kinds of rows."""
    for one in of.__subclasses__():
        # A dataclass with slots is made twice; the second is the one in use.
        named = getattr(sys.modules[one.__module__], one.__name__, None)
        if named is one and "__dataclass_fields__" in vars(one):
            yield one
        yield from kinds(one)


def rows() -> list[dict[str, Any]]:
    """Return rows of the ledger by column name, one without seals."""
    return [
        {
            "seq": number,
            "person": "Ada",
            "action": "release",
            "subject": f"hold {number}",
            "reason": "reel measured",
            "decided_at": at,
            "previous_hash": "0",
            "row_hash": "1",
            "seals": None if number == 1 else "[]",
        }
        for number, at in enumerate(AT)
    ]


def test_no_kind_of_row_does_more_than_hold_its_fields() -> None:
    """Else putting it together by its fields would leave something out."""
    found = list(kinds())
    assert len(found) > 50
    for kind in found:
        assert not hasattr(kind, "__post_init__"), kind
        named = fields(kind)  # type: ignore[arg-type]
        assert all(hasattr(getattr(kind, one.name), "__set__") for one in named)


def test_a_row_is_as_its_kind_makes_it() -> None:
    expected = [LedgerRow(**one) for one in rows()]
    table = pa.table({name: [one[name] for one in rows()] for name in rows()[0]})
    assert table.schema.field("decided_at").type == pa.timestamp("us", tz="UTC")
    assert typed(LedgerRow, table) == typed_of(LedgerRow, rows()) == expected
    assert plain_rows(table) == rows()
    assert typed(LedgerRow, table.slice(0, 0)) == []


def test_a_field_without_its_column_is_noticed() -> None:
    with pytest.raises(KeyError):
        typed_of(LedgerRow, [{"seq": 1}])
