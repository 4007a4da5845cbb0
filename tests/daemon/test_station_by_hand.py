"""A bench without a selector: a person turns the switch and answers the checks."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread
from typing import Any

import pytest

from config.model import Settings
from daemon.bench.bench import Bench
from daemon.bench.clock import VirtualClock
from daemon.bench.retry import NEVER
from daemon.bench.wire import by_address
from daemon.simulator.direct import DirectBench
from daemon.simulator.rig import BenchNature, Rig
from daemon.simulator.scenario import story
from daemon.station.cycle import Cycle
from daemon.station.desk import Desk
from daemon.station.session import Station
from storage.local import LocalStore
from storage.records import Build, Configuration, Product, Verdict
from tests.daemon.making import AT, demo_settings
from tests.daemon.simulator.benches import CLEAN
from tests.daemon.test_beside import PLAN

ANSWERS = {"supply current": "11 mA", "label is readable": "yes", "input drop": "3 mV"}


class Operator:
    """Does what the prompts say, on a thread of its own."""

    def __init__(self, desk: Desk, rig: Rig) -> None:
        self.said: list[str] = []
        self.confirms: tuple[str, ...] = ()
        """Ranges whose turning the bench cannot see."""
        self._desk = desk
        self._rig = rig
        self._gone = Event()
        self._thread = Thread(target=self._work)

    def __enter__(self) -> "Operator":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._gone.set()
        self._thread.join(60.0)

    def _work(self) -> None:
        seen = None
        while not self._gone.is_set():
            prompt = self._desk.snapshot()["prompt"]
            if prompt is not None and prompt["prompt"] != seen:
                seen = prompt["prompt"]
                self.said.append(prompt["text"])
                self._act(prompt)
            self._gone.wait(0.01)

    def _act(self, prompt: dict[str, Any]) -> None:
        text = prompt["text"]
        for name, answer in ANSWERS.items():
            if name in text:
                self._desk.answer(prompt["prompt"], answer)
                return
        if "Does its switch stand at" in text:
            self._desk.answer(prompt["prompt"], "yes")
            return
        ranges = self._rig.settings.product.ranges
        for key, one in ranges.items():
            if f"its switch to {one.title}" in text:
                self._rig.turn(key)
                if key in self.confirms:
                    self._desk.answer(prompt["prompt"], "done")
                return


def by_hand(demo: Settings) -> Settings:
    """Return settings without selector and check standard, with checks."""
    assert demo.bench is not None
    bench = demo.bench.model_copy(update={"selector": None, "check_standard": None})
    plan = demo.plan.model_copy(update={"checks": PLAN})
    return demo.model_copy(update={"bench": bench, "plan": plan})


@pytest.fixture
def store(tmp_path: Path) -> Iterator[LocalStore]:
    """Return a store with one build."""
    product = demo_settings().product
    with LocalStore(tmp_path / "holdpoint.duckdb") as one:
        one.keep(Configuration(configuration="c", body="{}", stored_at=AT))
        one.keep(Product(product=product.name, title=product.title))
        one.keep(
            Build(build="B-1", product=product.name, planned_units=2, opened_at=AT)
        )
        yield one


@contextmanager
def station_of(
    settings: Settings, store: LocalStore
) -> Iterator[tuple[Station, Rig, Operator]]:
    """Yield a station without a selector, its rig, and an operator at work."""
    assert settings.bench is not None
    clock = VirtualClock()
    rig = Rig(settings, story(settings, 1, line=CLEAN), clock, nature=BenchNature())
    cycle = Cycle(settings, store)
    desk = Desk(utc=lambda: AT, stop=Event())
    with (
        Bench(
            settings.bench,
            settings.product,
            settings.plan.reading,
            profiles=settings.profiles,
            nominal_transfer={
                one.key: one.nominal_transfer for one in cycle.product.ranges
            },
            connect=by_address(DirectBench(rig).connect),
            clock=clock,
            retry=NEVER,
            guarded=False,
        ) as bench,
        Operator(desk, rig) as operator,
    ):
        station = Station(cycle, bench, desk=desk, clock=clock, configuration="c")
        yield station, rig, operator


def test_a_wrong_decade_part_ends_judged_with_words(store: LocalStore) -> None:
    """R13 is an R12: the 100 µA range cannot be told from the 10 µA range."""
    settings = by_hand(demo_settings())
    with station_of(settings, store) as (station, rig, operator):
        board = rig.scenario.board("PA-1001")
        wrong = {**board.parts_ohm, "R13": board.parts_ohm["R12"]}
        object.__setattr__(board, "parts_ohm", wrong)
        rig.mount("PA-1001")
        operator.confirms = ("100uA",)
        recorded = station.unit(
            serial="PA-1001", build="B-1", ranges=tuple(settings.product.ranges)
        )
    verdicts = {one.range: one.verdict for one in recorded.results}
    assert verdicts.pop("100uA") is Verdict.NONCONFORMING
    assert set(verdicts.values()) == {Verdict.CONFORMING}
    error_ppm = {one.range: one.error_ppm for one in recorded.results}["100uA"]
    assert error_ppm == pytest.approx(9e6, rel=0.02)  # ten times what it should be
    (note,) = set(store.frame("unit_runs", serial="PA-1001")["note"])
    assert "a part of the wrong decade is on the board" in note
    assert sum("Does its switch stand at" in one for one in operator.said) == 1


def test_a_unit_is_measured_as_its_switch_is_turned_and_its_checks_answered(
    store: LocalStore,
) -> None:
    settings = by_hand(demo_settings())
    with station_of(settings, store) as (station, rig, operator):
        rig.mount("PA-1001")
        recorded = station.unit(
            serial="PA-1001", build="B-1", ranges=tuple(settings.product.ranges)
        )
    assert {one.verdict for one in recorded.results} == {Verdict.CONFORMING}
    assert [one.range for one in recorded.results] == ["1uA", "10uA", "100uA", "1mA"]
    kept = {one.name: one for one in recorded.checks}
    assert set(kept) == set(PLAN)
    assert kept["supply current"].value == 0.011
    # Read at 0.9 of full scale, kept as of full scale.
    assert kept["input drop"].value == pytest.approx(0.003 / 0.9)
    # The range's full scale is 1 V at the output.
    offset_v = recorded.results[0].offset_ppm * 1e-6
    assert kept["offset"].value == pytest.approx(offset_v, rel=0.02, abs=2e-6)
    assert not rig.state().source_on
    assert sum("its switch to" in one for one in operator.said) == 3
