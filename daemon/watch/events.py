"""What enters the watch, as plain numbers, in the order of run numbers."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Self

import numpy as np
from numpy.typing import NDArray

from storage import Fitting, serial_order, takes_over

Errors = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UnitErrors:
    """One run of a unit: its range errors in ppm of reading, NaN where not measured.

    Attributes
    ----------
    set_up : bool
        Whether its session is a set-up of the bench: of leads, meter ranges, nulls.
    seatable : bool
        Whether somebody could have been asked to seat it again.
    variance_ppm2 : (R,) or None
        Of this unit's own measurement; None for negligible.
    ambient_c : float or None
        Temperature it was measured at; None where it was not recorded.
    again : bool
        Whether the unit may have been measured on some of these ranges before.
    """

    number: int
    run: str
    serial: str
    build: str
    errors_ppm: Errors
    at: datetime
    session: str = ""
    set_up: bool = False
    seatable: bool = True
    variance_ppm2: Errors | None = None
    ambient_c: float | None = None
    again: bool = True

    def without(self, ranges: NDArray[np.bool_]) -> Self:
        """Return this run less the ranges that a later run measured again."""
        return replace(self, errors_ppm=np.where(ranges, np.nan, self.errors_ppm))

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Which ranges it has, (R,)."""
        return ~np.isnan(self.errors_ppm)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CheckErrors:
    """One run of the check standard: errors less the known ones, ppm, NaN if not run.

    `variance_ppm2` is of the bench's own noise and resolution; `allowed_ppm2` of what
    the meters' specification lets them read off, always alike. `standard` names the
    standard with its known errors: another one tells nothing of a change.
    """

    number: int
    session: str
    errors_minus_known_ppm: Errors
    variance_ppm2: Errors
    allowed_ppm2: Errors
    at: datetime
    standard: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted:
    """A person ended the hold of a finding: as good enough, or not.

    Attributes
    ----------
    number : int
        The latest run when it was decided.
    signal : str
        The finding.
    taught : bool
        By release or concession: the difference that was found is known from here on.
    cause, range, part, reel, build
        Of the finding, as its row has them.
    """

    number: int
    signal: str
    taught: bool
    cause: str
    range: str | None
    part: str | None
    reel: str | None
    build: str


def reels_of(
    serial: str, parts: Iterable[str | None], fittings: Iterable[Fitting]
) -> tuple[str, ...]:
    """Return the reel of each part in a unit, "" unknown.

    Parameters
    ----------
    serial
        Of the unit.
    parts
        By name; None for a range without a part of its own.
    fittings
        Of the unit's build, as `in_force` orders them.
    """
    order = serial_order(serial)
    begun = {
        one.part: one.reel
        for one in fittings
        if one.from_serial is None or order >= serial_order(one.from_serial)
    }
    return tuple(begun.get(part, "") if part is not None else "" for part in parts)


def in_force(fittings: Iterable[Fitting]) -> tuple[Fitting, ...]:
    """Return fittings in the order in which they take over from each other."""
    return tuple(sorted(fittings, key=lambda f: takes_over(f.from_serial, f.fitted_at)))
