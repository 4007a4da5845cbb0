"""A long history costs nothing: what is asked of one unit costs the same after it.

Processor time is taken in turns over a short and a long history, so that both see one
machine, and compared as a ratio. `-m bench` prints the table; what runs always counts
rows, in `test_flat_rows.py`.
"""

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import timedelta
from functools import partial
from statistics import median
from time import process_time
from typing import Self

import numpy as np
import pytest

from config.load import fingerprint
from daemon.service.home import Home
from daemon.station.cycle import Cycle, RunHeader
from daemon.watch import ProductWatch, from_rows, product_watch
from storage import LineMark, Mark
from storage.local import LocalStore
from storage.records import Build, Session
from tests.bench.flat_questions import OF_ROWS, Asked
from tests.bench.long_history import (
    A_BUILD,
    NAME,
    RANGES,
    SETTINGS,
    long_home,
)
from tests.daemon.making import AT, readings, scattering

SHORT, LONG = 1_000, 20_000


@dataclass
class Side(Asked):
    """One history, and a cycle that goes on from it."""

    home: Home
    cycle: Cycle
    measured: int = 0
    chance: np.random.Generator = field(
        default_factory=lambda: np.random.default_rng(1)
    )

    @classmethod
    def over(cls, units: int, home: Home, store: LocalStore) -> Self:
        """Open a build and a session, and take up what was watched."""
        later = AT + timedelta(days=9000)
        store.keep(
            Build(build="B-new", product=NAME, planned_units=None, opened_at=later),
            Session(
                session="s-new",
                bench="demo",
                opened_at=later,
                configuration=fingerprint(SETTINGS)[0],
            ),
        )
        cycle = Cycle(SETTINGS, store)
        cycle.resume()
        return cls(units=units, home=home, store=store, cycle=cycle)

    def measure(self) -> None:
        """Record a unit, and watch it: from the last reading to the decision."""
        self.measured += 1
        header = RunHeader(
            serial=f"NEW-{self.measured:04d}",
            build="B-new",
            session="s-new",
            origin="bench",
            started_at=AT + timedelta(days=9000),
            finished_at=AT + timedelta(days=9000),
            configuration=fingerprint(SETTINGS)[0],
        )
        cycle = self.cycle
        perfect = readings(cycle.product, [0.0] * len(RANGES))
        # Of readings that scatter by nothing an uncertainty is told in no time.
        cycle.record(scattering(perfect, self.chance), header, {})
        cycle.watch()
        (mark,) = self.store.rows(Mark, product=NAME)
        assert mark.number == self.units + self.units // A_BUILD + self.measured

    def start(self) -> None:
        """Go on as a daemon does at its start."""
        again = ProductWatch(SETTINGS, self.store)
        again.remember()
        assert again.refolded is None

    def history(self) -> None:
        """Say what the latest build is held against, as `status` does."""
        assert ProductWatch(SETTINGS, self.store).history()


def _asked(ask: Callable[[Asked], None], side: Side) -> None:
    ask(side)


WATCHED: dict[str, tuple[Callable[[Side], None], float]] = {
    "last reading to durable decision": (Side.measure, 1.5),
    "daemon start": (Side.start, 2.0),
    "status, held against": (Side.history, 2.0),
}
"""What the watch does, and how many times more twenty times the history may take."""
OF_ROWS_TIMES = 2.5
"""The same for questions about rows: the database reads a column to its end."""
QUESTIONS = {
    name: (partial(_asked, ask), OF_ROWS_TIMES) for name, ask in OF_ROWS.items()
} | WATCHED


@pytest.fixture(scope="module")
def sides() -> Iterator[tuple[Side, Side]]:
    """Give a short and a long history, each copied for this module."""
    with ExitStack() as way_out:
        made = []
        for units in (SHORT, LONG):
            home = way_out.enter_context(long_home(units))
            store = way_out.enter_context(LocalStore(home.store))
            made.append(Side.over(units, home, store))
        yield made[0], made[1]


@pytest.mark.bench
@pytest.mark.parametrize("question", QUESTIONS)
def test_twenty_times_the_history_costs_no_more(
    sides: tuple[Side, Side], question: str
) -> None:
    ask, times = QUESTIONS[question]
    taken: tuple[list[float], list[float]] = ([], [])
    for _ in range(9):
        for side, of in zip(sides, taken, strict=True):
            begin = process_time()
            ask(side)
            of.append(1e3 * (process_time() - begin))
    short_ms, long_ms = map(median, taken)
    print(  # noqa: T201 -- the figures are the result
        f"\n{question}: {short_ms:.1f} ms after {SHORT} units, {long_ms:.1f} ms after "
        f"{LONG}, ratio {long_ms / short_ms:.2f}"
    )
    assert long_ms <= times * short_ms


@pytest.mark.bench
def test_a_start_reads_no_more_runs_after_a_long_history(
    sides: tuple[Side, Side], monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[int] = []
    ask = from_rows.runs_after

    def counted(*given: object, **more: object) -> list[from_rows.RunRows]:
        rows = ask(*given, **more)  # type: ignore[arg-type]
        read[-1] += len(rows)
        return rows

    monkeypatch.setattr(product_watch, "runs_after", counted)
    for side in sides:
        read.append(0)
        side.start()
        assert len(side.store.rows(LineMark, product=NAME)) <= 17
    assert max(read) <= 30
