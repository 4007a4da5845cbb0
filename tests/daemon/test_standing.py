"""Which runs the check standard stands behind, and what ends a doubt."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from config.load import fingerprint
from config.model import CheckStandard
from daemon.clock import VirtualClock
from daemon.cycle import Cycle, RunHeader
from daemon.holds import NotAllowedError
from daemon.judge import row
from daemon.rejudging import OpenRun
from daemon.standing import Standing, ending
from storage.local import LocalStore
from storage.records import Build, Configuration, Product, Session, Verdict
from tests.daemon.making import AT, demo_settings, readings

PRODUCT = "photodiode-amplifier"
KNOWN = (150.0, -80.0, 40.0, -120.0)
FAR = (150.0, -80.0, 40.0, 2000.0)
PEOPLE = ("Ada Moreno",)


class Line:
    """A bench's day without a bench: units and checks one after another."""

    def __init__(self, store: LocalStore, *, every_hours: float | None = 8.0) -> None:
        self.settings = demo_settings()
        self.store = store
        self.clock = VirtualClock()
        self.configuration, body = fingerprint(self.settings)
        store.put_configuration(
            Configuration(configuration=self.configuration, body=body, stored_at=AT)
        )
        store.add_product(Product(product=PRODUCT, title="Amplifier"))
        store.add_build(
            Build(build="B-1", product=PRODUCT, planned_units=None, opened_at=AT)
        )
        self.cycle = Cycle(self.settings, store)
        assert self.settings.bench is not None
        assert self.settings.bench.check_standard is not None
        self.standard = CheckStandard(
            **{
                **self.settings.bench.check_standard.model_dump(),
                "every_units": 3,
                "every_hours": every_hours,
            }
        )
        self.sessions = 0
        self.runs = 0
        self.session = ""
        self.restart()

    def restart(self) -> None:
        """Start again as after an end of the daemon: another session."""
        self.standing = Standing(
            self.store,
            PRODUCT,
            self.standard,
            clock=self.clock,
            configuration=self.configuration,
        )
        self.sessions += 1
        self.session = f"session {self.sessions}"
        self.store.open_session(
            Session(
                session=self.session,
                bench="demo",
                opened_at=AT,
                configuration=self.configuration,
            )
        )

    def header(self, serial: str, build: str | None) -> RunHeader:
        """Return the next run's header."""
        self.runs += 1
        self.clock.wait_s(60.0)
        return RunHeader(
            serial=serial,
            build=build,
            session=self.session,
            origin="bench",
            started_at=self.clock.utc(),
            finished_at=self.clock.utc(),
            configuration=self.configuration,
            run=f"run {self.runs}",
        )

    def unit(self, errors_ppm: Sequence[float] = KNOWN) -> str:
        """Judge one more unit; return its run."""
        header = self.header(f"PA-{self.runs}", "B-1")
        taken = readings(self.cycle.product, errors_ppm, from_s=self.clock.now_s())
        recorded = self.cycle.record(taken, header, {})
        self.standing.count(OpenRun(run=recorded.run, readings=tuple(taken)))
        return recorded.run

    def again(self) -> list[dict[str, Any]]:
        """Return the ranges that were judged again."""
        rows = self.store.table("rejudgements", product=PRODUCT, after=0)
        found: list[dict[str, Any]] = rows.to_pylist()
        return found

    def check(self, errors_ppm: Sequence[float] = KNOWN) -> tuple[str, ...]:
        """Run the check standard."""
        header = self.header("CS-1", None)
        taken = readings(self.cycle.product, errors_ppm, from_s=self.clock.now_s())
        judge = self.cycle.judge()
        measured = {one.range: judge.error(one) for one in taken}
        verdicts = self.standing.judge(measured)
        results = [
            row(str(header.run), one, verdicts[key], None)
            for key, one in measured.items()
        ]
        good = set(verdicts.values()) == {Verdict.CONFORMING}
        closes = self.standing.closes(str(header.run), measured, judge) if good else ()
        number = self.cycle.record_check(results, header, taken, closes)
        return self.standing.checked(
            run=str(header.run),
            number=number,
            session=self.session,
            results=results,
            measured=measured,
            titles={key: key for key in measured},
        )

    def doubts(self) -> list[dict[str, Any]]:
        """Return the doubts."""
        found: list[dict[str, Any]] = self.store.table(
            "doubts", product=PRODUCT
        ).to_pylist()
        return found

    def in_doubt(self) -> list[int]:
        """Return the numbers of the units' runs that are in doubt now."""
        rows = self.store.table("runs_in_doubt", product=PRODUCT).to_pylist()
        return [int(one["number"]) for one in rows]


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    """Return a bench whose session is not checked yet."""
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        yield Line(store)


def test_a_session_waits_for_its_first_check(line: Line) -> None:
    due = line.standing.due()
    assert due is not None
    assert due.reason == "the session is not checked yet"
    assert line.check() == ()
    assert line.standing.due() is None


def test_a_check_is_due_after_so_many_units(line: Line) -> None:
    line.check()
    for _ in range(3):
        assert line.standing.due() is None
        line.unit()
    due = line.standing.due()
    assert due is not None
    assert due.reason == "3 units since the last"
    line.check()
    assert line.standing.due() is None


def test_runs_since_the_last_good_check_are_in_doubt_after_a_bad_one(
    line: Line,
) -> None:
    line.check()
    line.unit()
    line.check()
    line.unit()
    line.unit()
    assert line.check(FAR) == ("1mA",)
    assert line.in_doubt() == [4, 5]
    (doubt,) = line.doubts()
    assert (doubt["from_number"], doubt["to_number"]) == (4, 5)
    assert doubt["session"] == "session 1"
    assert "outside its limits on 1mA (run 6)" in doubt["reason"]
    due = line.standing.due()
    assert due is not None
    assert "outside its limits" in due.reason


def test_a_good_check_in_the_same_session_clears_them(line: Line) -> None:
    line.check()
    line.unit()
    line.check(FAR)
    line.check(FAR)
    assert len(line.doubts()) == 1, "raised once, however often it is read"
    line.check()
    assert line.in_doubt() == []
    (doubt,) = line.doubts()
    assert doubt["ended_by"] == "holdpoint"
    assert (
        doubt["ended_reason"] == "check standard CS-1 read right on every range (run 5)"
    )
    assert line.standing.due() is None
    line.unit()
    line.check(FAR)
    assert line.in_doubt() == [6], "the cleared run stays clear"


def test_a_good_check_of_another_session_says_nothing_of_how_leads_were(
    line: Line,
) -> None:
    line.check()
    line.unit()
    line.check(FAR)
    line.restart()
    line.check()
    assert line.standing.due() is None, "the bench judges again"
    assert line.in_doubt() == [2], "but what it measured before is not vouched for"
    end, decision = ending(
        line.doubts()[0]["doubt"],
        person="Ada Moreno",
        reason="the standard's own lead was loose",
        people=PEOPLE,
        at=line.clock.utc(),
    )
    line.store.end_doubt(end, decision)
    assert line.in_doubt() == []
    line.check(FAR)
    assert line.in_doubt() == [], "what a person has decided is not asked again"


def test_the_opening_check_of_a_session_closes_the_one_before(line: Line) -> None:
    line.check()
    line.unit()
    line.restart()
    line.unit()  # some other way in: not checked, so it must not count as good
    line.check(FAR)
    assert [one["session"] for one in line.doubts()] == ["session 1", "session 2"]
    assert line.in_doubt() == [2, 3]


def test_an_overdue_check_is_a_doubt_until_a_good_one_of_any_session(
    line: Line,
) -> None:
    line.check()
    line.unit()
    assert line.standing.notice_overdue() is None
    line.clock.wait_s(8 * 3600.0)
    due = line.standing.notice_overdue()
    line.standing.notice_overdue()
    assert due is not None
    assert due.overdue
    assert line.in_doubt() == [2]
    (doubt,) = line.doubts()
    assert "CS-1 is overdue: 8.0 h since the last check" in doubt["reason"]
    line.restart()
    line.check()
    assert line.in_doubt() == []


def test_an_overdue_check_with_no_run_to_doubt_raises_nothing(line: Line) -> None:
    line.check()
    line.clock.wait_s(9 * 3600.0)
    assert line.standing.notice_overdue() is not None
    assert line.doubts() == []


def test_a_range_s_own_limits_stop_a_bench_that_moved_within_its_accuracy(
    line: Line,
) -> None:
    """The meters' accuracy would let 200 ppm pass; fourteen alike checks do not."""
    nudged = tuple(one + 150.0 for one in KNOWN)
    assert line.check(nudged) == (), "nothing is known of the bench's habits yet"
    line.restart()
    for place in range(14):
        assert line.check(tuple(one + 3.0 * (place % 3) for one in KNOWN)) == ()
    line.unit()
    assert set(line.check(tuple(one + 300.0 for one in KNOWN))) >= {"1uA"}
    assert line.in_doubt() == [16]


def test_a_drifting_bench_widens_what_it_says_until_the_next_check(line: Line) -> None:
    line.check()
    assert line.standing.known_good()["1uA"].drift.uncertainty_ppm == 0.0
    line.check(tuple(one + 60.0 for one in KNOWN))
    after_a_minute = _later(line, 60.0)
    after_an_hour = _later(line, 3540.0)
    assert 0.0 < after_a_minute < after_an_hour
    line.check(tuple(one + 60.0 for one in KNOWN))
    assert line.standing.known_good()["1uA"].drift.uncertainty_ppm < 1.0


def _later(line: Line, seconds: float) -> float:
    line.clock.wait_s(seconds)
    return line.standing.known_good()["1uA"].drift.uncertainty_ppm


def test_a_unit_carries_the_drift_in_its_uncertainty(line: Line) -> None:
    line.check()
    line.check(tuple(one + 60.0 for one in KNOWN))
    line.clock.wait_s(3600.0)
    known = line.standing.known_good()
    (reading, *_) = readings(line.cycle.product, KNOWN)
    judge = line.cycle.judge()
    plain = judge.unit("run", reading, {})
    carried = judge.unit("run", reading, known)
    drift_ppm = known["1uA"].drift.uncertainty_ppm
    assert drift_ppm > 0.0
    assert carried.uncertainty_ppm == pytest.approx(
        (plain.uncertainty_ppm**2 + drift_ppm**2) ** 0.5, rel=1e-3
    )


def test_only_a_listed_person_with_a_reason_ends_a_doubt() -> None:
    with pytest.raises(NotAllowedError, match="listed are Ada Moreno"):
        ending("doubt", person="Nobody", reason="so", people=PEOPLE, at=AT)
    with pytest.raises(NotAllowedError, match="ends with a reason"):
        ending("doubt", person="Ada Moreno", reason=" ", people=PEOPLE, at=AT)


def test_units_between_two_good_checks_are_judged_again_with_the_drift(
    line: Line,
) -> None:
    """The bench gains 90 ppm from check to check; the units stand a third on each.

    Three minutes lie between one check's readings and the next, one before a unit's.
    """
    line.check()
    first = line.unit(_moved(30.0))
    line.unit(_moved(60.0))
    assert line.again() == []
    line.check(_moved(90.0))
    again = line.again()
    assert {one["run"] for one in again} == {"run 2", "run 3"}
    assert all(one["check_run"] == "run 4" for one in again)
    rows = {one["range"]: one for one in again if one["run"] == first}
    for key, known in zip(rows, KNOWN, strict=True):
        assert rows[key]["drift_ppm"] == pytest.approx(30.0, abs=0.1)
        assert rows[key]["error_ppm"] == pytest.approx(known, abs=0.1)
        assert rows[key]["first_error_ppm"] == pytest.approx(known + 30.0, abs=0.1)
        # The bridge: 90^2 ppm^2 in three minutes, seen at a third.
        added = rows[key]["uncertainty_ppm"] ** 2 - (
            rows[key]["first_uncertainty_ppm"] ** 2
        )
        assert added == pytest.approx(90.0**2 * 2 / 9, rel=0.02)


def test_the_drift_is_taken_off_from_the_session_s_opening_on(line: Line) -> None:
    """After the second check too: else checking often would take off less."""
    line.check()
    line.unit(_moved(35.0))
    line.check(_moved(70.0))
    last = line.unit(_moved(105.0))
    line.check(_moved(140.0))
    (drift_ppm,) = {
        round(one["drift_ppm"]) for one in line.again() if one["run"] == last
    }
    assert drift_ppm == 105
    assert len({one["run"] for one in line.again()}) == 2, "each is closed once"


def test_checks_that_agree_close_runs_and_change_no_error(line: Line) -> None:
    line.check()
    line.unit()
    line.check()
    for one in line.again():
        assert one["error_ppm"] == one["first_error_ppm"]
        assert one["verdict"] == one["first_verdict"]


def test_a_bad_check_closes_nothing_and_the_good_one_after_it_does(line: Line) -> None:
    line.check()
    run = line.unit()
    line.check(FAR)
    assert line.again() == []
    line.check(_moved(20.0))
    assert {one["run"] for one in line.again()} == {run}


def test_runs_of_a_session_that_was_never_closed_stay_as_they_were_judged(
    line: Line,
) -> None:
    line.check()
    line.unit()
    line.restart()
    line.check(_moved(90.0))
    line.unit()
    line.standing.new_session()
    line.check(_moved(90.0))
    assert line.again() == []


def _moved(ppm: float) -> tuple[float, ...]:
    return tuple(one + ppm for one in KNOWN)
