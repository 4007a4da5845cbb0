"""How a record says that it is kept: one declaration, from which all else follows.

The store's own commands, the way over the wire, the refusals, the ledger and the
reading back are all derived from what stands here beside a record's fields.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import ClassVar

_WORD_START = re.compile("[A-Z]")


def words(kind: type) -> str:
    """Return a class's name in words.

    >>> class RangeResult: ...
    >>> words(RangeResult)
    'range result'
    """
    return _WORD_START.sub(r" \g<0>", kind.__name__).strip().lower()


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """That a person decides a row: it comes with its line for the ledger."""

    by: str
    """The field that names the person: it must be who decided."""
    said: str
    """How a refusal speaks of that field, before the row's key."""
    word: str
    """How a refusal speaks of the row."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """How the rows of one record are kept."""

    key: tuple[str, ...] = ()
    """Fields that tell rows apart; by default the one named like the table."""
    refers: Mapping[str, str | tuple[str, ...]] = field(default_factory=dict)
    """By field what must be recorded before: `"table"` for that table's own id,
    `"table.column"` for another column, several where any of them will do. A field
    that is None names nothing."""
    alike: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """By field that refers to another table's row, the columns in which that row must
    say the same as this one."""
    may_differ: tuple[str, ...] = ()
    """Fields in which a repeated row may differ from the kept one."""
    decided: Decided | None = None
    by: str = "keep"
    """The command of the Store that keeps rows, where more than the row is at stake."""
    order: tuple[str, ...] = ()
    """Columns by which rows are read back in order; by default the key."""
    table: str = ""
    """Named after the record where nothing else is said."""


class Row:
    """A typed row that a question is answered with; subclasses are dataclasses."""

    __slots__ = ()
    query: ClassVar[str] = ""
    """The named query whose answer has these columns, where it is not the record's
    own table."""


class Record(Row):
    """A row that is kept; a subclass declares how as its `kept`."""

    __slots__ = ()
    kept: ClassVar[Kept]

    def __init_subclass__(cls) -> None:
        """Fill in what follows from the name, and make the record known."""
        super().__init_subclass__()
        if "kept" not in vars(cls):
            return
        table = cls.kept.table or words(cls).replace(" ", "_")
        key = cls.kept.key or (table,)
        order = cls.kept.order or key
        cls.kept = replace(cls.kept, table=table, key=key, order=order)
        # A dataclass with slots is made twice; the second is the one in use.
        RECORDS[table] = cls

    def check(self) -> None:
        """Refuse what contradicts itself, whatever is recorded.

        Raises
        ------
        RefusedValueError
            Naming the field, and what is allowed.
        """


RECORDS: dict[str, type[Record]] = {}
"""Every record, by its table."""
