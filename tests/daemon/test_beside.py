"""Checks beside range errors: asked, judged, kept with the run, held for."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from statistics import stdev
from threading import Event, Thread

import pytest

from config.model import Beside, RangeReading, Settings
from daemon.bench.readings import Point, RangeReadings
from daemon.judging.inspections import (
    AnswerError,
    answered,
    asked,
    failing,
    linearity,
    results,
    spelled,
)
from daemon.judging.product import ProductModel
from daemon.station.asking import Asking
from daemon.station.cycle import Cycle, RunHeader
from daemon.station.desk import Desk
from storage.local import LocalStore
from storage.records import Build, Configuration, Product, Session, Verdict
from tests.daemon.making import AT, demo_settings, readings

PLAN = {
    "offset": Beside(kind="offset", range="1uA", low=-0.002, high=0.002),
    "noise": Beside(kind="noise", range="1uA", high=0.0005),
    "supply current": Beside(kind="supply current", high=0.012),
    "input drop": Beside(kind="input drop", range="1mA", high=0.01),
    "label is readable": Beside(kind="inspection"),
}
GOOD = {"supply current": 0.011, "input drop": 0.004, "label is readable": 1.0}
ZEROS = ((0.0011, 0.0013, 0.0012), (0.0010, 0.0008, 0.0012))


def settings() -> Settings:
    """Return the demo's settings with checks in the plan."""
    demo = demo_settings()
    plan = demo.plan.model_copy(update={"checks": PLAN})
    return demo.model_copy(update={"plan": plan})


def one_range() -> RangeReadings:
    """Return readings of the 1 µA range whose zeros are known."""
    before, after = (
        Point(level=0.0, reference=(0.0,) * 3, output=zero, at_s=(0.0, 1.0, 2.0))
        for zero in ZEROS
    )
    level = Point(level=9e-7, reference=(9e-7,), output=(0.9,), at_s=(3.0,))
    return RangeReadings(
        range="1uA",
        points=(before, level, after),
        reference_full_scale=1e-6,
        output_full_scale=1.0,
        ambient_c=None,
    )


def test_the_bench_takes_offset_and_noise_from_its_zeros() -> None:
    found = {one.name: one for one in results("r", PLAN, [one_range()], {})}
    assert set(found) == {"offset", "noise"}
    assert found["offset"].value == pytest.approx(sum(map(sum, ZEROS)) / 6)
    pooled = ((stdev(ZEROS[0]) ** 2 + stdev(ZEROS[1]) ** 2) / 2) ** 0.5
    assert found["noise"].value == pytest.approx(pooled)
    assert {one.verdict for one in found.values()} == {Verdict.CONFORMING}


@pytest.mark.parametrize(
    ("name", "value", "verdict"),
    [
        ("supply current", 0.012, Verdict.CONFORMING),
        ("supply current", 0.01201, Verdict.NONCONFORMING),
        ("offset", -0.00201, Verdict.NONCONFORMING),
        ("label is readable", 0.0, Verdict.NONCONFORMING),
    ],
)
def test_a_limit_itself_conforms_and_beyond_it_does_not(
    name: str, value: float, verdict: Verdict
) -> None:
    (found,) = results("r", PLAN, [], {name: value})
    assert found.verdict is verdict
    assert (failing([found]) is None) == (verdict is Verdict.CONFORMING)


def at_two_levels(settings: Settings, bent_ppm: float) -> list[RangeReadings]:
    """Return readings of every range, half its full scale off the line by so much."""
    found = []
    for one in readings(ProductModel.of(settings.product), [0.0] * 4):
        before, level, after = one.points
        half = Point(
            level=level.level / 1.8,
            reference=tuple(value / 1.8 for value in level.reference),
            output=tuple(
                value / 1.8 + bent_ppm * 1e-6 * value / 0.9 for value in level.output
            ),
            at_s=level.at_s,
        )
        found.append(replace(one, points=(before, half, level, after)))
    return found


def with_further_levels() -> Settings:
    """Return the demo's settings with a limit of linearity, wider on one range."""
    demo = demo_settings()
    reading = demo.plan.reading.model_copy(
        update={
            "linearity_levels": (0.5,),
            "linearity_limit_ppm": 50.0,
            "ranges": {"1mA": RangeReading(linearity_limit_ppm=80.0)},
        }
    )
    plan = demo.plan.model_copy(update={"reading": reading})
    return demo.model_copy(update={"plan": plan})


def test_linearity_is_judged_by_its_own_limit_either_way() -> None:
    one = with_further_levels()
    over, under = (
        linearity("r", one, at_two_levels(one, bent_ppm)) for bent_ppm in (70.0, -70.0)
    )
    for found, bent_ppm in ((over, 70.0), (under, -70.0)):
        assert [check.name for check in found] == [
            f"linearity of {key}" for key in one.product.ranges
        ]
        assert [check.value for check in found] == pytest.approx([bent_ppm] * 4)
        assert [check.verdict for check in found] == [
            *[Verdict.NONCONFORMING] * 3,
            Verdict.CONFORMING,
        ]
    assert spelled(under[0]) == "linearity of 1uA -70 ppm (from -50 ppm to 50 ppm)"


def test_one_level_tells_no_linearity() -> None:
    one = with_further_levels()
    assert linearity("r", one, readings(ProductModel.of(one.product), [0.0] * 4)) == ()


def test_a_person_is_asked_for_what_the_readings_do_not_tell() -> None:
    every = ("1uA", "1mA")
    assert set(asked(PLAN, typed=False, ranges=every)) == set(GOOD)
    assert set(asked(PLAN, typed=True, ranges=every)) == {*GOOD, "noise"}
    assert "input drop" not in asked(PLAN, typed=False, ranges=("1uA",))


def test_answers_are_read_with_units_and_prefixes() -> None:
    assert answered("supply current", PLAN["supply current"], "11.2 mA") == 0.0112
    assert answered("label", PLAN["label is readable"], " No ") == 0.0
    for name, wrong in (("supply current", "lots"), ("label is readable", "1")):
        with pytest.raises(AnswerError, match=name):
            answered(name, PLAN[name], wrong)


def test_an_answer_to_no_check_is_refused() -> None:
    with pytest.raises(AnswerError, match="colour"):
        results("r", PLAN, [], {"colour": 1.0})


def test_the_bench_asks_again_until_the_answer_is_a_value() -> None:
    desk = Desk(utc=lambda: AT, stop=Event())
    titles = ProductModel.of(demo_settings().product).titles
    asking = Asking(PLAN, titles, desk, "PA-1", {"label is readable": 1.0})
    kept_on: list[int] = []

    def work() -> None:
        asking.at_level("1mA", share=0.9, keep_on=lambda: kept_on.append(1))
        asking.rest(("1uA", "1mA"))

    worker = Thread(target=work)
    worker.start()
    said = []
    for answer in ("3.6 mV", "plenty", "11 mA"):
        while (prompt := desk.snapshot()["prompt"]) is None:
            pass
        said.append((prompt["text"], prompt["wants"]))
        desk.answer(prompt["prompt"], answer)
    worker.join(60.0)
    assert asking.answers["input drop"] == pytest.approx(0.004)
    assert asking.answers["supply current"] == pytest.approx(0.011)
    assert "input drop on range 1 mA, in V" in said[0][0]
    assert said[0][1] == "V"
    assert "plenty" in said[2][0]


@pytest.fixture
def cycle(tmp_path: Path) -> Iterator[Cycle]:
    """Return a cycle over a store with one build and session."""
    with stored(settings(), tmp_path) as one:
        yield one


@contextmanager
def stored(one: Settings, tmp_path: Path) -> Iterator[Cycle]:
    """Open a cycle over a store with one build and session."""
    name = one.product.name
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        store.keep(Configuration(configuration="c", body="{}", stored_at=AT))
        store.keep(Product(product=name, title="x"))
        store.keep(Build(build="B-1", product=name, planned_units=2, opened_at=AT))
        store.keep(Session(session="s", bench="demo", opened_at=AT, configuration="c"))
        yield Cycle(one, store)


def header(serial: str) -> RunHeader:
    """Return the head of a run of a unit of B-1."""
    return RunHeader(
        serial=serial,
        build="B-1",
        session="s",
        origin="typed",
        started_at=AT,
        finished_at=AT,
        configuration="c",
        run=f"run-{serial}",
    )


def test_a_failing_check_makes_the_unit_nonconforming_and_holds_it(
    cycle: Cycle,
) -> None:
    good = readings(cycle.product, [0.0] * 4)
    first = cycle.record(good, header("PA-1"), {}, GOOD)
    bad = {**GOOD, "supply current": 0.0131, "label is readable": 0.0}
    second = cycle.record(good, header("PA-2"), {}, bad)
    cycle.watch()
    assert first.verdict is Verdict.CONFORMING
    assert second.verdict is Verdict.NONCONFORMING
    name = cycle.settings.product.name
    (hold,) = cycle.store.frame("holds", product=name).to_dict("records")
    assert hold["subject"] == "PA-2"
    assert hold["reason"] == "Check failed: supply current, label is readable"
    (build,) = cycle.store.frame("builds", product=name).to_dict("records")
    assert build["first_pass_yield"] == 0.5
    kept = cycle.store.frame("check_results", product=name, after=0)
    assert len(kept) == 8  # noise needs three readings at zero


def test_a_bent_range_makes_its_unit_nonconforming_and_is_kept(tmp_path: Path) -> None:
    one = with_further_levels()
    with stored(one, tmp_path) as cycle:
        straight = cycle.record(at_two_levels(one, 10.0), header("PA-1"), {})
        bent = cycle.record(at_two_levels(one, 90.0), header("PA-2"), {})
        cycle.watch()
        assert straight.verdict is Verdict.CONFORMING
        assert bent.verdict is Verdict.NONCONFORMING
        name = one.product.name
        kept = cycle.store.frame("check_results", product=name, after=1)
        assert set(kept["unit"]) == {"ppm"}
        assert list(kept["value"]) == pytest.approx([90.0] * 4)
        (hold,) = cycle.store.frame("holds", product=name).to_dict("records")
        assert (hold["subject"], hold["reason"][:12]) == ("PA-2", "Check failed")
