"""No question about one subject reads a row a unit, nor asks a finding at a time.

Both are counted, not timed.

What such questions take is told by `pytest -m bench tests/bench/test_flat.py`.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from storage import engine
from storage.local import LocalStore
from tests.bench.flat_questions import OF_ROWS, Asked
from tests.bench.long_history import A_BUILD, PARTS, fill

SHORT, LONG = 500, 2_500
"""Both have more builds than are shown."""
A_ROW_A_BUILD = len(PARTS)
"""The most rows a build that may be read: that many reels are fitted."""


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Asked, Asked]]:
    """Give a short and a long history; the watch knows nothing of them."""
    with ExitStack() as way_out:
        made = []
        for units in (SHORT, LONG):
            path: Path = tmp_path_factory.mktemp("flat") / "holdpoint.duckdb"
            store = way_out.enter_context(LocalStore(path))
            fill(store, units)
            made.append(Asked(units=units, store=store))
        yield made[0], made[1]


@dataclass
class Read:
    """What was read, by statement: its most rows, and how often it was asked."""

    rows: Counter[str] = field(default_factory=Counter)
    times: Counter[str] = field(default_factory=Counter)


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> Read:
    """Count what is read, asked inside a transaction or not."""
    counted = Read()

    def counting(answer: Callable[..., Any]) -> Callable[..., Any]:
        def answered(of: object, sql: str, parameters: object) -> Any:
            found = answer(of, sql, parameters)
            counted.rows[sql] = max(counted.rows[sql], rows_of(found))
            counted.times[sql] += 1
            return found

        return answered

    for kind, name in (
        (engine.Engine, "table"),
        (engine.Engine, "columns"),
        (engine._Writing, "ask"),
    ):
        monkeypatch.setattr(kind, name, counting(getattr(kind, name)))
    return counted


def rows_of(answer: Any) -> int:
    """Return how many rows an answer has, given as rows or by column."""
    if isinstance(answer, Mapping):
        return len(next(iter(answer.values())))
    return len(answer)


@pytest.mark.parametrize("question", OF_ROWS)
def test_a_longer_history_gives_no_more_rows(
    both: tuple[Asked, Asked], read: Read, question: str
) -> None:
    short, long = both
    OF_ROWS[question](short)
    rows_before, times_before = dict(read.rows), read.times.total()
    read.rows.clear()
    read.times.clear()
    OF_ROWS[question](long)
    assert read.rows
    assert read.times.total() <= times_before
    a_row_a_build = A_ROW_A_BUILD * long.units // A_BUILD
    for sql, rows in read.rows.items():
        assert rows <= rows_before.get(sql, 0) or rows <= a_row_a_build, sql


def test_a_question_that_reads_all_would_be_noticed(
    both: tuple[Asked, Asked], read: Read
) -> None:
    """The measure itself."""
    _, long = both
    assert A_ROW_A_BUILD * long.units // A_BUILD < long.units
    long.store.table("unit", product="photodiode-amplifier")
    assert max(read.rows.values()) == long.units
