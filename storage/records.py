"""Frozen rows: what the Store keeps.

Times are UTC and carry their zone. Ids are chosen by whoever writes, so that
writing twice changes nothing. A row that ends or corrects another is a row of
its own; nothing is ever overwritten or deleted.
"""

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from math import inf, isfinite

from pydantic import TypeAdapter

from storage.errors import RefusedValueError
from storage.evidence import Evidence, parsed
from storage.kept import Decided, Kept, Record
from storage.points import JudgedPoint
from storage.records_alerts import Alert
from storage.records_line import KeptLine
from storage.serials import within

_SHARES = TypeAdapter(dict[str, float])


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
    DISAGREED = "disagreed"
    """Their reference and the source's setting did not agree."""
    INSTRUMENT = "instrument"
    """An instrument that read them was found out of tolerance at its calibration."""


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
class Product(Record):
    """An instrument type; what people call it may change."""

    kept = Kept(may_differ=("title",))

    product: str
    title: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Build(Record):
    """One batch of units kitted together."""

    kept = Kept(refers={"product": "product"})

    build: str
    product: str
    planned_units: int | None
    opened_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Reel(Record):
    """A component lot: everything from one reel, tape or packet."""

    kept = Kept(order=("received_at", "reel"))

    reel: str
    nominal_ohm: float
    tolerance_ppm: float
    received_at: datetime
    supplier: str | None = None
    lot_code: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting(Record):
    """From `from_serial` on (None: the build's first unit), `part` is of `reel`."""

    kept = Kept(
        refers={"product": "product", "build": "build", "reel": "reel"},
        alike={"build": ("product",)},
        order=("fitted_at", "fitting"),
    )

    fitting: str
    product: str
    build: str
    part: str
    reel: str
    from_serial: str | None
    fitted_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit(Record):
    """One instrument."""

    kept = Kept(
        key=("serial",),
        refers={"product": "product", "build": "build"},
        alike={"build": ("product",)},
        order=("build", "serial_order(serial)"),
    )

    serial: str
    product: str
    build: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Session(Record):
    """Runs taken one after another under the same leads, meter ranges and nulls.

    `set_up` says that these were set up anew before the first of them. Without it,
    as for readings that were typed or imported, the bench is as it was.
    """

    kept = Kept(refers={"configuration": "configuration"})

    session: str
    bench: str
    opened_at: datetime
    configuration: str
    set_up: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Run(Record):
    """One measurement of a unit, all ranges or some.

    `origin` says who took the readings: "bench", "typed" or "import".
    """

    kept = Kept(by="record_run", order=("number",))

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
class RangeResult(Record):
    """One range of one run, with the raw readings it follows from.

    `error_ppm` is of reading, offset removed; `offset_ppm` is of full scale.
    `uncertainty_ppm` is standard (k = 1), `own_uncertainty_ppm` the part of it that
    other units on this bench do not share. Readings are in the product's units,
    one element a reading, in the order they were taken: `level` is the source's
    setting (0 for a zero point), never used as the reference. `budget` is JSON: the
    largest lines of the uncertainty, each a name and its share of the variance.
    """

    kept = Kept(key=("run", "range"), by="record_run", order=("number", "place"))

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
    points: str | None = None
    """Text of `JudgedPoint`s: the verdict is that of the worst."""
    budget: str | None = None

    @property
    def judged_points(self) -> tuple[JudgedPoint, ...]:
        """How it was judged point by point."""
        return JudgedPoint.of(self.points)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejudgement(Record):
    """A range of a unit's run, judged again by the good check that closed it.

    `drift_ppm` is what the bench had drifted since its session opened, and is taken
    off `error_ppm`; `uncertainty_ppm` (standard) holds what is not known of it.
    """

    kept = Kept(key=("run", "range"), by="record_run")

    run: str
    range: str
    check_run: str
    drift_ppm: float
    error_ppm: float
    uncertainty_ppm: float
    verdict: Verdict
    conformance_probability: float | None
    made_at: datetime
    points: str | None = None
    """As of `RangeResult`, judged again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult(Record):
    """One check of a run beside its range errors, against its own limits.

    A yes/no inspection is 1 or 0 with `low` 1 and the unit "".
    """

    kept = Kept(key=("run", "name"), by="record_run", order=("number", "place"))

    run: str
    name: str
    value: float
    unit: str
    low: float | None
    high: float | None
    verdict: Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class WholeRun:
    """A unit's run with all that is kept with it; `unit` where it is new."""

    run: Run
    results: tuple[RangeResult, ...]
    unit: Unit | None = None
    checks: tuple[CheckResult, ...] = ()


SPEAKS_FOR = "what was measured since speaks for finding "
"""Why a finding was withdrawn that another one replaces: that one's name follows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal(Record):
    """A statistical finding, as it stood after run number `number`.

    A later unit sharpens a finding: the same `signal`, the next `revision`.
    `raised_serial` never changes. Sizes are in ppm of reading, the interval is
    of 95 %; a chart's warning has what was plotted and the chart's limits instead.
    `evidence` is the text of an `Evidence`, `causes` a JSON object of how probable it
    makes each cause.

    `holds` says whether it asks for holds while it is `standing`. One that later
    evidence speaks against is not standing any more: `withdrawn` says why, in one plain
    sentence. It may stand again, by a further revision.
    """

    kept = Kept(
        key=("signal", "revision"),
        refers={"build": "build", "reel": "reel"},
        by="record_evaluation",
        order=("number", "signal", "revision"),
    )

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

    def check(self) -> None:
        """Refuse evidence that cannot be read, and a withdrawal without a reason."""
        _ = self.basis, self.shares
        if self.standing == bool((self.withdrawn or "").strip()):
            raise RefusedValueError(
                what="signal.withdrawn",
                value=self.withdrawn,
                allowed="must say why, of a finding that does not stand alone",
            )

    @property
    def basis(self) -> Evidence:
        """What it rests on."""
        return Evidence.of(self.evidence)

    @property
    def replaced_by(self) -> str | None:
        """The finding that says the move since this one was withdrawn, if one does."""
        _, named, name = (self.withdrawn or "").partition(SPEAKS_FOR)
        return name if named and not self.standing else None

    @property
    def shares(self) -> dict[str, float]:
        """How probable it makes each cause; nothing in rows of before."""
        text = "{}" if self.causes is None else self.causes
        return parsed("signal.causes", text, _SHARES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold(Record):
    """What may not ship, and why."""

    kept = Kept(
        refers={"product": "product", "signal": "signal"},
        decided=Decided(by="placed_by", said="person of hold", word="hold"),
        order=("placed_at", "hold"),
    )

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

    def check(self) -> None:
        """Refuse a range of serials that cannot be counted through."""
        last = self.to_serial
        if self.scope == Scope.SERIALS and (
            last is None or not within(last, self.subject, last)
        ):
            raise RefusedValueError(
                what="hold.to_serial",
                value=last,
                allowed=f"must be a serial of the form of {self.subject}, "
                "not before it",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldEnd(Record):
    """Who ended a hold, how and why, and on what evidence, where some was named."""

    kept = Kept(
        key=("hold",),
        refers={"hold": "hold"},
        decided=Decided(by="person", said="person of hold end", word="hold end"),
    )

    hold: str
    disposal: Disposal
    person: str
    reason: str
    ended_at: datetime
    evidence: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchInstrument(Record):
    """The instrument that stood in one role while a session was measured.

    `identity` and `serial_number` are what it said itself, or what was typed where
    it cannot say. The calibration's two days are ISO 8601 dates: a certificate names
    a day and no time. `remark` is what a reader of its results must know.
    """

    kept = Kept(key=("session", "role"), refers={"session": "session"})

    session: str
    role: str
    address: str
    identity: str | None = None
    serial_number: str | None = None
    calibrated_at: str | None = None
    due_at: str | None = None
    remark: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration(Record):
    """What a calibration of an instrument found.

    Days are ISO 8601 dates: a certificate names a day and no time. `found` says what
    was out of tolerance as it came in, None where nothing was, and `since` the day from
    which results rest on that. The certificate's file is named by its SHA-256 too.
    """

    kept = Kept(
        decided=Decided(by="person", said="person of calibration", word="calibration"),
        order=("made_on", "calibration"),
    )

    calibration: str
    serial_number: str
    made_on: str
    due_on: str | None
    certificate: str | None
    certificate_sha256: str | None
    found: str | None
    since: str | None
    person: str
    noted_at: datetime

    def check(self) -> None:
        """Refuse days that do not follow one another."""
        for name, early, late in (
            ("due_on", self.made_on, self.due_on),
            ("made_on", self.since, self.made_on),
        ):
            if early is not None and late is not None and late < early:
                raise RefusedValueError(
                    what=f"calibration.{name}",
                    value=late,
                    allowed=f"must be {early} or later",
                )
        if (self.found is None) != (self.since is None):
            raise RefusedValueError(
                what="calibration.since",
                value=self.since,
                allowed="goes with what was found out of tolerance, and only with it",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt(Record):
    """Runs of one session that no check standard stands behind.

    All with numbers from `from_number` to `to_number`, both included.
    """

    kept = Kept(
        refers={
            "product": "product",
            "session": "session",
            "from_number": "run.number",
            "to_number": "run.number",
        },
        order=("raised_at", "from_number", "doubt"),
    )

    doubt: str
    product: str
    session: str
    from_number: int
    to_number: int
    cause: DoubtCause
    reason: str
    raised_at: datetime

    def check(self) -> None:
        """Refuse runs that do not count up."""
        if self.from_number > self.to_number:
            raise RefusedValueError(
                what="doubt.to_number",
                value=self.to_number,
                allowed=f"must be from_number, {self.from_number}, or later",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class DoubtEnd(Record):
    """What ended a doubt: a good check, by its run, or a person's decision."""

    kept = Kept(
        key=("doubt",),
        refers={"doubt": "doubt", "check_run": "run"},
        decided=Decided(by="ended_by", said="ended_by of doubt", word="doubt end"),
    )

    doubt: str
    ended_by: str
    reason: str
    ended_at: datetime
    check_run: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossCheck(Record):
    """One range of a mounted unit, read by a meter of the bench and by another.

    `role` says which meter of the bench, `meter` which other one. `value` and
    `other` are in `unit`, with expanded uncertainties of k = 2; `normalised_error`
    is their E_n. `signal` is the finding that asked for it.
    """

    kept = Kept(
        refers={"product": "product", "session": "session", "signal": "signal"},
        order=("measured_at", "cross_check"),
    )

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
class StandardCheck(Record):
    """One range of one check standard, in a row of several at one bench, ppm.

    Uncertainties are standard (k = 1); `own_uncertainty_ppm` is the part that differs
    from reading to reading. What was known of the standard then stays with it.
    `check_run` is the run of the check standard that opened the row.
    """

    kept = Kept(
        key=("check_run", "serial", "range"),
        refers={"product": "product", "session": "session", "check_run": "run"},
        order=("measured_at", "check_run", "serial", "range"),
    )

    check_run: str
    serial: str
    range: str
    product: str
    session: str
    error_ppm: float
    uncertainty_ppm: float
    own_uncertainty_ppm: float
    known_ppm: float
    known_uncertainty_ppm: float
    measured_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardValue(Record):
    """Values of a check standard that a person assigned anew, and why.

    `error_ppm` and `before_ppm` are JSON objects: by range the known error, ppm, from
    now on and until now. Uncertainties are standard (k = 1). `written` is what the
    bench file said then (see `daemon.judging.standards`). Days are ISO 8601 dates.
    """

    kept = Kept(
        refers={"product": "product"},
        decided=Decided(
            by="person", said="person of standard value", word="standard value"
        ),
        order=("assigned_at", "standard_value"),
    )

    standard_value: str
    serial: str
    product: str
    error_ppm: str
    before_ppm: str
    uncertainty_ppm: float
    before_uncertainty_ppm: float
    written: str
    certificate: str | None
    calibrated_at: str | None
    calibration_due: str | None
    reason: str
    person: str
    assigned_at: datetime

    def check(self) -> None:
        """Refuse values that are none, and a calibration that ends before it began."""
        for name in ("error_ppm", "before_ppm"):
            values = _SHARES.validate_json(getattr(self, name))
            if not values or not all(map(isfinite, values.values())):
                raise RefusedValueError(
                    what=f"standard_value.{name}",
                    value=getattr(self, name),
                    allowed="must be a finite number for at least one range",
                )
        for name in ("uncertainty_ppm", "before_uncertainty_ppm"):
            if not 0 < getattr(self, name) < inf:
                raise RefusedValueError(
                    what=f"standard_value.{name}",
                    value=getattr(self, name),
                    allowed="must be above 0",
                )
        done, due = self.calibrated_at, self.calibration_due
        if done is not None and due is not None and due <= done:
            raise RefusedValueError(
                what="standard_value.calibration_due",
                value=due,
                allowed=f"must be later than {done}",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof(Record):
    """A measurement made to settle a finding.

    `subject` is the serial, reel or meter that was measured. `readings` are in
    `unit`, as are `from_value`, what they read when nothing has moved, and
    `uncertainty`, which is standard and which all of them share.
    """

    kept = Kept(refers={"signal": "signal"})

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

    def check(self) -> None:
        """Refuse a measurement without readings, or without a doubt of them."""
        _check_measured("proof", self.readings, "uncertainty", self.uncertainty)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReelCheck(Record):
    """Loose parts of a reel, measured against its label.

    `readings` are in ohm, the leads' own taken off; `uncertainty_ohm` is standard and
    all of them share it. `origin` says who read the ohmmeter: "bench" or "typed".
    `method` says by which circuit; None where nobody said. `incoming` says that no unit
    carried the reel yet.
    """

    kept = Kept(refers={"reel": "reel"})

    reel_check: str
    reel: str
    readings: tuple[float, ...]
    uncertainty_ohm: float
    origin: str
    person: str
    made_at: datetime
    method: str | None = None
    incoming: bool = False

    def check(self) -> None:
        """Refuse a measurement without readings, or without a doubt of them."""
        _check_measured(
            "reel check", self.readings, "uncertainty_ohm", self.uncertainty_ohm
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Configuration(Record):
    """Settings as they were at a judgement; `configuration` is their hash."""

    kept = Kept(may_differ=("stored_at",))

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
    """What watching the rows up to run number `number` added; committed as one.

    `lines` are what the watch has worked out by then, where it is time to keep that.
    `history` says what the latest build was held against, and `worked_out_with` is the
    fingerprint of the line that says it. `ahead` is what the builds teach about the
    next, as its reader wrote it.
    """

    product: str
    number: int
    signals: tuple[Signal, ...] = field(default=())
    holds: tuple[Hold, ...] = field(default=())
    alerts: tuple[Alert, ...] = field(default=())
    lines: tuple[KeptLine, ...] = field(default=())
    history: str | None = None
    worked_out_with: str | None = None
    ahead: str | None = None


def _check_measured(
    record: str, readings: tuple[float, ...], name: str, uncertainty: float
) -> None:
    if not readings:
        raise RefusedValueError(
            what=f"{record}.readings", value="none", allowed="must be one at least"
        )
    if uncertainty <= 0:
        raise RefusedValueError(
            what=f"{record}.{name}", value=uncertainty, allowed="must be > 0"
        )
