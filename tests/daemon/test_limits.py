"""The product's own limit: kept by what it depends on, taken up by the watch."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from daemon.limits import Limits, rounded
from daemon.spc.layout import Layout, layout_of
from daemon.watch import CALIBRATED, LAST_CALIBRATED, SHIPPED, OwnLimit, Watcher
from tests.daemon.making import demo_product, unit

LAYOUT = layout_of([1000.0, 1000.0])


def test_a_limit_is_worked_out_once_and_found_again(tmp_path: Path) -> None:
    limits = Limits(tmp_path / "cache", 110)
    assert limits.find(LAYOUT, [12]) is None
    assert limits.wanted(LAYOUT, [12])
    told: list[float] = []
    found = limits.calibrate(
        LAYOUT, [12], progress=told.append, replicates=8, workers=1
    )
    assert told[-1] == 1.0
    assert limits.find(LAYOUT, [12]) == found
    assert not limits.wanted(LAYOUT, [12])
    # 19 units are as good as 12; 20, another rate or another part are another matter.
    assert limits.find(LAYOUT, [19]) == found
    assert limits.find(LAYOUT, [20]) is None
    assert Limits(tmp_path / "cache", 2000).find(LAYOUT, [12]) is None
    assert limits.find(layout_of([1000.0, 2000.0]), [12]) is None


def test_until_its_own_is_there_the_last_limit_serves(tmp_path: Path) -> None:
    limits = Limits(tmp_path / "cache", 110)
    assert limits.serving(LAYOUT, [12]) is None
    found = limits.calibrate(LAYOUT, [12], progress=lambda _: None, replicates=8)
    assert limits.serving(LAYOUT, [12]) == OwnLimit(log_odds=found, exact=True)
    assert limits.serving(LAYOUT, [12, 40]) == OwnLimit(log_odds=found, exact=False)
    # What was worked out with more history known would be too low for less.
    assert limits.serving(LAYOUT, [6]) is None
    assert limits.serving(layout_of([1000.0, 2000.0]), [12, 40]) is None
    assert Limits(tmp_path / "cache", 2000).serving(LAYOUT, [12, 40]) is None


def test_a_broken_file_is_no_limit(tmp_path: Path) -> None:
    limits = Limits(tmp_path, 1000)
    limits._file(LAYOUT, [20]).write_text("{", encoding="utf-8")
    assert limits.find(LAYOUT, [20]) is None
    assert limits.serving(LAYOUT, [20]) is None


@pytest.mark.parametrize(("units", "rate"), [([], 1000), ([4], 1000), ([30], 50_000)])
def test_nothing_is_wanted_where_nothing_could_be_learnt(
    tmp_path: Path, units: list[int], rate: int
) -> None:
    assert not Limits(tmp_path, rate).wanted(LAYOUT, units)


def test_the_longest_builds_count() -> None:
    assert rounded([20, 20, 80, 80, 40, 100]) == (40, 80, 80, 80)


def test_the_watch_takes_the_own_limit_up_once_it_is_there() -> None:
    kept: list[OwnLimit] = []
    asked: list[tuple[int, ...]] = []

    def own(_: Layout, units: Sequence[int]) -> OwnLimit | None:
        asked.append(tuple(units))
        return kept[0] if kept else None

    watcher = Watcher(demo_product(), accepted_per_units=5000, own_limit=own)
    chance = np.random.default_rng(1)
    for n in range(4):
        watcher.fold(unit(n, f"A-{n}", "B-1", chance.normal(0, 150, 4).tolist()), [])
    build = watcher.builds["B-1"]
    assert build.limit_is == SHIPPED
    kept.append(OwnLimit(log_odds=8.5, exact=False))
    watcher.fold(unit(5, "A-4", "B-1", chance.normal(0, 150, 4).tolist()), [])
    assert (build.limit, build.limit_is) == (8.5, LAST_CALIBRATED)
    kept[0] = OwnLimit(log_odds=7.5, exact=True)
    watcher.fold(unit(5, "A-5", "B-1", chance.normal(0, 150, 4).tolist()), [])
    assert (build.limit, build.limit_is) == (7.5, CALIBRATED)
    assert build.detector is not None
    assert build.detector.log_odds_limit == 7.5
    watcher.fold(unit(6, "C-1", "B-2", chance.normal(0, 150, 4).tolist()), [])
    assert asked[-1] == (6,)
    assert watcher.builds["B-2"].limit == 7.5
