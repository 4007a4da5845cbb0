"""The product's own limit: kept by what it depends on, taken up by the watch."""

from importlib import import_module
from pathlib import Path

import pytest

from config.load import fingerprint
from config.model import Detector, Settings
from daemon.service.home import Home
from daemon.spc.detector.assumptions import Assumptions
from daemon.spc.detector.layout import layout_of
from daemon.spc.detector.worlds import Habit
from daemon.watch import OwnLimit
from daemon.watch.own_limit import RAREST, Limits, in_words, layout_for
from tests.daemon.making import demo_settings

# The room offers a function of this name; here its whole module is meant.
calibrating = import_module("daemon.spc.detector.calibrate")
LAYOUT = layout_of([1000.0, 1000.0])
OFTEN = 110


@pytest.fixture(autouse=True)
def _short_lives(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let lives be short: their limit is kept and found like any other."""
    short = (Habit(name="short", units=(3, 3), sessions=1),)
    usual = calibrating.good_maxima

    def good_maxima(*given: object, **more: object) -> object:
        return usual(*given, **{**more, "habits": short})

    monkeypatch.setattr(calibrating, "good_maxima", good_maxima)


def test_a_limit_is_worked_out_once_and_found_again(tmp_path: Path) -> None:
    limits = Limits(tmp_path / "cache", OFTEN)
    assert limits.find(LAYOUT) is None
    assert limits.serving(LAYOUT) is None
    assert limits.wanted(LAYOUT)
    told: list[float] = []
    found = limits.calibrate(LAYOUT, progress=told.append, builds=8, workers=1)
    assert told[-1] == 1.0
    assert limits.find(LAYOUT) == found
    assert limits.serving(LAYOUT) == OwnLimit(limit=found)
    assert not limits.wanted(LAYOUT)
    # Another rate, another part or another error limit are another matter.
    assert Limits(tmp_path / "cache", 2000).find(LAYOUT) is None
    assert limits.find(layout_of([1000.0, 2000.0])) is None
    assert limits.find(layout_of([1000.0, 1000.0], limit_ppm=[1200.0] * 2)) is None


def test_a_broken_file_is_no_limit(tmp_path: Path) -> None:
    limits = Limits(tmp_path, 1000)
    for text in ("{", "[]", '{"log_odds_limit": 1.0}', "{}"):
        limits._file(LAYOUT).write_text(text, encoding="utf-8")
        assert limits.find(LAYOUT) is None


@pytest.mark.parametrize("rate", [RAREST + 1, 50])
def test_nothing_is_wanted_where_nothing_could_be_learnt(
    tmp_path: Path, rate: int
) -> None:
    assert not Limits(tmp_path, rate).wanted(LAYOUT)


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
    assert limits._file(layout) != limits._file(layout_for(demo_settings()))
    assert fingerprint(own)[0] != fingerprint(demo_settings())[0]
    # What is written in the file and is the standing value changes nothing.
    same = layout_for(with_detector(Detector()))
    assert same.assumed == Assumptions()
    assert limits._file(same) == limits._file(layout_for(demo_settings()))


def test_the_words_say_what_is_missing(tmp_path: Path) -> None:
    home = Home(tmp_path)
    settings = demo_settings()
    assert "holdpoint calibrate" in in_words(home.data, settings)
    rare = _accepting(settings, 50_000)
    assert "too rare" in in_words(home.data, rare)
    assert "plan.toml" not in in_words(home.data, rare)
    own = _accepting(with_detector(Detector(odd_part=2.0)), 50_000)
    assert "not for those of plan.toml" in in_words(home.data, own)


def _accepting(settings: Settings, units: int) -> Settings:
    watching = settings.plan.watching.model_copy(
        update={"accepted_false_holds_per_units": units}
    )
    plan = settings.plan.model_copy(update={"watching": watching})
    return settings.model_copy(update={"plan": plan})
