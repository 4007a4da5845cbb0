"""The budget of a range: its table, its checks, what helps, on every way out."""

import json
from dataclasses import replace
from datetime import timedelta
from math import inf, isclose, sqrt
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from config.load import fingerprint
from config.model import Settings
from daemon.commands.cli import holdpoint
from daemon.judging import (
    ProductModel,
    budgets_of_bench,
    budgets_of_run,
    drifts_of,
)
from daemon.judging.verdict import Judge
from daemon.metrology.budget import Budget
from daemon.metrology.drift import Drift
from daemon.metrology.errors import ArgumentError
from daemon.metrology.range_error import (
    MeterSpecification,
    Readings,
    Temperature,
    range_error,
)
from daemon.metrology.uncertainty import Component, Distribution
from daemon.presentation import budgets as words
from daemon.station.cycle import Cycle, RunHeader
from daemon.traceability.papers.unit import unit_record
from storage import RangeResult, Session, Verdict, open_store
from tests.daemon.making import AT, demo_settings, readings
from tests.daemon.seeded import seeded_home

STILL = Readings(zero_before=[0.0] * 3, level=[1.0] * 3, zero_after=[0.0] * 3)


def budget(
    *further: Component, away_k: float = 0.0, of_reading: float = 30.0
) -> Budget:
    """Return a budget of a perfect reading with these meters."""
    error = range_error(
        reference=STILL,
        output=STILL,
        nominal_transfer=1.0,
        full_scale=2.0,
        reference_meter=MeterSpecification(full_scale=1.0, of_reading_ppm=of_reading),
        output_meter=MeterSpecification(full_scale=1.0, of_reading_ppm=40.0),
        temperature=Temperature(
            ambient_c=23.0 + away_k, bounds_ppm_per_k={"R1": 10.0, "R2": 0.0}
        ),
        further=further,
    )
    return Budget.of(
        error,
        range_="1",
        title="1",
        full_scale=2.0,
        limit_ppm=400.0,
        needed_ratio=3.0,
        away_k=away_k,
    )


def test_lines_are_those_of_hand_and_make_up_the_whole() -> None:
    """30 and 40 ppm, rectangular: 50 / sqrt 3 together (JCGM 100, 4.3.7, 5.1.2)."""
    found = budget()
    assert found.combined_ppm == pytest.approx(50.0 / sqrt(3))
    assert [one.quantity for one in found.lines] == [
        "output: specification",
        "reference: specification",
    ]
    assert found.lines[0].share == pytest.approx(0.64)
    assert sum(one.share for one in found.lines) == pytest.approx(1.0)
    assert found.ratio == pytest.approx(400.0 / (100.0 / sqrt(3)))
    assert found.judges


def test_a_temperature_coefficient_is_sensitive_by_the_kelvins_away() -> None:
    found = budget(away_k=-5.0)
    line = next(one for one in found.lines if one.quantity == "temperature: R1")
    assert (line.unit, line.sensitivity) == ("ppm/K", 5.0)
    assert line.standard == pytest.approx(10.0 / sqrt(3))
    assert line.contribution_ppm == pytest.approx(50.0 / sqrt(3))
    assert all(
        isclose(one.standard * one.sensitivity, one.contribution_ppm)
        for one in found.lines
    )


def test_half_of_the_largest_line_gives_what_is_said() -> None:
    found = budget()
    better = 2 * sqrt((20.0 / sqrt(3)) ** 2 + (30.0 / sqrt(3)) ** 2)
    assert found.help.quantity == "output: specification"
    assert found.help.bound_ppm == pytest.approx(40.0)
    assert found.help.expanded_ppm == pytest.approx(better)
    assert "Half of that would give" in words.what_helps(found)


def test_drawn_numbers_agree_where_lines_are_normal_and_are_narrower_where_not() -> (
    None
):
    normal = [
        Component(name=f"n{n}", standard=500.0, distribution=Distribution.NORMAL)
        for n in range(4)
    ]
    found = budget(*normal)
    assert found.drawn_expanded_ppm == pytest.approx(found.expanded_ppm, rel=0.02)
    assert "as the formula says" in words.drawn(found)
    # one rectangular line: 95.45 % lie within 0.9545 of its bound, and 2 u is 1.155
    alone = budget(of_reading=1e4)
    assert alone.drawn_expanded_ppm == pytest.approx(0.9545e4, rel=0.01)
    assert "on the safe side" in words.drawn(alone)


def test_the_model_that_is_drawn_is_the_ratio_itself() -> None:
    """At 20 % each the error is no longer linear: its mean is off by u squared."""
    line = Component(
        name="reference: x", standard=2e5, distribution=Distribution.RECTANGULAR
    )
    drawn = budget(line).drawn
    assert drawn.estimate == pytest.approx(1e6 * 0.2**2, rel=0.25)


def test_without_any_doubt_there_is_no_budget() -> None:
    error = range_error(
        reference=STILL,
        output=STILL,
        nominal_transfer=1.0,
        full_scale=1.0,
        reference_meter=MeterSpecification(full_scale=1.0, of_reading_ppm=0.0),
        output_meter=MeterSpecification(full_scale=1.0, of_reading_ppm=0.0),
    )
    with pytest.raises(ArgumentError, match="combined standard uncertainty"):
        Budget.of(
            error, range_="1", title="1", full_scale=1.0, limit_ppm=1.0,
            needed_ratio=3.0, away_k=0.0,
        )  # fmt: skip


def test_degrees_of_freedom_are_said_as_tables_have_them() -> None:
    assert (words.degrees(inf), words.degrees(9.0)) == ("\N{INFINITY}", "9")


def test_without_a_bench_the_budget_is_that_of_the_meters_that_are_read() -> None:
    known = demo_settings()
    plan = known.plan.model_copy(update={"meters": "0.05 % + 2 digits, 20000 counts"})
    by_hand = Settings.model_construct(
        product=known.product, bench=None, plan=plan, alerts=known.alerts,
        sharing=None, profiles={},
    )  # fmt: skip
    (first, *_) = budgets_of_bench(by_hand)
    # By hand: 500 ppm of reading, and 2 digits of 20000 in 20000 at 0.9 of 2 V or A.
    lines = {one.quantity: one for one in first.lines}
    assert lines["output: specification"].contribution_ppm == pytest.approx(
        (500.0 + 200.0 / 0.9) / 3**0.5, rel=1e-3
    )


def test_a_run_has_the_uncertainty_that_was_recorded(tmp_path: Path) -> None:
    """From stored readings, by the settings that judged: nothing is lost on the way."""
    home = seeded_home(tmp_path / "home")
    settings = demo_settings()
    with open_store(home.data) as store:
        rows = store.rows(RangeResult)[:4]
    found = budgets_of_run(settings, rows, ambient_c=23.0)
    assert [one.range for one in found] == [one.range for one in rows]
    for one, row in zip(found, rows, strict=True):
        assert one.uncertainty_ppm == pytest.approx(row.uncertainty_ppm, rel=1e-9)


def test_the_command_and_the_record_name_the_same_largest_line(tmp_path: Path) -> None:
    home = seeded_home(tmp_path / "home")
    call = CliRunner()
    said = call.invoke(
        holdpoint,
        ["--home", str(home.folder), "budget", "10uA"],
        catch_exceptions=False,
    )
    assert "Most of it is reference: specification" in said.output
    table = call.invoke(
        holdpoint,
        ["--home", str(home.folder), "budget", "10uA", "--unit", "PA-1001", "--json"],
        catch_exceptions=False,
    )
    found = json.loads(table.output)
    with open_store(home.data) as store:
        product = ProductModel.of(demo_settings().product)
        record = unit_record(store, product, "PA-1001", issued_at=AT, issuer="Tests")
    line = next(one for one in record.budget if one.title == found["title"])
    assert line.largest[0][0] == found["lines"][0]["quantity"]
    assert line.largest[0][1] == pytest.approx(found["lines"][0]["share"])


def test_a_range_that_is_none_is_refused(tmp_path: Path) -> None:
    home = seeded_home(tmp_path / "home")
    said = CliRunner().invoke(holdpoint, ["--home", str(home.folder), "budget", "3uA"])
    assert said.exit_code != 0
    assert "there are 1uA, 10uA, 100uA, 1mA" in said.output


def test_the_drift_between_checks_is_a_line_once_a_session_had_two(
    tmp_path: Path,
) -> None:
    """Three days of an opening and a closing check: the bench walks some 60 ppm.

    On the first day there is one check, and no such line.
    """
    home = seeded_home(tmp_path / "home")
    settings = demo_settings()
    assert settings.bench is not None
    assert settings.bench.check_standard is not None
    known_ppm = settings.bench.check_standard.error_ppm
    configuration, _ = fingerprint(settings)

    def checked(day: int, hour: int, moved_ppm: float) -> dict[str, Drift]:
        at = AT + timedelta(days=day, hours=hour)
        with open_store(home.data) as store:
            cycle = Cycle(settings, store)
            opened = Session(
                session=f"day {day}", bench="demo", opened_at=at,
                configuration=configuration,
            )  # fmt: skip
            if not hour:
                store.keep(opened)
            read = readings(
                cycle.product, [known + moved_ppm for known in known_ppm.values()]
            )
            assert settings.bench is not None
            judge = Judge(cycle.product, settings.bench, settings.plan.judging)
            run = f"check {day} {hour}"
            rows = [
                replace(judge.unit(run, one, {}), verdict=Verdict.CONFORMING)
                for one in read
            ]
            header = RunHeader(
                serial="CS-1", build=None, session=f"day {day}", origin="bench",
                started_at=at, finished_at=at, configuration=configuration, run=run,
            )  # fmt: skip
            cycle.record_check(rows, header, read)
            return drifts_of(settings, store)

    def told() -> Any:
        said = CliRunner().invoke(
            holdpoint,
            ["--home", str(home.folder), "budget", "10uA", "--json"],
            catch_exceptions=False,
        )
        return json.loads(said.output)

    assert checked(0, 0, 5.0) == {}
    before = told()
    found: dict[str, Drift] = {}
    for day, moved_ppm in enumerate((60.0, -55.0, 65.0)):
        if day:
            checked(day, 0, 5.0)
        found = checked(day, 4, moved_ppm)
    after = told()
    lines = {one["quantity"]: one for one in after["lines"]}
    line = lines["drift since the check standard"]
    assert line["contribution_ppm"] == pytest.approx(found["10uA"].uncertainty_ppm)
    # Three steps of some 60 ppm leave a pace of as much possible, and of twice that.
    assert 50.0 < line["contribution_ppm"] < 150.0
    assert after["expanded_ppm"] > before["expanded_ppm"]
    assert "drift since the check standard" not in str(before["lines"])
