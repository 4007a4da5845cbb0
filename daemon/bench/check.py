"""Whether the check standard still reads as it is known to: pure comparison."""

from dataclasses import dataclass
from math import hypot

__all__ = ["RangeCheck", "check_range", "in_control"]

COVERAGE = 2.0
"""Expanded uncertainties of about 95 % (JCGM 100:2008, 6.3.3)."""


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
