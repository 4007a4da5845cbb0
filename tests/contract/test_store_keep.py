"""One way to keep a row: what its record declares is what the Store does."""

from dataclasses import dataclass, fields, replace
from datetime import timedelta

import pytest

from storage.errors import ConflictError, NotFoundError, RefusedValueError
from storage.kept import RECORDS, Record
from storage.ledger import LedgerRow, verify
from storage.records import (
    BenchInstrument,
    Build,
    Calibration,
    Configuration,
    CrossCheck,
    Doubt,
    DoubtEnd,
    Fitting,
    Hold,
    HoldEnd,
    Product,
    Proof,
    RangeResult,
    Reel,
    ReelCheck,
    Rejudgement,
    Run,
    Session,
    Signal,
    StandardCheck,
    StandardValue,
    Unit,
)
from storage.records_alerts import Acknowledgement, Alert, Delivery
from storage.records_gauge import GaugeReading, GaugeStudy
from storage.records_shipping import (
    ContainmentStep,
    PastShipment,
    ReelReceipt,
    Rework,
    Shipment,
    UnitReturn,
)
from storage.store import Store
from tests.storage.samples import (
    ALERT,
    ARRIVED,
    BUILD,
    CALIBRATION,
    CHECK,
    CONFIGURATION,
    CROSS_CHECK,
    DOUBT,
    DOUBT_END,
    END,
    ENDED,
    FITTING,
    GAUGE,
    GAUGE_READING,
    HOLD,
    INSTRUMENT,
    NEXT_BUILD,
    PAST_SHIPMENT,
    PERSONS_HOLD,
    PLACED,
    PRODUCT,
    PROOF,
    RECEIPT,
    REEL,
    REEL_CHECK,
    REJUDGEMENT,
    RETURN,
    REWORK,
    SESSION,
    SHIP_RULE,
    SHIPMENT,
    SIGNAL,
    STANDARD_CHECK,
    STANDARD_VALUE,
    STEP,
    TAKEN,
    decided,
    record,
    record_all,
    results,
    run,
    unit,
)

ROWS: dict[type[Record], list[Record]] = {
    Configuration: [CONFIGURATION],
    Product: [PRODUCT],
    Build: [BUILD, NEXT_BUILD],
    Reel: [REEL],
    Fitting: [FITTING],
    Session: [SESSION],
    Unit: [unit(run(1))],
    Run: [run(1), CHECK],
    RangeResult: [*results(run(1)), *results(CHECK)],
    Rejudgement: [REJUDGEMENT],
    Hold: [HOLD, PERSONS_HOLD],
    HoldEnd: [END],
    BenchInstrument: [INSTRUMENT],
    DoubtEnd: [DOUBT_END],
    CrossCheck: [CROSS_CHECK],
    StandardCheck: [STANDARD_CHECK],
    StandardValue: [STANDARD_VALUE],
    Proof: [PROOF],
    ReelCheck: [REEL_CHECK],
    GaugeStudy: [GAUGE],
    GaugeReading: [GAUGE_READING],
    Calibration: [CALIBRATION],
    Alert: [replace(ALERT, target="chat"), ALERT],
    Delivery: [ARRIVED],
    Acknowledgement: [TAKEN],
    Shipment: [SHIPMENT],
    UnitReturn: [RETURN],
    PastShipment: [PAST_SHIPMENT],
    Rework: [REWORK],
    ContainmentStep: [STEP],
    ReelReceipt: [RECEIPT],
}


def test_a_record_is_read_back_as_it_was_kept(empty: Store) -> None:
    """Times, enumerations, lists and what is missing, over every implementation."""
    record_all(empty)
    for kind, kept in ROWS.items():
        assert empty.rows(kind) == kept
    assert empty.rows(Signal, signal=SIGNAL.signal) == [SIGNAL]
    assert empty.rows(Doubt, doubt=DOUBT.doubt, session="session 1") == [DOUBT]
    assert empty.rows(Reel, reel="reel 9") == []
    assert verify(empty.rows(LedgerRow)) is None


def test_a_record_is_read_by_its_own_fields_alone(store: Store) -> None:
    with pytest.raises(RefusedValueError, match=r"must be of reel, nominal_ohm"):
        store.table("reel", colour="red")
    with pytest.raises(NotFoundError, match="unknown query 'schema_migrations'"):
        store.table("schema_migrations")


def test_rows_kept_together_are_kept_whole_or_not_at_all(store: Store) -> None:
    new = replace(BUILD, build="B7")
    with pytest.raises(NotFoundError, match="unknown reel 'reel 9'"):
        store.keep(new, replace(FITTING, fitting="F7", build="B7", reel="reel 9"))
    assert store.rows(Build, build="B7") == []
    store.keep(new, replace(FITTING, fitting="F7", build="B7"))
    assert store.rows(Build, build="B7") == [new]


@pytest.mark.parametrize(
    ("row", "allowed"),
    [
        (run(1), "is kept by record_run alone"),
        (SIGNAL, "is kept by record_evaluation alone"),
        (SHIPMENT, "is kept by ship alone"),
    ],
    ids=lambda one: getattr(one, "kept", one) and type(one).__name__,
)
def test_what_is_kept_with_others_is_never_kept_alone(
    store: Store, row: Record, allowed: str
) -> None:
    with pytest.raises(RefusedValueError, match=allowed):
        store.keep(row)


def test_what_a_person_decides_never_comes_without_the_decision(store: Store) -> None:
    with pytest.raises(RefusedValueError, match=r"decision of hold 'hold 2'"):
        store.keep(PERSONS_HOLD)
    assert store.rows(Hold) == []


def test_a_decision_goes_with_one_row(store: Store) -> None:
    """The ledger has one line a decision: two rows would share it."""
    twice = (PERSONS_HOLD, replace(PERSONS_HOLD, hold="hold 3"))
    for rows in ((), (REEL,), twice):
        with pytest.raises(RefusedValueError, match="one row that a person decides"):
            store.keep(*rows, decision=PLACED)
    assert store.rows(Hold) == []
    assert store.rows(LedgerRow) == []


def test_a_repeated_row_with_another_decision_is_a_conflict(store: Store) -> None:
    store.keep(PERSONS_HOLD, decision=PLACED)
    with pytest.raises(ConflictError, match="another decision in the ledger"):
        store.keep(PERSONS_HOLD, decision=replace(PLACED, reason="another"))
    assert len(store.rows(LedgerRow)) == 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Painted(Reel):
    """A row that is asked, more than the record that it is of."""

    colour: str = "red"


def test_what_only_looks_like_a_record_is_refused(store: Store) -> None:
    painted = Painted(
        reel="reel 8", nominal_ohm=1.0, tolerance_ppm=1.0, received_at=REEL.received_at
    )
    with pytest.raises(RefusedValueError, match="must be one of the kept rows"):
        store.keep(painted)
    assert RECORDS["reel"] is Reel


def test_every_reference_and_key_is_a_field() -> None:
    """A name that is none would be found only when somebody keeps such a row."""
    for table, one in RECORDS.items():
        names = {field.name for field in fields(one)}  # type: ignore[arg-type]
        kept = one.kept
        assert set(kept.key) <= names, table
        assert set(kept.refers) <= names, table
        assert set(kept.may_differ) <= names, table
        assert set(kept.alike) <= set(kept.refers), table
        assert kept.decided is None or kept.decided.by in names, table
        for target in kept.refers.values():
            for each in (target,) if isinstance(target, str) else target:
                assert each.partition(".")[0] in RECORDS, table


def test_an_end_is_kept_once_and_names_what_it_ends(store: Store) -> None:
    record(store, run(1))
    store.keep(PERSONS_HOLD, decision=PLACED)
    end = replace(END, hold="hold 2")
    store.keep(end, decision=replace(ENDED, subject="hold 2"))
    other = replace(end, reason="another")
    with pytest.raises(ConflictError, match="'hold 2' is already recorded: reason"):
        store.keep(other, decision=replace(ENDED, subject="hold 2", reason="another"))


OTHERS_PRODUCT = {
    "rework": replace(REWORK, rework="rework 9", product="other"),
    "containment step": replace(STEP, containment_step="step 9", product="other"),
    "past shipment": replace(PAST_SHIPMENT, past_shipment="past 9", product="other"),
}


@pytest.mark.parametrize("named", OTHERS_PRODUCT)
def test_what_is_done_to_another_product_s_unit_or_build_is_a_conflict(
    store: Store, named: str
) -> None:
    record_all(store)
    store.keep(Product(product="other", title="Another"))
    row = OTHERS_PRODUCT[named]
    with pytest.raises(ConflictError, match="photoamp"):
        store.keep(row, decision=decided("Ada", "note", "S001", RETURN.returned_at))


def test_a_unit_does_not_come_back_before_it_left(store: Store) -> None:
    record_all(store)
    left = replace(SHIPMENT, shipment="shipment 9", shipped_at=RETURN.returned_at)
    again = RETURN.returned_at + timedelta(hours=1)
    early = replace(
        RETURN, unit_return="return 9", returned_at=again - timedelta(hours=2)
    )
    line = decided("Ada", "ship", "S001", left.shipped_at)
    assert store.ship(left, SHIP_RULE, line) == []
    with pytest.raises(ConflictError, match="after this return"):
        store.keep(early, decision=decided("Ada", "take back", "S001", again))
    late = replace(early, returned_at=again)
    store.keep(late, decision=decided("Ada", "take back", "S001", again))
