"""What may leave, what left, and that no hold is missed by whoever ships."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from threading import Barrier
from typing import Any

import pytest

from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.local import LocalStore
from storage.points import NOT_READ, JudgedPoint, text_of
from storage.records import (
    Disposal,
    Evaluation,
    Fitting,
    Reel,
    Scope,
    Unit,
    Verdict,
)
from storage.records_shipping import ReworkKind
from storage.store import Store
from tests.contract.conftest import IMPLEMENTATIONS, asked
from tests.storage.samples import (
    CLEARED,
    DOUBT,
    DOUBT_END,
    END,
    EVALUATION,
    FITTING,
    HOLD,
    PAST_SHIPMENT,
    PERSONS_HOLD,
    PLACED,
    RANGES,
    RECEIPT,
    REEL,
    RETURN,
    REWORK,
    SHIP_RULE,
    SHIPMENT,
    START,
    STEP,
    decided,
    furnish,
    record,
    results,
    run,
    unit,
)

ATTEMPTS = 50
CLEAN = replace(SHIPMENT, override_reason=None)


def watched(store: Store, *numbers: int) -> None:
    """Keep good runs that the watch has seen."""
    for number in numbers:
        record(store, run(number))
    mark = Evaluation(product="photoamp", number=max(numbers))
    store.record_evaluation(mark)


def against(store: Store, serial: str = "S001") -> list[str]:
    """Ask what is against a unit."""
    return store.reasons_against(serial, "photoamp", SHIP_RULE)


def ship(store: Store, serial: str = "S001", **changes: Any) -> list[str]:
    """Try to ship a unit."""
    shipment = replace(
        CLEAN, serial=serial, shipment=f"shipment of {serial}", **changes
    )
    return store.ship(
        shipment,
        SHIP_RULE,
        decided("Ada", "ship", serial, shipment.shipped_at),
    )


def place(store: Store, **changes: Any) -> None:
    """Have a person place a hold."""
    hold = replace(PERSONS_HOLD, **changes)
    store.keep(hold, decision=replace(PLACED, subject=hold.hold))


def end(
    store: Store, hold: str, disposal: Disposal, at: datetime = END.ended_at
) -> None:
    """Have a person end a hold."""
    store.keep(
        replace(END, hold=hold, disposal=disposal, ended_at=at),
        decision=decided("Ada", disposal.value, hold, at),
    )


def test_a_good_unit_may_leave_once(store: Store) -> None:
    watched(store, 1)
    assert against(store) == []
    assert ship(store) == []
    assert ship(store) == []  # the same shipment, sent once more
    assert against(store) == ["it has left already"]
    (row,) = store.table("shipments", product="photoamp").to_pylist()
    assert (row["serial"], row["destination"]) == ("S001", "order 12")
    assert (row["override_reason"], row["against"]) == (None, "[]")
    (line,) = store.table("decision").to_pylist()
    assert (line["action"], line["subject"]) == ("ship", "S001")


def test_a_serial_that_nobody_knows_stays_whatever_is_said(store: Store) -> None:
    assert ship(store, "S999") == ["no unit has this serial"]
    assert ship(store, "S999", override_reason="trust me") != []
    assert store.table("shipments", product="photoamp").num_rows == 0
    assert store.table("decision").num_rows == 0


def test_each_reason_against_is_named(store: Store) -> None:
    store.keep(Unit(serial="S050", product="photoamp", build="B1"))
    assert against(store, "S050") == ["it was never measured"]
    half = run(1)
    store.record_run(half, results(half, ("1 uA",)), unit(half))
    record(store, run(2), Verdict.UNDECIDED)
    assert "its last run is not evaluated yet" in against(store, "S001")
    store.record_evaluation(Evaluation(product="photoamp", number=2))
    assert against(store, "S001") == ["not measured on ranges 10 uA, 100 uA and 1 mA"]
    assert "undecided on ranges 1 uA, 10 uA, 100 uA and 1 mA" in against(store, "S002")
    old = replace(SHIP_RULE, configurations=("another",))
    assert (
        "it was judged by settings that are no longer in force"
        in store.reasons_against("S002", "photoamp", old)
    )


def test_a_unit_of_a_bench_in_doubt_stays(store: Store) -> None:
    watched(store, 1)
    store.keep(DOUBT)
    assert against(store) == [f"its bench is in doubt: {DOUBT.reason}"]
    store.keep(DOUBT_END, decision=CLEARED)
    assert against(store) == []


@pytest.mark.parametrize(
    "hold",
    [
        {"scope": Scope.BUILD, "subject": "B1"},
        {"scope": Scope.REEL, "subject": "reel 7"},
        {"scope": Scope.UNIT, "subject": "S002"},
        {"scope": Scope.SERIALS, "subject": "S002", "to_serial": "S004"},
    ],
    ids=lambda hold: str(hold["scope"]),
)
def test_a_hold_of_any_scope_keeps_a_unit_until_it_ends(
    store: Store, hold: dict[str, Any]
) -> None:
    watched(store, 1, 2)
    place(store, **hold)
    said = f"held ({hold['scope']} {hold['subject']}): {PERSONS_HOLD.reason}"
    assert ship(store, "S002") == [said]
    other = [] if hold["scope"] in (Scope.UNIT, Scope.SERIALS) else [said]
    assert against(store, "S001") == other
    (build, _) = store.table("builds", product="photoamp").to_pylist()
    assert build["state"] == "held"
    end(store, "hold 2", Disposal.RELEASE)
    assert ship(store, "S002") == []


def test_only_units_that_carry_a_held_reel_stay(store: Store) -> None:
    watched(store, 1, 2)
    store.keep(replace_reel("reel 8"))
    store.keep(
        Fitting(
            fitting="F2", product="photoamp", build="B1", part="R13", reel="reel 8",
            from_serial="S002", fitted_at=FITTING.fitted_at,
        )
    )  # fmt: skip
    place(store, scope=Scope.REEL, subject="reel 7")
    assert against(store, "S001") != []
    assert against(store, "S002") == []
    # One unit gets the held reel back by rework.
    store.keep(
        replace(REWORK, serial="S002"),
        decision=decided("Ada", "rework", "S002", REWORK.reworked_at),
    )
    assert any("held (reel reel 7)" in one for one in against(store, "S002"))


def replace_reel(name: str) -> Reel:
    """Return another reel of the same parts."""
    return Reel(
        reel=name, nominal_ohm=10_000.0, tolerance_ppm=1_000.0, received_at=START
    )


def test_a_range_of_serials_must_be_one_that_can_be_counted(store: Store) -> None:
    for last in (None, "S0010", "S001"):
        with pytest.raises(RefusedValueError, match="of the form of S002"):
            place(store, scope=Scope.SERIALS, subject="S002", to_serial=last)


def test_what_is_to_be_reworked_leaves_only_after_it_was_measured_again(
    store: Store,
) -> None:
    watched(store, 1)
    place(store, scope=Scope.UNIT, subject="S001")
    end(store, "hold 2", Disposal.REWORK)
    assert against(store) == ["it is to be reworked and was not measured since"]
    store.keep(REWORK, decision=decided("Ada", "rework", "S001", REWORK.reworked_at))
    assert any(
        "since its rework on ranges 1 uA, 10 uA" in one for one in against(store)
    )
    again = run(600, serial="S001", rerun_of="run 1")
    record(store, again)
    store.record_evaluation(Evaluation(product="photoamp", number=2))
    assert again.started_at > REWORK.reworked_at
    assert against(store) == []


def test_what_was_reworked_and_measured_while_it_was_held_is_done(
    store: Store,
) -> None:
    """The end by rework confirms the work that was recorded; nothing is left to do."""
    watched(store, 1, 2)
    place(store, scope=Scope.UNIT, subject="S001")
    place(store, hold="hold 3", scope=Scope.BUILD, subject="B1")
    store.keep(REWORK, decision=decided("Ada", "rework", "S001", REWORK.reworked_at))
    again = run(600, serial="S001", rerun_of="run 1")
    record(store, again)
    store.record_evaluation(Evaluation(product="photoamp", number=3))
    for hold in ("hold 2", "hold 3"):
        end(store, hold, Disposal.REWORK, again.started_at + timedelta(days=1))
    assert against(store) == []
    assert "it is to be reworked and was not measured since" in against(store, "S002")


def test_what_was_measured_in_part_after_its_rework_waits_for_the_other_ranges(
    store: Store,
) -> None:
    """What keeps it from leaving and what is said to wait are the same ranges."""

    def waiting(serial: str = "S001") -> list[str | None]:
        found = store.table("to_measure_again", product="photoamp", serial=serial)
        return [one["range"] for one in found.to_pylist()]

    watched(store, 1, 2)
    store.keep(REWORK, decision=decided("Ada", "rework", "S001", REWORK.reworked_at))
    assert waiting() == [None]
    again = run(600, serial="S001", rerun_of="run 1")
    store.record_run(again, results(again, RANGES[:1]))
    store.record_evaluation(Evaluation(product="photoamp", number=3))
    assert waiting() == sorted(RANGES[1:])
    assert against(store) == [
        "not measured since its rework on ranges 10 uA, 100 uA and 1 mA"
    ]
    rest = run(601, serial="S001", rerun_of="run 1")
    store.record_run(rest, results(rest, RANGES[1:]))
    assert waiting() == waiting("S002") == []


@pytest.mark.parametrize(
    "held",
    [
        {"scope": Scope.REEL, "subject": "reel 7"},
        {"scope": Scope.SERIALS, "subject": "S001", "to_serial": "S002"},
    ],
)
def test_all_that_a_reel_or_serials_send_to_rework_wait_to_be_measured(
    store: Store, held: dict[str, Any]
) -> None:
    """What waits is what may not leave for it, whatever the hold stood on."""
    watched(store, 1, 2, 3)
    place(store, **held)
    # Unit 3 has the part from another reel, and lies outside the serials.
    store.keep(replace(REEL, reel="reel 8"))
    store.keep(replace(FITTING, fitting="F2", reel="reel 8", from_serial="S003"))
    end(store, "hold 2", Disposal.REWORK, START + timedelta(days=2))
    rows = store.table("to_measure_again", product="photoamp").to_pylist()
    waiting = [one["serial"] for one in rows]
    kept = [
        serial
        for serial in ("S001", "S002", "S003")
        if "it is to be reworked and was not measured since" in against(store, serial)
    ]
    assert waiting == kept == ["S001", "S002"]
    of_one = store.table("to_measure_again", product="photoamp", serial="S002")
    assert of_one.to_pylist() == [{"serial": "S002", "range": None}]


def test_scrap_never_leaves_and_a_concession_may(store: Store) -> None:
    record(store, run(1), Verdict.NONCONFORMING)
    record(store, run(2), Verdict.NONCONFORMING)
    store.record_evaluation(Evaluation(product="photoamp", number=2))
    for number, disposal in ((1, Disposal.SCRAP), (2, Disposal.CONCESSION)):
        place(store, hold=f"hold {number}", scope=Scope.UNIT, subject=f"S00{number}")
        end(store, f"hold {number}", disposal)
    assert against(store, "S001")[0] == "scrapped by Ada"
    assert against(store, "S002") == []


def test_a_reel_by_concession_lets_go_only_of_units_that_conform(store: Store) -> None:
    """What is left of the reel is thrown away; each unit is decided by itself."""
    record(store, run(1), Verdict.CONFORMING)
    record(store, run(2), Verdict.NONCONFORMING)
    store.record_evaluation(Evaluation(product="photoamp", number=2))
    place(store, scope=Scope.REEL, subject="reel 7")
    assert any("held (reel reel 7)" in one for one in against(store, "S001"))
    end(store, "hold 2", Disposal.CONCESSION)
    assert against(store, "S001") == []
    (said,) = against(store, "S002")
    assert said.startswith("nonconforming on ranges 1 uA, 10 uA")


def test_a_regraded_range_conforms_to_its_wider_limit(store: Store) -> None:
    one = run(1)
    off = [
        replace(made, error_ppm=6_000.0, verdict=Verdict.NONCONFORMING)
        if made.range == "1 mA"
        else made
        for made in results(one)
    ]
    store.record_run(one, off, unit(one))
    store.record_evaluation(Evaluation(product="photoamp", number=1))
    assert against(store) == ["nonconforming on range 1 mA"]
    wider = replace(
        REWORK, kind=ReworkKind.REGRADE, range="1 mA", limit_ppm=6_030.0,
        part=None, reel=None,
    )  # fmt: skip
    line = decided("Ada", "regrade", "S001", REWORK.reworked_at)
    store.keep(wider, decision=line)
    assert against(store) == ["nonconforming on range 1 mA"]  # 6000 + 2 * 20 is more
    store.keep(replace(wider, rework="rework 2", limit_ppm=6_040.0), decision=line)
    assert against(store) == []


def test_it_is_said_why_a_range_has_no_verdict(store: Store) -> None:
    one, (first, second, *others) = run(1), results(run(1))
    unread = JudgedPoint(
        of_full_scale=0.1, error_ppm=0.0, uncertainty_ppm=0.0, verdict=NOT_READ
    )
    kept = [
        replace(first, verdict=Verdict.NOT_JUDGED, points=text_of((unread,))),
        replace(second, verdict=Verdict.NOT_JUDGED),
        *others,
    ]
    store.record_run(one, kept, unit(one))
    store.record_evaluation(Evaluation(product="photoamp", number=1))
    assert against(store) == [
        (
            "not judged on range 1 uA, because a point that the error limit names was "
            "not read"
        ),
        (
            "not judged on range 10 uA, because the meters are too poor for the error "
            "limit"
        ),
    ]


def test_an_override_is_kept_with_all_that_was_against_it(store: Store) -> None:
    watched(store, 1)
    place(store, scope=Scope.UNIT, subject="S001")
    assert ship(store, override_reason="asked for as it is") == []
    (row,) = store.table("shipments", product="photoamp").to_pylist()
    assert row["override_reason"] == "asked for as it is"
    assert PERSONS_HOLD.reason in row["against"]
    assert against(store) == ["it has left already"]  # as when it is scanned twice
    store.keep(DOUBT)
    assert len(against(store)) == 2  # what nobody has overridden is said


def test_what_came_back_is_measured_before_it_leaves_again(store: Store) -> None:
    watched(store, 1)
    with pytest.raises(ConflictError, match="never left"):
        store.keep(RETURN, decision=decided("Ada", "back", "S001", RETURN.returned_at))
    ship(store)
    store.keep(RETURN, decision=decided("Ada", "back", "S001", RETURN.returned_at))
    assert against(store) == ["it came back and was not measured since"]
    (row,) = store.table("shipments", product="photoamp").to_pylist()
    assert row["returned_at"] == RETURN.returned_at
    assert row["return_reason"] == RETURN.reason


def test_what_names_the_unknown_or_says_too_little_is_refused(store: Store) -> None:
    line = decided("Ada", "x", "S001", START)
    with pytest.raises(NotFoundError, match="unknown unit 'S001'"):
        store.keep(REWORK, decision=line)
    with pytest.raises(RefusedValueError, match="a trim must name it"):
        store.keep(replace(REWORK, kind=ReworkKind.TRIM), decision=line)
    watched(store, 1)
    with pytest.raises(NotFoundError, match="unknown reel 'signal 1'"):
        store.keep(STEP, decision=line)
    with pytest.raises(RefusedValueError, match="must be who decided it, Ada"):
        store.keep(replace(STEP, person="Jon"), decision=line)
    with pytest.raises(RefusedValueError, match="must be 1 or more"):
        store.keep(replace(PAST_SHIPMENT, units=0), decision=line)
    with pytest.raises(RefusedValueError, match="must be 1 or more"):
        store.keep(replace(RECEIPT, quantity=0))
    with pytest.raises(RefusedValueError, match="must name an order"):
        ship(store, destination=" ")
    with pytest.raises(NotFoundError, match="unknown build 'B9'"):
        store.keep(Unit(serial="S9", product="photoamp", build="B9"))
    assert store.table("decision").num_rows == 0


@contextmanager
def opened(implementation: str, path: Path) -> Iterator[Store]:
    """Give a furnished store of its own."""
    with LocalStore(path) as local:
        furnish(local)
        watched(local, *range(1, ATTEMPTS + 1))
        with asked(implementation, local) as store:
            yield store


@pytest.mark.parametrize("implementation", IMPLEMENTATIONS)
def test_of_fifty_who_race_with_a_hold_none_slips_past_it(
    implementation: str, tmp_path: Path
) -> None:
    """Judged by the order of commits, which the ledger counts."""
    with opened(implementation, tmp_path / "holdpoint.duckdb") as store:
        start = Barrier(ATTEMPTS + 1)

        def attempt(number: int) -> bool:
            start.wait()
            return ship(store, f"S{number:03d}") == []

        def hold() -> None:
            start.wait()
            store.record_evaluation(
                replace(EVALUATION, number=ATTEMPTS, signals=(),
                        holds=(replace(HOLD, signal=None),))
            )  # fmt: skip

        with ThreadPoolExecutor(ATTEMPTS + 1) as pool:
            tries = [pool.submit(attempt, n) for n in range(1, ATTEMPTS + 1)]
            pool.submit(hold).result()
            left = sum(one.result() for one in tries)
        lines = store.table("decision").to_pylist()
        held_at = next(one["seq"] for one in lines if one["action"] == "place hold")
        shipped = [one["seq"] for one in lines if one["action"] == "ship"]
        assert len(shipped) == left
        assert [seq for seq in shipped if seq > held_at] == []
        assert store.table("shipments", product="photoamp").num_rows == left


@pytest.mark.parametrize("implementation", IMPLEMENTATIONS)
def test_of_fifty_who_ship_one_unit_one_does(
    implementation: str, tmp_path: Path
) -> None:
    with opened(implementation, tmp_path / "holdpoint.duckdb") as store:
        start = Barrier(ATTEMPTS)

        def attempt(number: int) -> list[str]:
            start.wait()
            shipment = replace(CLEAN, shipment=f"shipment {number}")
            line = decided("Ada", "ship", "S001", START + timedelta(hours=5))
            return store.ship(shipment, SHIP_RULE, line)

        with ThreadPoolExecutor(ATTEMPTS) as pool:
            said = list(pool.map(attempt, range(ATTEMPTS)))
        assert said.count([]) == 1
        assert said.count(["it has left already"]) == ATTEMPTS - 1
