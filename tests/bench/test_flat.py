"""A long history costs nothing: what is asked of one unit costs the same after it.

Everything is timed in turns over a short and a long history, so that both see one
machine, and compared as a ratio. `-m bench` prints the table.
"""

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import timedelta
from statistics import median
from time import perf_counter

import pytest

from config.load import fingerprint
from daemon.holds import doubted
from daemon.service.home import Home
from daemon.station.cycle import Cycle, RunHeader
from daemon.watch import ProductWatch, from_rows, product_watch
from storage import HoldState, LineMark, Mark
from storage.local import LocalStore
from storage.records import Build, Session
from storage.records_shipping import ShipRule
from tests.bench.long_history import (
    A_BUILD,
    NAME,
    RANGES,
    SETTINGS,
    long_home,
    serial_of,
)
from tests.daemon.making import AT, readings

SHORT, LONG = 1_000, 20_000


@dataclass
class Side:
    """One history, and a cycle that goes on from it."""

    units: int
    home: Home
    store: LocalStore
    cycle: Cycle
    measured: int = 0

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
        cycle.record(readings(cycle.product, [0.0] * len(RANGES)), header, {})
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

    def holds(self) -> None:
        """List what is held or in doubt."""
        assert self.store.rows(HoldState, product=NAME)
        assert doubted(self.store, NAME)

    def trace(self) -> None:
        """Ask for one unit's runs."""
        rows = self.store.table("unit_runs", serial=serial_of(self.units // 2))
        assert rows.num_rows == len(RANGES)

    def ship(self) -> None:
        """Ask whether a unit may leave."""
        serial = serial_of(self.units - 1)
        rule = ShipRule(ranges=RANGES, configurations=(fingerprint(SETTINGS)[0],))
        self.store.reasons_against(serial, NAME, rule)


QUESTIONS: dict[str, tuple[Callable[[Side], None], float]] = {
    "last reading to durable decision": (Side.measure, 2.0),
    "daemon start": (Side.start, 3.0),
    "status, held against": (Side.history, 3.0),
    "hold list": (Side.holds, 3.0),
    "trace one unit": (Side.trace, 4.0),
    "may it leave": (Side.ship, 3.0),
}
"""What is asked, and how many times longer twenty times the history may take."""


@pytest.fixture(scope="module")
def sides() -> Iterator[tuple[Side, Side]]:
    """Give a short and a long history, each copied for this module."""
    with ExitStack() as way_out:
        made = []
        for units in (SHORT, LONG):
            home = way_out.enter_context(long_home(units))
            store = way_out.enter_context(LocalStore(home.store))
            configuration, _ = fingerprint(SETTINGS)
            later = AT + timedelta(days=9000)
            store.keep(
                Build(build="B-new", product=NAME, planned_units=None, opened_at=later),
                Session(
                    session="s-new",
                    bench="demo",
                    opened_at=later,
                    configuration=configuration,
                ),
            )
            cycle = Cycle(SETTINGS, store)
            cycle.resume()
            made.append(Side(units=units, home=home, store=store, cycle=cycle))
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
            begin = perf_counter()
            ask(side)
            of.append(1e3 * (perf_counter() - begin))
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
