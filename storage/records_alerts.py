"""Frozen rows of what people must hear of, and of whether they did."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from storage.errors import RefusedValueError
from storage.kept import Decided, Kept, Record


class Severity(StrEnum):
    """How much a message matters."""

    NOTICE = "notice"
    WARNING = "warning"
    HOLD = "hold"


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert(Record):
    """One message to one target.

    `subject` is what it is about: a finding, a hold, a build, a message. `said` is
    what an update is told by; `follows` the message that it belongs to.
    """

    kept = Kept(key=("alert", "target"), refers={"product": "product"})

    alert: str
    target: str
    product: str
    severity: Severity
    subject: str
    title: str
    body: str
    said: str
    follows: str | None
    made_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery(Record):
    """How far a message to a target is after so many tries.

    Of `next_at`, `delivered_at` and `dead_at` one is set: when it is tried again,
    when it arrived, when it was given up.
    """

    kept = Kept(key=("alert", "target"), refers={"alert": "alert"}, by="note_delivery")

    alert: str
    target: str
    tries: int
    tried_at: datetime
    next_at: datetime | None
    last_error: str | None
    delivered_at: datetime | None
    dead_at: datetime | None

    def check(self) -> None:
        """Refuse one that is nowhere, or in two states."""
        ends = (self.next_at, self.delivered_at, self.dead_at)
        if sum(one is not None for one in ends) != 1:
            raise RefusedValueError(
                what="delivery",
                value=self.alert,
                allowed="must be delivered, given up, or tried again at a time",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledgement(Record):
    """Who has taken note of a message."""

    kept = Kept(
        key=("alert",),
        refers={"alert": "alert"},
        decided=Decided(
            by="person", said="person of acknowledgement", word="acknowledgement"
        ),
    )

    alert: str
    person: str
    acknowledged_at: datetime
