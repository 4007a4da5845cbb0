"""The product's own limit: kept by what it depends on, taken up by the watch."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from config.load import fingerprint
from config.model import Detector, Settings
from daemon.home import Home
from daemon.limits import Limits, in_words, layout_for, rounded
from daemon.product import ProductModel
from daemon.spc.assumptions import Assumptions
from daemon.spc.layout import Layout, layout_of
from daemon.watch import OwnLimit, Watcher
from storage.local import LocalStore
from storage.records import LimitIs
from tests.daemon.making import demo_product, demo_settings, unit

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
    assert build.limit_is == LimitIs.SHIPPED
    kept.append(OwnLimit(log_odds=8.5, exact=False))
    watcher.fold(unit(5, "A-4", "B-1", chance.normal(0, 150, 4).tolist()), [])
    assert (build.limit, build.limit_is) == (8.5, LimitIs.LAST_CALIBRATED)
    kept[0] = OwnLimit(log_odds=7.5, exact=True)
    watcher.fold(unit(5, "A-5", "B-1", chance.normal(0, 150, 4).tolist()), [])
    assert (build.limit, build.limit_is) == (7.5, LimitIs.CALIBRATED)
    assert build.detector is not None
    assert build.detector.log_odds_limit == 7.5
    watcher.fold(unit(6, "C-1", "B-2", chance.normal(0, 150, 4).tolist()), [])
    assert asked[-1] == (6,)
    assert watcher.builds["B-2"].limit == 7.5


def with_detector(detector: Detector) -> Settings:
    settings = demo_settings()
    plan = settings.plan.model_copy(update={"detector": detector})
    return settings.model_copy(update={"plan": plan})


def test_what_the_plan_says_of_the_detector_belongs_to_the_limit(
    tmp_path: Path,
) -> None:
    own = with_detector(Detector(reel_scatter=0.3))
    layout, limits = layout_for(own), Limits(tmp_path, 110)
    assert layout.assumed == Assumptions(reel_scatter=0.3)
    assert limits._file(layout, [12]) != limits._file(layout_for(demo_settings()), [12])
    assert fingerprint(own)[0] != fingerprint(demo_settings())[0]
    # What is written in the file and is the standing value changes nothing.
    same = layout_for(with_detector(Detector()))
    assert same.assumed == Assumptions()
    assert limits._file(same, [12]) == limits._file(layout_for(demo_settings()), [12])


def test_a_plan_that_expects_wilder_reels_needs_more_to_find_one() -> None:
    """A reel 0.1 % off: plain where reels differ by 0.015 %, ordinary at 0.3 %."""
    odds = []
    for scatter in (0.015, 3.0):
        detector = Detector(reel_scatter=scatter, most_reel_scatter=3.0)
        product = ProductModel.of(demo_settings().product, detector)
        watcher = Watcher(product, accepted_per_units=5000)
        chance = np.random.default_rng(1)
        for n in range(30):
            errors = chance.normal(0.0, 150.0, 4)
            errors[2] += 1000.0 if n >= 20 else 0.0
            build = "B-1" if n < 20 else "B-2"
            watcher.fold(unit(n, f"PA-{n:03d}", build, errors.tolist()), [])
        watched = watcher.builds["B-2"].detector
        assert watched is not None
        odds.append(watched._bank.log_odds()[0])
    assert odds[0] > odds[1] + 2.0


def test_the_shipped_limit_is_said_to_be_for_the_standing_values(
    tmp_path: Path,
) -> None:
    home = Home(tmp_path)
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        said = in_words(home, with_detector(Detector(odd_part=2.0)), store)
        assert "not for those of plan.toml" in said
        assert "plan.toml" not in in_words(home, demo_settings(), store)
