"""Frozen rows of what left the house, what came back, and what was done to it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from storage.errors import RefusedValueError
from storage.kept import Decided, Kept, Record


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
    titles : tuple of str
        What people call the ranges, in their order; left out, their keys.
    """

    ranges: tuple[str, ...]
    configurations: tuple[str, ...]
    sample: SampleRule | None = None
    titles: tuple[str, ...] = ()

    def named(self, ranges: Sequence[str]) -> str:
        """Return ranges as people call them.

        Examples
        --------
        >>> rule = ShipRule(
        ...     ranges=("1uA", "1mA"), configurations=(), titles=("1 µA", "1 mA")
        ... )
        >>> rule.named(["1mA"]), rule.named(["1uA", "1mA"])
        ('range 1 mA', 'ranges 1 µA and 1 mA')
        """
        known = dict(zip(self.ranges, self.titles, strict=False))
        *some, last = [known.get(one, one) for one in ranges]
        return f"ranges {', '.join(some)} and {last}" if some else f"range {last}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shipment(Record):
    """One unit that leaves; `destination` is an order reference, no personal data.

    With `override_reason` it leaves whatever is against it; both are kept.
    """

    kept = Kept(
        decided=Decided(by="person", said="person of shipment", word="shipment"),
        by="ship",
        order=("shipped_at", "shipment"),
    )

    shipment: str
    serial: str
    product: str
    destination: str
    reseller: bool
    person: str
    shipped_at: datetime
    override_reason: str | None = None

    def check(self) -> None:
        """Refuse one that goes nowhere."""
        if not self.destination.strip():
            raise RefusedValueError(
                what="shipment.destination",
                value=repr(self.destination),
                allowed="must name an order",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitReturn(Record):
    """A shipped unit that came back."""

    kept = Kept(
        decided=Decided(by="person", said="person of return", word="unit return"),
        order=("returned_at", "unit_return"),
    )

    unit_return: str
    serial: str
    product: str
    person: str
    reason: str
    returned_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class PastShipment(Record):
    """Units of the past without serials: how many of a build left on a day."""

    kept = Kept(
        refers={"product": "product", "build": "build"},
        alike={"build": ("product",)},
        decided=Decided(
            by="person", said="person of past shipment", word="past shipment"
        ),
        order=("shipped_at", "past_shipment"),
    )

    past_shipment: str
    product: str
    build: str
    units: int
    destination: str
    person: str
    shipped_at: datetime

    def check(self) -> None:
        """Refuse a delivery of no units."""
        _check_count("past shipment.units", self.units)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rework(Record):
    """What was done to one unit; which fields are set follows from `kind`."""

    kept = Kept(
        refers={"product": "product", "serial": "unit.serial", "reel": "reel"},
        alike={"serial": ("product",)},
        decided=Decided(by="person", said="person of rework", word="rework"),
        order=("reworked_at", "rework"),
    )

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

    def check(self) -> None:
        """Refuse one that lacks what its kind must name."""
        for name in _NEEDED[self.kind]:
            if getattr(self, name) is None:
                raise RefusedValueError(
                    what=f"rework.{name}",
                    value=None,
                    allowed=f"a {self.kind.value} must name it",
                )


@dataclass(frozen=True, slots=True, kw_only=True)
class ContainmentStep(Record):
    """How far one unit is in the containment of a finding or a reel."""

    kept = Kept(
        refers={
            "product": "product",
            "serial": "unit.serial",
            "subject": ("signal", "reel"),
        },
        alike={"serial": ("product",)},
        decided=Decided(by="person", said="person of step", word="containment step"),
        order=("noted_at", "containment_step"),
    )

    containment_step: str
    product: str
    subject: str
    serial: str
    step: Step
    person: str
    note: str
    noted_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class ReelReceipt(Record):
    """What came with a reel: the number of parts, and what a claim needs."""

    kept = Kept(key=("reel",), refers={"reel": "reel"})

    reel: str
    quantity: int
    marking: str | None = None
    date_code: str | None = None
    invoice: str | None = None
    claim_until: datetime | None = None

    def check(self) -> None:
        """Refuse a reel without parts."""
        _check_count("reel receipt.quantity", self.quantity)


_NEEDED = {
    ReworkKind.REPLACE: ("part", "reel"),
    ReworkKind.REGRADE: ("range", "limit_ppm"),
    ReworkKind.TRIM: ("range", "part", "trim_kind", "trim_ohm"),
}


def _check_count(what: str, number: int) -> None:
    if number < 1:
        raise RefusedValueError(what=what, value=number, allowed="must be 1 or more")
