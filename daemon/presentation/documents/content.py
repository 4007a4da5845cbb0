"""What stands in each document, as plain values; nothing here asks or draws.

Errors and uncertainties are in ppm of reading, standard uncertainties are k = 1.
Texts may hold anything: they are set as they are, never read as markup. An `issuer`
is a name, with its address and contact a line each below.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from storage import JudgedPoint

__all__ = [
    "Board",
    "CheckLine",
    "Correction",
    "FailureLine",
    "FittedReel",
    "HoldLine",
    "Image",
    "InstrumentLine",
    "JudgedBefore",
    "RangeCapability",
    "RangeLine",
    "RangeToConnect",
    "Sample",
    "StandardLine",
    "ToleranceClass",
    "UnitValue",
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
    """One range of one unit; `reference` is in `unit`, `output` in `output_unit`.

    `output` is None where no reading was kept; `zero_read` tells whether the output was
    read at zero, else nothing was taken off and `offset_ppm` says nothing.
    """

    title: str
    unit: str
    reference: float
    output: float | None
    error_ppm: float
    offset_ppm: float
    uncertainty_ppm: float
    limit_ppm: float
    verdict: str
    conformance_probability: float | None
    points: tuple[JudgedPoint, ...] = ()
    """How it was judged point by point; none in a record from before."""
    limit: str = ""
    """The error limit as the settings in force said it."""
    output_unit: str = "V"
    zero_read: bool = True


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
class BudgetLine:
    """What makes one range unsure: the largest lines, each with its share, 0 to 1."""

    title: str
    largest: tuple[tuple[str, float], ...]


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
    """A hold, and who ended it: five are None while it stands.

    `keeps` names the units of the build that it keeps here; None: the whole build.
    """

    on: str
    reason: str
    placed_by: str
    placed_at: datetime
    disposal: str | None = None
    person: str | None = None
    end_reason: str | None = None
    ended_at: datetime | None = None
    evidence: str | None = None
    keeps: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedReel:
    """Which reel feeds a part; `from_serial` None: from the build's first unit on."""

    part: str
    reel: str
    from_serial: str | None
    supplier: str | None = None
    lot_code: str | None = None


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
class UnitValue:
    """What one finished unit reads on one range; `reel` is that of its part."""

    serial: str
    range: str
    measured_at: datetime
    reel: str
    error_ppm: float
    uncertainty_ppm: float
    limit_ppm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardLine:
    """One measurement of a check standard; `wrong` names ranges that read wrong.

    `known` are its known errors that were in force then, range by range, each with its
    expanded uncertainty; `beside` is the standard that it was run beside, None for the
    one that every check runs.
    """

    serial: str
    run: int
    at: datetime
    wrong: tuple[str, ...] = ()
    known: tuple[str, ...] = ()
    certificate: str | None = None
    beside: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FailureLine:
    """One unit that did not pass at first, by name, and what became of it.

    `now` is where it stands: it passed when it was measured again, a named person let
    it go or scrapped it, or nothing is decided.
    """

    serial: str
    failed: str
    became: str
    now: Literal["passed", "let go", "scrapped", "open"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeToConnect:
    """One range on the sheet for the bench: how it is driven, what is allowed.

    `levels` are what goes in, `limit` what the error may be, both in words; `selector`
    is the switch's position where it has one.
    """

    title: str
    selector: str
    levels: str
    expected: str
    limit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One range of a shipped unit that moved, by how much, how surely.

    `limit` is the error limit as it is set, `limit_ppm` what it comes to. `measured`
    tells a measured error from a predicted one; `inside` whether a measured error keeps
    its limit all the same, `not_inside` in words how surely it does not; `outside` the
    probability that a predicted one does not.
    """

    range: str
    error_ppm: float
    uncertainty_ppm: float
    limit_ppm: float
    limit: str = ""
    measured: bool = True
    inside: bool = False
    not_inside: str = "outside"
    outside: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """One line of a build sheet: a serial, and what was written on it before."""

    serial: str
    note: str = ""
