"""Several check standards at one bench: whether it has moved, or a standard.

What the bench adds is the same for all that it reads in a row: two standards that
disagree show that a standard has moved, however unsure the bench is. Two that read off
alike show that the bench has.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations
from math import hypot

from daemon.metrology.checks import finite, not_negative
from daemon.metrology.errors import MetrologyError

COVERAGE = 2.0
"""Expanded uncertainties of about 95 % (JCGM 100:2008, 6.3.3)."""


class Mover(StrEnum):
    """What has moved, by several standards read in a row."""

    NOTHING = "nothing"
    BENCH = "bench"
    STANDARD = "standard"
    NOT_TOLD = "not told"
    """They disagree, and it does not show which of them is off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardSeen:
    """One standard as it was read, ppm; uncertainties are standard (k = 1).

    `difference_ppm` is what was read less what is known. `own_ppm` is the part of
    `uncertainty_ppm` that differs from reading to reading; the rest is the bench's
    and the same for all.
    """

    serial: str
    difference_ppm: float
    known_uncertainty_ppm: float
    uncertainty_ppm: float
    own_ppm: float

    @property
    def allowed_ppm(self) -> float:
        """How far it may read from what is known: expanded (k = 2)."""
        return COVERAGE * hypot(self.uncertainty_ppm, self.known_uncertainty_ppm)

    @property
    def outside(self) -> bool:
        """Whether it reads farther off than it may: E_n above 1."""
        return abs(self.difference_ppm) > self.allowed_ppm

    def agrees_with(self, other: "StandardSeen") -> bool:
        """Whether two standards differ by no more than their values and scatter allow.

        The absolute E_n number is at most 1 (ISO/IEC 17043:2010, B.3.1.3); the bench
        is in both and falls out.
        """
        allowed_ppm = COVERAGE * hypot(
            self.known_uncertainty_ppm,
            other.known_uncertainty_ppm,
            self.own_ppm,
            other.own_ppm,
        )
        return abs(self.difference_ppm - other.difference_ppm) <= allowed_ppm


@dataclass(frozen=True, slots=True, kw_only=True)
class WhoseDrift:
    """What has moved; `serial` names the standard where it is one."""

    mover: Mover
    serial: str | None = None


def whose_drift(seen: Sequence[StandardSeen]) -> WhoseDrift:
    """Tell the drift of a standard from that of the bench, on one range.

    Where all agree with one another, the bench has moved if any reads farther off
    than it may. Where they disagree, the standard has moved without which the others
    agree; of two, the one that reads farther off than it may while the other does
    not.

    Parameters
    ----------
    seen : sequence of StandardSeen
        Two or more, read in a row.

    Returns
    -------
    WhoseDrift

    Raises
    ------
    MetrologyError
        For fewer than two, for one that is there twice, and for a number that is not
        finite or an uncertainty below 0.

    Examples
    --------
    >>> def read(serial, ppm):
    ...     return StandardSeen(
    ...         serial=serial, difference_ppm=ppm, known_uncertainty_ppm=20.0,
    ...         uncertainty_ppm=60.0, own_ppm=5.0,
    ...     )
    >>> whose_drift([read("CS-1", 200.0), read("CS-2", 190.0)]).mover
    <Mover.BENCH: 'bench'>
    >>> whose_drift([read("CS-1", 200.0), read("CS-2", 10.0)])
    WhoseDrift(mover=<Mover.STANDARD: 'standard'>, serial='CS-1')
    """
    _refuse_unusable(seen)
    outside = {one.serial for one in seen if one.outside}
    if _all_agree(seen):
        return WhoseDrift(mover=Mover.BENCH if outside else Mover.NOTHING)
    odd = [
        one.serial
        for one in seen
        if _all_agree([other for other in seen if other is not one])
    ]
    if len(odd) > 1:
        odd = [one for one in odd if one in outside]
    if len(odd) == 1 and outside <= {*odd}:
        return WhoseDrift(mover=Mover.STANDARD, serial=odd[0])
    return WhoseDrift(mover=Mover.NOT_TOLD)


def _all_agree(seen: Sequence[StandardSeen]) -> bool:
    return all(one.agrees_with(other) for one, other in combinations(seen, 2))


def _refuse_unusable(seen: Sequence[StandardSeen]) -> None:
    if len({one.serial for one in seen}) < max(2, len(seen)):
        message = "two standards or more are needed, each of them once"
        raise MetrologyError(message)
    for one in seen:
        finite(difference_ppm=one.difference_ppm)
        not_negative(
            known_uncertainty_ppm=one.known_uncertainty_ppm,
            uncertainty_ppm=one.uncertainty_ppm,
            own_ppm=one.own_ppm,
        )
