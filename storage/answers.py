"""Typed rows of the named queries: what each file of `sql/queries` answers with.

A query that answers with a record's own columns needs none: ask it for that record.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Self

from storage.errors import NotFoundError, RefusedValueError
from storage.kept import Row
from storage.points import JudgedPoint, worst
from storage.records import (
    Disposal,
    Doubt,
    Hold,
    Proof,
    Reel,
    RunKind,
    Signal,
    Verdict,
)
from storage.records_alerts import Alert
from storage.records_shipping import Rework, Shipment
from storage.store import Store

MOST_NAMED = 6
"""Ids that are named where one is not told apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildState(Row):
    """One build: how many units were measured, how many passed, what holds it.

    `first_pass_yield` is a share, None before any unit was judged; `state` is "open"
    or "held".
    """

    query = "builds"

    build: str
    planned_units: int | None
    opened_at: datetime
    units: int
    first_pass_yield: float | None
    state: str
    open_holds: int
    last_run_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Untold(Row):
    """A kind of command that waits to be told to the other benches, and how many."""

    query = "untold"

    command: str
    waiting: int
    since: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildYield(Row):
    """Shares of a build's units that pass, at first and at last."""

    query = "yields"

    build: str
    units: int
    first_pass_yield: float | None
    final_yield: float
    reworked: int


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldState(Hold):
    """A hold, with who ended it and how; None while it is open.

    The two numbers are the product's highest run number when it was placed and when
    it was ended.
    """

    query = "holds"

    after_number: int
    disposal: Disposal | None
    person: str | None
    end_reason: str | None
    ended_at: datetime | None
    evidence: str | None
    end_after_number: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DoubtState(Doubt):
    """A doubt, with what ended it; None while it stands."""

    query = "doubts"

    ended_by: str | None
    ended_reason: str | None
    ended_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunInDoubt(Row):
    """A run of a unit, and a doubt that still stands on it."""

    query = "runs_in_doubt"

    number: int
    run: str
    serial: str
    build: str
    doubt: str
    reason: str
    raised_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class LatestResult(Row):
    """A unit and range: its latest result, as it was judged last.

    `position` is the unit's place in its build by its first run, from 1; `reruns` how
    many results of this range it had before.
    """

    query = "latest_errors"

    number: int
    run: str
    serial: str
    build: str
    position: int
    started_at: datetime
    session: str
    range: str
    error_ppm: float
    uncertainty_ppm: float
    limit_ppm: float
    verdict: Verdict
    reruns: int
    points: str | None

    @property
    def decided_by(self) -> JudgedPoint | None:
        """The point by which the range was judged; None of a row from before."""
        return worst(JudgedPoint.of(self.points))

    @property
    def only_compared(self) -> bool:
        """Whether the bench was too poor for the limit: its error is no known error."""
        compared = self.verdict in (Verdict.LIKE_KNOWN_GOOD, Verdict.CHANGED)
        return (
            compared
            or self.verdict is Verdict.NOT_JUDGED
            or any(
                one.verdict == Verdict.NOT_JUDGED for one in JudgedPoint.of(self.points)
            )
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeRow(Row):
    """A range of a run; see `storage.records.RangeResult`."""

    query = "range_rows"

    number: int
    run: str
    kind: RunKind
    serial: str
    build: str | None
    session: str
    started_at: datetime
    origin: str
    rerun_of: str | None
    ambient_c: float | None
    configuration: str
    range: str
    reference: float
    indicated: float
    error_ppm: float
    offset_ppm: float
    uncertainty_ppm: float
    limit_ppm: float
    verdict: Verdict
    conformance_probability: float | None
    own_uncertainty_ppm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitRow(RangeRow):
    """A range of a run of one serial, as judged at first and `again` by a check."""

    query = "unit_runs"

    note: str | None
    points: str | None
    again_drift_ppm: float | None
    again_error_ppm: float | None
    again_uncertainty_ppm: float | None
    again_verdict: Verdict | None
    again_conformance_probability: float | None
    again_points: str | None
    again_number: int | None

    def judged_last(self) -> Self:
        """Return the row as it was judged last: by the check that closed its run."""
        if (
            self.again_error_ppm is None
            or self.again_uncertainty_ppm is None
            or self.again_verdict is None
        ):
            return self
        return replace(
            self,
            error_ppm=self.again_error_ppm,
            uncertainty_ppm=self.again_uncertainty_ppm,
            verdict=self.again_verdict,
            conformance_probability=self.again_conformance_probability,
            points=self.again_points,
        )

    @property
    def judged_points(self) -> tuple[JudgedPoint, ...]:
        """How it was judged point by point; nothing of a row from before."""
        return JudgedPoint.of(self.points)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejudged(Row):
    """A range of a unit's run that a check closed; `first_` is as judged at first."""

    query = "rejudgements"

    number: int
    run: str
    serial: str
    build: str
    range: str
    check_run: str
    check_number: int
    drift_ppm: float
    first_error_ppm: float
    first_uncertainty_ppm: float
    first_verdict: Verdict
    error_ppm: float
    uncertainty_ppm: float
    verdict: Verdict
    conformance_probability: float | None
    limit_ppm: float
    made_at: datetime
    latest: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRow(Row):
    """A check of a run beside its range errors."""

    query = "check_results"

    number: int
    run: str
    serial: str
    build: str | None
    started_at: datetime
    check: str
    value: float
    unit: str
    low: float | None
    high: float | None
    verdict: Verdict

    @property
    def name(self) -> str:
        """Which check it is, as in `storage.records.CheckResult`."""
        return self.check


@dataclass(frozen=True, slots=True, kw_only=True)
class ShipmentState(Shipment):
    """A unit that left; `returned_at` is None while it is away.

    `against` is a JSON list of what an override overrode.
    """

    query = "shipments"

    against: str
    build: str
    returned_at: datetime | None
    return_reason: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReworkOf(Rework):
    """What was done to a unit, with its build."""

    query = "reworks"

    build: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertState(Alert):
    """A message, how far its delivery is, and who took note."""

    query = "alerts"

    tries: int
    tried_at: datetime | None
    next_at: datetime | None
    last_error: str | None
    delivered_at: datetime | None
    dead_at: datetime | None
    person: str | None
    acknowledged_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertDue(Alert):
    """A message that is to be sent by now, and how often that was tried."""

    query = "alerts_due"

    tries: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided(Row):
    """A kept row that a person or the watch decided."""

    query = "decided"

    kind: str
    subject: str
    person: str
    decided_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class DecidedRow(Row):
    """All of a kept row that somebody decided, as JSON, with its table and its key."""

    query = "decided_rows"

    kind: str
    key: str
    kept_row: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark(Row):
    """The run number up to which a product's runs are evaluated, 0 for none.

    `history`, `worked_out_with` and `ahead` are as in `Evaluation`.
    """

    query = "watermark"

    number: int
    history: str | None = None
    worked_out_with: str | None = None
    ahead: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LatestRun(Row):
    """A product's highest run number, 0 for none."""

    query = "latest_run"

    number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownUnits(Row):
    """How many units of a product are known, measured or not."""

    query = "known_units"

    units: int


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownBuilds(Row):
    """How many builds of a product were opened."""

    query = "known_builds"

    builds: int


def finding_of(store: Store, product: str, name: str) -> Signal:
    """Return the latest revision of one finding on a product.

    Raises
    ------
    NotFoundError
        There is none of this name.
    """
    found = {one.signal: one for one in store.rows(Signal, "signals", product=product)}
    return found[meant(name, found, kind="finding")]


def meant(given: str, known: Iterable[str], *, kind: str) -> str:
    """Return the one known id that is meant: whole, or as far as it tells it apart.

    Case counts only where two ids differ in nothing else.

    Raises
    ------
    NotFoundError
        None begins so.
    RefusedValueError
        Several do.

    Examples
    --------
    >>> meant("b-1-f2", ["B-1-F2:B-1", "B-1-F3:B-1"], kind="hold")
    'B-1-F2:B-1'
    """
    ids = list(dict.fromkeys(known))
    if given in ids:
        return given
    small = given.casefold()
    found = [one for one in ids if one.casefold() == small] or [
        one for one in ids if small and one.casefold().startswith(small)
    ]
    exact = [one for one in found if one.startswith(given)]
    found = found if len(found) == 1 else exact or found
    if not found:
        raise NotFoundError(kind=kind, key=given)
    if len(found) > 1:
        several = ", ".join(found[:MOST_NAMED])
        raise RefusedValueError(
            what=kind,
            value=given,
            allowed=f"{len(found)} begin so; write more of it: {several}",
        )
    return found[0]


def reel_of(store: Store, name: str) -> Reel:
    """Return a reel.

    Raises
    ------
    NotFoundError
        None of this name is recorded.
    """
    for one in store.rows(Reel, reel=name):
        return one
    raise NotFoundError(kind="reel", key=name)


def proofs_on(store: Store, signal: Signal) -> list[Proof]:
    """Return the measurements that help to settle one finding, oldest first."""
    found = store.rows(Proof, "proofs", product=signal.product)
    return [one for one in found if one.signal == signal.signal]
