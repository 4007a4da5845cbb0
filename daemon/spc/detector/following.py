"""A line through a simulated life: what it says after each check and unit."""

from collections.abc import Iterator
from dataclasses import dataclass

from daemon.spc.detector.line import Line
from daemon.spc.detector.worlds import CheckRun, Life, Session, UnitRun

ASKED_BELOW = 1.0
"""A unit that takes the log-odds to less than this under the limit is seated again."""
ODD = 0.5
"""Probability of a poor contact above which a unit is seated again."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Point:
    """What a line says after an event.

    Attributes
    ----------
    event : CheckRun or UnitRun
    log_odds : float
    asked : bool
        Whether the unit was asked to be seated again.
    """

    event: CheckRun | UnitRun
    log_odds: float
    asked: bool = False


def asks_again(line: Line, before: float, limit: float) -> bool:
    """Say whether the unit just folded should be seated again before it counts.

    Parameters
    ----------
    line : Line
        After the unit.
    before : float
        Log-odds before it.
    limit : float
        Log-odds limit.

    Returns
    -------
    bool
        True where the unit itself took the log-odds near or over the limit, or is
        more likely odd than not on a range.
    """
    level = limit - ASKED_BELOW
    return (before <= level < line.log_odds) or float(line.odd().max()) > ODD


def follow(life: Life, line: Line, *, limit: float | None) -> Iterator[Point]:
    """Fold a life, one event after another.

    Parameters
    ----------
    life : Life
    line : Line
        A new one; it is what the life has made of it whenever a point is given.
    limit : float or None
        Units are seated again as this limit asks; None where nobody can.

    Yields
    ------
    Point
        After each check, before the bench is taken as known, and after each unit.
    """
    for event in life.events:
        if isinstance(event, Session):
            line.session(walk_ppm=life.walk_ppm, haze_ppm=life.haze_ppm)
        elif isinstance(event, CheckRun):
            line.check(
                event.errors_ppm,
                life.variance_ppm2,
                allowed_ppm2=life.allowed_ppm2,
                first=event.first,
            )
            yield Point(event=event, log_odds=line.log_odds)
            line.settle()
        else:
            asked = _unit(life, line, event, limit)
            yield Point(event=event, log_odds=line.log_odds, asked=asked)


def _unit(life: Life, line: Line, event: UnitRun, limit: float | None) -> bool:
    def fold(*, again: bool) -> None:
        line.unit(
            event.again_ppm if again else event.errors_ppm,
            life.variance_ppm2,
            boundary=event.boundary,
            ambient_c=event.ambient_c,
            seated_again=again,
        )

    if limit is None:
        fold(again=False)
        return False
    if event.rerun:
        fold(again=True)
        return False
    before, kept = line.log_odds, line.saved()
    fold(again=False)
    if not asks_again(line, before, limit):
        return False
    line.restore(kept)
    fold(again=True)
    return True
