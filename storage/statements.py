"""The SQL files: migrations in order, queries by name."""

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path

from storage.errors import NotFoundError, RefusedValueError
from storage.every_record import RECORDS

_FOLDER = Path(__file__).parent / "sql"
_COMMENT = re.compile(r"--[^\n]*")
_PARAMETER = re.compile(r"\$([a-z_]+)")
_MAY_BE_LEFT_OUT = re.compile(r"cast\(\$([a-z_]+) as [a-z]+\) is null")

SEVERAL = "_in"
"""Behind a field's name: it takes several values."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Migration:
    """One numbered step of the schema."""

    name: str
    text: str

    @property
    def sha256(self) -> str:
        """Hash of the text: a step that has run must never change."""
        return hashlib.sha256(self.text.encode()).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Query:
    """One named question and the parameters it takes."""

    name: str
    text: str
    parameters: frozenset[str]
    optional: frozenset[str]
    """Those of them that narrow the question; null, or left out, asks for all."""

    def check(self, given: frozenset[str]) -> None:
        """Refuse missing and unknown parameters.

        Raises
        ------
        RefusedValueError
            When `given` is not what the query takes.
        """
        if not self.parameters - self.optional <= given <= self.parameters:
            allowed = ", ".join(sorted(self.parameters)) or "none"
            if self.optional:
                allowed += f"; may be left out: {', '.join(sorted(self.optional))}"
            raise RefusedValueError(
                what=f"parameters of query {self.name!r}",
                value=", ".join(sorted(given)) or "none",
                allowed=f"must be {allowed}",
            )


@cache
def migrations() -> tuple[Migration, ...]:
    """Return the steps this program knows, oldest first."""
    files = sorted((_FOLDER / "migrations").glob("*.sql"))
    return tuple(Migration(name=one.stem, text=one.read_text("utf-8")) for one in files)


@cache
def shared_migrations() -> tuple[Migration, ...]:
    """Return the steps of the shared database alone; the first goes before all."""
    files = sorted((_FOLDER / "shared").glob("*.sql"))
    return tuple(Migration(name=one.stem, text=one.read_text("utf-8")) for one in files)


def schema_version() -> str:
    """Return the name of the newest step this program knows."""
    return migrations()[-1].name


def text(name: str, given: frozenset[str]) -> str:
    """Return the statement that answers a question with the given parameters.

    A named query takes its own; a record's table is read by any of the record's
    fields, each a value that the rows have there. A field of text may be asked for
    several at once: `build_in` takes names of builds, a list in JSON.

    Raises
    ------
    NotFoundError
        When there is no query and no record of this name.
    RefusedValueError
        When `given` is not what it takes.
    """
    if name not in RECORDS or _named(name) is not None:
        known = query(name)
        known.check(given)
        return known.text
    return _reading(name, given)


@cache
def _reading(name: str, given: frozenset[str]) -> str:
    record = RECORDS[name]
    columns = [one.name for one in fields(record)]  # type: ignore[arg-type]
    if not {_column(one, columns) for one in given}.issubset(columns):
        raise RefusedValueError(
            what=f"parameters of {name!r}",
            value=", ".join(sorted(given)),
            allowed=f"must be of {', '.join(columns)}; `{columns[0]}_in` takes several",
        )
    # Names of our own declarations only, never a caller's.
    where = " and ".join(_is(one, columns) for one in sorted(given)) or "true"
    return (
        f"select {', '.join(columns)} from {name} "  # noqa: S608
        f"where {where} order by {', '.join(record.kept.order)}"
    )


def _column(parameter: str, columns: Sequence[str]) -> str:
    return parameter if parameter in columns else parameter.removesuffix(SEVERAL)


def _is(parameter: str, columns: Sequence[str]) -> str:
    column = _column(parameter, columns)
    if column == parameter:
        return f"{column} = ${parameter}"
    # As the queries of several take theirs: a list in JSON.
    several = f"from_json(${parameter}, '[\"varchar\"]')"
    return f"{column} in (select unnest({several}))"


def left_out(name: str, given: frozenset[str]) -> frozenset[str]:
    """Return the parameters of a question that ask for all where they are not given."""
    known = _named(name)
    return frozenset() if known is None else known.optional - given


def queries() -> dict[str, Query]:
    """Return the named queries."""
    names = sorted(one.stem for one in (_FOLDER / "queries").glob("*.sql"))
    return {name: query(name) for name in names}


@cache
def _named(name: str) -> Query | None:
    """Return one query; None where no file is called so. A command asks few of them."""
    path = _FOLDER / "queries" / f"{name}.sql"
    # The name may come from elsewhere: it names a file in here, or none.
    if not name.isidentifier() or not path.is_file():
        return None
    text = path.read_text("utf-8")
    code = _COMMENT.sub("", text)
    return Query(
        name=name,
        text=text,
        parameters=frozenset(_PARAMETER.findall(code)),
        optional=frozenset(_MAY_BE_LEFT_OUT.findall(code)),
    )


def query(name: str) -> Query:
    """Return one query by name.

    Raises
    ------
    NotFoundError
        When there is none of this name.
    """
    found = _named(name)
    if found is None:
        raise NotFoundError(kind="query", key=name)
    return found
