"""Frozen rows of what was recorded by mistake, and put right."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from storage.errors import RefusedValueError
from storage.kept import Decided, Kept, Record


class Amended(StrEnum):
    """Of which record a row is put right."""

    BUILD = "build"
    REEL = "reel"
    REEL_RECEIPT = "reel_receipt"
    UNIT = "unit"
    FITTING = "fitting"
    SHIPMENT = "shipment"


MAY_CHANGE: Mapping[Amended, tuple[str, ...]] = {
    Amended.BUILD: ("planned_units",),
    Amended.REEL: (
        "nominal_ohm", "tolerance_ppm", "received_at", "supplier", "lot_code",
    ),
    Amended.REEL_RECEIPT: (
        "quantity", "marking", "date_code", "invoice", "claim_until",
    ),
    Amended.UNIT: ("serial", "build"),
    Amended.FITTING: (),
    Amended.SHIPMENT: (),
}  # fmt: skip
"""Columns in which a row may be put right; a row without any may be taken back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Amendment(Record):
    """A row that was recorded by mistake: as it was, and as it is now.

    `before` and `after` are JSON objects of the row's columns, times as ISO 8601;
    `after` is None where the row is taken back. Keeping it puts the row right.
    """

    kept = Kept(
        refers={"product": "product"},
        decided=Decided(by="person", said="person of amendment", word="amendment"),
        order=("amended_at", "amendment"),
    )

    amendment: str
    product: str
    kind: Amended
    subject: str
    before: str
    after: str | None
    person: str
    reason: str
    amended_at: datetime

    def check(self) -> None:
        """Refuse one that changes nothing, or what may not be changed."""
        may = MAY_CHANGE[Amended(self.kind)]
        if (self.after is None) == bool(may):
            allowed = "must say the row as it is now" if may else "is taken back only"
            raise RefusedValueError(
                what=f"{self.kind} {self.subject}", value=self.after, allowed=allowed
            )
        changed = self.changed()
        if self.after is not None and not changed:
            raise RefusedValueError(
                what=f"{self.kind} {self.subject}",
                value="the same as before",
                allowed="something must be corrected",
            )
        for name in changed:
            if name not in may:
                raise RefusedValueError(
                    what=f"{self.kind}.{name}",
                    value=changed[name][1],
                    allowed=f"may not be corrected; {', '.join(may)} may",
                )
        if not self.reason.strip():
            raise RefusedValueError(
                what="amendment.reason", value=self.reason, allowed="must say why"
            )

    def changed(self) -> dict[str, tuple[object, object]]:
        """Return by column what it said and what it says now; nothing if taken back."""
        if self.after is None:
            return {}
        before, after = json.loads(self.before), json.loads(self.after)
        return {
            name: (before.get(name), value)
            for name, value in after.items()
            if before.get(name) != value
        }
