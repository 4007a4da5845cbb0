"""A start goes on from the kept line: no old run is read, and nothing is said twice."""

from collections.abc import Callable, Iterator
from dataclasses import fields
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from config import HoldpointError
from daemon.station.cycle import Cycle, RunHeader
from daemon.traceability import correct
from daemon.watch import ProductWatch, fold as folding, from_rows, product_watch
from daemon.watch.ahead import Ahead
from storage import (
    Amended,
    Amendment,
    LineMark,
    LinePiece,
    LineSegment,
    Scope,
)
from storage.errors import WriteError
from storage.local import LocalStore
from storage.records import (
    Build,
    Configuration,
    Decision,
    Disposal,
    Evaluation,
    Fitting,
    Hold,
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


def grown(store: LocalStore) -> Cycle:
    """Return a cycle that has watched three builds."""
    cycle = resumed(store)
    for number in range(3):
        build(cycle, number)
    return cycle


def held_build(store: LocalStore) -> str:
    """Return the one hold that stands on a build."""
    (hold,) = store.frame("holds", product=NAME).query("scope == 'build'")["hold"]
    return str(hold)


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
    cycle = grown(store)
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
    grown(store)
    hold = held_build(store)
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
    grown(store)
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
    cycle = grown(store)
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


def told(ahead: Ahead) -> list[Any]:
    """Return what is known of the next build, to the last bit."""
    known = [getattr(ahead.baseline, one.name) for one in fields(ahead.baseline)]
    plain = [one.tolist() if isinstance(one, np.ndarray) else one for one in known]
    return [ahead.builds, ahead.says, *plain[1:]]


def ahead_refolded(store: LocalStore) -> list[Any]:
    """Return what a fold of all rows tells of the next build; nothing is kept."""
    fresh = ProductWatch(SETTINGS, store)
    fresh._fingerprint = "none"
    fresh.remember()
    return told(fresh.ahead())


def ahead_kept(store: LocalStore) -> list[Any]:
    """Return what a question before a build tells, which must not fold."""
    fresh = ProductWatch(SETTINGS, store)
    found = told(fresh.ahead())
    assert not fresh.folded
    return found


def end(store: LocalStore, hold: str) -> None:
    """Release what is held."""
    end = HoldEnd(
        hold=hold, disposal=Disposal.RELEASE, person="Ada", reason="good", ended_at=AT
    )
    decision = Decision(
        person="Ada", action="release", subject=hold, reason="good", decided_at=AT
    )
    store.keep(end, decision=decision)


def test_what_is_known_of_the_next_build_is_kept_with_each_unit(
    store: LocalStore,
) -> None:
    cycle = resumed(store)
    for number in range(3):
        build(cycle, number)
        assert ahead_kept(store) == ahead_refolded(store)
    unit(cycle, 1, 6, rerun_of="run-1-6")
    cycle.watch()
    assert ahead_kept(store) == ahead_refolded(store)


def test_what_people_record_and_decide_makes_the_next_build_known_anew(
    store: LocalStore,
) -> None:
    """It is never told as it was before; a watch that idles keeps it again."""
    cycle = grown(store)
    hold = held_build(store)
    by_hand = Hold(
        hold="by hand", scope=Scope.BUILD, subject="B-1", product=NAME, signal=None,
        reason="dropped", placed_by="Ada", placed_at=AT,
    )  # fmt: skip
    placed = Decision(
        person="Ada", action="hold", subject="by hand", reason="dropped", decided_at=AT
    )
    changes: list[Callable[[], object]] = [
        lambda: end(store, hold),
        lambda: store.keep(fitting("B-0", "R12", "K-102", "PA-0003")),
        lambda: store.keep(by_hand, decision=placed),
    ]
    before = ahead_kept(store)
    for change in changes:
        change()
        now = ahead_refolded(store)
        assert now != before
        cycle.watch()
        assert ahead_kept(store) == now
        before = now
    end(store, "by hand")
    beside = ProductWatch(SETTINGS, store)
    assert told(beside.ahead()) == ahead_refolded(store)
    assert beside.folded
    assert ahead_kept(store) == ahead_refolded(store)


def test_a_decision_after_a_run_that_is_not_watched_yet_waits_for_it(
    store: LocalStore,
) -> None:
    cycle = grown(store)
    hold = held_build(store)
    before = ahead_kept(store)
    unit(cycle, 3, 0)
    end(store, hold)
    beside = ProductWatch(SETTINGS, store)
    assert told(beside.ahead()) == before
    cycle.watch()
    assert ahead_kept(store) == ahead_refolded(store) != before


@pytest.mark.parametrize("text", ["{", "{}", "[]", "null", '{"worked_out_with": {}}'])
def test_a_text_that_is_damaged_is_worked_out_again(
    store: LocalStore, text: str
) -> None:
    cycle = resumed(store)
    build(cycle, 0)
    before = ahead_kept(store)
    with store._database.transaction() as transaction:
        transaction.run("update watermark set ahead = $text", {"text": text})
    assert told(ProductWatch(SETTINGS, store).ahead()) == before
    assert ahead_kept(store) == before


@pytest.mark.parametrize("ask", [ProductWatch.ahead, ProductWatch.history])
def test_a_question_without_a_daemon_folds_once_for_another_text_of_the_program(
    store: LocalStore, monkeypatch: pytest.MonkeyPatch, ask: Callable[..., object]
) -> None:
    grown(store)
    monkeypatch.setattr(product_watch, "fingerprint_of", lambda *_: "another")
    first = ProductWatch(SETTINGS, store)
    ask(first)
    assert first.refolded is not None
    second = ProductWatch(SETTINGS, store)
    assert ask(second)
    assert not second.folded
    assert resumed(store).known.refolded is None


def test_where_nothing_can_be_kept_a_question_is_answered_all_the_same(
    store: LocalStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    grown(store)
    expected = ahead_kept(store)
    monkeypatch.setattr(product_watch, "fingerprint_of", lambda *_: "another")

    def full(_: Evaluation) -> None:
        raise WriteError(where="here", reason="the disk is full")

    monkeypatch.setattr(store, "record_evaluation", full)
    assert told(ProductWatch(SETTINGS, store).ahead()) == expected
    with pytest.raises(WriteError):
        ProductWatch(SETTINGS, store).remember(keep=True)
