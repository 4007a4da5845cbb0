"""Units of which less is known, or less sure, weigh less: from readings to finding."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from daemon.bench.readings import RangeReadings
from daemon.metrology.level_readings import Readings
from daemon.metrology.range_error import MeterSpecification, Temperature, range_error
from daemon.station.cycle import Cycle, RunHeader
from storage.local import LocalStore
from storage.records import Build, Configuration, Product, Session, Signal
from tests.daemon.making import AT, demo_settings, readings

SETTINGS = demo_settings()
NAME = SETTINGS.product.name
FAR_PPM = 2500.0


@pytest.fixture
def store(tmp_path: Path) -> Iterator[LocalStore]:
    with LocalStore(tmp_path / "holdpoint.duckdb") as one:
        one.keep(Configuration(configuration="c", body="{}", stored_at=AT))
        one.keep(Product(product=NAME, title="x"))
        one.keep(Build(build="B-1", product=NAME, planned_units=20, opened_at=AT))
        one.keep(Session(session="s", bench="demo", opened_at=AT, configuration="c"))
        yield one


def noisy(one: RangeReadings, spread: float) -> RangeReadings:
    """Return readings of which the output scatters by a share of itself, mean kept."""
    points = tuple(
        replace(p, output=(p.output[0] * (1 - spread), p.output[1] * (1 + spread)))
        for p in one.points
    )
    return replace(one, points=points)


def measure(cycle: Cycle, index: int, taken: Sequence[RangeReadings]) -> list[Signal]:
    header = RunHeader(
        serial=f"PA-{index:03d}",
        build="B-1",
        session="s",
        origin="bench",
        started_at=AT,
        finished_at=AT,
        configuration="c",
        run=f"run-{index}",
    )
    cycle.record(taken, header, {})
    return cycle.watch()


def after_eight_good_units(store: LocalStore) -> Cycle:
    cycle = Cycle(SETTINGS, store)
    cycle.resume()
    chance = np.random.default_rng(3)
    for index in range(8):
        errors = chance.normal(0.0, 150.0, 4).tolist()
        assert measure(cycle, index, readings(cycle.product, errors)) == []
    return cycle


@pytest.mark.parametrize(("spread", "found"), [(0.0, True), (2e-3, False)])
def test_units_that_were_read_badly_prove_little(
    store: LocalStore, spread: float, found: bool
) -> None:
    """The same errors raise a finding or not, by how sure each was read."""
    cycle = after_eight_good_units(store)
    said: list[Signal] = []
    for index in range(8, 11):
        taken = readings(cycle.product, [0.0, 0.0, FAR_PPM, 0.0])
        said += measure(cycle, index, [noisy(one, spread) for one in taken])
    assert bool(said) is found


def test_a_unit_of_which_one_range_was_read_counts_for_that_range(
    store: LocalStore,
) -> None:
    cycle = after_eight_good_units(store)
    said: list[Signal] = []
    for index in range(8, 14):
        taken = readings(cycle.product, [0.0, 0.0, FAR_PPM, 0.0])
        # Every third unit is measured whole, the others on the 100 µA range alone.
        said = measure(cycle, index, taken if index % 3 == 0 else taken[2:3])
    assert said[-1].range == "100uA"
    assert said[-1].first_serial == "PA-008"
    kept = store.frame("range_rows", product=NAME, after=8, kind="unit")
    assert kept.groupby("number").size().tolist() == [1, 4, 1, 1, 4, 1]


def test_ranges_that_were_not_read_say_nothing_about_themselves(
    store: LocalStore,
) -> None:
    cycle = after_eight_good_units(store)
    for index in range(8, 14):
        taken = readings(cycle.product, [0.0, 0.0, FAR_PPM, 0.0])
        assert measure(cycle, index, taken[:2]) == []


def test_of_its_own_is_neither_the_meters_accuracy_nor_the_rooms_warmth() -> None:
    """Four readings 100 ppm off either way: s over root n is 100 over root 3 ppm."""

    def own(temperature: Temperature | None, accuracy_ppm: float) -> float:
        meter = MeterSpecification(full_scale=1.0, of_reading_ppm=accuracy_ppm)
        return range_error(
            reference=Readings(zero_before=[0, 0], level=[1.0] * 4, zero_after=[0, 0]),
            output=Readings(
                zero_before=[0, 0],
                level=[1.0 - 1e-4, 1.0 + 1e-4, 1.0 - 1e-4, 1.0 + 1e-4],
                zero_after=[0, 0],
            ),
            nominal_transfer=1.0,
            full_scale=1.0,
            reference_meter=meter,
            output_meter=meter,
            temperature=temperature,
        ).own_uncertainty_ppm

    warm = Temperature(ambient_c=33.0, bounds_ppm_per_k={"R11": 25.0})
    assert own(None, 25.0) > 100.0 / np.sqrt(3.0)
    assert own(warm, 500.0) == pytest.approx(own(None, 25.0), rel=1e-12)
