"""A line through a simulated life: what it says after each check and unit."""

from collections.abc import Iterator
from dataclasses import dataclass

from daemon.spc.detector import state as st
from daemon.spc.detector.line import PLACES, Line
from daemon.spc.detector.worlds import CheckRun, Life, Session, UnitRun

ASKED_BELOW = 1.0
"""A unit that takes the log-odds to less than this under the limit is seated again."""
ODD = 0.5
"""Probability of a poor contact above which a unit is seated again."""
EVERY_KIND = range(1, st.KINDS)
EVERY_PLACE = range(PLACES)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Point:
    """What a line says after an event.

    Attributes
    ----------
    number : int
        Of the event in its life, from 0.
    event : CheckRun or UnitRun
    log_odds : float
    before : State or None
        The line before a unit that was asked to be seated again; None for all else.
    """

    number: int
    event: CheckRun | UnitRun
    log_odds: float
    before: st.State | None = None

    @property
    def asked(self) -> bool:
        """Whether the unit was asked to be seated again."""
        return self.before is not None


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


def follow(
    life: Life,
    line: Line,
    *,
    limit: float,
    seated: bool,
    since: int = 0,
    until: int | None = None,
) -> Iterator[Point]:
    """Fold a life, one event after another.

    Parameters
    ----------
    life : Life
    line : Line
        As it is before the first of these events; it is what the life has made of it
        whenever a point is given.
    limit : float
        What stands over this limit when a build ends is released.
    seated : bool
        Whether units are seated again when the limit asks for it.
    since, until : int
        Number of the first event, and of the one before which to stop.

    Yields
    ------
    Point
        After each check, before the bench is taken as known, and after each unit.
    """
    build, day, rested = life.events[since].build, -1, False
    for number, event in enumerate(life.events[since:until], start=since):
        if event.build != build:
            build = event.build
            if line.log_odds > limit:
                line.excuse(EVERY_KIND, EVERY_PLACE)
        if isinstance(event, Session):
            line.session(walk_ppm=life.walk_ppm)
            rested, day = event.day != day, event.day
        elif isinstance(event, CheckRun):
            line.check(
                event.errors_ppm,
                life.variance_ppm2,
                allowed_ppm2=life.allowed_ppm2,
                first=event.first,
            )
            yield Point(number=number, event=event, log_odds=line.log_odds)
            line.settle()
        else:
            if rested and life.haze_ppm.any():
                line.haze(life.haze_ppm, 0.0)
            rested = False
            before = _unit(life, line, event, limit if seated else None)
            yield Point(
                number=number, event=event, log_odds=line.log_odds, before=before
            )


def _unit(
    life: Life, line: Line, event: UnitRun, limit: float | None
) -> st.State | None:
    def fold(*, again: bool) -> None:
        line.unit(
            event.again_ppm if again else event.errors_ppm,
            life.variance_ppm2,
            boundary=event.boundary,
            ambient_c=event.ambient_c,
            seated_again=again,
        )

    if limit is None or event.rerun:
        fold(again=event.rerun)
        return None
    odds, before = line.log_odds, line.saved()
    fold(again=False)
    if not asks_again(line, odds, limit):
        return None
    line.restore(before)
    fold(again=True)
    return before
