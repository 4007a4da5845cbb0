"""The study of the detector in small: counts, goals, tables and the picture."""

from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path

import pytest

from daemon.spc.detector.layout import layout_of
from daemon.spc.detector.limit import Limit
from daemon.spc.detector.worlds import FAMILY, NOMINAL, Habit
from tests.studies.detection import FalseHolds, Study, run
from tests.studies.detection_table import picture, studied, table_of
from tests.studies.faults import CASES, Arm, Outcome
from tests.studies.goals import WANTED, Goal, goals


def outcome(
    name: str, rate: int = 5000, *, seated: bool = True, **figures: float
) -> Outcome:
    known = {"name": name, "rate": rate, "seated": seated, "replicates": 100}
    usual = {one.name: float("nan") for one in fields(Outcome) if one.name not in known}
    return Outcome(**{**usual, **known, **figures})  # type: ignore[arg-type]


def arms(rates: tuple[int, ...] = (500, 5000)) -> tuple[Arm, ...]:
    return tuple(
        Arm(
            rate=rate, seated=way, limit=Limit(seated=0.0, unseated=0.5), mean_limit=4.0
        )
        for rate in rates
        for way in (True, False)
    )


def test_one_small_study_is_counted() -> None:
    told: list[float] = []
    calm = Habit(
        name="one session",
        units=(12, 12),
        sessions=1,
        slips=0.0,
        missing=0.0,
        changed=0.0,
    )
    brief = [
        replace(case, habit=calm) for case in CASES if case.name == "recorded +0.3 %"
    ]
    study = run(
        replicates=12,
        seed=1,
        workers=1,
        progress=lambda share, _: told.append(share),
        cases=brief,
        worlds=(NOMINAL, FAMILY[4]),
        habits=(calm,),
        layout=layout_of([1000.0, 1000.0], limit_ppm=[5000.0, 5000.0]),
    )
    assert [(one.rate, one.seated) for one in study.rows] == [
        (500, True),
        (500, False),
        (5000, True),
        (5000, False),
    ]
    assert all(one.held_by_2 > 0.9 for one in study.rows)
    assert all(one.named > 0.9 for one in study.rows)
    assert study.arms[0].limit.seated <= study.arms[2].limit.seated
    assert {one.builds for one in study.false_holds} == {12}
    assert len(study.false_holds) == 2 * 2 * 2 * 2
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.0)


def test_every_fault_a_goal_speaks_of_is_studied() -> None:
    names = {case.name for case in CASES}
    assert {one[0] for one in WANTED} <= names
    assert len(names) == len(CASES)


def test_a_goal_without_a_figure_is_not_met() -> None:
    met = Goal(what="x", found=0.99, bound=0.98, kind="at least")
    missed = Goal(what="x", found=float("nan"), bound=0.98, kind="at most")
    assert met.met
    assert not missed.met


def test_goals_hold_the_figures_of_their_own_row() -> None:
    study = Study(
        arms=arms(),
        rows=(
            outcome("spread x5", 500, mean_delay=3.5),
            outcome("spread x5", 5000, mean_delay=5.5),
            # not seated again: no goal speaks of it
            outcome("spread x5", 5000, seated=False, mean_delay=9.0),
        ),
        false_holds=(
            FalseHolds(5000, "seated", "nominal", "five sessions", True, 0.031, 100),
            FalseHolds(5000, "seated", "elsewhere", "five sessions", False, 0.07, 100),
            FalseHolds(
                5000,
                "simplest test, seated",
                "nominal",
                "five sessions",
                True,
                1.0,
                100,
            ),
        ),
    )
    found = [(one.found, round(one.bound, 4), one.met) for one in goals(study)]
    assert found == [
        (3.5, 3.0, False),
        (5.5, 6.0, True),
        (0.031, 0.06, True),
        (0.07, 0.06, False),
        # 0.02 + 1.645 sqrt(0.02 0.98 / 100)
        (0.031, 0.043, True),
    ]


def test_the_simplest_test_stands_beside(tmp_path: Path) -> None:
    rows = tuple(
        outcome("f", one.rate, seated=one.seated, mean_delay=2.0, simplest_delay=3.0)
        for one in arms()
    )
    study = Study(arms=arms(), rows=rows, false_holds=())
    lines = table_of(study)
    assert [(one["way"], one["delay"], one["simplest"]) for one in lines] == [
        ("seated", 2.0, 3.0),
        ("unseated", 2.0, 3.0),
    ] * 2
    assert [one["log_odds_limit"] for one in lines] == [0.0, 0.5] * 2
    picture(study, tmp_path / "one.svg")
    assert "<svg" in (tmp_path / "one.svg").read_text(encoding="utf-8")


def test_tables_and_picture_are_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    study = Study(
        arms=arms(),
        rows=tuple(
            outcome(
                "spread x5",
                one.rate,
                seated=one.seated,
                mean_delay=2.5,
                simplest_delay=4.0,
            )
            for one in arms()
        ),
        false_holds=(
            FalseHolds(500, "seated", "nominal", "five sessions", True, 0.1, 100),
        ),
    )
    monkeypatch.setattr("tests.studies.detection_table.run", lambda **_: study)
    scaled = Goal(what="scaled", found=0.0, bound=0.0, kind="at most")
    monkeypatch.setattr("tests.studies.detection_table.facts", lambda _seed: (scaled,))
    nobody: Callable[[float, str], None] = lambda _share, _words: None  # noqa: E731
    studied(64, 1, 1, tmp_path, nobody)
    printed = capsys.readouterr().out
    assert "4 of 4 goals met" in printed
    assert "not met" not in printed
    assert "nominal" in printed
    assert "0.100" in printed
    written = {path.name for path in tmp_path.iterdir()}
    assert written == {"detection.csv", "detection.svg", "false-holds.csv", "goals.csv"}
