"""A point of a range that was judged, in words: where, how far off, what is allowed."""

from collections.abc import Iterable, Sequence

from daemon.presentation.figures import (
    COVERAGE,
    MINUS,
    NONE,
    PLUS_MINUS,
    ShareUnit,
)
from storage import NOT_READ, JudgedPoint, worst

__all__ = [
    "allowed",
    "decided_at",
    "judged_at",
    "level",
    "unit_of",
    "why_not_judged",
    "why_undecided",
]


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


def unit_of(points: Iterable[JudgedPoint]) -> ShareUnit:
    """Return what the numbers of points are said in: their widest limit decides."""
    limits = [end or 0.0 for one in points for end in (one.low_ppm, one.high_ppm)]
    return ShareUnit.of(limits)


def allowed(point: JudgedPoint, unit: ShareUnit | None = None) -> str:
    """Return the limits of a point, of full scale, without their unit.

    Parameters
    ----------
    unit
        What the numbers beside it are said in; left out, its own.

    Examples
    --------
    >>> allowed(JudgedPoint(
    ...     of_full_scale=0.5, error_ppm=1.0, uncertainty_ppm=1.0, low_ppm=-450.0,
    ...     high_ppm=450.0, verdict="conforming",
    ... ))
    '±0.045'
    """
    low, high = point.low_ppm, point.high_ppm
    unit = unit or unit_of((point,))
    if low is None and high is None:
        return NONE
    if low is None:
        return f"at most {_end(high or 0.0, unit)}"
    if high is None:
        return f"at least {_end(low, unit)}"
    if low == -high:
        return unit.comes_to(high)
    return f"{_end(low, unit)} to {_end(high, unit)}"


def _end(value_ppm: float, unit: ShareUnit) -> str:
    sign = "+" if value_ppm > 0 else MINUS if value_ppm < 0 else ""
    return f"{sign}{unit.comes_to(abs(value_ppm)).removeprefix(PLUS_MINUS)}"


def decided_at(point: JudgedPoint | None) -> str:
    """Return by which point a range was judged; empty where none is kept."""
    if point is None:
        return ""
    if point.verdict == NOT_READ:
        return f"It was not read at {judged_at(point)}."
    unit = unit_of((point,))
    if point.verdict == "not judged":
        return (
            f"This bench cannot judge it at {judged_at(point)}: {allowed(point)} "
            f"{unit.name} of full scale is allowed, the uncertainty is "
            f"{unit.half(COVERAGE * point.uncertainty_ppm)} {unit.name} (k = 2)."
        )
    return (
        f"Its worst point is {judged_at(point)}: {_error(point, unit)} of full "
        f"scale, allowed {allowed(point)} {unit.name}."
    )


def why_not_judged(
    ranges: Iterable[tuple[str, Sequence[JudgedPoint]]],
) -> dict[str, list[str]]:
    """Return why ranges are not judged, each reason with their titles.

    Parameters
    ----------
    ranges
        Each its title and its points.

    Examples
    --------
    >>> poor = JudgedPoint(
    ...     of_full_scale=0.9, error_ppm=1.0, uncertainty_ppm=9000.0, low_ppm=-5000.0,
    ...     high_ppm=5000.0, verdict="not judged",
    ... )
    >>> why_not_judged([("1 mA", (poor,))])
    {'the meters are too poor for the error limit. At 90 % of full scale \
±0.5 % of full scale is allowed, the uncertainty is 1.8 % (k = 2)': ['1 mA']}
    """
    found: dict[str, list[str]] = {}
    for title, judged in ranges:
        point = worst(tuple(judged))
        if point is None:
            why = "there is nothing to judge it by"
        elif point.verdict == NOT_READ:
            why = f"it was not read at {judged_at(point)}, where a limit is set"
        else:
            unit = unit_of((point,))
            why = (
                "the meters are too poor for the error limit. At "
                f"{judged_at(point)} {allowed(point)} {unit.name} of full scale is "
                "allowed, the uncertainty is "
                f"{unit.half(COVERAGE * point.uncertainty_ppm)} {unit.name} (k = 2)"
            )
        found.setdefault(why, []).append(title)
    return found


def why_undecided(point: JudgedPoint) -> str:
    """Say why a point is neither conforming nor nonconforming, and what would help."""
    unit = unit_of((point,))
    return (
        f"at {judged_at(point)} the error, {_error(point, unit)} of full "
        f"scale, lies so near the limit, {allowed(point)} {unit.name}, that the "
        f"uncertainty, {unit.half(COVERAGE * point.uncertainty_ppm)} {unit.name}, "
        "leaves open on which side the true error is. More "
        "readings or better meters narrow it; a named person may let the unit go"
    )


def _error(point: JudgedPoint, unit: ShareUnit) -> str:
    expanded_ppm = COVERAGE * point.uncertainty_ppm
    return f"{unit.signed(point.error_ppm, expanded_ppm)} {unit.name}"
