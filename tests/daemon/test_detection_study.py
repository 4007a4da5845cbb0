"""The study of the detector in small: counts, goals, tables and the picture."""

from pathlib import Path

import pytest

from daemon.commands.detecting import picture, study_detection, table_of
from daemon.spc.layout import layout_of
from daemon.spc.study import FAULTS, Outcome
from daemon.spc.worlds import FAMILY, NOMINAL
from daemon.studies.detection import Case, FalseHolds, Row, Study, cases, run
from daemon.studies.goals import Goal, goals


def outcome(fault: str, **figures: float) -> Outcome:
    usual = dict.fromkeys(
        (
            *("mean_delay", "held_by_2", "held_by_3", "held_in_time"),
            *("missed", "named"),
            *("named_later", "covered", "covered_later", "members"),
        ),
        float("nan"),
    )
    return Outcome(fault=fault, replicates=100, **{**usual, **figures})


def test_every_kind_of_world_and_product_is_studied() -> None:
    names = {case.name for case in cases()}
    assert {"1 range", "2 ranges", "3 ranges", "6 ranges"} <= names
    assert {world.name for world in FAMILY[1:]} <= names
    assert "parameters known" in names
    assert "a part shared by two ranges" in names


def test_one_small_case_is_counted() -> None:
    told: list[float] = []
    study = run(
        replicates=64,
        seed=1,
        workers=1,
        progress=lambda share, _: told.append(share),
        chosen=[
            Case(
                name="small",
                layout=layout_of([1000.0, 1000.0]),
                segment_units=(10, 10),
                faults=FAULTS[:1],
                calibrated_on=(NOMINAL,),
            )
        ],
    )
    assert [row.rate for row in study.rows] == [500, 5000]
    assert all(row.outcome.held_by_2 > 0.9 for row in study.rows)
    assert study.rows[0].limit <= study.rows[1].limit
    assert {one.replicates for one in study.false_holds} == {64}
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.0)


def test_a_goal_without_a_figure_is_not_met() -> None:
    met = Goal(what="x", found=0.99, bound=0.98, kind="at least")
    missed = Goal(what="x", found=float("nan"), bound=0.98, kind="at most")
    assert met.met
    assert not missed.met


def test_goals_hold_the_figures_of_their_own_row() -> None:
    two = "20 units in 2 segments"
    study = Study(
        rows=(
            Row(two, 500, 0.1, outcome("spread x5 from unit 1", mean_delay=3.5)),
            Row(two, 5000, 1.6, outcome("spread x5 from unit 1", mean_delay=5.5)),
        ),
        false_holds=(
            FalseHolds(two, 5000, "nominal", True, 0.031, 100),
            FalseHolds(two, 5000, "elsewhere", False, 0.031, 100),
        ),
    )
    found = [(one.found, round(one.bound, 6), one.met) for one in goals(study)]
    assert found == [
        (3.5, 3.0, False),
        (5.5, 6.0, True),
        (0.031, 0.03, False),
        (0.031, 0.06, True),
    ]


def test_the_interval_of_every_fault_with_a_size_is_held_against_both_bounds() -> None:
    two = "20 units in 2 segments"
    narrow = outcome("unrecorded spread x5", covered=0.88, covered_later=0.95)
    # 0.88 and 0.99 are 0.935 together
    wide = outcome("unrecorded +0.3 %", covered=0.99, covered_later=0.95)
    rows = Row(two, 500, 0.1, narrow), Row(two, 500, 0.1, wide)
    found = goals(Study(rows=rows, false_holds=()))
    together = [one for one in found if one.what.startswith("all faults")]
    assert {one.found for one in together} == {0.935, 0.95}
    assert all(one.met for one in together)
    one_fault = [one for one in found if one.what.startswith(narrow.fault)]
    assert [(one.found, one.kind, one.met) for one in one_fault] == [
        (0.88, "at least", False),
        (0.88, "at most", True),
        (0.95, "at least", True),
        (0.95, "at most", True),
    ]


def test_known_parameters_stand_beside(tmp_path: Path) -> None:
    rows = tuple(
        Row(case, rate, 1.0, outcome("f", mean_delay=delay, held_by_2=1.0, named=1.0))
        for case, delay in (("20 units in 1 segment", 2.0), ("parameters known", 1.5))
        for rate in (500, 5000)
    )
    study = Study(rows=rows, false_holds=())
    lines = table_of(study)
    assert [(one["delay"], one["delay_known"]) for one in lines] == [
        *[(2.0, 1.5)] * 2,
        *[(1.5, None)] * 2,
    ]
    picture(study, tmp_path / "one.svg")
    assert "<svg" in (tmp_path / "one.svg").read_text(encoding="utf-8")


def test_tables_and_picture_are_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    two = "20 units in 2 segments"
    figures = outcome("spread x5 from unit 1", mean_delay=2.5, held_by_2=0.9, named=1.0)
    study = Study(
        rows=(Row(two, 500, 0.1, figures), Row(two, 5000, 1.0, figures)),
        false_holds=(FalseHolds(two, 500, "nominal", True, 0.1, 100),),
    )
    monkeypatch.setattr("daemon.commands.detecting.run", lambda **_: study)
    scaled = Goal(what="scaled", found=0.0, bound=0.0, kind="at most")
    monkeypatch.setattr("daemon.commands.detecting.facts", lambda _seed: (scaled,))
    study_detection(64, 1, 1, tmp_path, lambda _share, _case: None)
    printed = capsys.readouterr().out
    assert "4 of 4 goals met" in printed
    assert "not met" not in printed
    assert "20 units in 2 segments" in printed
    assert "0.1000" in printed
    written = {path.name for path in tmp_path.iterdir()}
    assert written == {"detection.csv", "detection.svg", "false-holds.csv", "goals.csv"}
