"""Benches that share a record, beside one another: kept as text, read as this."""

import json
from dataclasses import asdict, dataclass
from datetime import datetime
from enum import StrEnum

from pydantic import TypeAdapter

from storage.evidence import parsed


class Whose(StrEnum):
    """Whose a finding is, by what several benches read."""

    BENCH = "bench"
    """Units of the same parts read right at the others: the bench that found it."""
    PRODUCT = "product"
    """They read the same at the others."""
    BOTH = "both"
    """They read something between, or beyond: neither alone explains it."""
    UNITS = "units"
    """They read right at the others, and so does a check standard at all of them: the
    units differ, not the benches."""
    OPEN = "open"
    """Too few units, or too near to tell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchCheck:
    """The check standard on one range at one bench; ppm, standard uncertainties."""

    bench: str
    serial: str
    range: str
    number: int
    started_at: datetime
    error_ppm: float
    uncertainty_ppm: float
    own_uncertainty_ppm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchUnit:
    """A unit's latest result on one range, and the bench that measured it."""

    bench: str
    serial: str
    build: str
    range: str
    number: int
    error_ppm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchWork:
    """What one bench measured of one build, and when the last of it."""

    bench: str
    build: str
    units: int
    last_run_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchState:
    """One bench: when it was heard last, and what it measured of the newest builds."""

    bench: str
    told_at: datetime | None
    works: tuple[BenchWork, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchDifference:
    """How two benches read one check standard on one range.

    `difference_ppm` is `bench` minus `other`, known within `uncertainty_ppm`;
    `allowed_ppm` is what both state of themselves (each k = 2).
    """

    standard: str
    range: str
    bench: str
    other: str
    difference_ppm: float
    uncertainty_ppm: float
    allowed_ppm: float
    checks: int
    other_checks: int
    last_at: datetime
    other_last_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenAt:
    """What one bench read of the units that a finding is about; mean in ppm."""

    bench: str
    units: int
    mean_ppm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingSeen:
    """A finding of bench `bench`, beside what the others read of such units.

    `difference_ppm` is this bench minus the others, within `uncertainty_ppm` (k = 2);
    None where there is nothing to tell it from.
    """

    signal: str
    bench: str
    whose: Whose
    size_ppm: float
    seen: tuple[SeenAt, ...]
    difference_ppm: float | None = None
    uncertainty_ppm: float | None = None
    log_odds: float | None = None
    """Logarithm of how much likelier it is the bench's than the product's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Benches:
    """All of it, of one product."""

    bench: str
    """Which one looked."""
    states: tuple[BenchState, ...] = ()
    differences: tuple[BenchDifference, ...] = ()
    findings: tuple[FindingSeen, ...] = ()

    @property
    def text(self) -> str:
        """It as it is kept."""
        return json.dumps(asdict(self), default=_plain)

    @classmethod
    def of(cls, text: str) -> "Benches":
        """Read what was kept.

        Raises
        ------
        RefusedValueError
            It is something else.
        """
        return parsed("shared_view.body", text, _BENCHES)


_BENCHES = TypeAdapter(Benches)


def _plain(value: object) -> str:
    if isinstance(value, datetime):
        return value.isoformat()
    raise TypeError(value)
