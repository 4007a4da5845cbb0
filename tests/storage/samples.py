"""Rows of the four-range photodiode amplifier, for tests of what is remembered."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from storage.amending import row_text
from storage.door import Cell
from storage.local import LocalStore
from storage.records import (
    BenchInstrument,
    Build,
    Calibration,
    Cause,
    CheckResult,
    Configuration,
    CrossCheck,
    Decision,
    Disposal,
    Doubt,
    DoubtCause,
    DoubtEnd,
    Evaluation,
    Fitting,
    Hold,
    HoldEnd,
    Product,
    Proof,
    ProofKind,
    RangeResult,
    Reel,
    ReelCheck,
    Rejudgement,
    Run,
    RunKind,
    Scope,
    Session,
    Signal,
    StandardCheck,
    StandardValue,
    Unit,
    Verdict,
)
from storage.records_alerts import Acknowledgement, Alert, Delivery, Severity
from storage.records_amending import Amended, Amendment
from storage.records_gauge import GaugeReading, GaugeStudy
from storage.records_line import (
    KeptLine,
    LineBench,
    LineMark,
    LinePiece,
    LineSegment,
)
from storage.records_shipping import (
    ContainmentStep,
    PastShipment,
    ReelReceipt,
    Rework,
    ReworkKind,
    Shipment,
    ShipRule,
    Step,
    UnitReturn,
)
from storage.store import Store
from storage.tables import insert

RANGES = ("1 uA", "10 uA", "100 uA", "1 mA")
START = datetime(2026, 1, 5, 8, tzinfo=UTC)

CONFIGURATION = Configuration(configuration="c0ffee", body="{}", stored_at=START)
PRODUCT = Product(product="photoamp", title="Photodiode amplifier")
BUILD = Build(build="B1", product="photoamp", planned_units=30, opened_at=START)
NEXT_BUILD = Build(
    build="B2",
    product="photoamp",
    planned_units=None,
    opened_at=START + timedelta(days=1),
)
REEL = Reel(
    reel="reel 7",
    nominal_ohm=10_000.0,
    tolerance_ppm=1_000.0,
    received_at=START,
    supplier="Corner shop",
    lot_code=None,
)
FITTING = Fitting(
    fitting="F1",
    product="photoamp",
    build="B1",
    part="R13",
    reel="reel 7",
    from_serial=None,
    fitted_at=START,
)
SESSION = Session(
    session="session 1", bench="bench 1", opened_at=START, configuration="c0ffee"
)


def furnish(store: Store) -> None:
    """Keep what a run needs to name."""
    store.keep(CONFIGURATION)
    store.keep(PRODUCT)
    store.keep(BUILD)
    store.keep(NEXT_BUILD)
    store.keep(REEL)
    store.keep(FITTING)
    store.keep(SESSION)


def run(
    number: int,
    *,
    serial: str | None = None,
    build: str | None = "B1",
    kind: RunKind = RunKind.UNIT,
    rerun_of: str | None = None,
) -> Run:
    """Return the run named after `number`, of the serial of that number."""
    started_at = START + timedelta(minutes=number)
    return Run(
        run=f"run {number}",
        kind=kind,
        product="photoamp",
        serial=f"S{number:03d}" if serial is None else serial,
        build=build,
        session="session 1",
        origin="bench",
        started_at=started_at,
        finished_at=started_at + timedelta(seconds=30, microseconds=1),
        configuration="c0ffee",
        ambient_c=23.1,
        rerun_of=rerun_of,
    )


def unit(of: Run) -> Unit:
    """Return the unit that a run measured."""
    return Unit(serial=of.serial, product=of.product, build=str(of.build))


def results(
    of: Run,
    ranges: Sequence[str] = RANGES,
    *,
    error_ppm: float = 100.0,
    verdict: Verdict = Verdict.CONFORMING,
    readings: int = 3,
) -> list[RangeResult]:
    """Return one result a range, `readings` raw readings each."""
    return [
        RangeResult(
            run=of.run,
            range=one,
            reference=9e-7,
            indicated=9e-7 * (1 + error_ppm * 1e-6),
            error_ppm=error_ppm + place,
            offset_ppm=1.5,
            uncertainty_ppm=20.0,
            limit_ppm=5_000.0,
            verdict=verdict,
            conformance_probability=0.999,
            level=(9e-7,) * readings,
            reference_readings=tuple(9e-7 + i * 1e-12 for i in range(readings)),
            output_readings=tuple(0.9 + i * 1e-6 for i in range(readings)),
            at_s=tuple(0.1 * i for i in range(readings)),
        )
        for place, one in enumerate(ranges)
    ]


def record(store: Store, of: Run, verdict: Verdict = Verdict.CONFORMING) -> int:
    """Keep a run of a unit over all ranges; return its number."""
    new = unit(of) if of.kind == RunKind.UNIT else None
    return store.record_run(of, results(of, verdict=verdict), new)


CHECK = run(2, kind=RunKind.CHECK, serial="check 1", build=None)
REJUDGEMENT = Rejudgement(
    run="run 1",
    range="10 uA",
    check_run="run 2",
    drift_ppm=40.0,
    error_ppm=61.0,
    uncertainty_ppm=22.0,
    verdict=Verdict.UNDECIDED,
    conformance_probability=0.9,
    made_at=START + timedelta(hours=2),
)

SIGNAL = Signal(
    signal="signal 1",
    revision=1,
    number=1,
    product="photoamp",
    build="B1",
    cause=Cause.REEL,
    statistic="reel change",
    range="100 uA",
    part="R13",
    reel="reel 7",
    first_serial="S001",
    raised_serial="S001",
    units=1,
    size_ppm=3_000.0,
    low_ppm=2_800.0,
    high_ppm=3_200.0,
    implied_ohm=10_030.0,
    probability=0.98,
    holds=True,
    evidence='{"log_odds": 9.5}',
    made_at=START,
)
HOLD = Hold(
    hold="hold 1",
    scope=Scope.REEL,
    subject="reel 7",
    product="photoamp",
    signal="signal 1",
    reason="R13 reads 0.3 % high",
    placed_by="holdpoint",
    placed_at=START + timedelta(hours=1),
)
LINE = KeptLine(
    after=-1,
    mark=LineMark(product="photoamp", number=1, fingerprint="f", body="{}"),
    segments=(
        LineSegment(
            product="photoamp", segment=0, number=1, build="B1", reels='["reel 7"]',
            source=None, first=0, build_first=0, units=1, first_number=1, last_number=1,
        ),
    ),
    pieces=(LinePiece(product="photoamp", segment=0, number=1, piece=0, body="eJw="),),
    bench=(LineBench(product="photoamp", place=0, number=1, body="[]"),),
)  # fmt: skip
EVALUATION = Evaluation(
    product="photoamp", number=1, signals=(SIGNAL,), holds=(HOLD,), lines=(LINE,)
)
WARNED = Evaluation(
    product="photoamp",
    number=2,
    signals=(
        replace(
            SIGNAL, signal="warning 1", number=2, cause=Cause.CHART, holds=False,
            statistic="units",
        ),
    ),
    holds=(),
)  # fmt: skip
PERSONS_HOLD = replace(
    HOLD, hold="hold 2", scope=Scope.BUILD, subject="B1", signal=None, placed_by="Ada"
)
PLACED = Decision(
    person="Ada",
    action="place hold",
    subject="hold 2",
    reason="R13 reads 0.3 % high",
    decided_at=START + timedelta(hours=1),
)
END = HoldEnd(
    hold="hold 1",
    disposal=Disposal.RELEASE,
    person="Ada",
    reason="loose parts measured, within their claim",
    ended_at=START + timedelta(hours=2),
    evidence="report R-12",
)
ENDED = Decision(
    person="Ada",
    action="release",
    subject="hold 1",
    reason="loose parts measured, within their claim",
    decided_at=START + timedelta(hours=2),
)

INSTRUMENT = BenchInstrument(
    session="session 1",
    role="output",
    address="ASRL/dev/ttyUSB0::INSTR",
    identity="Workshop,bench meter,4711",
    serial_number="4711",
    calibrated_at="2025-03-01",
    due_at="2026-03-01",
    remark="the output meter's calibration was due on 2026-03-01",
)

DOUBT = Doubt(
    doubt="doubt 1",
    product="photoamp",
    session="session 1",
    from_number=1,
    to_number=1,
    cause=DoubtCause.OUT_OF_CONTROL,
    reason="check 1 is outside its limits on 1 mA",
    raised_at=START + timedelta(hours=3),
)
DOUBT_END = DoubtEnd(
    doubt="doubt 1",
    ended_by="Ada",
    reason="the lead was loose at the check alone",
    ended_at=START + timedelta(hours=4),
)
CLEARED = Decision(
    person="Ada",
    action="end doubt",
    subject="doubt 1",
    reason="the lead was loose at the check alone",
    decided_at=START + timedelta(hours=4),
)
CROSS_CHECK = CrossCheck(
    cross_check="cross-check 1",
    product="photoamp",
    session="session 1",
    serial="S001",
    range="1 mA",
    role="output",
    meter="handheld 2",
    unit="V",
    value=0.9001,
    expanded=0.0002,
    other=0.9,
    other_expanded=0.0004,
    normalised_error=0.22360679774997896,
    agree=True,
    measured_at=START + timedelta(hours=5),
    signal="signal 1",
)

SHIP_RULE = ShipRule(ranges=RANGES, configurations=("c0ffee",))
SHIPMENT = Shipment(
    shipment="shipment 1",
    serial="S001",
    product="photoamp",
    destination="order 12",
    reseller=False,
    person="Ada",
    shipped_at=START + timedelta(hours=5),
    override_reason="asked for as it is",
)
RETURN = UnitReturn(
    unit_return="return 1",
    serial="S001",
    product="photoamp",
    person="Ada",
    reason="called back",
    returned_at=START + timedelta(hours=6),
)
REEL_TYPED_WRONG = Reel(
    reel="reel typed wrong",
    nominal_ohm=4_990.0,
    tolerance_ppm=1_000.0,
    received_at=START,
    supplier="Birk",
)
AMENDMENT = Amendment(
    amendment="amendment 1",
    product="photoamp",
    kind=Amended.REEL,
    subject="reel typed wrong",
    before=row_text(asdict(REEL_TYPED_WRONG)),
    after=row_text(asdict(replace(REEL_TYPED_WRONG, supplier="Moreno Parts"))),
    person="Ada",
    reason="typed wrong",
    amended_at=START,
)
REWORK = Rework(
    rework="rework 1",
    serial="S001",
    product="photoamp",
    kind=ReworkKind.REPLACE,
    person="Ada",
    reason="R13 is of the bad reel",
    reworked_at=START + timedelta(hours=7),
    part="R13",
    reel="reel 7",
)
STEP = ContainmentStep(
    containment_step="step 1",
    product="photoamp",
    subject="signal 1",
    serial="S001",
    step=Step.NOTIFIED,
    person="Ada",
    note="wrote to order 12",
    noted_at=START + timedelta(hours=6),
)
PAST_SHIPMENT = PastShipment(
    past_shipment="past 1",
    product="photoamp",
    build="B2",
    units=12,
    destination="order 3",
    person="Ada",
    shipped_at=START,
)
RECEIPT = ReelReceipt(reel="reel 7", quantity=500, invoice="2026-17")


def decided(person: str, action: str, subject: str, at: datetime) -> Decision:
    """Return a line for the ledger."""
    return Decision(
        person=person, action=action, subject=subject, reason="why", decided_at=at
    )


_QUESTIONS: tuple[tuple[str, dict[str, Any]], ...] = (
    ("product", {}),
    ("builds", {"product": "photoamp"}),
    ("range_rows", {"product": "photoamp", "after": 0, "kind": None}),
    ("fitting", {"product": "photoamp"}),
    ("reel", {}),
    ("signal", {"signal": "signal 1"}),
    ("signal", {"product": "photoamp", "cause": "chart"}),
    ("holds", {"product": "photoamp"}),
    ("hold_ends", {"product": "photoamp"}),
    ("changes", {"product": "photoamp", "but_by": "holdpoint"}),
    ("unit", {"product": "photoamp"}),
    ("shipments", {"product": "photoamp"}),
    ("past_shipment", {"product": "photoamp"}),
    ("reworks", {"product": "photoamp"}),
    ("containment_step", {"product": "photoamp", "subject": "signal 1"}),
    ("reel_receipt", {}),
    ("bench_instrument", {"session": "session 1"}),
    ("doubts", {"product": "photoamp"}),
    ("cross_check", {"product": "photoamp"}),
    ("standard_check", {"product": "photoamp"}),
    ("standards_used", {"product": "photoamp"}),
    ("standard_value", {"product": "photoamp"}),
    ("watermark", {"product": "photoamp"}),
    ("sessions", {"product": "photoamp"}),
    ("configuration", {"configuration": "c0ffee"}),
    ("decision", {}),
    ("jobs", {}),
)


def everything(store: Store) -> dict[str, Any]:
    """Return all that can be asked of the sample rows."""
    return {
        f"{name} {parameters}": store.table(name, **parameters).to_pylist()
        for name, parameters in _QUESTIONS
    }


SUPPLY = CheckResult(
    run="run 1",
    name="supply current",
    value=0.0123,
    unit="A",
    low=None,
    high=0.015,
    verdict=Verdict.CONFORMING,
)
PROOF = Proof(
    proof="proof 1",
    signal="signal 1",
    kind=ProofKind.LOOSE_PARTS,
    subject="reel 7",
    readings=(10_031.0, 10_029.5),
    unit="ohm",
    from_value=10_000.0,
    uncertainty=1.2,
    person="Ada",
    made_at=START,
)
REEL_CHECK = ReelCheck(
    reel_check="reel check 1",
    reel="reel 7",
    readings=(10_001.0, 10_002.5),
    uncertainty_ohm=1.2,
    origin="typed",
    person="Ada",
    made_at=START,
)
GAUGE = GaugeStudy(
    gauge_study="gauge 1",
    product=PRODUCT.product,
    range="10uA",
    unit="ppm",
    parts='["A", "B"]',
    appraisers='["Ada", "Bea"]',
    trials=2,
    cells="[[0,0,0],[1,0,0],[1,1,0],[0,1,0],[0,0,1],[1,0,1],[0,1,1],[1,1,1]]",
    tolerance=1000.0,
    bench=None,
    person="Ada",
    planned_at=START,
)
GAUGE_READING = GaugeReading(
    gauge_study="gauge 1", place=3, value=12.5, run=None, person="Bea", read_at=START
)
STANDARD_CHECK = StandardCheck(
    check_run="run 2",
    serial="check 2",
    range="10 uA",
    product="photoamp",
    session="session 1",
    error_ppm=-12.5,
    uncertainty_ppm=60.0,
    own_uncertainty_ppm=4.0,
    known_ppm=-20.0,
    known_uncertainty_ppm=20.0,
    measured_at=START + timedelta(hours=2),
)
CALIBRATION = Calibration(
    calibration="calibration 1",
    serial_number="SN 1",
    made_on="2026-03-01",
    due_on="2027-03-01",
    certificate="c.pdf",
    certificate_sha256="0" * 64,
    found="high by 120 ppm",
    since="2025-03-01",
    person="Ada",
    noted_at=START,
)
STANDARD_VALUE = StandardValue(
    standard_value="standard value 1",
    serial="KG-1",
    product="photoamp",
    error_ppm='{"10 uA":-35.0}',
    before_ppm='{"10 uA":-20.0}',
    uncertainty_ppm=15.0,
    before_uncertainty_ppm=20.0,
    written='{"error_ppm":{"10 uA":-20.0},"uncertainty_ppm":20.0}',
    certificate="2026-0117",
    calibrated_at="2026-03-01",
    calibration_due="2027-03-01",
    reason="calibrated anew",
    person="Ada",
    assigned_at=START,
)
ALERT = Alert(
    alert="B-1-F1",
    target="production",
    product=PRODUCT.product,
    severity=Severity.HOLD,
    subject="B-1-F1",
    title="Hold build B-1",
    body="=1+1 <b>bold</b> \u6f22",
    said="reel",
    follows=None,
    made_at=START,
)

ARRIVED = Delivery(
    alert=ALERT.alert,
    target="chat",
    tries=1,
    tried_at=START,
    next_at=None,
    last_error=None,
    delivered_at=START,
    dead_at=None,
)
TAKEN = Acknowledgement(alert=ALERT.alert, person="Ada", acknowledged_at=START)


WAITING: tuple[Mapping[str, Cell], ...] = tuple(
    {
        "seq": seq,
        "command": command,
        "body": "{}",
        "numbers": "[]",
        "kept_at": START + timedelta(minutes=minutes),
    }
    for seq, command, minutes in (
        (1, "keep", 3),
        (2, "record_run", 1),
        (3, "record_run", 2),
        (4, "shipped", 9),
    )
)
"""Commands that wait to be told to other benches, as their table has them."""


def leave_waiting(local: LocalStore) -> None:
    """Have commands wait in a file that is not shared, so that nothing adds to them."""
    with local._database.transaction() as transaction:
        insert(transaction, "outgoing", WAITING)


def record_all(store: Store) -> None:
    """Send every command once."""
    furnish(store)
    store.record_run(run(1), results(run(1)), unit(run(1)), [SUPPLY])
    store.record_run(CHECK, results(CHECK), None, (), [REJUDGEMENT])
    store.record_evaluation(EVALUATION)
    store.record_evaluation(WARNED)
    store.keep(PERSONS_HOLD, decision=PLACED)
    store.keep(END, decision=ENDED)
    store.keep(INSTRUMENT)
    store.keep(DOUBT)
    store.keep(replace(DOUBT, doubt="doubt 2", cause=DoubtCause.OVERDUE))
    store.keep(DOUBT_END, decision=CLEARED)
    store.keep(CROSS_CHECK)
    store.keep(STANDARD_CHECK)
    store.keep(RECEIPT)
    assert (
        store.ship(
            SHIPMENT, SHIP_RULE, decided("Ada", "ship", "S001", SHIPMENT.shipped_at)
        )
        == []
    )
    store.keep(RETURN, decision=decided("Ada", "take back", "S001", RETURN.returned_at))
    store.keep(REWORK, decision=decided("Ada", "rework", "S001", REWORK.reworked_at))
    store.keep(STEP, decision=decided("Ada", "notified", "S001", STEP.noted_at))
    store.keep(PAST_SHIPMENT, decision=decided("Ada", "ship", "B2", START))
    store.keep(PROOF)
    store.keep(REEL_CHECK)
    store.keep(GAUGE, GAUGE_READING)
    store.keep(
        CALIBRATION,
        decision=decided("Ada", "calibrate", "calibration 1", START),
    )
    store.keep(
        STANDARD_VALUE,
        decision=decided("Ada", "assign anew", "KG-1", START),
    )
    store.keep(ALERT, replace(ALERT, target="chat"))
    store.note_delivery(ARRIVED)
    store.keep(TAKEN, decision=decided("Ada", "take note", ALERT.alert, START))
    store.note_job("backup", START)


def record_amendment(store: Store) -> None:
    """Keep a reel with a mistake, and its correction."""
    store.keep(REEL_TYPED_WRONG)
    line = decided("Ada", "correct reel", REEL_TYPED_WRONG.reel, START)
    store.keep(AMENDMENT, decision=line)
