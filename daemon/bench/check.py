"""Whether the check standard still reads as it is known to: pure comparison."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

from daemon.spc.limits import SigmaMethod, limits_from_baseline
from daemon.spc.small_sample import honest_width

__all__ = ["OwnLimits", "RangeCheck", "check_range", "in_control", "own_limits"]

COVERAGE = 2.0
"""Expanded uncertainties of about 95 % (JCGM 100:2008, 6.3.3)."""

FEWEST_CHECKS = 8
"""Earlier good checks before a range's own chart has limits."""
FALSE_ALARMS = 0.0005
"""Of a range's own chart, per check: a bench stops for nothing once in years."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeCheck:
    """How far off one range of the check standard reads, and how far it may, in ppm."""

    difference_ppm: float
    limit_ppm: float

    @property
    def in_control(self) -> bool:
        """Whether the difference is within its limit."""
        return abs(self.difference_ppm) <= self.limit_ppm


def check_range(
    *,
    error_ppm: float,
    uncertainty_ppm: float,
    known_ppm: float,
    known_uncertainty_ppm: float,
) -> RangeCheck:
    """Compare one range of a check run with what is known of the check standard.

    The limit is the expanded uncertainty of the difference, the two errors being
    independent: within it E_n is at most 1 (ISO/IEC 17043:2010, B.3.1.3).

    Parameters
    ----------
    error_ppm, known_ppm : float
        Range error as measured and as known, ppm of reading.
    uncertainty_ppm, known_uncertainty_ppm : float
        Their standard uncertainties (k = 1), ppm.

    Returns
    -------
    RangeCheck
        The difference is measured less known.

    Examples
    --------
    >>> one = check_range(
    ...     error_ppm=70.0,
    ...     uncertainty_ppm=30.0,
    ...     known_ppm=-20.0,
    ...     known_uncertainty_ppm=40.0,
    ... )
    >>> one.difference_ppm, one.limit_ppm, one.in_control
    (90.0, 100.0, True)
    """
    return RangeCheck(
        difference_ppm=error_ppm - known_ppm,
        limit_ppm=COVERAGE * hypot(uncertainty_ppm, known_uncertainty_ppm),
    )


def in_control(
    *,
    error_ppm: float,
    uncertainty_ppm: float,
    known_ppm: float,
    known_uncertainty_ppm: float,
) -> bool:
    """Whether `check_range` finds the difference within its limit."""
    return check_range(
        error_ppm=error_ppm,
        uncertainty_ppm=uncertainty_ppm,
        known_ppm=known_ppm,
        known_uncertainty_ppm=known_uncertainty_ppm,
    ).in_control


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnLimits:
    """Between which the next difference lies, judged by the earlier ones, in ppm."""

    low_ppm: float
    high_ppm: float

    def hold(self, difference_ppm: float) -> bool:
        """Whether a difference lies between them."""
        return self.low_ppm <= difference_ppm <= self.high_ppm


def own_limits(earlier_ppm: Sequence[float], *, least_ppm: float) -> OwnLimits | None:
    """Return the limits of one range's own chart of the check standard.

    A bench within its specification can still have moved: what the check standard
    read before says how far it ordinarily goes.

    Parameters
    ----------
    earlier_ppm : sequence of float
        Differences of the earlier good checks, ppm, oldest first.
    least_ppm : float
        The expanded uncertainty of what differs from check to check, ppm: the
        limits are never narrower, however alike a few checks were.

    Returns
    -------
    OwnLimits or None
        A prediction interval for one further check, honest about how few they rest
        on; None below eight.

    Examples
    --------
    >>> own_limits([1.0, 2.0], least_ppm=5.0) is None
    True
    >>> earlier = [3.0, -2.0, 1.0, 0.0, 4.0, -3.0, 2.0, -1.0]
    >>> limits = own_limits(earlier, least_ppm=5.0)
    >>> limits.hold(10.0), limits.hold(40.0)
    (True, False)
    """
    if len(earlier_ppm) < FEWEST_CHECKS:
        return None
    centre_ppm = sum(earlier_ppm) / len(earlier_ppm)
    half_ppm = least_ppm
    if max(earlier_ppm) > min(earlier_ppm):
        found = limits_from_baseline(earlier_ppm, method=SigmaMethod.STANDARD_DEVIATION)
        width = honest_width(found.provenance, rate=FALSE_ALARMS)
        half_ppm = max(width * found.sigma, least_ppm)
    return OwnLimits(low_ppm=centre_ppm - half_ppm, high_ppm=centre_ppm + half_ppm)
