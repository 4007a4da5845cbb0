"""What can be done to one unit: another part, another limit, or a trimming resistor."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import hypot, sqrt
from uuid import NAMESPACE_OID, uuid5

from config import HoldpointError, Part
from daemon.holds import require_decision
from daemon.judging import ProductModel
from daemon.metrology import NoSolutionError, Trim, trim
from daemon.presentation import spans
from daemon.traceability.kitting import require_reel
from daemon.traceability.tracing import Records, leftover
from storage import (
    Cause,
    Decision,
    Fitting,
    HoldState,
    LatestResult,
    NotFoundError,
    Rework,
    ReworkKind,
    ReworkOf,
    Scope,
    Signal,
    Store,
    UnitRow,
    Verdict,
    reels_of,
    serial_order,
)

PPM = 1e-6
SERIES = ("E24", "E96", "E192")
"""Preferred values that are tried, of IEC 60063; the first that is near enough."""
GOOD = {Verdict.CONFORMING, Verdict.LIKE_KNOWN_GOOD}
NEAR_ENOUGH = 0.1
"""Remaining error as a share of the error limit at which a coarser series will do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimPlan:
    """What a trimming resistor makes of a range.

    Attributes
    ----------
    error_ppm : float
        What remains of the range error.
    tolerance_ppm : float
        Standard uncertainty of it from the trimming resistor's tolerance (rectangular)
        and the measured error.
    tempco_ppm_per_k : float
        Largest temperature coefficient of the range: the trimming resistor's share
        added to what was there.
    """

    range: str
    part: str
    series: str
    trim: Trim
    before_ppm: float
    error_ppm: float
    tolerance_ppm: float
    tempco_ppm_per_k: float


def trim_plan(
    product: ProductModel,
    range_: str,
    *,
    error_ppm: float,
    uncertainty_ppm: float,
    limit_ppm: float,
    series: str | None = None,
    tolerance_ppm: float = 10_000.0,
    tempco_ppm_per_k: float = 100.0,
) -> TrimPlan:
    """Return the preferred value that brings a range back.

    The range's own part is taken to carry the whole error, which is what a finding on
    its reel says.

    Parameters
    ----------
    error_ppm, uncertainty_ppm : float
        Of the range as measured, standard uncertainty.
    limit_ppm : float
        Error limit; decides whether a coarser series is near enough.
    series : str, optional
        One of `SERIES`; the coarsest that is near enough when left out.
    tolerance_ppm, tempco_ppm_per_k : float
        Of the trimming resistor.

    Raises
    ------
    daemon.metrology.errors.NoSolutionError
        The range has no part of its own, or no such resistor can be had.
    """
    one = product.range(range_)
    actual_ohm = product.implied_ohm(range_, error_ppm)
    if one.part is None or actual_ohm is None:
        raise NoSolutionError(
            subject=f"range {one.title}", reason="it has no part of its own to trim"
        )
    wanted_ohm = product.nominal_ohm[one.part]
    best: TrimPlan | None = None
    for name in SERIES if series is None else (series,):
        made = trim(actual_ohm, wanted_ohm, series=name)
        best = _plan(product, range_, one.part, name, made, error_ppm,
                     uncertainty_ppm, tolerance_ppm, tempco_ppm_per_k)  # fmt: skip
        if abs(best.error_ppm) <= NEAR_ENOUGH * limit_ppm:
            break
    if best is None:
        raise NoSolutionError(subject=f"range {one.title}", reason="no series is named")
    return best


def _plan(
    product: ProductModel,
    range_: str,
    part: str,
    series: str,
    trim: Trim,
    before_ppm: float,
    uncertainty_ppm: float,
    tolerance_ppm: float,
    tempco_ppm_per_k: float,
) -> TrimPlan:
    one = product.range(range_)
    ohm: Mapping[str, float] = {**product.nominal_ohm, part: trim.result_ohm}
    after_ppm = (one.transfer.value(ohm) / one.nominal_transfer - 1) / PPM
    reach = abs(one.sensitivities[part]) * trim.sensitivity
    return TrimPlan(
        range=range_,
        part=part,
        series=series,
        trim=trim,
        before_ppm=before_ppm,
        error_ppm=after_ppm,
        tolerance_ppm=hypot(uncertainty_ppm, reach * tolerance_ppm / sqrt(3)),
        tempco_ppm_per_k=sum(one.tempco_ppm_per_k.values()) + reach * tempco_ppm_per_k,
    )


# ---- a part that was replaced


class HeldReelError(HoldpointError):
    """A reel that must not be used."""

    def __init__(self, *, reel: str, why: str) -> None:
        self.reel = reel
        super().__init__(f"reel {reel} is held: {why}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Replaced:
    """What became of a part that was replaced on units.

    Attributes
    ----------
    recorded, already : tuple of str
        Serials of which it is recorded now, and of which it was recorded before and
        which were not measured since.
    overdrawn : bool
        Whether more parts of the reel are used than were received.
    """

    part: str
    reel: str
    recorded: tuple[str, ...]
    already: tuple[str, ...]
    overdrawn: bool

    def sentences(self) -> list[str]:
        """Say what is recorded, what was before, and what speaks against it."""
        said = []
        if self.recorded:
            said.append(
                f"{self.part} of {_units(self.recorded)} is of reel {self.reel} now."
            )
        if self.already:
            said.append(
                f"Of {_units(self.already)} that was recorded already; nothing new was."
            )
        if self.overdrawn:
            said.append(
                f"More parts of reel {self.reel} used than received: check the records."
            )
        return said


def _units(serials: Sequence[str]) -> str:
    return f"unit{'' if len(serials) == 1 else 's'} {spans(serials)}"


def replace_part(
    store: Store,
    product: str,
    serials: Sequence[str],
    part: str,
    reel: str,
    *,
    parts: Mapping[str, Part],
    ranges: Iterable[str],
    person: str,
    reason: str,
    people: Iterable[str],
    at: datetime,
) -> Replaced:
    """Record that one part of some units is of another reel now.

    Everything is checked before anything is recorded. Said again before the unit is
    measured it changes nothing, so that a second click, or another person who says the
    same, counts once.

    Parameters
    ----------
    parts, ranges
        All parts and all ranges of the product.
    people
        Those who may decide.

    Raises
    ------
    daemon.holds.NotAllowedError
        The person is not listed, or there is no reason.
    HeldReelError
        The reel must not be used.
    storage.errors.NotFoundError
        There is no such part or unit.
    daemon.traceability.kitting.UnknownReelError
        The reel is not recorded.
    """
    require_decision(
        person, reason, people,
        do="record a replaced part", done="a replaced part is recorded",
    )  # fmt: skip
    if part not in parts:
        raise NotFoundError(kind="part", key=part)
    require_reel(store, reel, parts[part])
    refuse_held(store, product, reel)
    records = Records.of(store, product, ranges, about=[*serials, reel])
    for serial in serials:
        records.unit(serial)
    before = {
        one.serial: one
        for one in records.reworks
        if (one.kind, one.part, one.reel) == (ReworkKind.REPLACE, part, reel)
    }
    recorded, already = [], []
    for serial in dict.fromkeys(serials):
        runs = store.rows(UnitRow, serial=serial)
        if serial in before and not _measured_since(before[serial], runs):
            already.append(serial)
            continue
        last = max((one.number for one in runs), default=0)
        said = f"{product} {serial} {part} {reel} {last}"
        store.keep(
            Rework(
                # Two who say it at one moment mean one replacement.
                rework=uuid5(NAMESPACE_OID, said).hex,
                serial=serial,
                product=product,
                kind=ReworkKind.REPLACE,
                person=person,
                reason=reason.strip(),
                reworked_at=at,
                part=part,
                reel=reel,
            ),
            decision=Decision(
                person=person,
                action=ReworkKind.REPLACE.value,
                subject=serial,
                reason=reason.strip(),
                decided_at=at,
            ),
        )
        recorded.append(serial)
    left = leftover(records, reel)
    return Replaced(
        part=part,
        reel=reel,
        recorded=tuple(recorded),
        already=tuple(already),
        overdrawn=left is not None and left < len(recorded),
    )


def _measured_since(rework: ReworkOf, runs: Iterable[UnitRow]) -> bool:
    return any(one.started_at > rework.reworked_at for one in runs)


def refuse_held(store: Store, product: str, reel: str) -> None:
    """Refuse to take a part from a reel that is held.

    Raises
    ------
    HeldReelError
        Naming why.
    """
    for one in store.rows(HoldState, product=product):
        held = (one.scope, one.subject) == (Scope.REEL, reel)
        if held and one.disposal is None:
            raise HeldReelError(reel=reel, why=one.reason)


# ---- findings whose units were reworked


def reworked_since(reworks: Iterable[Rework]) -> dict[str, datetime]:
    """Return when each unit was first worked on; a wider limit is no work on it."""
    first: dict[str, datetime] = {}
    for one in reworks:
        if one.kind != ReworkKind.REGRADE:
            at = one.reworked_at
            first[one.serial] = min(at, first.get(one.serial, at))
    return first


def good_again(
    store: Store, product: str, findings: Iterable[Signal], reworks: Iterable[ReworkOf]
) -> dict[str, int]:
    """Return how many units each finding has of which every one is good again.

    Each was reworked and measured since, and passed. A finding that has another one, or
    that does not stand, is left out.
    """
    since = reworked_since(reworks)
    builds = {one.build for one in reworks if one.serial in since}
    found = {}
    for one in findings:
        if not one.standing or one.build not in builds:
            continue
        fittings = store.rows(Fitting, product=product, build=one.build)
        latest = store.rows(LatestResult, product=product, build=one.build)
        rows = [row for row in latest if _has(one, row, fittings)]
        if rows and all(_is_good(row, since.get(row.serial)) for row in rows):
            found[one.signal] = len({row.serial for row in rows})
    return found


def _has(finding: Signal, row: LatestResult, fittings: Sequence[Fitting]) -> bool:
    """Whether a result is of what a finding says moved, as the unit was built."""
    if finding.range not in {None, row.range}:
        return False
    if finding.cause is Cause.UNIT:
        return row.serial == finding.first_serial
    if serial_order(row.serial) < serial_order(finding.first_serial):
        return False
    if finding.reel is None or finding.part is None:
        return True
    return reels_of(row.serial, fittings).get(finding.part) in {None, finding.reel}


def _is_good(row: LatestResult, since: datetime | None) -> bool:
    return since is not None and row.started_at > since and row.verdict in GOOD
