"""A daemon serves from the start on, and judges nothing before it has caught up."""

from collections.abc import Iterator
from pathlib import Path
from threading import Event, Thread
from types import SimpleNamespace
from typing import Any

import pytest

from daemon.bench.clock import ScaledClock
from daemon.service.worker import Worker
from daemon.station import Desk, Order
from daemon.watch import Fold, fold as folding
from daemon.watch.fold import EVERY
from daemon.watch.kept_line import go_on_from
from storage import LineMark
from storage.local import LocalStore
from tests.daemon.making import demo_settings
from tests.daemon.seeded import seeded_home

SETTINGS = demo_settings().model_copy(update={"bench": None})
NAME = SETTINGS.product.name


@pytest.fixture
def begun(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """Offer a worker over thirty units of which nothing is kept."""
    monkeypatch.setattr(folding, "EVERY", 5)
    home = seeded_home(tmp_path / "home")
    with LocalStore(home.store) as store:
        with store._database.transaction() as transaction:
            transaction.run("delete from line_mark", {})
        clock = ScaledClock()
        desk = Desk(utc=clock.utc, stop=Event())
        yield Worker(SETTINGS, home, store, desk, clock), desk, store


def test_orders_wait_until_the_runs_of_before_are_looked_through(
    begun: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    worker, desk, _ = begun
    assert desk.snapshot()["history"] is None
    go_on, reached = Event(), Event()
    marked = Fold._mark

    def mark(fold: Fold, number: int) -> None:
        marked(fold, number)
        if number >= 20:
            reached.set()
            assert go_on.wait(60.0)

    monkeypatch.setattr(Fold, "_mark", mark)
    thread = Thread(target=worker.work)
    thread.start()
    try:
        assert reached.wait(60.0)
        ticket = desk.place(Order(work="end session")).ticket
        now = desk.snapshot()
        assert now["phase"] == "catching up"
        assert now["catching_up"] == (
            "Run 15 of 30 is looked through. No unit is judged before the last one is."
        )
        assert now["waiting"] == 1
        go_on.set()
        looks = (desk.ticket(ticket, wait_s=30.0) for _ in range(10))
        ended = next((one for one in looks if one is not None and one.ended), None)
        assert ended is not None, "it took minutes"
        now = desk.snapshot()
        assert now["catching_up"] is None
        assert now["history"].startswith(
            "Build B-3 is compared with 2 earlier builds of 20 units."
        )
        assert now["refolded"] == (
            "No record is lost. All runs were looked through again: what they taught "
            "was not stored yet."
        )
    finally:
        go_on.set()
        desk.stop.set()
        thread.join()


def test_a_daemon_told_to_stop_while_it_catches_up_goes_on_from_there_at_the_next(
    begun: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    worker, desk, store = begun
    monkeypatch.setattr("daemon.watch.product_watch.MARKS_AT_ONCE", 1)
    marked = Fold._mark

    def mark(fold: Fold, number: int) -> None:
        marked(fold, number)
        if number == 15:
            desk.stop.set()

    monkeypatch.setattr(Fold, "_mark", mark)
    worker.work()
    assert [one.number for one in store.rows(LineMark, product=NAME)] == [5, 10]
    assert desk.snapshot()["history"] is None
    desk.stop.clear()
    monkeypatch.setattr(Fold, "_mark", marked)
    worker.catch_up()
    assert desk.snapshot()["refolded"] is None
    assert desk.snapshot()["history"] is not None


def test_so_few_runs_that_nothing_is_kept_yet_are_looked_through_without_a_word() -> (
    None
):
    """A second import of four units took no time: it is no news to anybody."""
    empty: Any = SimpleNamespace(rows=lambda *_, **__: [])
    fold: Any = None
    assert go_on_from(fold, empty, "p", "as it is", until=EVERY - 1) is None
    why = go_on_from(fold, empty, "p", "as it is", until=EVERY)
    assert why == "what they taught was not stored yet"
