"""Every named query answers as plain loops over the rows that were kept do."""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from storage.local import LocalStore
from storage.statements import queries
from tests.contract.query_meanings import MEANINGS, TABLES
from tests.contract.two_products import (
    PRODUCTS,
    REELS,
    RUNS_EACH,
    SESSIONS,
    SIGNALS,
    WATCH,
    Book,
    Row,
    told_to,
)
from tests.storage.samples import START, leave_waiting

ASKED: dict[str, Sequence[Any]] = {
    "product": PRODUCTS,
    "after": (0, 7, RUNS_EACH * 2 - 3, 10_000),
    "kind": ("unit", "check"),
    "serial": ("A1-8", "A2-10", "S1-9", "S2-11"),
    "signal": SIGNALS,
    "subject": REELS,
    "session": SESSIONS,
    "bench": ("bench 0", "bench 1"),
    "reel": REELS,
    "run": ("run 0", "run 5", "run 9", "nothing"),
    "configuration": ("c0", "c1", "c2"),
    "target": ("mail", "chat", "nobody"),
    "at": tuple(START + timedelta(minutes=n) for n in (0, 4_000, 20_000)),
    "but_by": (WATCH, "Ada"),
    "cause": ("chart",),
    "build": ("A1", "S2", "nothing"),
    "until": (0, 9, 10_000),
    "place": (0, 1, 2, 6, 100),
    "newest": (1, 3),
    "part": ("a", "1-1", "-9", "%", "nothing"),
    "changed": (True, False),
    "since": tuple(START + timedelta(minutes=n) for n in (-1, 4_000, 10**6)),
    "before": (6, RUNS_EACH, 10_000),
    "range": ("1 uA", "10 uA", "nothing"),
    "most": (1, 2, 60),
    "serials": (json.dumps(["A1-8", "S1-9", "A1-8", "nothing"]), "[]"),
    "builds": (json.dumps(["A1", "S2", "A1", "nothing"]), "[]"),
    "build_in": (json.dumps(["A1", "S2", "A1", "nothing"]), "[]"),
    "runs": (json.dumps(["run 0", "run 5", "run 9", "nothing"]), "[]"),
}
"""What is asked for, by the name of the parameter."""

BY_STORE = {"seq", "previous_hash", "row_hash", "seals", "against", "kept_row"}
"""What the Store alone knows: a place in the ledger's chain, what spoke against it."""


@pytest.fixture(scope="module", params=[1, 2])
def book(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Book]:
    """Return two products' rows, kept and remembered."""
    path: Path = tmp_path_factory.mktemp("book") / "holdpoint.duckdb"
    with LocalStore(path) as store:
        one = told_to(store, request.param)
        leave_waiting(store)
        yield one


def combinations(
    names: Sequence[str], optional: frozenset[str] = frozenset()
) -> Iterator[dict[str, Any]]:
    """Yield every combination of what is asked for; null where that asks for all."""
    if not names:
        yield {}
        return
    for value in (*ASKED[names[0]], *([None] if names[0] in optional else [])):
        for rest in combinations(names[1:], optional):
            yield {names[0]: value, **rest}


def as_plain(row: Mapping[str, Any]) -> Row:
    """Return a row with lists for tuples."""
    return {k: list(v) if isinstance(v, tuple) else v for k, v in row.items()}


def test_every_query_has_its_meaning_here() -> None:
    assert set(MEANINGS) == set(queries())


@pytest.mark.parametrize("query", MEANINGS)
def test_a_query_answers_as_the_loops_do(book: Book, query: str) -> None:
    compare(book, query, sorted(queries()[query].parameters), MEANINGS[query])


@pytest.mark.parametrize("asked", TABLES)
def test_a_record_s_table_answers_as_the_loops_do(book: Book, asked: str) -> None:
    table, fields, meaning = TABLES[asked]
    compare(book, table, fields, meaning)


def compare(
    book: Book, query: str, parameters: Sequence[str], meaning: Callable[..., list[Row]]
) -> None:
    answered = 0
    known = queries().get(query)
    optional = frozenset() if known is None else known.optional
    for given in combinations(parameters, optional):
        found = book.store.table(query, **given).to_pylist()
        meant = meaning(book, **given)
        answered += len(found)
        assert len(found) == len(meant), given
        for row, wanted in zip(found, map(as_plain, meant), strict=True):
            assert {k: v for k, v in row.items() if k not in BY_STORE} == {
                k: wanted[k] for k in row if k not in BY_STORE
            }, given
    assert answered > 0, "nothing was asked that has an answer: nothing was proven"
