"""What every Store answers: columns, order, meaning."""

from collections.abc import Iterator
from dataclasses import fields, replace
from datetime import timedelta
from pathlib import Path
from types import UnionType
from typing import Any, get_args, get_origin, get_type_hints

import pytest

from storage import answers
from storage.kept import RECORDS, Row
from storage.ledger import LedgerRow
from storage.local import LocalStore
from storage.records import (
    BenchInstrument,
    Cause,
    Doubt,
    Evaluation,
    Fitting,
    Hold,
    RunKind,
    Scope,
    Signal,
    Unit,
    Verdict,
)
from storage.records_alerts import Alert
from storage.records_line import LineBench
from storage.records_shipping import Rework, Shipment, ShipRule
from storage.remote import RemoteStore
from storage.seals import seal
from storage.statements import queries
from storage.store import Parameter, Store
from tests.storage.samples import (
    BUILD,
    END,
    ENDED,
    EVALUATION,
    FITTING,
    HOLD,
    PERSONS_HOLD,
    PLACED,
    RANGES,
    REEL,
    SIGNAL,
    START,
    leave_waiting,
    record,
    record_all,
    record_amendment,
    results,
    run,
    unit,
)
from tests.storage.serving import serving

_RANGE_ROW = (
    "number run kind serial build session started_at origin rerun_of ambient_c "
    "configuration range reference indicated error_ppm offset_ppm uncertainty_ppm "
    "limit_ppm verdict conformance_probability own_uncertainty_ppm"
)


ONE_ROW = {
    "changes",
    "last_good_check",
    "known_builds",
    "known_units",
    "left_since",
    "measured_units",
    "latest_check",
    "latest_run",
    "watermark",
}
"""Questions that have an answer of nothing, too."""
NO_ROW = {"away", "not_closed", "not_shared", "shared_view"}
"""Questions that have no answer here: the only unit that left came back, a check came
last, and nothing is shared."""


def columns(record: type[Row]) -> str:
    """Return the columns that a record declares: a new one is no matter of a test."""
    return " ".join(field.name for field in fields(record))  # type: ignore[arg-type]


QUESTIONS: dict[str, tuple[dict[str, Parameter], str]] = {
    "builds": (
        {"product": "photoamp"},
        (
            "build planned_units opened_at units first_pass_yield state open_holds "
            "last_run_at"
        ),
    ),
    "away": ({"product": "photoamp"}, "serial"),
    "first_runs": (
        {"product": "photoamp", "serials": '["S001"]'},
        "serial run build last_run origin",
    ),
    "good_before": (
        {"product": "photoamp", "build": "B9", "before": 10_000, "range": RANGES[-1]},
        "serial",
    ),
    "good_checks": (
        {
            "product": "photoamp",
            "serial": "check 1",
            "configuration": "c0ffee",
            "most": 60,
        },
        "number range error_ppm",
    ),
    "last_by_bench": ({"product": "photoamp"}, "run serial"),
    "last_good_check": ({"product": "photoamp"}, "number"),
    "measured_units": ({"product": "photoamp"}, "units"),
    "runs_known": ({"product": "photoamp", "runs": '["run 1"]'}, "run"),
    "unit_configurations": ({"serial": "S001"}, "configuration"),
    "unit_errors": (
        {"product": "photoamp"},
        "build serial range error_ppm limit_ppm points",
    ),
    "range_rows": (
        {"product": "photoamp", "after": 0, "kind": None},
        f"{_RANGE_ROW} set_up",
    ),
    "watched_rows": (
        {"product": "photoamp", "after": 0, "until": 10, "serial": None},
        f"{_RANGE_ROW} repeat set_up",
    ),
    "fittings_since": ({"product": "photoamp", "after": 0}, columns(Fitting)),
    "known_builds": ({"product": "photoamp"}, "builds"),
    "known_units": ({"product": "photoamp"}, "units"),
    "latest_run": ({"product": "photoamp"}, "number"),
    "latest_check": ({"product": "photoamp", "until": 10}, "number"),
    "standards_used": ({"product": "photoamp"}, "configuration"),
    "line_bench_from": ({"product": "photoamp", "place": 0}, columns(LineBench)),
    "latest_errors": (
        {"product": "photoamp"},
        (
            "number run serial build position started_at session range error_ppm "
            "uncertainty_ppm limit_ppm verdict reruns points"
        ),
    ),
    "signals": ({"product": "photoamp"}, f"{columns(Signal)} first_made_at"),
    "holds": (
        {"product": "photoamp"},
        (
            f"{columns(Hold)} after_number disposal person end_reason ended_at "
            "evidence end_after_number"
        ),
    ),
    "hold_ends": (
        {"product": "photoamp"},
        (
            "hold scope subject to_serial signal build range part reel cause disposal "
            "person reason ended_at after_number"
        ),
    ),
    "changes": (
        {"product": "photoamp", "but_by": "holdpoint"},
        "fittings holds hold_ends reworks amendments",
    ),
    "shipments": (
        {"product": "photoamp"},
        f"{columns(Shipment)} against build returned_at return_reason",
    ),
    "untold": ({}, "command waiting since"),
    "to_measure_again": ({"product": "photoamp"}, "serial range"),
    "reworks": (
        {"product": "photoamp"},
        f"{columns(Rework)} build",
    ),
    "range_story": (
        {"product": "photoamp", "range": RANGES[0], "most": 10},
        (
            "stretch builds units first_build last_build since until mean_ppm "
            "low_mean_ppm high_mean_ppm s_ppm low_ppm high_ppm limit_ppm outside"
        ),
    ),
    "newest_decisions": ({"newest": 2}, columns(LedgerRow)),
    "left_since": ({"product": "photoamp", "since": START}, "units"),
    "units_like": ({"product": "photoamp", "part": "s0", "newest": 3}, "serial build"),
    "yields": (
        {"product": "photoamp"},
        "build units first_pass_yield final_yield reworked",
    ),
    "decided": ({}, "kind subject person decided_at"),
    "decided_rows": ({}, "kind key kept_row"),
    "latest_instruments": (
        {"bench": "bench 1"},
        columns(BenchInstrument),
    ),
    "doubts": (
        {"product": "photoamp"},
        f"{columns(Doubt)} ended_by ended_reason ended_at",
    ),
    "runs_that_keep": (
        {"product": "photoamp"},
        "number run serial build doubt reason raised_at",
    ),
    "last_serial": ({"build": "B1"}, "serial"),
    "runs_in_doubt": (
        {"product": "photoamp"},
        "number run serial build doubt reason raised_at",
    ),
    "reel_checks": (
        {},
        (
            "reel_check reel readings uncertainty_ohm origin person made_at method "
            "incoming"
        ),
    ),
    "proofs": (
        {"product": "photoamp"},
        "proof signal kind subject readings unit from_value uncertainty person made_at",
    ),
    "check_results": (
        {"product": "photoamp", "after": 0},
        "number run serial build started_at check value unit low high verdict",
    ),
    "alerts": (
        {"product": "photoamp"},
        (
            f"{columns(Alert)} tries tried_at next_at last_error delivered_at dead_at "
            "person acknowledged_at"
        ),
    ),
    "alerts_due": (
        {"target": "production", "at": START},
        f"{columns(Alert)} tries",
    ),
    "watermark": ({"product": "photoamp"}, "number history worked_out_with ahead"),
    "first_run": ({"serial": "S001"}, "run"),
    "unit_runs": (
        {"serial": "S001"},
        (
            f"{_RANGE_ROW} note points again_drift_ppm again_error_ppm "
            "again_uncertainty_ppm again_verdict again_conformance_probability "
            "again_points again_number"
        ),
    ),
    "rejudgements": (
        {"product": "photoamp", "after": 0},
        (
            "number run serial build range check_run check_number drift_ppm "
            "first_error_ppm first_uncertainty_ppm first_verdict error_ppm "
            "uncertainty_ppm verdict conformance_probability limit_ppm made_at latest"
        ),
    ),
    "build_configurations": ({"serial": "S001"}, "configuration"),
    "readings": (
        {"run": "run 1"},
        "range level reference_readings output_readings at_s",
    ),
    "sessions": ({"product": "photoamp"}, "session bench opened_at runs checks"),
    "not_closed": ({"product": "photoamp", "bench": "bench 1"}, "session units"),
    "jobs": ({}, "job succeeded_at"),
}

RECORDS_READ: dict[str, tuple[dict[str, Parameter], str]] = {
    table: ({}, columns(record)) for table, record in RECORDS.items()
}
ASKED = QUESTIONS | RECORDS_READ


def rows(store: Store, query: str, **parameters: Parameter) -> list[dict[str, Any]]:
    """Return a query's rows."""
    found: list[dict[str, Any]] = store.table(query, **parameters).to_pylist()
    return found


def builds(store: Store) -> dict[str, dict[str, Any]]:
    """Return the rows of `builds` by build."""
    return {row["build"]: row for row in rows(store, "builds", product="photoamp")}


@pytest.fixture(scope="module")
def both(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[LocalStore, RemoteStore]]:
    """Return the same rows, asked locally and from elsewhere."""
    folder: Path = tmp_path_factory.mktemp("both")
    with LocalStore(folder / "holdpoint.duckdb") as local:
        record_all(local)
        record_amendment(local)
        leave_waiting(local)
        with serving(local) as endpoint, RemoteStore(endpoint) as remote:
            yield local, remote


def test_every_query_has_its_columns_checked_here() -> None:
    assert set(queries()) == set(QUESTIONS)


@pytest.mark.parametrize("query", ASKED)
def test_a_query_has_these_columns(
    both: tuple[LocalStore, RemoteStore], query: str
) -> None:
    parameters, wanted = ASKED[query]
    table = both[0].table(query, **parameters)
    # A record's own columns come as its table has them, the rest after them.
    assert sorted(table.column_names) == sorted(wanted.split())
    assert (table.num_rows > 0) is (query not in NO_ROW)


@pytest.mark.parametrize("query", ASKED)
def test_a_remote_answer_is_the_local_one(
    both: tuple[LocalStore, RemoteStore], query: str
) -> None:
    parameters, _ = ASKED[query]
    local, remote = both
    assert remote.table(query, **parameters).equals(local.table(query, **parameters))
    assert remote.frame(query, **parameters).equals(local.frame(query, **parameters))


@pytest.fixture(scope="module")
def without_rows(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LocalStore]:
    with LocalStore(tmp_path_factory.mktemp("empty") / "empty.duckdb") as empty:
        yield empty


@pytest.mark.parametrize("query", ASKED)
def test_an_empty_answer_has_the_same_types(
    both: tuple[LocalStore, RemoteStore], without_rows: LocalStore, query: str
) -> None:
    parameters, _ = ASKED[query]
    nothing = without_rows.table(query, **parameters)
    assert nothing.num_rows == (query in ONE_ROW)
    assert nothing.schema.equals(both[0].table(query, **parameters).schema)


def test_ranges_come_in_the_order_they_were_given(store: Store) -> None:
    for number in (1, 2):
        record(store, run(number))
    found = rows(store, "range_rows", product="photoamp", after=0, kind=None)
    assert [(row["number"], row["range"]) for row in found] == [
        (number, one) for number in (1, 2) for one in RANGES
    ]


def test_rows_after_a_number_and_of_a_kind(store: Store) -> None:
    record(store, run(1))
    check = run(2, kind=RunKind.CHECK, serial="check 1", build=None)
    store.record_run(check, results(check, RANGES[:1]))
    record(store, run(3))

    def numbers(after: int, kind: str | None) -> list[int]:
        found = rows(store, "range_rows", product="photoamp", after=after, kind=kind)
        return sorted({row["number"] for row in found})

    assert numbers(0, None) == [1, 2, 3]
    assert numbers(1, None) == [2, 3]
    assert numbers(0, "unit") == [1, 3]
    assert numbers(0, "check") == [2]
    assert numbers(3, None) == []


def test_readings_come_back_as_they_were_taken(store: Store) -> None:
    one = run(1)
    kept = results(one)
    store.record_run(one, kept, unit(one))
    assert rows(store, "readings", run="run 1") == [
        {
            "range": result.range,
            "level": list(result.level),
            "reference_readings": list(result.reference_readings),
            "output_readings": list(result.output_readings),
            "at_s": list(result.at_s),
        }
        for result in kept
    ]


def test_times_are_utc_and_exact_to_the_microsecond(store: Store) -> None:
    record(store, run(1))
    (first, *_) = rows(store, "unit_runs", serial="S001")
    assert first["started_at"] == run(1).started_at
    assert str(first["started_at"].tzinfo) == "UTC"


def test_the_latest_error_of_each_range_after_a_rerun(store: Store) -> None:
    record(store, run(1))
    record(store, run(2))
    again = run(3, serial="S001", rerun_of="run 1")
    store.record_run(again, results(again, RANGES[1:2], error_ppm=7.0))
    assert rows(store, "first_run", serial="S001") == [{"run": "run 1"}]
    assert rows(store, "first_run", serial="S009") == []
    found = rows(store, "latest_errors", product="photoamp")
    of_first = {row["range"]: row for row in found if row["serial"] == "S001"}
    assert {key: row["run"] for key, row in of_first.items()} == {
        "1 uA": "run 1",
        "10 uA": "run 3",
        "100 uA": "run 1",
        "1 mA": "run 1",
    }
    assert of_first["10 uA"]["error_ppm"] == 7.0
    assert of_first["10 uA"]["reruns"] == 1
    assert of_first["1 mA"]["reruns"] == 0


def test_a_units_position_is_that_of_its_first_run_in_its_build(store: Store) -> None:
    for one in (
        run(1, serial="S9"),
        run(2, serial="S1"),
        run(3, serial="S5", build="B2"),
        run(4, serial="S9", rerun_of="run 1"),
        run(5, serial="S3"),
    ):
        record(store, one)
    found = rows(store, "latest_errors", product="photoamp")
    assert {row["serial"]: row["position"] for row in found} == {
        "S9": 1,
        "S1": 2,
        "S3": 3,
        "S5": 1,
    }


def test_first_pass_yield_counts_the_first_result_of_each_range(store: Store) -> None:
    assert builds(store)["B1"]["first_pass_yield"] is None
    record(store, run(1), Verdict.NOT_JUDGED)
    assert builds(store)["B1"]["first_pass_yield"] is None
    record(store, run(2), Verdict.CONFORMING)
    record(store, run(3), Verdict.LIKE_KNOWN_GOOD)
    record(store, run(4), Verdict.UNDECIDED)
    record(store, run(5), Verdict.NONCONFORMING)
    record(store, run(6, serial="S005", rerun_of="run 5"), Verdict.CONFORMING)
    row = builds(store)["B1"]
    assert row["first_pass_yield"] == 0.5
    assert row["units"] == 6 - 1
    assert row["last_run_at"] == run(6).started_at


def test_ranges_taken_one_by_one_across_units_count_as_one_first_pass(
    store: Store,
) -> None:
    number = 0
    for place, one in enumerate(RANGES):
        for serial in ("S1", "S2"):
            number += 1
            bad = place == 3 and serial == "S2"
            verdict = Verdict.NONCONFORMING if bad else Verdict.CONFORMING
            part = run(number, serial=serial)
            store.record_run(part, results(part, [one], verdict=verdict), unit(part))
    row = builds(store)["B1"]
    assert (row["units"], row["first_pass_yield"]) == (2, 0.5)


@pytest.mark.parametrize(
    ("scope", "subject"),
    [(Scope.BUILD, "B1"), (Scope.REEL, "reel 7"), (Scope.UNIT, "S001")],
)
def test_a_build_is_held_by_itself_its_reel_or_its_unit(
    store: Store, scope: Scope, subject: str
) -> None:
    record(store, run(1))
    assert builds(store)["B1"]["state"] == "open"
    store.keep(replace(PERSONS_HOLD, scope=scope, subject=subject), decision=PLACED)
    assert {key: row["state"] for key, row in builds(store).items()} == {
        "B1": "held",
        "B2": "open",
    }
    assert builds(store)["B1"]["open_holds"] == 1
    store.keep(replace(END, hold="hold 2"), decision=replace(ENDED, subject="hold 2"))
    assert builds(store)["B1"]["state"] == "open"
    assert builds(store)["B1"]["open_holds"] == 0


def test_a_reel_fitted_twice_holds_its_build_once(store: Store) -> None:
    store.keep(replace(FITTING, fitting="F2", part="R14"))
    store.keep(
        replace(PERSONS_HOLD, scope=Scope.REEL, subject="reel 7"), decision=PLACED
    )
    assert builds(store)["B1"]["open_holds"] == 1


def test_a_reel_whose_place_another_took_holds_its_build_no_more(store: Store) -> None:
    store.keep(
        replace(PERSONS_HOLD, scope=Scope.REEL, subject="reel 7"), decision=PLACED
    )
    assert builds(store)["B1"]["state"] == "held"
    other = replace(
        FITTING, fitting="F2", reel="reel 8", fitted_at=START + timedelta(days=1)
    )
    store.keep(replace(REEL, reel="reel 8"))
    later = replace(other, fitting="F3", from_serial="S900")
    store.keep(later)  # units before it still have parts of reel 7
    assert builds(store)["B1"]["state"] == "held"
    store.keep(other)
    assert builds(store)["B1"]["state"] == "open"
    assert builds(store)["B1"]["open_holds"] == 0


def test_builds_come_in_the_order_they_were_opened(store: Store) -> None:
    early = replace(BUILD, build="Z", opened_at=START - timedelta(days=1))
    store.keep(early)
    assert list(builds(store)) == ["Z", "B1", "B2"]


def test_a_finding_is_shown_as_its_latest_revision_says(store: Store) -> None:
    record(store, run(1))
    record(store, run(2))
    store.record_evaluation(EVALUATION)
    later = replace(
        SIGNAL,
        revision=2,
        number=2,
        units=2,
        size_ppm=2_950.0,
        made_at=START + timedelta(minutes=5),
    )
    store.record_evaluation(Evaluation(product="photoamp", number=2, signals=(later,)))
    (row,) = rows(store, "signals", product="photoamp")
    assert (row["revision"], row["size_ppm"], row["units"]) == (2, 2_950.0, 2)
    assert row["first_made_at"] == SIGNAL.made_at
    history = rows(store, "signal", signal="signal 1")
    assert [(one["revision"], one["size_ppm"]) for one in history] == [
        (1, 3_000.0),
        (2, 2_950.0),
    ]


def test_a_hold_shows_its_end(store: Store) -> None:
    record(store, run(1))
    store.record_evaluation(EVALUATION)
    (open_hold,) = rows(store, "holds", product="photoamp")
    ends = ("disposal", "person", "end_reason", "ended_at", "evidence")
    assert [open_hold[name] for name in ends] == [None] * 5
    store.keep(END, decision=ENDED)
    (ended,) = rows(store, "holds", product="photoamp")
    assert [ended[name] for name in ends] == [
        "release",
        "Ada",
        END.reason,
        END.ended_at,
        END.evidence,
    ]
    assert ended["reason"] == HOLD.reason


def test_a_finding_is_withdrawn_and_stands_again_by_further_revisions(
    store: Store,
) -> None:
    record(store, run(1))
    why = "unit S001 measured again reads like the others"
    withdrawn = replace(SIGNAL, revision=2, standing=False, withdrawn=why)
    again = replace(SIGNAL, revision=3)
    for one in (SIGNAL, withdrawn):
        store.record_evaluation(
            Evaluation(product="photoamp", number=1, signals=(one,))
        )
    (row,) = rows(store, "signals", product="photoamp")
    assert (row["standing"], row["withdrawn"]) == (False, why)
    store.record_evaluation(Evaluation(product="photoamp", number=1, signals=(again,)))
    (row,) = rows(store, "signals", product="photoamp")
    assert (row["standing"], row["withdrawn"]) == (True, None)
    history = rows(store, "signal", signal="signal 1")
    assert [(one["standing"], one["withdrawn"]) for one in history] == [
        (True, None),
        (False, why),
        (True, None),
    ]


def test_holds_and_their_ends_keep_between_which_runs_they_were_taken(
    store: Store,
) -> None:
    """The Store numbers them: runs 1 and 2 precede the hold, run 3 its end."""
    record(store, run(1))
    store.record_evaluation(EVALUATION)
    record(store, run(2))
    store.keep(PERSONS_HOLD, decision=PLACED)
    record(store, run(3))
    store.keep(END, decision=ENDED)
    store.keep(PERSONS_HOLD, decision=PLACED)
    store.keep(END, decision=ENDED)  # a repeated command changes nothing
    record(store, run(4))
    store.keep(PERSONS_HOLD, decision=PLACED)
    store.keep(END, decision=ENDED)
    by_name = {one["hold"]: one for one in rows(store, "holds", product="photoamp")}
    assert by_name["hold 1"]["after_number"] == 1
    assert by_name["hold 1"]["end_after_number"] == 3
    assert by_name["hold 2"]["after_number"] == 2
    assert by_name["hold 2"]["end_after_number"] is None


def test_ends_of_holds_come_in_the_order_they_were_taken_with_their_finding(
    store: Store,
) -> None:
    record(store, run(1))
    store.record_evaluation(EVALUATION)
    later = replace(SIGNAL, revision=2, cause=Cause.BENCH, part=None, reel=None)
    store.record_evaluation(Evaluation(product="photoamp", number=1, signals=(later,)))
    store.keep(PERSONS_HOLD, decision=PLACED)
    assert rows(store, "hold_ends", product="photoamp") == []
    store.keep(replace(END, hold="hold 2"), decision=replace(ENDED, subject="hold 2"))
    record(store, run(2))
    earlier = END.ended_at - timedelta(hours=1)  # the clock was set back
    store.keep(replace(END, ended_at=earlier), decision=ENDED)
    first, second = rows(store, "hold_ends", product="photoamp")
    assert (first["hold"], first["after_number"]) == ("hold 2", 1)
    assert (first["signal"], first["cause"]) == (None, None)
    assert (second["hold"], second["after_number"]) == ("hold 1", 2)
    assert (second["scope"], second["subject"]) == ("reel", "reel 7")
    # As the finding says now; what was held stands in scope and subject.
    assert (second["build"], second["range"]) == ("B1", "100 uA")
    assert (second["cause"], second["reel"], second["part"]) == ("bench", None, None)
    assert rows(store, "hold_ends", product="other") == []


def test_a_session_counts_its_runs_and_checks(store: Store) -> None:
    record(store, run(1))
    record(store, run(2, kind=RunKind.CHECK, serial="check 1", build=None))
    record(store, run(3))
    (row,) = rows(store, "sessions", product="photoamp")
    assert (row["session"], row["runs"], row["checks"]) == ("session 1", 2, 1)


def test_a_units_runs_carry_their_note(store: Store) -> None:
    one = replace(run(1), note="switch was stiff")
    store.record_run(one, results(one), unit(one))
    record(store, run(2))
    found = rows(store, "unit_runs", serial="S001")
    assert [row["note"] for row in found] == ["switch was stiff"] * 4


def test_reels_come_in_the_order_they_were_received(store: Store) -> None:
    early = replace(REEL, reel="reel 9", received_at=START - timedelta(days=2))
    store.keep(early)
    assert [row["reel"] for row in rows(store, "reel")] == ["reel 9", "reel 7"]


def test_a_backup_holds_everything(store: Store, tmp_path: Path) -> None:
    record_all(store)
    path = store.backup(str(tmp_path / "copies"))
    asked = {query: rows(store, query, **QUESTIONS[query][0]) for query in QUESTIONS}
    # Each database writes a row as JSON in its own way; its seal is the same.
    sealed = [seal(one["kept_row"]) for one in asked.pop("decided_rows")]
    with LocalStore(Path(path)) as copy:
        for query, kept in asked.items():
            assert rows(copy, query, **QUESTIONS[query][0]) == kept
        again = rows(copy, "decided_rows")
        assert [seal(one["kept_row"]) for one in again] == sealed


def test_a_serial_of_another_form_is_in_no_range_of_serials(store: Store) -> None:
    """What the packing desk lets go is not shown as held, and the other way round."""
    record(store, run(1, serial="PA-300Z", build="B1"))
    record(store, run(2, serial="PA-3005", build="B2"))
    span = replace(
        PERSONS_HOLD, scope=Scope.SERIALS, subject="PA-3001", to_serial="PA-3010"
    )
    store.keep(span, decision=PLACED)
    assert builds(store)["B1"]["state"] == "open"
    assert builds(store)["B2"]["state"] == "held"
    rule = ShipRule(ranges=RANGES, configurations=("c0ffee",))
    held = "held (serials PA-3001)"
    for serial, build in (("PA-300Z", "open"), ("PA-3005", "held")):
        said = " ".join(store.reasons_against(serial, "photoamp", rule))
        assert (held in said) == (build == "held")


def test_units_come_as_people_count(store: Store) -> None:
    serials = ("PA-9", "PA-10", "PA-100", "PB-1")
    for serial in reversed(serials):
        store.keep(Unit(serial=serial, product="photoamp", build="B1"))
    assert [one.serial for one in store.rows(Unit, product="photoamp")] == [*serials]


TYPED = [
    one
    for one in vars(answers).values()
    if isinstance(one, type) and issubclass(one, Row) and "query" in vars(one)
]


def fits(value: object, hint: Any) -> bool:
    """Whether a value is of a field's declared type."""
    if isinstance(hint, UnionType):
        return any(fits(value, one) for one in get_args(hint))
    return isinstance(value, get_origin(hint) or hint)


@pytest.mark.parametrize("kind", [one for one in TYPED if one is not Row])
def test_an_answer_is_of_the_types_its_row_declares(
    both: tuple[LocalStore, RemoteStore], kind: type[Row]
) -> None:
    """What the type checker is told is what comes."""
    parameters, _ = QUESTIONS[kind.query]
    hints = get_type_hints(kind)
    local, remote = both
    found = remote.rows(kind, **parameters)
    assert found == local.rows(kind, **parameters)
    assert found
    for row in found:
        for one in fields(row):  # type: ignore[arg-type]
            assert fits(getattr(row, one.name), hints[one.name]), one.name
