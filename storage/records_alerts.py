"""Frozen rows of what people must hear of, and of whether they did."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Severity(StrEnum):
    """How much a message matters."""

    NOTICE = "notice"
    WARNING = "warning"
    HOLD = "hold"


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """One message to one target.

    `subject` is what it is about: a finding, a hold, a build, a message. `said` is
    what an update is told by; `follows` the message that it belongs to.
    """

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
class Delivery:
    """How far a message to a target is after so many tries.

    Of `next_at`, `delivered_at` and `dead_at` one is set: when it is tried again,
    when it arrived, when it was given up.
    """

    alert: str
    target: str
    tries: int
    tried_at: datetime
    next_at: datetime | None
    last_error: str | None
    delivered_at: datetime | None
    dead_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledgement:
    """Who has taken note of a message."""

    alert: str
    person: str
    acknowledged_at: datetime
