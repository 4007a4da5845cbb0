"""The SQL files speak for themselves."""

import re
from pathlib import Path

import pytest

import storage
from storage.errors import NotFoundError, RefusedValueError
from storage.statements import migrations, queries, query, schema_version

FOLDER = Path(storage.__file__).parent / "sql"
FILES = sorted(FOLDER.rglob("*.sql"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_each_file_starts_by_saying_what_it_is(path: Path) -> None:
    assert path.read_text().startswith("-- ")


@pytest.mark.parametrize("name", queries())
def test_a_query_says_what_a_row_means(name: str) -> None:
    assert query(name).text.startswith("-- One row")


@pytest.mark.parametrize("name", queries())
def test_a_query_is_one_statement_that_only_reads(name: str) -> None:
    text = re.sub(r"--[^\n]*", "", query(name).text).strip()
    assert re.match(r"(select|with)\b", text)
    assert text.count(";") == 1
    assert text.endswith(";")


@pytest.mark.parametrize("name", queries())
def test_a_query_gives_its_rows_an_order(name: str) -> None:
    single = {
        "changes",
        "last_good_check",
        "known_builds",
        "left_since",
        "known_units",
        "measured_units",
        "latest_check",
        "latest_run",
        "watermark",
    }  # at most one row
    assert ("order by" in query(name).text) != (name in single)


def test_migrations_are_numbered_without_gaps() -> None:
    numbers = [int(one.name.split("_")[0]) for one in migrations()]
    assert numbers == list(range(1, len(numbers) + 1))
    assert schema_version() == migrations()[-1].name


def test_parameters_are_read_from_the_text_but_not_from_comments() -> None:
    assert query("range_rows").parameters == {"product", "after", "kind"}
    assert query("decided").parameters == set()


def test_an_unknown_query_is_named() -> None:
    with pytest.raises(NotFoundError, match="unknown query 'everything'"):
        query("everything")


def test_wrong_parameters_are_named_beside_the_right_ones() -> None:
    with pytest.raises(
        RefusedValueError,
        match=r"parameters of query 'watermark' = build: must be product",
    ):
        query("watermark").check(frozenset({"build"}))
