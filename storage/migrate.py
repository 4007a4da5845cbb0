"""Bring a file to this program's schema, one numbered step at a time."""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime

import duckdb

from storage.errors import SchemaError, sentence
from storage.statements import Migration, migrations

_RECORD = """
create table if not exists schema_migrations (
    name       text not null primary key,
    sha256     text not null,
    applied_at timestamptz not null
)
"""


def migrate(
    database: duckdb.DuckDBPyConnection,
    *,
    where: str,
    before_each: Callable[[str], None],
    steps: Sequence[Migration] | None = None,
) -> None:
    """Run the steps the file has not seen, each in one transaction with its record.

    Parameters
    ----------
    where : str
        Names the file in an error.
    before_each : callable
        Called with the step's name before it runs on a file that holds rows;
        takes the backup. When it raises, the step does not run.
    steps : sequence of Migration, optional
        Those of this program by default.

    Raises
    ------
    SchemaError
        When the file has seen a step that this program does not know, or one whose
        text was changed since, or when a step fails; the file is as before the step.
    """
    known = migrations() if steps is None else tuple(steps)
    done = _done(database)
    check_done(known, done, where)
    for step in known[len(done) :]:
        if done:
            before_each(step.name)
        _run(database, step, where)


def _done(database: duckdb.DuckDBPyConnection) -> dict[str, str]:
    database.execute(_RECORD)
    rows = database.execute(
        "select name, sha256 from schema_migrations order by name"
    ).fetchall()
    return {str(name): str(sha256) for name, sha256 in rows}


def check_done(known: Sequence[Migration], done: dict[str, str], where: str) -> None:
    """Refuse steps that were run and that this program does not know as they were."""
    names = [one.name for one in known]
    newer = [name for name in done if name not in names]
    if newer:
        raise SchemaError(
            where=where,
            detail=f"its schema has {', '.join(newer)}, the program's newest step "
            f"is {names[-1]}; use a newer program",
        )
    if list(done) != names[: len(done)]:
        missing = [name for name in names[: len(done)] if name not in done]
        raise SchemaError(
            where=where, detail=f"step {', '.join(missing)} was never run on it"
        )
    for one in known[: len(done)]:
        if done[one.name] != one.sha256:
            raise SchemaError(
                where=where,
                detail=f"step {one.name} is not the text that was run on it",
            )


def _run(database: duckdb.DuckDBPyConnection, step: Migration, where: str) -> None:
    database.execute("begin transaction")
    try:
        database.execute(step.text)
        database.execute(
            "insert into schema_migrations values ($name, $sha256, $applied_at)",
            {
                "name": step.name,
                "sha256": step.sha256,
                "applied_at": datetime.now(UTC),
            },
        )
        database.execute("commit")
    except duckdb.Error as exc:
        database.execute("rollback")
        raise SchemaError(
            where=where, detail=f"step {step.name}: {sentence(exc)}"
        ) from exc
