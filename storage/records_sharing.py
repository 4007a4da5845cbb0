"""What is kept of the sharing between benches, for a person to look at."""

from dataclasses import dataclass
from datetime import datetime

from storage.kept import Kept, Record


@dataclass(frozen=True, slots=True, kw_only=True)
class NotShared(Record):
    """A command that could not be kept at the other end, and why.

    `bench` told it; `said` names what it was about.
    """

    kept = Kept(by="exchange", order=("noted_at", "not_shared"))

    not_shared: str
    bench: str
    said: str
    reason: str
    noted_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedView(Record):
    """What the shared database said last of a product; the next look takes its place.

    `body` is the text of a `storage.benches.Benches`.
    """

    kept = Kept(by="exchange", order=("shared_view",))

    shared_view: str
    body: str
    seen_at: datetime
