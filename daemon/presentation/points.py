"""A point of a range that was judged, in words: where, how far off, what is allowed."""

from daemon.presentation.figures import COVERAGE, NONE, decimals_for, signed
from storage import NOT_READ, JudgedPoint

__all__ = ["allowed", "decided_at", "judged_at", "level", "why_undecided"]


def judged_at(point: JudgedPoint) -> str:
    """Return where a point lies.

    >>> judged_at(JudgedPoint(
    ...     of_full_scale=0.5, error_ppm=1.0, uncertainty_ppm=1.0, verdict="conforming"
    ... ))
    '50 % of full scale'
    """
    return level(point.of_full_scale)


def level(of_full_scale: float) -> str:
    """Return where a level lies, as a share of full scale.

    >>> level(0.0), level(0.9)
    ('zero', '90 % of full scale')
    """
    if of_full_scale == 0:
        return "zero"
    return f"{100 * of_full_scale:.3g} % of full scale".replace("-", "\N{MINUS SIGN}")


def allowed(point: JudgedPoint) -> str:
    """Return the limits of a point, ppm of full scale.

    >>> allowed(JudgedPoint(
    ...     of_full_scale=0.5, error_ppm=1.0, uncertainty_ppm=1.0, low_ppm=-450.0,
    ...     high_ppm=450.0, verdict="conforming",
    ... ))
    '±450'
    """
    low, high = point.low_ppm, point.high_ppm
    if low is None and high is None:
        return NONE
    if low is None:
        return f"at most {signed(high or 0.0)}"
    if high is None:
        return f"at least {signed(low)}"
    if low == -high:
        return f"\N{PLUS-MINUS SIGN}{high:.0f}"
    return f"{signed(low)} to {signed(high)}"


def decided_at(point: JudgedPoint | None) -> str:
    """Return by which point a range was judged; empty where none is kept."""
    if point is None:
        return ""
    if point.verdict == NOT_READ:
        return f"It was not read at {judged_at(point)}."
    if point.verdict == "not judged":
        return (
            f"This bench cannot judge it at {judged_at(point)}: "
            f"{allowed(point)} ppm of full scale is allowed, "
            f"U = {COVERAGE * point.uncertainty_ppm:.0f} ppm."
        )
    return (
        f"Its worst point is {judged_at(point)}: "
        f"{signed(point.error_ppm, decimals_for(point.uncertainty_ppm))} ppm of full "
        f"scale, allowed {allowed(point)}."
    )


def why_undecided(point: JudgedPoint) -> str:
    """Say why a point is neither conforming nor nonconforming, and what would help."""
    expanded_ppm = COVERAGE * point.uncertainty_ppm
    return (
        f"at {judged_at(point)} the error, "
        f"{signed(point.error_ppm, decimals_for(point.uncertainty_ppm))} ppm of full "
        f"scale, lies so near the limit, {allowed(point)} ppm, that the uncertainty, "
        f"{expanded_ppm:.0f} ppm, leaves open on which side the true error is. More "
        "readings or better meters narrow it; a named person may let the unit go"
    )
