"""What crossing to another process costs, and that history costs nothing."""

from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path
from statistics import median
from time import perf_counter

import pytest

from storage.local import LocalStore
from storage.remote import RemoteStore
from storage.store import Store
from tests.storage.samples import furnish, results, run, unit
from tests.storage.serving import serving

pytestmark = pytest.mark.bench

NUMBERS = count(1)

# The first run again and again, each time of a unit of its own.
HISTORY = (
    """
    insert into unit by name
    select unit.* replace ('U' || i as serial)
    from unit, range(2, $units + 1) as more (i) where serial = 'first'
    """,
    """
    insert into run by name
    select run.* replace ('R' || i as run, 'U' || i as serial, i as number)
    from run, range(2, $units + 1) as more (i) where serial = 'first' order by i
    """,
    """
    insert into range_result by name
    select r.* replace ('R' || i as run, 'U' || i as serial, i as number)
    from range_result as r, range(2, $units + 1) as more (i)
    where serial = 'first' order by i, place
    """,
)


def grow(store: LocalStore, units: int) -> None:
    """Give the store a history of as many units, of four ranges each."""
    with store._database.transaction() as transaction:
        for step in HISTORY:
            transaction.run(step, {"units": units})


def keep(store: Store, serial: str | None = None) -> None:
    """Keep one run of four ranges, 50 readings each."""
    one = run(next(NUMBERS), serial=serial)
    store.record_run(one, results(one, readings=50), unit(one))


def ask(store: Store) -> None:
    """Ask for ten thousand range rows."""
    rows = store.table("range_rows", product="photoamp", after=0, kind="unit")
    assert rows.num_rows >= 10_000


def times_ms(*works: Callable[[], None], repeats: int) -> list[float]:
    """Return the median time of each, taken in turns so that both see one machine."""
    taken: list[list[float]] = [[] for _ in works]
    for _ in range(repeats):
        for work, of in zip(works, taken, strict=True):
            start = perf_counter()
            work()
            of.append(1e3 * (perf_counter() - start))
    return [median(of) for of in taken]


def report(what: str, local_ms: float, other_ms: float) -> float:
    """Print both and return their ratio."""
    ratio = other_ms / local_ms
    print(f"{what}: {local_ms:.1f} ms and {other_ms:.1f} ms, ratio {ratio:.2f}")  # noqa: T201
    return ratio


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[tuple[LocalStore, RemoteStore]]:
    """Return one store of 2500 units, directly and through HTTP."""
    with LocalStore(tmp_path / "holdpoint.duckdb") as local:
        furnish(local)
        keep(local, "first")
        grow(local, 2_500)
        with serving(local) as endpoint, RemoteStore(endpoint) as remote:
            yield local, remote


def test_a_unit_through_http_costs_at_most_twice(
    stores: tuple[LocalStore, RemoteStore],
) -> None:
    local, remote = stores
    medians = times_ms(lambda: keep(local), lambda: keep(remote), repeats=60)
    assert report("a unit, local and through HTTP", *medians) < 2.0


def test_ten_thousand_rows_through_http_cost_at_most_three_times(
    stores: tuple[LocalStore, RemoteStore],
) -> None:
    local, remote = stores
    medians = times_ms(lambda: ask(local), lambda: ask(remote), repeats=20)
    assert report("10 000 rows, local and through HTTP", *medians) < 3.0


def test_a_unit_costs_the_same_after_a_long_history(tmp_path: Path) -> None:
    with (
        LocalStore(tmp_path / "short.duckdb") as short,
        LocalStore(tmp_path / "long.duckdb") as long,
    ):
        for store, units in ((short, 10), (long, 200_000)):
            furnish(store)
            keep(store, "first")
            grow(store, units)
        medians = times_ms(lambda: keep(short), lambda: keep(long), repeats=40)
        assert report("a unit, 10 and 200 000 units before it", *medians) < 1.5
