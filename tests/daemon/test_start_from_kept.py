"""A start goes on from the kept line: no old run is read, and nothing is said twice."""

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from config import HoldpointError
from daemon.station.cycle import Cycle, RunHeader
from daemon.traceability import correct
from daemon.watch import ProductWatch, fold as folding, from_rows, product_watch
from storage import Amended, Amendment, LineMark, LinePiece, LineSegment
from storage.local import LocalStore
from storage.records import (
    Build,
    Configuration,
    Decision,
    Disposal,
    Evaluation,
    Fitting,
    HoldEnd,
    Product,
    Reel,
    Session,
)
from tests.daemon.making import AT, demo_settings, fitting, readings

SETTINGS = demo_settings()
NAME = SETTINGS.product.name
UNITS = 8


@pytest.fixture(autouse=True)
def _often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folding, "EVERY", 3)
    monkeypatch.setattr(folding, "AT_HAND", 1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[LocalStore]:
    with LocalStore(tmp_path / "holdpoint.duckdb") as one:
        one.keep(Configuration(configuration="c", body="{}", stored_at=AT))
        one.keep(Product(product=NAME, title="x"))
        one.keep(Session(session="s", bench="demo", opened_at=AT, configuration="c"))
        for reel in ("K-101", "K-102", "K-900"):
            one.keep(
                Reel(reel=reel, nominal_ohm=1e4, tolerance_ppm=1e3, received_at=AT)
            )
        for build in range(4):
            name = f"B-{build}"
            one.keep(Build(build=name, product=NAME, planned_units=UNITS, opened_at=AT))
            one.keep(fitting(name, "R11", "K-101"))
        one.keep(fitting("B-2", "R13", "K-900", "PA-2004"))
        yield one


def unit(cycle: Cycle, build: int, place: int, *, rerun_of: str | None = None) -> str:
    """Record a unit; from the fifth of build 2 on, its third range is far off."""
    run = f"run-{build}-{place}" + ("-again" if rerun_of else "")
    errors = np.random.default_rng([build, place]).normal(0.0, 150.0, 4)
    if build == 2 and place >= 4:
        errors[2] += 4000.0
    header = RunHeader(
        serial=f"PA-{build}{place:03d}",
        build=f"B-{build}",
        session="s",
        origin="bench",
        started_at=AT,
        finished_at=AT,
        configuration="c",
        run=run,
        rerun_of=rerun_of,
    )
    cycle.record(readings(cycle.product, errors.tolist()), header, {})
    return run


def build(cycle: Cycle, number: int) -> None:
    for place in range(UNITS):
        unit(cycle, number, place)
        cycle.watch()


def resumed(store: LocalStore) -> Cycle:
    cycle = Cycle(SETTINGS, store)
    cycle.resume()
    return cycle


def refolded(store: LocalStore) -> dict[str, float]:
    """Return the odds of a fold of all rows."""
    fresh = product_watch.ProductWatch(SETTINGS, store)
    fresh._fingerprint = "none"
    fresh.remember()
    assert "are others than before" in str(fresh.refolded)
    return fresh.log_odds()


def test_a_start_reads_only_what_came_after_the_last_mark(
    store: LocalStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    cycle = resumed(store)
    for number in range(3):
        build(cycle, number)
    asked: list[int] = []
    ask = from_rows.runs_after

    def noted(*given: Any, **more: Any) -> Any:
        asked.append(int(given[2]))
        return ask(*given, **more)

    monkeypatch.setattr(product_watch, "runs_after", noted)
    again = resumed(store)
    assert min(asked) >= 24
    assert again.known.refolded is None
    assert again.known.log_odds() == cycle.known.log_odds() == refolded(store)
    assert again.known.history() == cycle.known.history()


def test_late_reels_reruns_and_decisions_after_a_start_give_the_same_odds(
    store: LocalStore,
) -> None:
    cycle = resumed(store)
    for number in range(3):
        build(cycle, number)
    (hold,) = store.frame("holds", product=NAME).query("scope == 'build'")["hold"]
    # While no daemon runs: a reel that was fitted long ago, and a hold that is ended.
    store.keep(fitting("B-0", "R12", "K-102", "PA-0003"))
    store.keep(
        HoldEnd(
            hold=hold, disposal=Disposal.RELEASE, person="Ada", reason="measured",
            ended_at=AT,
        ),
        decision=Decision(
            person="Ada", action="release", subject=hold, reason="measured",
            decided_at=AT,
        ),
    )  # fmt: skip
    again = resumed(store)
    assert again.known.log_odds() == refolded(store)
    unit(again, 1, 2, rerun_of="run-1-2")
    again.watch()
    assert again.known.log_odds() == refolded(store)
    build(again, 3)
    last = resumed(store)
    assert last.known.log_odds() == again.known.log_odds() == refolded(store)
    findings = store.frame("signals", product=NAME)
    assert last.watch() == []
    assert store.frame("signals", product=NAME).equals(findings)


def test_marks_and_segments_that_nobody_goes_back_to_are_dropped(
    store: LocalStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(folding, "MOST_CHECKPOINTS", 4)
    cycle = resumed(store)
    for number in range(4):
        build(cycle, number)
    marks = [one.number for one in store.rows(LineMark, product=NAME)]
    assert len(marks) <= 4
    rows = store.rows(LineSegment, product=NAME)
    kept = {(one.segment, one.number) for one in rows}
    pieces = store.rows(LinePiece, product=NAME)
    assert kept == {(one.segment, one.number) for one in pieces}
    for segment in {one.segment for one in rows}:
        numbers = sorted(number for of, number in kept if of == segment)
        for number, after in pairwise(numbers):
            assert any(number <= mark < after for mark in marks)


def test_damage_that_is_met_later_is_said_and_mended_by_the_next_start(
    store: LocalStore,
) -> None:
    cycle = resumed(store)
    for number in range(3):
        build(cycle, number)
    again = resumed(store)
    with store._database.transaction() as transaction:
        transaction.run(
            "update line_piece set body = 'AAAA' "
            "where segment < (select max(segment) from line_piece)",
            {},
        )
    unit(again, 1, 6, rerun_of="run-1-6")
    with pytest.raises(HoldpointError, match="start it again"):
        again.watch()
    last = resumed(store)
    last.watch()
    assert last.known.refolded is not None
    assert last.known.log_odds() == refolded(store)


@pytest.mark.parametrize("fault", ["torn", "cut", "missing", "other"])
def test_a_kept_line_that_cannot_be_gone_by_is_folded_again_and_said(
    store: LocalStore, fault: str
) -> None:
    cycle = resumed(store)
    for number in range(3):
        build(cycle, number)
    odds = cycle.known.log_odds()
    change = {
        "torn": "update line_mark set body = '{'",
        "cut": "update line_piece set body = substr(body, 1, 4000)",
        "missing": "delete from line_segment where segment = 1",
        "other": "update line_mark set fingerprint = 'other'",
    }
    with store._database.transaction() as transaction:
        transaction.run(change[fault], {})
    again = resumed(store)
    assert again.known.log_odds() == odds
    assert again.known.refolded is not None
    assert resumed(store).known.refolded is None


def test_what_was_worked_out_before_a_correction_and_kept_after_it_is_not_gone_by(
    store: LocalStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    cycle = resumed(store)
    (old,) = store.rows(Fitting, build="B-2", part="R11")
    keep = store.record_evaluation

    def corrected_meanwhile(evaluation: Evaluation) -> None:
        if evaluation.lines and not store.rows(Amendment):
            correct(
                store, NAME, old.fitting, {Amended.FITTING: None},
                person="Ada", reason="typed wrong", people=("Ada",), at=AT,
            )  # fmt: skip
        keep(evaluation)

    monkeypatch.setattr(store, "record_evaluation", corrected_meanwhile)
    for place in range(UNITS):
        unit(cycle, 2, place)
    cycle.watch()
    assert store.rows(Amendment)
    assert store.rows(LineMark, product=NAME)
    again = resumed(store)
    assert "are others than before" in str(again.known.refolded)
    assert again.known.log_odds() == refolded(store)
    assert resumed(store).known.refolded is None


def test_what_is_held_against_is_said_again_unless_something_was_corrected(
    store: LocalStore,
) -> None:
    cycle = resumed(store)
    unit(cycle, 2, 0)
    cycle.watch()
    said = ProductWatch(cycle.settings, store)
    assert said.history() == cycle.known.history()
    assert not said.folded
    (old,) = store.rows(Fitting, build="B-2", part="R11")
    correct(
        store, NAME, old.fitting, {Amended.FITTING: None},
        person="Ada", reason="typed wrong", people=("Ada",), at=AT,
    )  # fmt: skip
    anew = ProductWatch(cycle.settings, store)
    assert anew.history()
    assert anew.folded
