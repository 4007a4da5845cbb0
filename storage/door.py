"""What no row may hold is refused here, before any transaction begins."""

from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from enum import Enum
from functools import cache
from math import isfinite

from config.names import has_invisible, has_odd_blank
from storage.errors import RefusedValueError
from storage.kept import RECORDS, words

Cell = str | int | float | bool | datetime | list[float] | list[str] | None
"""What a column may hold, or a question may be given; a list of numbers is of one
number a reading, a list of texts is of names."""

_LARGEST = 2**63 - 1
LONGEST_ID = 100
"""Characters of the name of a unit, a build or a reel."""


def require_id(what: str, value: str) -> None:
    """Refuse a name of a unit, a build or a reel that cannot be shown, or typed again.

    Letters of any script, digits, signs and single blanks are allowed.

    Raises
    ------
    RefusedValueError
        It is blank or too long, or has a character that is not seen or looks like
        another.
    """
    problem = None
    if not value.strip():
        problem = "must not be blank"
    elif len(value) > LONGEST_ID:
        problem = f"must be {LONGEST_ID} characters at most"
    elif value != value.strip():
        problem = "must not begin or end with a blank"
    elif has_invisible(value):
        problem = "must not have an invisible character or a line break"
    elif has_odd_blank(value):
        problem = "must have plain blanks alone, never two in a row"
    if problem is not None:
        shown = ascii(value[: LONGEST_ID + 1])
        raise RefusedValueError(what=what, value=shown, allowed=problem)


def cells(row: object) -> dict[str, Cell]:
    """Return a row's fields as columns: times in UTC, enumerations as their text.

    Raises
    ------
    RefusedValueError
        For NaN, an infinity, a time without a zone, an integer beyond 64 bits, or
        text that is no text (a NUL or half a surrogate pair).
    """
    if not is_dataclass(row) or isinstance(row, type):
        raise RefusedValueError(
            what="row", value=repr(row), allowed="must be one of the kept rows"
        )
    return {name: cell(what, getattr(row, name)) for name, what in _columns(type(row))}


@cache
def _columns(kind: type) -> tuple[tuple[str, str], ...]:
    """Return a row's fields, and how a refusal names each."""
    said = words(kind)
    return tuple((one.name, f"{said}.{one.name}") for one in fields(kind))


def table_of(row: object) -> str:
    """Return the table of a row that may be kept by itself.

    Raises
    ------
    RefusedValueError
        For what is no record, and for a record that is kept with others alone.
    """
    for table, record in RECORDS.items():
        if record is type(row):
            if record.kept.by == "keep":
                return table
            raise RefusedValueError(
                what="row", value=table, allowed=f"is kept by {record.kept.by} alone"
            )
    raise RefusedValueError(
        what="row", value=repr(row), allowed="must be one of the kept rows"
    )


def cell(what: str, value: object) -> Cell:
    """Return one value as a column holds it; `what` names it in a refusal."""
    if isinstance(value, Enum):
        value = value.value
    match value:
        case None | bool():
            return value
        case int() | float():
            return _number(what, value)
        case str():
            return _text(what, value)
        case datetime():
            return _utc(what, value)
        case tuple() | list():
            if set(map(type, value)) <= {float} and all(map(isfinite, value)):
                return list(value)
            return [_reading(what, one) for one in value]
        case _:
            raise RefusedValueError(
                what=what,
                value=repr(value),
                allowed="must be text, a number, a time or readings",
            )


def _number(what: str, value: float) -> int | float:
    if isinstance(value, int):
        if abs(value) > _LARGEST:
            raise RefusedValueError(
                what=what, value=value, allowed="must fit in 64 bits"
            )
        return value
    if not isfinite(value):
        raise RefusedValueError(what=what, value=value, allowed="must be finite")
    return float(value)


def _reading(what: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, float | int):
        raise RefusedValueError(
            what=what, value=repr(value), allowed="must be a list of numbers"
        )
    return float(_number(what, value))


def _text(what: str, value: str) -> str:
    if "\x00" in value:
        raise RefusedValueError(
            what=what, value=repr(value), allowed="must not contain NUL"
        )
    try:
        value.encode()
    except UnicodeEncodeError:
        raise RefusedValueError(
            what=what, value=ascii(value), allowed="must be valid Unicode"
        ) from None
    return str(value)


def _utc(what: str, value: datetime) -> datetime:
    if value.tzinfo is None or value.utcoffset() is None:
        raise RefusedValueError(
            what=what, value=value, allowed="must say its time zone"
        )
    try:
        return value.astimezone(UTC)
    except OverflowError:
        raise RefusedValueError(
            what=what, value=value, allowed="must lie in the years 1 to 9999 of UTC"
        ) from None
