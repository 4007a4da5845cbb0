"""The SQL files: migrations in order, queries by name."""

import hashlib
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from storage.errors import NotFoundError, RefusedValueError

_FOLDER = Path(__file__).parent / "sql"
_COMMENT = re.compile(r"--[^\n]*")
_PARAMETER = re.compile(r"\$([a-z_]+)")


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

    def check(self, given: frozenset[str]) -> None:
        """Refuse missing and unknown parameters.

        Raises
        ------
        RefusedValueError
            When `given` is not exactly what the query takes.
        """
        if given != self.parameters:
            allowed = ", ".join(sorted(self.parameters)) or "none"
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


def schema_version() -> str:
    """Return the name of the newest step this program knows."""
    return migrations()[-1].name


@cache
def queries() -> dict[str, Query]:
    """Return the named queries."""
    found = {}
    for one in sorted((_FOLDER / "queries").glob("*.sql")):
        text = one.read_text("utf-8")
        parameters = frozenset(_PARAMETER.findall(_COMMENT.sub("", text)))
        found[one.stem] = Query(name=one.stem, text=text, parameters=parameters)
    return found


def query(name: str) -> Query:
    """Return one query by name.

    Raises
    ------
    NotFoundError
        When there is none of this name.
    """
    try:
        return queries()[name]
    except KeyError:
        raise NotFoundError(kind="query", key=name) from None
