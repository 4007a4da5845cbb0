"""Whether the check standard still reads as it is known to: pure comparison.

Two meters that move alike leave its error as it was. What each reads for what the
source was set to tells of that, as far as the source can be trusted to stay.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

from daemon.bench.readings import RangeReadings
from daemon.bench.series import series_of, setting_of

__all__ = [
    "AgainstSource",
    "RangeCheck",
    "against_source",
    "check_range",
    "hidden_between_ppm",
    "in_control",
    "moved_alike_ppm",
    "reference_beside_ppm",
    "reference_moved_ppm",
]

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


@dataclass(frozen=True, slots=True, kw_only=True)
class AgainstSource:
    """What both meters read of one range for one of what the source was set to.

    `scatter_ppm` is the standard uncertainty that the readings' own scatter leaves,
    `setting` what the source was set to, in the product's input unit.
    """

    reference: float
    output: float
    scatter_ppm: float
    setting: float = 0.0


def against_source(readings: RangeReadings, *, scatter_ppm: float) -> AgainstSource:
    """Return what both meters read for what the source was set to, zeros removed."""
    series, setting = series_of(readings), setting_of(readings)
    return AgainstSource(
        reference=series.reference.net_level / setting,
        output=series.output.net_level / setting,
        scatter_ppm=scatter_ppm,
        setting=setting,
    )


def moved_alike_ppm(
    before: AgainstSource, now: AgainstSource, *, source_stability_ppm: float
) -> float | None:
    """Return by how much both meters have moved alike, at least, in ppm.

    Parameters
    ----------
    before, now : AgainstSource
        The same unit and range at two times.
    source_stability_ppm : float
        How far the source may have moved by itself meanwhile; what it does moves both
        meters alike, too.

    Returns
    -------
    float or None
        The smaller of both movements; None where the source, or scatter, explains it,
        or where they moved apart: then the check standard's error has moved.

    Examples
    --------
    >>> before = AgainstSource(reference=1.0, output=1000.0, scatter_ppm=1.0)
    >>> now = AgainstSource(reference=1.0003, output=1000.31, scatter_ppm=1.0)
    >>> moved = moved_alike_ppm(before, now, source_stability_ppm=50.0)
    >>> moved is not None and round(moved)
    300
    >>> moved_alike_ppm(before, before, source_stability_ppm=50.0) is None
    True
    """
    by_scatter_ppm = COVERAGE * hypot(before.scatter_ppm, now.scatter_ppm)
    alike_ppm = _alike_ppm(before, now)
    if abs(alike_ppm) <= source_stability_ppm + by_scatter_ppm:
        return None
    return alike_ppm


def hidden_between_ppm(before: AgainstSource, now: AgainstSource) -> float:
    """Return by how much both meters moved alike between two checks, unseen by them.

    The error of the check standard is as it was. If the source moved, so is that of a
    unit between. If the meters did, one after the other, a unit between was read by one
    that had moved and by one that had not: nobody knows which of the two it was.

    Parameters
    ----------
    before, now : AgainstSource
        Of one range of the check standard.

    Returns
    -------
    float
        Ppm, its sign with it; 0 where scatter explains it, or the settings differ.

    Examples
    --------
    >>> before = AgainstSource(reference=1.0, output=1000.0, scatter_ppm=3.0)
    >>> now = AgainstSource(reference=1.00005, output=1000.06, scatter_ppm=3.0)
    >>> round(hidden_between_ppm(before, now))
    50
    """
    alike_ppm = _alike_ppm(before, now)
    if before.setting != now.setting or abs(alike_ppm) <= _by_scatter_ppm(before, now):
        return 0.0
    return alike_ppm


def _alike_ppm(before: AgainstSource, now: AgainstSource) -> float:
    """Return the smaller of what both meters moved by; 0 where they moved apart."""
    least, most = sorted(
        (
            (now.reference / before.reference - 1) * 1e6,
            (now.output / before.output - 1) * 1e6,
        ),
        key=abs,
    )
    return least if least * most > 0 else 0.0


def reference_moved_ppm(
    before: AgainstSource, now: AgainstSource, *, source_stability_ppm: float
) -> float | None:
    """Return by how much the reference reads otherwise for one setting, in ppm.

    Parameters
    ----------
    before, now : AgainstSource
        The same range at two times; of any unit, since what goes in is none of its.
    source_stability_ppm : float
        How far the source may have moved by itself meanwhile.

    Returns
    -------
    float or None
        None where the source, or scatter, explains it, or the settings differ.

    Examples
    --------
    >>> before = AgainstSource(reference=1.0, output=1.0, scatter_ppm=10.0)
    >>> now = AgainstSource(reference=1.0005, output=0.9, scatter_ppm=10.0)
    >>> moved = reference_moved_ppm(before, now, source_stability_ppm=100.0)
    >>> moved is not None and round(moved)
    500
    """
    if now.setting != before.setting:
        return None
    moved_ppm = (now.reference / before.reference - 1) * 1e6
    if abs(moved_ppm) <= source_stability_ppm + _by_scatter_ppm(before, now):
        return None
    return moved_ppm


def reference_beside_ppm(
    checks: Sequence[AgainstSource], now: AgainstSource, *, source_stability_ppm: float
) -> float:
    """Return how far the reference reads beside what it read at the session's checks.

    What the source may do by itself hides as much of what the reference may do: nobody
    knows which of the two it was, so it is a bound of either.

    Parameters
    ----------
    checks : sequence of AgainstSource
        Of the same range, at the session's good checks. What lies between two of them
        is not beside them: drift between checks is reckoned with elsewhere.
    now : AgainstSource
        Of a unit.
    source_stability_ppm : float
        Within which the source holds in a session.

    Returns
    -------
    float
        Ppm, from the nearest of the checks, its sign with it; 0 where scatter explains
        it, or no check was made at this setting. 0 too where it is so much that it is
        noticed: such readings are in doubt, and how far off they are is to be seen.

    Examples
    --------
    >>> checks = [
    ...     AgainstSource(reference=one, output=1.0, scatter_ppm=3.0)
    ...     for one in (1.0, 1.00002)
    ... ]
    >>> for reads in (1.00001, 1.00005, 0.99996):
    ...     now = AgainstSource(reference=reads, output=1.0, scatter_ppm=4.0)
    ...     round(reference_beside_ppm(checks, now, source_stability_ppm=50.0))
    0
    30
    -40
    """
    moved = [
        ((now.reference / one.reference - 1) * 1e6, one)
        for one in checks
        if one.setting == now.setting
    ]
    if not moved or min(one for one, _ in moved) <= 0 <= max(one for one, _ in moved):
        return 0.0
    known = reference_moved_ppm(
        checks[0], now, source_stability_ppm=source_stability_ppm
    )
    if known is not None:
        return 0.0
    beside_ppm, nearest = min(moved, key=lambda one: abs(one[0]))
    return beside_ppm if abs(beside_ppm) > _by_scatter_ppm(nearest, now) else 0.0


def _by_scatter_ppm(check: AgainstSource, now: AgainstSource) -> float:
    """Return how far scatter alone moves the reference between a check and a unit.

    What a unit's readings scatter beyond the check's excuses nothing: a reference that
    steps among them scatters, and so would hide its own step.
    """
    return COVERAGE * hypot(check.scatter_ppm, min(now.scatter_ppm, check.scatter_ppm))
