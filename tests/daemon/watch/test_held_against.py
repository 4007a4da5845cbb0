"""What a build is held against, counted on from unit to unit."""

import numpy as np
import pytest

from daemon.watch import UnitErrors
from daemon.watch.history import SameReadings
from daemon.watch.watcher import EARLIER_BUILDS
from tests.daemon.watch.bench import PRODUCT, Told, serial_of


def counted(told: Told, build: str) -> tuple[int, int, list[str]]:
    """Count what came before a build, one by one."""
    fold = told.watcher.fold
    earlier = fold.builds[: fold.builds.index(build)]
    units = sum(len(fold.units_of(one)) for one in earlier)
    return len(earlier), units, earlier[-EARLIER_BUILDS:]


def test_builds_and_units_before_are_counted_on_as_they_stand() -> None:
    """Units measured again strike what they measured before, in builds of long ago."""
    told = Told(5)
    for index in range(EARLIER_BUILDS + 3):
        told.build(f"B-{index}", 4)
    told.unit(serial_of("B-2", 1), "B-2")
    told.unit(serial_of("B-14", 0), "B-14")
    told.unit(serial_of("B-14", 9), "B-14")
    fold = told.watcher.fold
    assert fold.first_build == fold.builds[0]
    assert fold.latest_build == fold.builds[-1]
    assert fold.count == sum(len(fold.units_of(one)) for one in fold.builds)
    for build in fold.builds:
        assert fold.before(build, EARLIER_BUILDS) == counted(told, build)


@pytest.mark.parametrize("seed", range(4))
def test_looked_at_unit_by_unit_the_same_ranges_read_alike(seed: int) -> None:
    chance = np.random.default_rng(seed)
    told = Told(seed)
    same = SameReadings(PRODUCT)
    said: set[str] = set()
    units: list[UnitErrors] = []
    for index in range(60):
        errors = chance.integers(0, 2, 4).astype(float)
        errors[chance.random(4) < 0.1] = np.nan
        errors[0] = 1.0 if not np.isnan(errors[0]) and index > 20 else errors[0]
        build = f"B-{index // 20}"
        told.unit(serial_of(build, index % 20), build, errors=errors)
        units = told.watcher.fold.units_of(build)
        assert same.of(units) == SameReadings(PRODUCT).of(units)
        said.update(same.of(units))
    assert said
    # Other units than those before, of which it goes on, are looked at anew.
    assert same.of(units[5:]) == SameReadings(PRODUCT).of(units[5:])
