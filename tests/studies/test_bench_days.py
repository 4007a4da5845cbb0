"""A bench's days in process: each thing that happens to a bench, once, by the rows."""

from collections.abc import Iterator, Sequence
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from daemon.bench.readings import RangeReadings
from daemon.holds.policy import NotAllowedError
from daemon.judging.product import ProductModel
from daemon.station.bench_book import NoStandardError, OutOfControlError
from daemon.station.import_sheet import Row
from daemon.station.orders import RefusedError, TypedReading
from daemon.traceability.tracing import ContradictionError
from storage.local import LocalStore
from storage.records import Disposal, Scope, Verdict
from tests.daemon.making import demo_settings, readings
from tests.studies.bench_days import UNIT_S, BenchDays

SETTINGS = demo_settings()
PRODUCT = ProductModel.of(SETTINGS.product)
NAME = SETTINGS.product.name
KNOWN = [150.0, -80.0, 40.0, -120.0]
"""The check standard's errors, as the demo's bench file has them."""
GOOD = [50.0, -80.0, 20.0, 10.0]
SLIP = [50.0, -80.0, 20_000.0, 10.0]


class Told:
    """Reads what a test tells it to, seat after seat; else the usual."""

    def __init__(self) -> None:
        self.next: list[Sequence[float]] = []
        self.seats = 0
        self.bench_ppm = 0.0
        self._chance = np.random.default_rng(3)

    def unit(self, serial: str, *, at_s: float) -> list[RangeReadings]:
        """Read whatever unit it is."""
        del serial
        self.seats += 1
        errors = (
            self.next.pop(0)
            if self.next
            else self._chance.normal(0.0, 150.0, 4).tolist()
        )
        return readings(PRODUCT, errors, from_s=at_s)

    def standard(self, *, at_s: float) -> list[RangeReadings]:
        """Read the check standard."""
        moved = [one + self.bench_ppm for one in KNOWN]
        return readings(PRODUCT, moved, from_s=at_s)


@pytest.fixture
def told() -> Told:
    return Told()


@pytest.fixture
def days(tmp_path: Path, told: Told) -> Iterator[BenchDays]:
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        one = BenchDays(SETTINGS, store, told)
        one.open_build("B-1", planned_units=20)
        yield one


def several(days: BenchDays, units: int = 8) -> None:
    """Measure units that are as they should be."""
    for n in range(units):
        assert days.unit(f"PA-{n:03d}", "B-1").before is None
    assert days.asked == []


def test_a_unit_waits_for_the_check_that_opens_its_session(days: BenchDays) -> None:
    begun = days.clock.utc()
    done = days.unit("PA-001", "B-1")
    rows = days.store.frame("range_rows", product=NAME, after=0, kind=None)
    runs = rows.drop_duplicates("run")
    assert runs["kind"].tolist() == ["check", "unit"]
    assert runs["number"].tolist() == [1, done.recorded.number]
    assert runs["started_at"].tolist() == [begun, begun + timedelta(seconds=UNIT_S)]
    assert days.store.frame("watermark", product=NAME)["number"].tolist() == [2]


def test_checks_come_when_they_are_due_and_close_the_runs_before(
    days: BenchDays,
) -> None:
    assert SETTINGS.bench is not None
    assert SETTINGS.bench.check_standard is not None
    every = SETTINGS.bench.check_standard.every_units
    assert every is not None
    several(days, every + 1)
    rows = days.store.frame("range_rows", product=NAME, after=0, kind="check")
    assert rows["number"].unique().tolist() == [1, every + 2]
    again = days.store.frame("rejudgements", product=NAME, after=0)
    assert again["serial"].nunique() == every


def test_a_slip_is_seated_again_once_before_anything_is_watched(
    days: BenchDays, told: Told
) -> None:
    several(days)
    told.next = [SLIP, GOOD]
    done = days.unit("PA-008", "B-1")
    assert len(days.asked) == 1
    assert told.seats == 10
    assert done.before is not None
    assert done.found == ()
    assert any("look at the contacts" in one for one in done.remarks)
    runs = days.store.frame("unit_runs", serial="PA-008")
    assert runs["run"].unique().tolist() == [done.before.run, done.recorded.run]
    second = runs[runs["run"] == done.recorded.run]
    assert set(second["rerun_of"]) == {done.before.run}
    assert "seated again" in second["note"].iloc[0]
    assert days.store.frame("signals", product=NAME).empty
    # The first run lies outside the error limit; the one that counts does not.
    assert done.before.verdict is Verdict.NONCONFORMING
    assert days.store.frame("holds", product=NAME).empty


def test_a_unit_is_never_seated_a_third_time(days: BenchDays, told: Told) -> None:
    several(days)
    told.next = [SLIP, SLIP, GOOD]
    done = days.unit("PA-008", "B-1")
    assert len(days.asked) == 1
    assert told.next == [GOOD]
    assert any("its contacts are not the cause" in one for one in done.remarks)
    held = days.store.frame("holds", product=NAME)
    units = held[held["scope"] == Scope.UNIT]
    assert units["hold"].tolist() == [f"{done.recorded.run}:PA-008"]
    told.next = [SLIP, GOOD]
    days.rerun("PA-008", "B-1")
    assert len(days.asked) == 1
    assert told.next == [GOOD]


def test_where_nobody_is_there_a_slip_is_remarked_and_measured_once(
    tmp_path: Path, told: Told
) -> None:
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        days = BenchDays(SETTINGS, store, told, answers=False)
        days.open_build("B-1")
        several(days)
        told.next = [SLIP, GOOD]
        done = days.unit("PA-008", "B-1")
        assert done.before is None
        assert told.next == [GOOD]
        assert any("read it once more, as a rerun" in one for one in done.remarks)


def test_a_unit_that_was_measured_is_measured_again_as_a_rerun_alone(
    days: BenchDays,
) -> None:
    first = days.unit("PA-001", "B-1")
    with pytest.raises(RefusedError, match="measured again as a rerun only"):
        days.unit("PA-001", "B-1")
    again = days.rerun("PA-001", "B-1", note="switch was stiff")
    runs = days.store.frame("unit_runs", serial="PA-001")
    mine = runs[runs["run"] == again.recorded.run]
    assert set(mine["rerun_of"]) == {first.recorded.run}
    assert set(mine["note"]) == {"switch was stiff"}


def test_a_new_session_is_a_new_set_up_with_a_check_of_its_own(
    days: BenchDays,
) -> None:
    several(days, 2)
    days.new_session()
    days.unit("PA-002", "B-1")
    rows = days.store.frame("range_rows", product=NAME, after=0, kind=None)
    runs = rows.drop_duplicates("run")
    assert runs["kind"].tolist() == ["check", "unit", "unit", "check", "unit"]
    assert runs["session"].nunique() == 2
    assert runs["session"].tolist()[3] == runs["session"].tolist()[4]
    assert runs["set_up"].all()


def test_the_day_ends_with_a_check_that_closes_it(days: BenchDays) -> None:
    several(days, 3)
    days.finish()
    again = days.store.frame("rejudgements", product=NAME, after=0)
    assert again["serial"].nunique() == 3
    assert days.book.session is None


def test_a_bench_that_moved_judges_no_unit_and_puts_the_last_in_doubt(
    days: BenchDays, told: Told
) -> None:
    several(days, 3)
    told.bench_ppm = 5_000.0
    with pytest.raises(OutOfControlError, match="no unit is judged"):
        days.check()
    with pytest.raises(OutOfControlError):
        days.unit("PA-003", "B-1")
    doubted = days.store.frame("runs_in_doubt", product=NAME)
    assert sorted(doubted["serial"]) == ["PA-000", "PA-001", "PA-002"]
    told.bench_ppm = 0.0
    days.check()
    assert days.store.frame("runs_in_doubt", product=NAME).empty


def test_a_bench_that_reads_right_again_goes_on(days: BenchDays, told: Told) -> None:
    several(days, 3)
    told.bench_ppm = 5_000.0
    with pytest.raises(OutOfControlError):
        days.check()
    days.watch()
    told.bench_ppm = 0.0
    days.check()
    days.unit("PA-003", "B-1")


def test_without_a_check_standard_none_is_run(tmp_path: Path, told: Told) -> None:
    assert SETTINGS.bench is not None
    bare = SETTINGS.bench.model_copy(update={"check_standard": None})
    settings = SETTINGS.model_copy(update={"bench": bare})
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        days = BenchDays(settings, store, told)
        days.open_build("B-1")
        several(days, 2)
        rows = store.frame("range_rows", product=NAME, after=0, kind="check")
        assert rows.empty
        with pytest.raises(NoStandardError):
            days.check()


def test_after_a_restart_the_rows_tell_all_and_the_session_is_new(
    days: BenchDays, told: Told
) -> None:
    several(days)
    session = days.book.session
    before = days.cycle
    days.restart()
    assert days.cycle is not before
    assert days.book.session is None
    # What an odd unit is held against is known again.
    told.next = [SLIP, GOOD]
    days.unit("PA-008", "B-1")
    assert len(days.asked) == 1
    assert days.book.session != session


def test_builds_and_reels_are_of_the_time_that_is_passed_in(days: BenchDays) -> None:
    days.clock.wait_s(3600.0)
    days.open_build("B-2", planned_units=5)
    days.receive_reel("RL-1", "R13")
    days.clock.wait_s(3600.0)
    days.fit_reel("B-2", "R13", "RL-1")
    begin = days.clock.utc()
    builds = days.store.frame("builds", product=NAME).set_index("build")
    assert builds.loc["B-2", "opened_at"] == begin - timedelta(hours=1)
    (reel,) = days.store.frame("reel").to_dict("records")
    assert reel["received_at"] == begin - timedelta(hours=1)
    assert reel["tolerance_ppm"] == SETTINGS.product.parts["R13"].tolerance_ppm
    (fitting,) = days.store.frame("fitting", product=NAME).to_dict("records")
    assert fitting["fitted_at"] == begin
    days.clock.wait_s(3600.0)
    days.receive_reel("RL-2", "R13", at=begin)
    late = days.fit_reel("B-2", "R13", "RL-2", from_serial="PA-105", at=begin)
    assert late.fitting is not None
    assert late.fitting.fitted_at == begin


def test_records_that_contradict_are_refused_where_they_are_looked_at(
    days: BenchDays,
) -> None:
    days.receive_reel("RL-1", "R12")
    with pytest.raises(ContradictionError):
        days.fit_reel("B-1", "R13", "RL-1")
    assert days.store.frame("fitting", product=NAME).empty
    days.fit_reel("B-1", "R13", "RL-1", checked=False)
    assert len(days.store.frame("fitting", product=NAME)) == 1
    assert days.fit_reel("B-1", "R13", "RL-1").fitting is None


def rows_of(serials: Sequence[str]) -> list[Row]:
    """Return a file's rows: every unit on every range, 100 ppm high."""
    return [
        Row(
            line=line,
            serial=serial,
            build="B-1",
            measured_at=None,
            readings=tuple(
                TypedReading(
                    range=one.key,
                    reference=0.9 * one.settings.full_scale,
                    output=0.9 * one.settings.full_scale * one.nominal_transfer
                    * (1 + 100e-6),
                )
                for one in PRODUCT.ranges
            ),
            reels=(("R13", "RL-5"),),
        )
        for line, serial in enumerate(serials, start=2)
    ]  # fmt: skip


@pytest.mark.parametrize("new_setup", [False, True])
def test_imported_units_are_of_a_bench_as_it_was_unless_somebody_says_so(
    days: BenchDays, *, new_setup: bool
) -> None:
    serials = ["PA-101", "PA-102"]
    done, _ = days.import_rows(
        rows_of(serials), session="import-1", new_setup=new_setup
    )
    assert done.new == 2
    rows = days.store.frame("range_rows", product=NAME, after=0, kind="unit")
    assert set(rows["serial"]) == set(serials)
    assert set(rows["set_up"]) == {new_setup}
    assert rows["error_ppm"].tolist() == pytest.approx([100.0] * 8, abs=0.01)
    assert rows["started_at"].iloc[0] == days.clock.utc()
    again, _ = days.import_rows(rows_of(serials), session="import-2")
    assert (again.new, again.known) == (0, 2)


def test_a_hold_is_ended_by_a_listed_person_at_the_time_of_the_days(
    days: BenchDays, told: Told
) -> None:
    told.next = [[9_000.0, 0.0, 0.0, 0.0]] * 2
    days.unit("PA-001", "B-1")
    holds = days.store.frame("holds", product=NAME)
    (hold,) = holds[holds["scope"] == Scope.UNIT]["hold"]
    days.clock.wait_s(3600.0)
    with pytest.raises(NotAllowedError):
        days.end_hold(
            hold, disposal=Disposal.SCRAP, person="Nobody", reason="it is out"
        )
    days.end_hold(hold, disposal=Disposal.SCRAP, person="Jon Birk", reason="it is out")
    ended = days.store.frame("holds", product=NAME).set_index("hold").loc[hold]
    assert ended["disposal"] == "scrap"
    assert ended["ended_at"] == days.clock.utc()
