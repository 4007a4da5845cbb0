"""Frozen rows: what the Store keeps.

Times are UTC and carry their zone. Ids are chosen by whoever writes, so that
writing twice changes nothing. A row that ends or corrects another is a row of
its own; nothing is ever overwritten or deleted.
"""

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from storage.records_alerts import Alert


class RunKind(StrEnum):
    """Whose errors a run measured."""

    UNIT = "unit"
    CHECK = "check"


class Verdict(StrEnum):
    """Outcome of one range or run against its error limits."""

    CONFORMING = "conforming"
    NONCONFORMING = "nonconforming"
    UNDECIDED = "undecided"
    LIKE_KNOWN_GOOD = "like known-good"
    """The bench cannot judge the limit; the range reads like the known-good unit."""
    CHANGED = "changed"
    """The bench cannot judge the limit; the range differs from the known-good unit."""
    NOT_JUDGED = "not judged"


class Cause(StrEnum):
    """What a signal says has moved."""

    REEL = "reel"
    SHARED = "shared stage"
    BENCH = "bench"
    UNIT = "unit"
    RANGE = "range"
    CHART = "chart"
    """Beyond a chart's limits: a warning that names no cause and holds nothing."""


class LimitIs(StrEnum):
    """Which limit of the detector a finding was judged by."""

    SHIPPED = "shipped"
    """With the program."""
    CALIBRATED = "calibrated"
    """The product's own."""


class Scope(StrEnum):
    """What a hold stands on."""

    BUILD = "build"
    REEL = "reel"
    UNIT = "unit"
    SERIALS = "serials"
    """From the hold's subject to its `to_serial`, both included."""


class DoubtCause(StrEnum):
    """Why runs of a bench are in doubt."""

    OUT_OF_CONTROL = "out of control"
    """The check standard read wrong after them."""
    OVERDUE = "overdue"
    """No check has closed them in time."""


class ProofKind(StrEnum):
    """A measurement that helps to tell the causes of a finding apart."""

    CHECK_STANDARD = "check standard"
    FOUR_WIRE = "four-wire"
    """Of the suspect part, on the board of a unit concerned."""
    LOOSE_PARTS = "loose parts"
    """Of the suspect reel."""
    OLDER_UNIT = "older unit"
    """A unit that was good before, on the suspect range again."""
    SECOND_METER = "second meter"
    """A unit concerned, its output and reference read by other meters."""


class Disposal(StrEnum):
    """How a hold ends (ISO 9000 terms)."""

    RELEASE = "release"
    CONCESSION = "concession"
    REWORK = "rework"
    SCRAP = "scrap"


@dataclass(frozen=True, slots=True, kw_only=True)
class Product:
    """An instrument type."""

    product: str
    title: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Build:
    """One batch of units kitted together."""

    build: str
    product: str
    planned_units: int | None
    opened_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Reel:
    """A component lot: everything from one reel, tape or packet."""

    reel: str
    nominal_ohm: float
    tolerance_ppm: float
    received_at: datetime
    supplier: str | None = None
    lot_code: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting:
    """From `from_serial` on (None: the build's first unit), `part` is of `reel`."""

    fitting: str
    product: str
    build: str
    part: str
    reel: str
    from_serial: str | None
    fitted_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One instrument."""

    serial: str
    product: str
    build: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """Runs taken one after another under the same leads, meter ranges and nulls.

    `set_up` says that these were set up anew before the first of them. Without it,
    as for readings that were typed or imported, the bench is as it was.
    """

    session: str
    bench: str
    opened_at: datetime
    configuration: str
    set_up: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One measurement of a unit, all ranges or some.

    `origin` says who took the readings: "bench", "typed" or "import".
    """

    run: str
    kind: RunKind
    product: str
    serial: str
    build: str | None
    session: str
    origin: str
    started_at: datetime
    finished_at: datetime
    configuration: str
    ambient_c: float | None
    rerun_of: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeResult:
    """One range of one run, with the raw readings it follows from.

    `error_ppm` is of reading, offset removed; `offset_ppm` is of full scale.
    `uncertainty_ppm` is standard (k = 1), `own_uncertainty_ppm` the part of it that
    other units on this bench do not share. Readings are in the product's units,
    one element a reading, in the order they were taken: `level` is the source's
    setting (0 for a zero point), never used as the reference.
    """

    run: str
    range: str
    reference: float
    indicated: float
    error_ppm: float
    offset_ppm: float
    uncertainty_ppm: float
    limit_ppm: float
    verdict: Verdict
    conformance_probability: float | None
    level: tuple[float, ...] = ()
    reference_readings: tuple[float, ...] = ()
    output_readings: tuple[float, ...] = ()
    at_s: tuple[float, ...] = ()
    own_uncertainty_ppm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejudgement:
    """A range of a unit's run, judged again by the good check that closed it.

    `drift_ppm` is what the bench had drifted since its session opened, and is taken
    off `error_ppm`; `uncertainty_ppm` (standard) holds what is not known of it.
    """

    run: str
    range: str
    check_run: str
    drift_ppm: float
    error_ppm: float
    uncertainty_ppm: float
    verdict: Verdict
    conformance_probability: float | None
    made_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """One check of a run beside its range errors, against its own limits.

    A yes/no inspection is 1 or 0 with `low` 1 and the unit "".
    """

    run: str
    name: str
    value: float
    unit: str
    low: float | None
    high: float | None
    verdict: Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """A statistical finding, as it stood after run number `number`.

    A later unit sharpens a finding: the same `signal`, the next `revision`.
    `raised_serial` never changes. Sizes are in ppm of reading, the interval is
    of 95 %; a chart's warning has what was plotted and the chart's limits instead.
    `evidence` is a JSON object of the statistic's own numbers, `causes` one of how
    probable it makes each cause.

    `holds` says whether it asks for holds while it is `standing`. One that later
    evidence speaks against is not standing any more: `withdrawn` says why, in one plain
    sentence. It may stand again, by a further revision.
    """

    signal: str
    revision: int
    number: int
    product: str
    build: str
    cause: Cause
    statistic: str
    range: str | None
    part: str | None
    reel: str | None
    first_serial: str
    raised_serial: str
    units: int
    size_ppm: float
    low_ppm: float
    high_ppm: float
    implied_ohm: float | None
    probability: float
    holds: bool
    evidence: str
    made_at: datetime
    causes: str | None = None
    standing: bool = True
    withdrawn: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """What may not ship, and why."""

    hold: str
    scope: Scope
    subject: str
    product: str
    signal: str | None
    reason: str
    placed_by: str
    placed_at: datetime
    to_serial: str | None = None
    """The last serial of a hold on a range of serials, None for every other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldEnd:
    """Who ended a hold, how and why, and on what evidence, where some was named."""

    hold: str
    disposal: Disposal
    person: str
    reason: str
    ended_at: datetime
    evidence: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchInstrument:
    """The instrument that stood in one role while a session was measured.

    `identity` and `serial_number` are what it said itself, or what was typed where
    it cannot say. The calibration's two days are ISO 8601 dates: a certificate names
    a day and no time. `remark` is what a reader of its results must know.
    """

    session: str
    role: str
    address: str
    identity: str | None = None
    serial_number: str | None = None
    calibrated_at: str | None = None
    due_at: str | None = None
    remark: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """Runs of one session that no check standard stands behind.

    All with numbers from `from_number` to `to_number`, both included.
    """

    doubt: str
    product: str
    session: str
    from_number: int
    to_number: int
    cause: DoubtCause
    reason: str
    raised_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class DoubtEnd:
    """What ended a doubt: a good check, by its run, or a person's decision."""

    doubt: str
    ended_by: str
    reason: str
    ended_at: datetime
    check_run: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossCheck:
    """One range of a mounted unit, read by a meter of the bench and by another.

    `role` says which meter of the bench, `meter` which other one. `value` and
    `other` are in `unit`, with expanded uncertainties of k = 2; `normalised_error`
    is their E_n. `signal` is the finding that asked for it.
    """

    cross_check: str
    product: str
    session: str
    serial: str
    range: str
    role: str
    meter: str
    unit: str
    value: float
    expanded: float
    other: float
    other_expanded: float
    normalised_error: float
    agree: bool
    measured_at: datetime
    signal: str | None = None
    person: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """A measurement made to settle a finding.

    `subject` is the serial, reel or meter that was measured. `readings` are in
    `unit`, as are `from_value`, what they read when nothing has moved, and
    `uncertainty`, which is standard and which all of them share.
    """

    proof: str
    signal: str
    kind: ProofKind
    subject: str | None
    readings: tuple[float, ...]
    unit: str
    from_value: float
    uncertainty: float
    person: str
    made_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class ReelCheck:
    """Loose parts of a reel, measured against its label.

    `readings` are in ohm, the leads' own taken off; `uncertainty_ohm` is standard and
    all of them share it. `origin` says who read the ohmmeter: "bench" or "typed".
    """

    reel_check: str
    reel: str
    readings: tuple[float, ...]
    uncertainty_ohm: float
    origin: str
    person: str
    made_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Configuration:
    """Settings as they were at a judgement; `configuration` is their hash."""

    configuration: str
    body: str
    stored_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """Who decided what: the content of one ledger row."""

    person: str
    action: str
    subject: str
    reason: str
    decided_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """What watching the rows up to run number `number` added; committed as one."""

    product: str
    number: int
    signals: tuple[Signal, ...] = field(default=())
    holds: tuple[Hold, ...] = field(default=())
    alerts: tuple[Alert, ...] = field(default=())
