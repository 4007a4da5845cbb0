"""What a finding rests on beyond the columns of its row: kept as text, read as this."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import NamedTuple, TypeVar

from pydantic import TypeAdapter, ValidationError

from storage.errors import RefusedValueError

T = TypeVar("T")


class LimitIs(StrEnum):
    """Which limit of the detector a finding was judged by."""

    SHIPPED = "shipped"
    """With the program."""
    CALIBRATED = "calibrated"
    """The product's own."""


class Possible(NamedTuple):
    """A part that may be the one that is off, where readings cannot tell which."""

    part: str
    ohm: float
    """What it would have to be."""
    low_ohm: float
    high_ohm: float
    """With 95 %; the smaller first."""
    reel: str | None
    """That it comes from, where that was recorded."""
    seen_right: bool = False
    """Units before had parts of this reel and read as they should."""


class Predicted(NamedTuple):
    """What a unit reads that carries the reel and was not measured, with 95 %."""

    mean_ppm: float
    low_ppm: float
    high_ppm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """A reel against the tolerance that it claims."""

    tolerance_ppm: float
    """What it claims."""
    incompatible: float
    """Probability that it does not keep to it."""
    classes: tuple[tuple[float, float], ...] = ()
    """Classes of IEC 60062 that it may be of, ppm, each with its probability."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A reel's label beside what is planned for the part."""

    label_ohm: float
    label_ppm: float
    """The tolerance on it."""
    planned_ohm: float
    planned_ppm: float
    """The tolerance that the part needs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """The statistic's own numbers, and sentences that were made with them.

    What a finding does not say is None, or empty.
    """

    log_odds: float | None = None
    """Logarithm of how much likelier its cause is than that it is none."""
    log_odds_limit: float | None = None
    """From which on it is a finding."""
    limit_is: LimitIs | None = None
    """Whose that limit is."""
    history: str | None = None
    """What the build is held against, in a sentence."""
    check: str | None = None
    """What the check standard's last run showed, in a sentence."""
    spread_factor: float = 1.0
    """Scatter of the parts as a multiple of what they had before."""
    mixed_share: float | None = None
    """Share of the units with the second reel, where two are mixed."""
    drift_ppm_per_unit: float | None = None
    """Where the bench, or a reel along its tape, drifts."""
    runners_up: tuple[tuple[str, float], ...] = ()
    """What it may be instead, in words, each with its probability."""
    alike: tuple[str, ...] = ()
    """Causes that nothing measured so far could tell from this one."""
    carrying: tuple[tuple[str, float], ...] = ()
    """Serials of which the record may be wrong: how probable it is of each that it
    carries the reel."""
    range_title: str | None = None
    """Of the range that it is on."""
    range_titles: tuple[str, ...] = ()
    """Of the ranges that share the part."""
    possible_parts: tuple[Possible, ...] = ()
    """Parts of the range of which readings cannot tell which one is off, all of them;
    empty where one part stands out."""
    tolerance_ppm: float | None = None
    """Of the part: what its reel claims, else what is planned."""
    nominal_ohm: float | None = None
    """Of the part, as planned."""
    label: Label | None = None
    """Of the suspect reel, where one was recorded."""
    claim: Claim | None = None
    """How the suspect reel keeps what it claims."""
    implied_low_ohm: float | None = None
    """The part's value that explains the size's lower end."""
    implied_high_ohm: float | None = None
    """The part's value that explains the size's upper end: where more ohm read less,
    the smaller one."""
    other_values_ohm: tuple[float, ...] = ()
    """Preferred values that would explain the size."""
    predicted_ppm: Predicted | None = None
    """On the range, where the reel of its own part is suspect."""
    predicted_by_range: Mapping[str, Predicted] | None = None
    """By title, where the reel of a part is suspect that some ranges share."""
    proven: tuple[str, ...] = ()
    """What measurements made to settle it showed, a sentence each."""
    next: str | None = None
    """What to do next, in a sentence."""
    measured_again: bool = False
    """Of one odd unit: whether it was found so a second time."""
    chart: str = ""
    """Of a chart's warning: units, reels or steps."""
    saw: str = ""
    """Of a chart's warning: what it saw; {unit}, {of_reel} and {value} stand in it."""
    reel: str = ""
    """Of a chart's warning: the reel that the units carry."""

    @staticmethod
    @lru_cache(maxsize=4096)
    def of(text: str) -> "Evidence":
        """Return what a row's text says; what only other versions say is left out.

        Raises
        ------
        RefusedValueError
            It is no JSON object, or says something of another type.
        """
        return parsed("signal.evidence", text, _EVIDENCE)

    def text(self) -> str:
        """Return what is said as JSON, which is the same whenever the same is said."""
        said = _EVIDENCE.dump_python(self, exclude_defaults=True)
        return json.dumps(said, sort_keys=True)

    @property
    def implied_interval_ohm(self) -> list[float]:
        """The part's values that explain the size's interval, the smaller first."""
        ends = self.implied_low_ohm, self.implied_high_ohm
        return sorted(one for one in ends if one is not None)


_EVIDENCE = TypeAdapter(Evidence)


def parsed(what: str, text: str, kind: TypeAdapter[T]) -> T:
    """Return JSON as a type; `what` names it where it is refused.

    Raises
    ------
    RefusedValueError
        It is no JSON, or not of that type.
    """
    try:
        return kind.validate_json(text)
    except ValidationError as exc:
        raise refused(what, exc) from exc


def refused(what: str, error: ValidationError) -> RefusedValueError:
    """Return the first thing that a library refuses of `what` as our own error."""
    first = error.errors(include_url=False)[0]
    where = ".".join(str(one) for one in (what, *first["loc"]))
    value = repr(first["input"])[:80]
    return RefusedValueError(what=where, value=value, allowed=first["msg"])
