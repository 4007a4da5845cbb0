"""Statements as the shared database, PostgreSQL, understands them.

All are written in the dialect of a bench's own file. What both speak stays as it is;
the rest is translated by a library, once a statement, and the few functions that
PostgreSQL lacks are added to the database (`sql/shared`).
"""

from functools import lru_cache

import sqlglot
from sqlglot import exp

_READ, _WRITE = "duckdb", "postgres"
_MOST = 2000
"""Statements remembered: those of the commands have a few shapes each."""


@lru_cache(maxsize=_MOST)
def translated(statement: str) -> str:
    """Return one statement for PostgreSQL, its parameters as ``%(name)s``.

    >>> translated("select arg_min(run, number) as first from run where serial = $one")
    'SELECT (ARRAY_AGG(run ORDER BY number) FILTER(WHERE run IS NOT NULL))[1] AS first \
FROM run WHERE serial = %(one)s'
    """
    (only,) = _parsed(statement)
    return _said(only)


def steps(script: str) -> list[str]:
    """Return a migration's statements, without the functions of the file's own."""
    return [_said(one) for one in _parsed(script) if not _is_macro(one)]


def _parsed(text: str) -> list[exp.Expr]:
    return [one for one in sqlglot.parse(text, read=_READ) if one is not None]


def _is_macro(statement: exp.Expr) -> bool:
    return isinstance(statement, exp.Create) and statement.kind in {"MACRO", "FUNCTION"}


def _said(statement: exp.Expr) -> str:
    # In a text the sign of a parameter is doubled, or it would be taken for one.
    for one in statement.find_all(exp.Literal):
        if one.is_string and "%" in one.this:
            one.set("this", one.this.replace("%", "%%"))
    return statement.transform(_as_there).sql(dialect=_WRITE, comments=False)


def _as_there(node: exp.Expr) -> exp.Expr:
    if isinstance(node, exp.ArgMin | exp.ArgMax):
        return _first_of(node)
    # Texts sort as their code points do, whatever the database was made with.
    if (
        isinstance(node, exp.ColumnDef)
        and node.kind is not None
        and node.kind.is_type(exp.DataType.Type.TEXT)
    ):
        rule = exp.CollateColumnConstraint(this=exp.to_identifier("C", quoted=True))
        given = node.args.get("constraints") or []
        node.set("constraints", [exp.ColumnConstraint(kind=rule), *given])
    return node


def _first_of(node: exp.ArgMin | exp.ArgMax) -> exp.Expr:
    """Return the value beside the least, or the greatest, of another."""
    value, by = node.this.sql(_WRITE), node.expression.sql(_WRITE)
    order = by if isinstance(node, exp.ArgMin) else f"{by} DESC"
    return sqlglot.parse_one(
        f"(ARRAY_AGG({value} ORDER BY {order}) FILTER (WHERE {value} IS NOT NULL))[1]",
        read=_WRITE,
    )
