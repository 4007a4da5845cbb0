"""Histories and data that a detector cannot lean on: a clear answer each."""

from collections.abc import Sequence

import numpy as np
import pytest

from config.model import Product
from daemon.judging.product import ProductModel
from daemon.presentation.sentences import BY_SHIPPED_LIMIT, finding
from daemon.watch import Watcher
from storage.records import Fitting, Signal
from tests.daemon.making import demo_product, demo_settings, unit


def fill(
    watcher: Watcher,
    build: str,
    errors: np.ndarray,
    fittings: Sequence[Fitting] = (),
) -> Signal | None:
    """Take a build unit by unit; return the latest revision of a finding, if any."""
    first = 1 + sum(watcher.fold.count_of(one) for one in watcher.fold.builds)
    said = [
        one
        for n, row in enumerate(errors, start=first)
        for one in watcher.take(
            unit(n, f"PA-{n - 1:03d}", build, row.tolist()), fittings
        )
    ]
    return said[-1] if said else None


def good(seed: int, units: int = 20, ranges: int = 4) -> np.ndarray:
    chance = np.random.default_rng(seed)
    own: np.ndarray = chance.normal(0.0, 150.0, (units, ranges))
    return own


def test_without_an_earlier_build_it_is_said_and_the_tolerances_judge() -> None:
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    first = "is the first one: it is compared with the tolerances of the parts alone."
    assert watcher.history() == f"The next build {first}"
    said = f"Build B-1 {first}"
    errors = good(1, 6)
    errors[:, 2] += 8000.0
    found = fill(watcher, "B-1", errors)
    assert found is not None
    assert found.range == "100uA"
    assert f"{said} {BY_SHIPPED_LIMIT}" in finding(found).lines


def test_a_history_that_is_all_alike_is_not_spoken_against() -> None:
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    for n in range(1, 4):
        fill(watcher, f"B-{n}", good(n))
    said = "Build B-3 is compared with 2 earlier builds of 40 units."
    assert watcher.history() == said


@pytest.mark.parametrize("level_ppm", [0.0, 120.0])
def test_units_that_all_read_the_same_are_ordinary(level_ppm: float) -> None:
    """A spread of nothing makes nothing certain: parts may differ by their class."""
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    for build in ("B-1", "B-2", "B-3"):
        assert fill(watcher, build, np.full((12, 4), level_ppm)) is None
    moved = np.full((4, 4), level_ppm)
    moved[:, 3] += 4000.0
    found = fill(watcher, "B-4", moved)
    assert found is not None
    assert (found.range, found.first_serial) == ("1mA", "PA-036")
    assert np.isfinite([found.size_ppm, found.low_ppm, found.high_ppm]).all()


def test_the_longest_row_of_units_that_read_exactly_alike_is_said() -> None:
    """Six in a row on 1 mA, over two builds and a unit that lacks the range."""
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    first, second = good(1, 8), good(2, 8)
    first[1:3, 3] = 40.0  # two more of the same, too few by themselves
    first[5:, 3] = 40.0
    second[0, 3] = np.nan
    second[1:4, 3] = 40.0
    fill(watcher, "B-1", first)
    fill(watcher, "B-2", second)
    alike = (
        "Range 1 mA reads exactly the same in 6 units in a row, from PA-005 on: the "
        "meter is stuck or too coarse, or cells were copied."
    )
    assert watcher.history() == (
        f"Build B-2 is compared with 1 earlier build of 8 units. {alike}"
    )
    assert watcher.ahead() == (
        f"The next build is compared with 2 earlier builds of 16 units. {alike}"
    )


def test_four_units_that_read_exactly_alike_are_chance() -> None:
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    errors = good(1, 12)
    errors[3:7, 0] = 25.0
    fill(watcher, "B-1", errors)
    assert "exactly the same" not in watcher.history()
    assert "exactly the same" not in watcher.ahead()


def test_readings_that_are_alike_are_said_with_the_finding_as_units_come() -> None:
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    fill(watcher, "B-1", good(1))
    second = good(2, 8)
    second[:, 0] = 10.0
    second[:, 3] += 8000.0
    found = fill(watcher, "B-2", second)
    assert found is not None
    lines = " ".join(finding(found).lines)
    assert (
        "Range 1 µA reads exactly the same in 8 units in a row, from PA-020 on" in lines
    )


def test_with_one_range_the_shared_stage_is_said_to_look_the_same() -> None:
    settings: Product = demo_settings().product
    only = ProductModel.of(
        settings.model_copy(update={"ranges": {"1mA": settings.ranges["1mA"]}})
    )
    watcher = Watcher(only, accepted_per_units=5000)
    fill(watcher, "B-1", good(1, ranges=1))
    fill(watcher, "B-2", good(2, ranges=1))
    found = fill(watcher, "B-3", good(3, 6, ranges=1) + 4000.0)
    assert found is not None
    assert found.range == "1mA"
    assert "shared stage" in found.basis.alike
    assert any("shared stage" in line for line in finding(found).lines)


def test_a_unit_of_which_nothing_was_read_changes_nothing() -> None:
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    assert fill(watcher, "B-1", np.full((3, 4), np.nan)) is None
    assert watcher.baseline().units == 0
    assert fill(watcher, "B-2", good(5, 8)) is None
