"""Frozen rows of what left the house, what came back, and what was done to it."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class ReworkKind(StrEnum):
    """What was done to one unit."""

    REPLACE = "replace"
    """A part was replaced by one of another reel."""
    REGRADE = "regrade"
    """One range is sold to a wider limit."""
    TRIM = "trim"
    """A resistor was put in parallel or in series with a range's own part."""


class Step(StrEnum):
    """How far one unit of a containment is."""

    NOTIFIED = "notified"
    ANSWERED = "answered"
    RETURNED = "returned"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleRule:
    """What lets a unit leave that was not measured on every range.

    Attributes
    ----------
    share : float
        Of the units of its build, those that must be measured on every range.
    ranges : tuple of str
        Ranges on which each unit is measured all the same; may be none.
    """

    share: float
    ranges: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShipRule:
    """What a unit must fulfil to leave.

    Attributes
    ----------
    ranges : tuple of str
        Ranges that must be measured.
    configurations : tuple of str
        Hashes of the settings that judge as today's do.
    sample : SampleRule, optional
        None: each unit is measured on every range.
    """

    ranges: tuple[str, ...]
    configurations: tuple[str, ...]
    sample: SampleRule | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shipment:
    """One unit that leaves; `destination` is an order reference, no personal data.

    With `override_reason` it leaves whatever is against it; both are kept.
    """

    shipment: str
    serial: str
    product: str
    destination: str
    reseller: bool
    person: str
    shipped_at: datetime
    override_reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitReturn:
    """A shipped unit that came back."""

    unit_return: str
    serial: str
    product: str
    person: str
    reason: str
    returned_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class PastShipment:
    """Units of the past without serials: how many of a build left on a day."""

    past_shipment: str
    product: str
    build: str
    units: int
    destination: str
    person: str
    shipped_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Rework:
    """What was done to one unit; which fields are set follows from `kind`."""

    rework: str
    serial: str
    product: str
    kind: ReworkKind
    person: str
    reason: str
    reworked_at: datetime
    range: str | None = None
    part: str | None = None
    reel: str | None = None
    limit_ppm: float | None = None
    trim_kind: str | None = None
    trim_ohm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ContainmentStep:
    """How far one unit is in the containment of a finding or a reel."""

    containment_step: str
    product: str
    subject: str
    serial: str
    step: Step
    person: str
    note: str
    noted_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class ReelReceipt:
    """What came with a reel: the number of parts, and what a claim needs."""

    reel: str
    quantity: int
    marking: str | None = None
    date_code: str | None = None
    invoice: str | None = None
    claim_until: datetime | None = None
