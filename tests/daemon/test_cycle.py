"""Judge, record, watch, act; and the same again after a crash."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import numpy as np
import pytest

from daemon.holds import policy
from daemon.station.cycle import Cycle, RunHeader, worst
from storage import AlertState, HoldState
from storage.local import LocalStore
from storage.records import (
    Build,
    Configuration,
    Disposal,
    Product,
    Reel,
    Scope,
    Session,
    Signal,
    Verdict,
)
from tests.daemon.alerts.fakes import channels
from tests.daemon.making import AT, demo_settings, fitting, readings

SETTINGS = demo_settings()
NAME = SETTINGS.product.name


@pytest.fixture
def store(tmp_path: Path) -> Iterator[LocalStore]:
    with LocalStore(tmp_path / "holdpoint.duckdb") as one:
        one.keep(Configuration(configuration="c", body="{}", stored_at=AT))
        one.keep(Product(product=NAME, title="x"))
        one.keep(Build(build="B-1", product=NAME, planned_units=20, opened_at=AT))
        one.keep(Session(session="s", bench="demo", opened_at=AT, configuration="c"))
        for reel in ("K-101", "K-102", "K-103", "K-104", "K-900"):
            one.keep(
                Reel(reel=reel, nominal_ohm=1e4, tolerance_ppm=1e3, received_at=AT)
            )
        for n in (1, 2, 3, 4):
            one.keep(fitting("B-1", f"R1{n}", f"K-10{n}"))
        one.keep(fitting("B-1", "R13", "K-900", "PA-006"))
        yield one


def header(index: int) -> RunHeader:
    return RunHeader(
        serial=f"PA-{index:03d}",
        build="B-1",
        session="s",
        origin="bench",
        started_at=AT,
        finished_at=AT,
        configuration="c",
        run=f"run-{index}",
    )


def story() -> np.ndarray:
    chance = np.random.default_rng(8)
    errors: np.ndarray = chance.normal(0.0, 150.0, (14, 4))
    errors[6:, 2] += 3000.0
    return errors


def record(cycle: Cycle, which: Sequence[int]) -> None:
    rows = story()
    for index in which:
        cycle.record(readings(cycle.product, rows[index].tolist()), header(index), {})


def stored(store: LocalStore) -> tuple[int, int, list[str]]:
    """Return watermark, revisions kept and holds."""
    mark = int(store.frame("watermark", product=NAME)["number"].iloc[0])
    signals = store.frame("signals", product=NAME)
    revisions = 0 if signals.empty else int(signals["revision"].iloc[0])
    return mark, revisions, sorted(store.frame("holds", product=NAME)["hold"])


def test_a_bad_reel_ends_in_a_finding_and_two_holds(store: LocalStore) -> None:
    cycle = Cycle(SETTINGS, store)
    cycle.resume()
    for index in range(14):
        record(cycle, [index])
        cycle.watch()
    mark, revisions, held = stored(store)
    assert mark == 14
    assert revisions >= 1
    assert held == ["B-1-F1:B-1", "B-1-F1:K-900"]
    builds = store.frame("builds", product=NAME)
    assert builds["state"].tolist() == ["held"]
    assert builds["first_pass_yield"].tolist() == [1.0]


@pytest.mark.parametrize("lost", [0, 3, 6, 8, 13])
def test_a_crash_between_commit_and_watching_loses_and_repeats_nothing(
    store: LocalStore, lost: int
) -> None:
    """Runs are the truth; whatever was not yet watched is watched after the start."""
    whole = Cycle(SETTINGS, store)
    whole.resume()
    for index in range(lost):
        record(whole, [index])
        whole.watch()
    record(whole, range(lost, 14))
    again = Cycle(SETTINGS, store)
    again.resume()
    mark, _, held = stored(store)
    assert mark == 14
    assert held == ["B-1-F1:B-1", "B-1-F1:K-900"]
    before = stored(store)
    Cycle(SETTINGS, store).resume()
    assert stored(store) == before


def test_after_a_restart_a_finding_goes_on_where_it_was(store: LocalStore) -> None:
    one = Cycle(SETTINGS, store)
    one.resume()
    for index in range(13):
        record(one, [index])
        one.watch()
    first = store.frame("signals", product=NAME).iloc[0]
    again = Cycle(SETTINGS, store)
    again.resume()
    record(again, [13])
    (signal,) = again.watch()
    assert signal.signal == first["signal"]
    assert signal.revision == first["revision"] + 1
    assert signal.raised_serial == first["raised_serial"]


def test_a_nonconforming_unit_is_held_by_itself(store: LocalStore) -> None:
    cycle = Cycle(SETTINGS, store)
    cycle.resume()
    done = cycle.record(readings(cycle.product, [0.0, 0.0, 0.0, 9000.0]), header(0), {})
    cycle.watch()
    assert done.verdict is Verdict.NONCONFORMING
    holds = store.frame("holds", product=NAME)
    of_units = holds[holds["scope"] == "unit"]
    assert of_units["subject"].tolist() == ["PA-000"]
    assert of_units["reason"].tolist() == ["Outside its error limit: 1 mA"]


@pytest.mark.parametrize(
    ("read_ppm", "held"),
    [
        ([9000.0, 0.0], []),
        ([9000.0, 9000.0], ["run-2:PA-000"]),
        ([9000.0, 9000.0, 0.0], ["run-1:PA-000"]),
        ([9000.0, 9000.0, 9000.0], ["run-1:PA-000"]),
    ],
)
def test_a_unit_is_held_for_what_it_read_unless_it_was_seated_again_once(
    store: LocalStore, read_ppm: list[float], held: list[str]
) -> None:
    """To measure a third time is to test until it passes."""
    cycle = Cycle(SETTINGS, store)
    for number, ppm in enumerate(read_ppm, start=1):
        one = replace(
            header(0),
            run=f"run-{number}",
            rerun_of=f"run-{number - 1}" if number > 1 else None,
        )
        cycle.record(readings(cycle.product, [ppm, 0.0, 0.0, 0.0]), one, {})
    cycle.watch()
    rows = store.frame("holds", product=NAME)
    assert sorted(rows[rows["scope"] == "unit"]["hold"]) == held


def read_again(cycle: Cycle, reads_ppm: Sequence[Sequence[float]]) -> None:
    """Measure one unit so often, each time watched before the next."""
    for number, ppm in enumerate(reads_ppm, start=1):
        before = f"run-{number - 1}" if number > 1 else None
        one = replace(header(0), run=f"run-{number}", rerun_of=before)
        cycle.record(readings(cycle.product, list(ppm)), one, {})
        cycle.watch()


def of_units(store: LocalStore) -> list[HoldState]:
    """Return the holds on units, as they were placed."""
    rows = store.rows(HoldState, product=NAME)
    return [one for one in rows if one.scope is Scope.UNIT]


def test_a_held_unit_that_reads_as_bad_again_keeps_its_one_hold_and_that_is_said(
    store: LocalStore,
) -> None:
    told_to = SETTINGS.model_copy(
        update={"alerts": channels("bench", severity="notice")}
    )
    cycle = Cycle(told_to, store)
    cycle.resume()
    read_again(cycle, [[9000.0, 0.0, 0.0, 0.0]])
    first = cycle.take_said()
    assert any(one.startswith("Held from now on: unit PA-000.") for one in first)
    read_again(cycle, [[9000.0, 0.0, 0.0, 0.0]] * 2)
    again = cycle.take_said()[-1]
    assert again == (
        "Unit PA-000 was measured again. Outside its error limit: 1 µA. It was held "
        "for that already; the hold stands."
    )
    (hold,) = of_units(store)
    assert (hold.hold, hold.disposal) == ("run-1:PA-000", None)
    rows = store.table("unit_runs", serial="PA-000").to_pylist()
    read = {one["run"]: one["verdict"] for one in rows if one["range"] == "1uA"}
    assert read == dict.fromkeys(("run-1", "run-2"), "nonconforming")
    titles = store.table("alerts", product=NAME).column("title").to_pylist()
    assert titles.count(again) == 1


def test_a_held_unit_that_reads_bad_elsewhere_too_is_held_for_that_as_well(
    store: LocalStore,
) -> None:
    cycle = Cycle(SETTINGS, store)
    cycle.resume()
    read_again(cycle, [[9000.0, 0.0, 0.0, 0.0], [9000.0, 0.0, 0.0, 9000.0]])
    reasons = [one.reason for one in of_units(store)]
    assert reasons == ["Outside its error limit: 1 µA", "Outside its error limit: 1 mA"]


def test_a_unit_whose_hold_was_ended_is_held_anew_where_it_reads_bad_again(
    store: LocalStore,
) -> None:
    cycle = Cycle(SETTINGS, store)
    cycle.resume()
    read_again(cycle, [[9000.0, 0.0, 0.0, 0.0]])
    end, decision = policy.ending(
        "run-1:PA-000", disposal=Disposal.REWORK, person="Ada", reason="a new part",
        people=("Ada",), at=AT,
    )  # fmt: skip
    store.keep(end, decision=decision)
    read_again(cycle, [[9000.0, 0.0, 0.0, 0.0]] * 2)
    standing = [one.hold for one in of_units(store) if one.disposal is None]
    assert standing == ["run-2:PA-000"]


def test_the_worst_verdict_decides() -> None:
    assert worst([Verdict.CONFORMING, Verdict.UNDECIDED]) is Verdict.UNDECIDED
    assert worst([Verdict.UNDECIDED, Verdict.NONCONFORMING]) is Verdict.NONCONFORMING
    assert worst([]) is Verdict.NOT_JUDGED


def test_a_reel_recorded_after_all_its_units_still_names_them(
    store: LocalStore,
) -> None:
    cycle = Cycle(SETTINGS, store)
    cycle.resume()
    chance = np.random.default_rng(12)
    rows = chance.normal(0.0, 150.0, (14, 4))
    rows[6:, 0] += 3000.0
    for index in range(14):
        cycle.record(readings(cycle.product, rows[index].tolist()), header(index), {})
        cycle.watch()
    store.keep(Reel(reel="K-901", nominal_ohm=5e5, tolerance_ppm=1e3, received_at=AT))
    store.keep(fitting("B-1", "R11", "K-901", "PA-006"))
    (signal,) = cycle.watch()
    assert (signal.reel, signal.first_serial) == ("K-901", "PA-006")
    assert cycle.watch() == []
    assert "B-1-F1:K-901" in stored(store)[2]


def test_the_compiled_loops_are_loaded_before_the_bench_can_be_open(
    store: LocalStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Loading them keeps heartbeats waiting; resuming comes before the bench."""
    loaded: list[object] = []
    monkeypatch.setattr("daemon.station.cycle.warm_up", loaded.append)
    cycle = Cycle(SETTINGS, store)
    cycle.resume()
    assert loaded == [cycle.product]


def test_a_unit_in_the_middle_of_a_build_asks_for_itself_alone(
    store: LocalStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What people recorded is asked for once there is more of it."""
    cycle = Cycle(SETTINGS, store)
    cycle.resume()
    record(cycle, [0])
    cycle.watch()
    asked: list[object] = []

    def noted(answer: Callable[..., Any]) -> Callable[..., Any]:
        def asking(query: object, *more: object, **parameters: Any) -> Any:
            asked.append(query)
            return answer(query, *more, **parameters)

        return asking

    for name in ("table", "rows"):
        monkeypatch.setattr(store, name, noted(getattr(store, name)))
    record(cycle, [1])
    cycle.watch()
    assert asked == []  # what was just kept is known
    store.keep(fitting("B-1", "R12", "K-900", "PA-003"))
    record(cycle, [2])
    cycle.watch()
    assert asked[0] == "changes"
    assert "K-900" in {one.reel for one in cycle.known.book.fittings}
    assert any(one.from_serial == "PA-003" for one in cycle.known.book.fittings)


@pytest.mark.parametrize("wrong", [0, 3, 5])
def test_one_wrong_cell_of_a_sheet_holds_no_build(
    store: LocalStore, wrong: int
) -> None:
    """Unit by unit nobody knows that it is one, or whether its reel goes on so."""
    rows = np.random.default_rng(3).normal(0.0, 150.0, (12, 4))
    rows[wrong, 0] = -44_500.0
    cycle = Cycle(SETTINGS, store)
    cycle.resume()
    for index, row in enumerate(rows):
        cycle.record(readings(cycle.product, row.tolist()), header(index), {})
    cycle.watch()
    held = [(one.scope, one.subject) for one in store.rows(HoldState, product=NAME)]
    assert held == [(Scope.UNIT, f"PA-{wrong:03d}")]
    signals = store.rows(Signal, "signals", product=NAME)
    assert not [one for one in signals if one.holds and one.standing]
    assert stored(store)[0] == len(rows)


def test_what_could_not_be_kept_is_kept_by_the_next_look(
    store: LocalStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    told_to = SETTINGS.model_copy(update={"alerts": channels("bench")})
    cycle = Cycle(told_to, store)
    cycle.resume()
    record(cycle, range(14))
    with monkeypatch.context() as patched:
        patched.setattr(store, "record_evaluation", Mock(side_effect=OSError("full")))
        with pytest.raises(OSError, match="full"):
            cycle.watch()
    assert stored(store) == (0, 0, [])
    cycle.watch()
    mark, revisions, holds = stored(store)
    assert (mark, holds) == (14, ["B-1-F1:B-1", "B-1-F1:K-900"])
    assert revisions > 1
    # What was told in vain is told again, with its reasons.
    assert [one.alert for one in store.rows(AlertState, product=NAME)] == [
        "finding B-1-F1"
    ]
