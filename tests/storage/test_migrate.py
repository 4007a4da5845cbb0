"""A file comes to this program's schema step by step, or says why not."""

from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from storage.archive import check
from storage.errors import SchemaError, WriteError
from storage.local import LocalStore
from storage.migrate import migrate
from storage.statements import Migration, migrations
from tests.storage.samples import furnish

ONE = Migration(
    name="0001_one", text="create table one (a text); create table b (a int)"
)
TWO = Migration(name="0002_two", text="create table two (a text)")
BAD = Migration(
    name="0002_bad", text="create table two (a text); insert into missing values (1)"
)


@pytest.fixture
def database() -> Iterator[duckdb.DuckDBPyConnection]:
    """Return an empty database."""
    with duckdb.connect() as connection:
        yield connection


def tables(database: duckdb.DuckDBPyConnection) -> set[str]:
    """Return the names of the tables."""
    rows = database.execute("select table_name from duckdb_tables()").fetchall()
    return {row[0] for row in rows} - {"schema_migrations"}


def applied(database: duckdb.DuckDBPyConnection) -> list[tuple[str, str]]:
    """Return what the file says was run on it."""
    return database.execute(
        "select name, sha256 from schema_migrations order by name"
    ).fetchall()


def refuse(step: str) -> None:
    """Stand for a backup that must not be needed."""
    pytest.fail(f"a backup before {step}")


def test_each_step_runs_once_with_its_record(
    database: duckdb.DuckDBPyConnection,
) -> None:
    for _ in range(2):
        migrate(database, where="here", before_each=refuse, steps=[ONE])
    assert tables(database) == {"one", "b"}
    assert applied(database) == [("0001_one", ONE.sha256)]
    (row,) = database.execute("select applied_at from schema_migrations").fetchall()
    assert row[0].utcoffset() is not None


def test_a_copy_is_taken_before_each_step_on_a_file_that_has_rows(
    database: duckdb.DuckDBPyConnection,
) -> None:
    seen: list[tuple[str, set[str]]] = []

    def before_each(step: str) -> None:
        seen.append((step, tables(database)))

    migrate(database, where="here", before_each=before_each, steps=[ONE])
    assert seen == []
    migrate(database, where="here", before_each=before_each, steps=[ONE, TWO])
    assert seen == [("0002_two", {"one", "b"})]


def test_no_step_runs_without_its_copy(database: duckdb.DuckDBPyConnection) -> None:
    def fail(step: str) -> None:
        raise WriteError(where=step, reason="disk full")

    migrate(database, where="here", before_each=refuse, steps=[ONE])
    with pytest.raises(WriteError):
        migrate(database, where="here", before_each=fail, steps=[ONE, TWO])
    assert tables(database) == {"one", "b"}


def test_a_failing_step_leaves_nothing(database: duckdb.DuckDBPyConnection) -> None:
    migrate(database, where="here", before_each=refuse, steps=[ONE])
    with pytest.raises(SchemaError, match=r"step 0002_bad: .*missing"):
        migrate(database, where="here", before_each=lambda _: None, steps=[ONE, BAD])
    assert tables(database) == {"one", "b"}
    assert applied(database) == [("0001_one", ONE.sha256)]
    migrate(database, where="here", before_each=lambda _: None, steps=[ONE, TWO])
    assert tables(database) == {"one", "b", "two"}


def test_a_newer_file_says_which_steps_the_program_lacks(
    database: duckdb.DuckDBPyConnection,
) -> None:
    migrate(database, where="here", before_each=lambda _: None, steps=[ONE, TWO])
    with pytest.raises(
        SchemaError, match=r"here .* 0002_two, the program's newest step is 0001_one"
    ):
        migrate(database, where="here", before_each=refuse, steps=[ONE])


def test_a_changed_step_is_refused(database: duckdb.DuckDBPyConnection) -> None:
    migrate(database, where="here", before_each=refuse, steps=[ONE])
    changed = Migration(name="0001_one", text=f"{ONE.text} ")
    with pytest.raises(SchemaError, match="0001_one is not the text"):
        migrate(database, where="here", before_each=refuse, steps=[changed])


def test_a_step_that_was_skipped_is_refused(
    database: duckdb.DuckDBPyConnection,
) -> None:
    migrate(database, where="here", before_each=refuse, steps=[TWO])
    with pytest.raises(SchemaError, match="0001_one was never run"):
        migrate(database, where="here", before_each=refuse, steps=[ONE, TWO])


def test_a_store_is_copied_beside_itself_before_it_is_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "holdpoint.duckdb"
    with LocalStore(path) as store:
        furnish(store)
    assert not (tmp_path / "backups").exists()
    more = Migration(name="0002_more", text="create table more (a text)")
    monkeypatch.setattr("storage.migrate.migrations", lambda: (*migrations(), more))
    with LocalStore(path):
        pass
    (copy,) = (tmp_path / "backups").iterdir()
    assert copy.name.startswith("before-0002_more-")
    counts = check(copy)
    assert counts["build"] == 2
    assert "more" not in counts


def test_holds_of_before_are_placed_and_ended_after_the_runs_finished_by_then(
    database: duckdb.DuckDBPyConnection,
) -> None:
    """Runs 1, 2, 3 end at 8, 9, 10 o'clock; the hold is of 8:30, its end of 9:30."""
    steps = migrations()
    before = [one for one in steps if one.name < "0011"]
    migrate(database, where="here", before_each=refuse, steps=before)
    for number, hour in ((1, 8), (2, 9), (3, 10)):
        database.execute(
            "insert into run (run, number, kind, product, serial, build, session, "
            "origin, started_at, finished_at, configuration) values "
            "($run, $number, 'unit', 'p', 's', 'b', 's', 'bench', $at, $at, 'c')",
            {"run": f"r{number}", "number": number, "at": f"2026-01-05 {hour:02}:00Z"},
        )
    for name, placed in (("h", "08:30"), ("early", "07:00")):
        database.execute(
            "insert into hold (hold, scope, subject, product, reason, placed_by, "
            "placed_at) values ($name, 'build', 'b', 'p', 'why', 'Ada', $at)",
            {"name": name, "at": f"2026-01-05 {placed}Z"},
        )
    database.execute(
        "insert into hold_end (hold, disposal, person, reason, ended_at) values "
        "('h', 'release', 'Ada', 'why', '2026-01-05 09:30Z')"
    )
    migrate(database, where="here", before_each=lambda _: None, steps=steps)
    begun = database.execute("select hold, after_number from hold order by hold")
    assert begun.fetchall() == [("early", 0), ("h", 1)]
    ended = database.execute("select after_number from hold_end")
    assert ended.fetchall() == [(2,)]


def test_an_older_program_leaves_a_newer_file_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "holdpoint.duckdb"
    more = Migration(name="0002_more", text="create table more (a text)")
    with monkeypatch.context() as newer:
        newer.setattr("storage.migrate.migrations", lambda: (*migrations(), more))
        LocalStore(path).close()
    before = path.read_bytes()
    with pytest.raises(SchemaError, match="0002_more"):
        LocalStore(path)
    assert path.read_bytes() == before


def test_a_session_of_before_was_set_up_where_the_bench_itself_measured(
    database: duckdb.DuckDBPyConnection,
) -> None:
    """Runs of the bench or of its check standard; typed and imported ones are not."""
    steps = migrations()
    place = [one.name for one in steps].index("0012_set_up")
    migrate(database, where="here", before_each=lambda _: None, steps=steps[:place])
    sessions = {
        "measured": ("unit", "bench", True),
        "checked": ("check", "typed", True),
        "typed": ("unit", "typed", False),
        "imported": ("unit", "import", False),
        "empty": (None, None, False),
    }
    for number, (session, (kind, origin, _)) in enumerate(sessions.items(), start=1):
        database.execute(
            "insert into session values ($session, 'bench', now(), 'c0ffee')",
            {"session": session},
        )
        if kind is not None:
            database.execute(
                "insert into run (run, number, kind, product, serial, build, session, "
                "origin, started_at, finished_at, configuration) values ($run, "
                "$number, $kind, 'p', 'S1', 'B1', $session, $origin, now(), now(), "
                "'c0ffee')",
                {
                    "run": session,
                    "number": number,
                    "kind": kind,
                    "session": session,
                    "origin": origin,
                },
            )
    migrate(
        database, where="here", before_each=lambda _: None, steps=steps[: place + 1]
    )
    rows = database.execute("select session, set_up from session").fetchall()
    assert dict(rows) == {name: one[2] for name, one in sessions.items()}
