"""What stands in each document, as plain values; nothing here asks or draws.

Errors and uncertainties are in ppm of reading, standard uncertainties are k = 1.
Texts may hold anything: they are set as they are, never read as markup. An `issuer`
is a name, with its address and contact a line each below.
"""

from dataclasses import dataclass
from datetime import datetime

__all__ = [
    "Board",
    "BuildRelease",
    "BuildSheet",
    "CheckLine",
    "Correction",
    "CustomerNotice",
    "Document",
    "FittedReel",
    "HoldLine",
    "Image",
    "InstrumentLine",
    "JudgedBefore",
    "RangeCapability",
    "RangeLine",
    "Sample",
    "SupplierReport",
    "ToleranceClass",
    "UnitRecord",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Image:
    """A chart as SVG, or a photograph as PNG or JPEG.

    `words` say what is seen, for who cannot see it.
    """

    data: bytes
    caption: str
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeLine:
    """One range of one unit; `reference` and `indicated` are in `unit`."""

    title: str
    unit: str
    reference: float
    indicated: float
    error_ppm: float
    offset_ppm: float
    uncertainty_ppm: float
    limit_ppm: float
    verdict: str
    conformance_probability: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedBefore:
    """A range as it was judged before a check closed its run.

    `closed_by` is the check's run; `drift_ppm` what the bench had drifted by then.
    """

    title: str
    closed_by: int
    drift_ppm: float
    error_ppm: float
    uncertainty_ppm: float
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckLine:
    """One check beside the range errors; a yes/no inspection has no unit."""

    name: str
    value: float
    unit: str
    low: float | None
    high: float | None
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentLine:
    """One instrument of the bench; calibration days as ISO 8601 dates."""

    role: str
    identity: str
    serial_number: str | None = None
    calibrated_at: str | None = None
    due_at: str | None = None
    remark: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitRecord:
    """What was measured on one unit, and how it was judged.

    `guard_band_factor` is the guard band as a multiple of the expanded uncertainty;
    `configuration` the hash of the settings that judged. `ranges` are as they were
    judged last, `judged_before` as before that. `holds` stand now.
    """

    number: str
    issued_at: datetime
    issuer: str
    product: str
    serial: str
    build: str
    run: int
    measured_at: datetime
    origin: str
    bench: str
    session: str
    ambient_c: float | None
    configuration: str
    guard_band_factor: float
    ranges: tuple[RangeLine, ...]
    judged_before: tuple[JudgedBefore, ...] = ()
    checks: tuple[CheckLine, ...] = ()
    instruments: tuple[InstrumentLine, ...] = ()
    holds: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    """Why no good check stands behind the bench that measured it."""
    note: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeCapability:
    """Capability of one range; intervals are of 95 %.

    `cpk` rests on the scatter inside builds, `ppk` on that of all units. `reasons`
    say why the capability must not be quoted; None where there are too few units.
    """

    title: str
    units: int
    mean_ppm: float
    s_ppm: float | None
    """None of a single unit, which has no scatter."""
    limit_ppm: float
    cpk: float | None = None
    cpk_low: float | None = None
    cpk_high: float | None = None
    ppk: float | None = None
    ppk_low: float | None = None
    ppk_high: float | None = None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldLine:
    """A hold, and who ended it; the last five are None while it stands."""

    on: str
    reason: str
    placed_by: str
    placed_at: datetime
    disposal: str | None = None
    person: str | None = None
    end_reason: str | None = None
    ended_at: datetime | None = None
    evidence: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedReel:
    """Which reel feeds a part; `from_serial` None: from the build's first unit on."""

    part: str
    reel: str
    from_serial: str | None
    supplier: str | None = None
    lot_code: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildRelease:
    """What a build was measured to be, and whether it may leave."""

    number: str
    issued_at: datetime
    issuer: str
    product: str
    build: str
    planned: int | None
    units: int
    first_pass_yield: float | None
    final_yield: float | None
    reworked: int
    ranges: tuple[RangeCapability, ...]
    holds: tuple[HoldLine, ...] = ()
    doubts: tuple[str, ...] = ()
    """Units of which the bench is in doubt, and why."""
    reels: tuple[FittedReel, ...] = ()
    findings: tuple[str, ...] = ()
    charts: tuple[Image, ...] = ()
    configuration: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One part measured: by which method, with which standard uncertainty."""

    subject: str
    ohm: float
    uncertainty_ohm: float
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceClass:
    """A tolerance class and how probable it is, 0 to 1."""

    tolerance_ppm: float
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplierReport:
    """What does not conform to its label, for whoever supplied it.

    `incompatible` is the probability that more than a twentieth of the parts lie
    outside the claim. `size_ppm` with its 95 % interval is of the parts from nominal,
    found on `units` finished units. `withdrawn` says why its finding stands no
    more; the report then claims nothing and asks for nothing.
    """

    number: str
    issued_at: datetime
    issuer: str
    supplier: str
    reel: str
    part: str
    nominal_ohm: float
    tolerance_ppm: float
    product: str
    finding: tuple[str, ...]
    method: tuple[str, ...]
    requested_action: str
    received_at: datetime | None = None
    marking: str | None = None
    quantity: int | None = None
    date_code: str | None = None
    lot_code: str | None = None
    invoice: str | None = None
    claim_until: datetime | None = None
    units: int | None = None
    size_ppm: float | None = None
    low_ppm: float | None = None
    high_ppm: float | None = None
    incompatible: float | None = None
    classes: tuple[ToleranceClass, ...] = ()
    samples: tuple[Sample, ...] = ()
    label: Image | None = None
    charts: tuple[Image, ...] = ()
    photos: tuple[Image, ...] = ()
    withdrawn: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One range of a shipped unit that reads wrong, by how much, how surely.

    `measured` tells a measured error from a predicted one.
    """

    range: str
    error_ppm: float
    uncertainty_ppm: float
    measured: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class CustomerNotice:
    """What somebody who has a unit must know: what is wrong, by how much, what to do.

    `destination` is an order reference. `probability` that this unit is concerned,
    None where it is known. Ranges that read right are named in `right`.
    """

    number: str
    issued_at: datetime
    issuer: str
    product: str
    serial: str
    destination: str
    corrections: tuple[Correction, ...]
    right: tuple[str, ...] = ()
    probability: float | None = None
    cause: str = ""
    advice: tuple[str, ...] = ()
    contact: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """One line of a build sheet: a serial, and what was written on it before."""

    serial: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildSheet:
    """What lies on the bench while a build is measured."""

    number: str
    issued_at: datetime
    issuer: str
    product: str
    build: str
    planned: int | None
    ranges: tuple[str, ...]
    boards: tuple[Board, ...]
    reels: tuple[FittedReel, ...] = ()
    cautions: tuple[str, ...] = ()


Document = UnitRecord | BuildRelease | SupplierReport | CustomerNotice | BuildSheet
