"""Histories and data that a detector cannot lean on: a clear answer each."""

import json
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from config.model import Product
from daemon.product import ProductModel
from daemon.watch import Watcher
from daemon.words import finding
from storage.records import Fitting, Signal
from tests.daemon.making import demo_product, demo_settings, fitting, unit


def fill(
    watcher: Watcher,
    build: str,
    errors: np.ndarray,
    fittings: Sequence[Fitting] = (),
) -> Signal | None:
    """Fold a build unit by unit; return the last finding."""
    first = sum(len(one.units) for one in watcher.builds.values())
    said = None
    for n, row in enumerate(errors, start=first):
        said = watcher.fold(unit(n, f"PA-{n:03d}", build, row.tolist()), fittings)
    return said


def good(seed: int, units: int = 20, ranges: int = 4) -> np.ndarray:
    chance = np.random.default_rng(seed)
    own: np.ndarray = chance.normal(0.0, 150.0, (units, ranges))
    return own


def test_without_an_earlier_build_it_is_said_and_the_tolerances_judge() -> None:
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    said = "No earlier build to learn from: the parts' tolerances judge alone."
    assert watcher.history() == said
    errors = good(1, 6)
    errors[:, 2] += 8000.0
    found = fill(watcher, "B-1", errors)
    assert found is not None
    assert found.range == "100uA"
    assert f"{said} Judged by the shipped limit." in finding(found).lines


def test_a_history_that_is_odd_itself_is_said_with_its_segment() -> None:
    """The second build runs 0.4 % off from its eleventh unit on, on another reel.

    Its build was released as it is: a reel within what the limits allow, and not the
    product that the other builds teach.
    """
    watcher = Watcher(demo_product(), accepted_per_units=10_000_000)
    fill(watcher, "B-1", good(1))
    second = good(2)
    second[10:, 1] += 4000.0
    change = [fitting("B-2", "R12", "K-900", "PA-030")]
    fill(watcher, "B-2", second, change)
    watcher.builds["B-2"].finding = None  # a person found nothing wrong with it
    fill(watcher, "B-3", good(3))
    fill(watcher, "B-4", good(4))
    said = watcher.history()
    assert said.startswith("Held against 3 earlier builds, 60 units.")
    assert (
        "build B-2 from unit PA-030 on does not fit the others on range 10 uA" in said
    )
    assert "B-1" not in said
    assert "B-3" not in said


def test_a_history_that_is_all_alike_is_not_spoken_against() -> None:
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    for n in range(1, 4):
        fill(watcher, f"B-{n}", good(n))
    assert watcher.history() == "Held against 2 earlier builds, 40 units."


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
        "Range 1 mA reads exactly alike in 6 units in a row, from PA-005 on: a stuck "
        "meter, one too coarse, or copied cells."
    )
    assert watcher.history() == f"Held against 1 earlier build, 8 units. {alike}"
    assert watcher.ahead() == f"Held against 2 earlier builds, 16 units. {alike}"


def test_four_units_that_read_exactly_alike_are_chance() -> None:
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    errors = good(1, 12)
    errors[3:7, 0] = 25.0
    fill(watcher, "B-1", errors)
    assert "alike" not in watcher.history()
    assert "alike" not in watcher.ahead()


def test_readings_that_are_alike_are_said_with_the_finding_as_units_come() -> None:
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    fill(watcher, "B-1", good(1))
    second = good(2, 8)
    second[:, 0] = 10.0
    second[:, 3] += 8000.0
    found = fill(watcher, "B-2", second)
    assert found is not None
    lines = " ".join(finding(found).lines)
    assert "Range 1 uA reads exactly alike in 8 units in a row, from PA-020 on" in lines


def test_a_build_read_too_poorly_to_be_odd_is_not_called_so() -> None:
    """The first build is 0.12 % off, and each of its units read to 3 %.

    The mean of 20 is known to 0.03 / sqrt(20), 0.67 %: 0.12 % is nothing.
    """

    def said(own_ppm: float) -> str:
        watcher = Watcher(demo_product(), accepted_per_units=5000)
        for build in range(5):
            errors = good(build + 1)
            errors[:, 1] += 1200.0 if build == 0 else 0.0
            own = np.full(4, own_ppm**2 if build == 0 else 0.0)
            for n, row in enumerate(errors, start=20 * build):
                one = unit(n, f"PA-{n:03d}", f"B-{build + 1}", row.tolist())
                watcher.fold(replace(one, variance_ppm2=own), ())
        return watcher.history()

    assert "build B-1 from unit PA-000 on does not fit" in said(0.0)
    assert said(30_000.0) == "Held against 4 earlier builds, 80 units."


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
    assert "shared stage" in json.loads(found.evidence)["alike"]
    assert any("shared stage" in line for line in finding(found).lines)


def test_a_unit_of_which_nothing_was_read_changes_nothing() -> None:
    watcher = Watcher(demo_product(), accepted_per_units=5000)
    assert fill(watcher, "B-1", np.full((3, 4), np.nan)) is None
    (segment,) = watcher.builds["B-1"].segments()
    assert np.isnan(segment.errors_ppm).all()
    assert fill(watcher, "B-2", good(5, 8)) is None
