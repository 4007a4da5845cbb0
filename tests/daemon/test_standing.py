"""Which runs the check standard stands behind, and what ends a doubt."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.holds.doubts import ending
from daemon.holds.policy import NotAllowedError
from storage.local import LocalStore
from tests.daemon.checked_line import FAR, KNOWN, Line
from tests.daemon.making import AT, readings

PEOPLE = ("Ada Moreno",)


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
    line.store.keep(end, decision=decision)
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
