"""Units judged again by the check that closes their runs, and who hears of it."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from daemon.station.cycle import Cycle
from daemon.station.rejudging import sentences
from storage.local import LocalStore
from tests.daemon.checked_line import FAR, KNOWN, PRODUCT, Line, moved

NEAR = (150.0, -80.0, 40.0, 480.0)
"""Conforming on 1 mA: its limit is 700 ppm, less twice 79 ppm of uncertainty."""
OUTSIDE = (150.0, -80.0, 40.0, 850.0)
"""Undecided on 1 mA: 700 ppm and twice 79 ppm are not passed."""


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    """Return a bench whose session is not checked yet."""
    with LocalStore(tmp_path / "holdpoint.duckdb") as store:
        yield Line(store)


@pytest.mark.source("Brownian bridge: variance t(T - t)/T; common practice, no source")
def test_units_between_two_good_checks_are_judged_again_with_the_drift(
    line: Line,
) -> None:
    """The bench gains 90 ppm from check to check; the units stand a third on each.

    Three minutes lie between one check's readings and the next, one before a unit's.
    """
    line.check()
    first = line.unit(moved(30.0))
    line.unit(moved(60.0))
    assert line.again() == []
    line.check(moved(90.0))
    again = line.again()
    assert {one["run"] for one in again} == {"run 2", "run 3"}
    assert all(one["check_run"] == "run 4" for one in again)
    rows = {one["range"]: one for one in again if one["run"] == first}
    for key, known in zip(rows, KNOWN, strict=True):
        assert rows[key]["drift_ppm"] == pytest.approx(30.0, abs=0.1)
        assert rows[key]["error_ppm"] == pytest.approx(known, abs=0.1)
        assert rows[key]["first_error_ppm"] == pytest.approx(known + 30.0, abs=0.1)
        # The bridge: 90^2 ppm^2 in three minutes, seen at a third. One step alone
        # leaves faster walks possible.
        bridge_ppm = 90.0 * (2 / 9) ** 0.5
        own_ppm2 = rows[key]["uncertainty_ppm"] ** 2
        drift_ppm = (own_ppm2 - rows[key]["first_uncertainty_ppm"] ** 2) ** 0.5
        assert bridge_ppm < drift_ppm < 2 * bridge_ppm


def test_the_drift_is_taken_off_from_the_session_s_opening_on(line: Line) -> None:
    """After the second check too: else checking often would take off less."""
    line.check()
    line.unit(moved(35.0))
    line.check(moved(70.0))
    last = line.unit(moved(105.0))
    line.check(moved(140.0))
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
    line.check(moved(20.0))
    assert {one["run"] for one in line.again()} == {run}


def test_runs_of_a_session_that_was_never_closed_stay_as_they_were_judged(
    line: Line,
) -> None:
    line.check()
    line.unit()
    line.restart()
    line.check(moved(90.0))
    line.unit()
    line.standing.new_session()
    line.check(moved(90.0))
    assert line.again() == []


def late_unit(line: Line, errors_ppm: Sequence[float]) -> None:
    """Measure a unit when nine tenths of the time between two checks are over."""
    line.clock.wait_s(480.0)
    line.unit(errors_ppm)


def held(line: Line) -> list[dict[str, Any]]:
    """Return the holds on units: a bench that moves is found by itself."""
    rows = line.store.table("holds", product=PRODUCT).to_pylist()
    return [one for one in rows if one["scope"] == "unit"]


def told(line: Line) -> list[dict[str, Any]]:
    """Return the messages on units."""
    rows = line.store.table("alerts", product=PRODUCT).to_pylist()
    return [one for one in rows if not one["alert"].startswith("finding")]


def test_a_unit_that_turns_nonconforming_is_held_and_told(line: Line) -> None:
    line.check()
    late_unit(line, OUTSIDE)
    line.cycle.watch()
    assert held(line) == []
    line.check(moved(-120.0))
    assert "nonconforming on range 1mA" in line.against("PA-1")
    line.cycle.watch()
    (hold,) = held(line)
    assert (hold["scope"], hold["subject"]) == ("unit", "PA-1")
    assert hold["reason"] == (
        "Unit PA-1 is judged again: 1 mA nonconforming, before undecided, since the "
        "bench had drifted by -108 ppm (check in run 3)"
    )
    (alert,) = told(line)
    assert alert["severity"] == "hold"
    assert alert["title"].startswith("Hold unit PA-1: Unit PA-1 is judged again")


def test_a_unit_that_is_no_longer_conforming_stays_and_is_told(line: Line) -> None:
    line.check()
    late_unit(line, NEAR)
    line.cycle.watch()
    line.check(moved(-120.0))
    line.cycle.watch()
    assert held(line) == []
    assert "undecided on range 1mA" in line.against("PA-1")
    (alert,) = told(line)
    assert alert["severity"] == "warning"
    assert "1 mA undecided, before conforming" in alert["title"]
    titles = {"1mA": "1 mA"}
    assert sentences(line.store, PRODUCT, titles) == (alert["title"],)
    assert sentences(line.store, PRODUCT, titles, after=3) == ()


def test_a_unit_that_turns_conforming_may_leave(line: Line) -> None:
    line.check()
    late_unit(line, (150.0, -80.0, 40.0, 555.0))
    assert "undecided on range 1mA" in line.against("PA-1")
    line.check(moved(120.0))
    assert line.against("PA-1") == ["its last run is not evaluated yet"]


def test_a_unit_that_has_left_already_is_told_as_loud_as_a_hold(line: Line) -> None:
    line.check()
    late_unit(line, NEAR)
    line.cycle.watch()
    line.ship("PA-1")
    line.check(moved(-120.0))
    line.cycle.watch()
    (alert,) = told(line)
    assert alert["severity"] == "hold"
    assert alert["title"].endswith("the unit has left already.")


def test_a_daemon_killed_after_the_closing_check_holds_at_its_next_start(
    line: Line,
) -> None:
    line.check()
    late_unit(line, OUTSIDE)
    line.check(moved(-120.0))
    for _ in range(2):
        started = Cycle(line.settings, line.store)
        started.resume()
        started.watch()
    assert len(held(line)) == len(told(line)) == 1


def test_what_a_later_run_has_replaced_is_neither_held_nor_told(line: Line) -> None:
    line.check()
    late_unit(line, OUTSIDE)
    line.unit(KNOWN, serial="PA-1")
    line.check(moved(-120.0))
    line.cycle.watch()
    assert held(line) == told(line) == []
