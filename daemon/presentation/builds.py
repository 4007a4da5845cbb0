"""What the page of a build says: how far it is, what it yields, how it compares."""

from datetime import timedelta
from itertools import pairwise

from daemon.presentation.figures import (
    MINUS,
    NONE,
    PPM_PER_PERCENT,
    counted,
    decimals_for,
    yielded,
)
from storage import BuildState

MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86400.0
LONG_PAUSE = 4.0
"""A pause between two units so many times longer than usual is none of the pace."""


def state(build: BuildState, kept: int | None) -> str:
    """Return in a few words whether a build is held, or some of its units.

    Parameters
    ----------
    kept
        How many units holds keep that do not stand on the build; None: one does.
    """
    if build.state != "held" or kept is None:
        return build.state
    return f"{counted(kept, 'unit')} held" if kept else "open"


def headline(build: BuildState, kept: int | None = None) -> str:
    """Say how far a build is and whether it is held, as `state` does."""
    said = state(build, kept)
    held = "" if said == "open" else f", {said}"
    if build.planned_units is None:
        return f"Build {build.build}: {counted(build.units, 'unit')} measured{held}."
    return (
        f"Build {build.build}: {build.units} of {counted(build.planned_units, 'unit')} "
        f"measured{held}."
    )


def duration(seconds: float) -> str:
    """Return a length of time as a person says it.

    >>> duration(42.4), duration(100.0), duration(5400.0), duration(200_000.0)
    ('42 s', '2 min', '1 h 30 min', '2 d 8 h')
    """
    if seconds < MINUTE_S:
        return f"{seconds:.0f} s"
    if seconds < HOUR_S:
        return f"{seconds / MINUTE_S:.0f} min"
    if seconds < DAY_S:
        hours, rest = divmod(round(seconds / MINUTE_S), 60)
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    days, rest = divmod(round(seconds / HOUR_S), 24)
    return f"{days} d {rest} h" if rest else f"{days} d"


def pace_s(starts_s: list[float]) -> float | None:
    """Return how long a unit takes: the median from start to start, long pauses apart.

    Parameters
    ----------
    starts_s
        When each unit's run began, oldest first, s.

    Examples
    --------
    >>> pace_s([0.0, 60.0, 120.0, 9000.0, 9060.0])
    60.0
    >>> pace_s([0.0]) is None
    True
    """
    steps = sorted(b - a for a, b in pairwise(starts_s) if b > a)
    if not steps:
        return None
    usual = steps[len(steps) // 2]
    kept = [one for one in steps if one <= LONG_PAUSE * usual]
    return kept[len(kept) // 2]


def pace(seconds: float | None, left: int | None) -> str:
    """Say how fast units go, and how long the rest takes.

    >>> pace(90.0, 12)
    'A unit takes 2 min; 12 are left: about 18 min.'
    >>> pace(None, 12)
    'The pace is known after the second unit.'
    """
    if seconds is None:
        return "The pace is known after the second unit."
    text = f"A unit takes {duration(seconds)}"
    if left is None:
        return f"{text}; how many are left nobody said."
    if left <= 0:
        return f"{text}; none is left."
    return f"{text}; {left} are left: about {duration(left * seconds)}."


def last_seen(age: timedelta) -> str:
    """Say how long ago the last unit was measured.

    >>> last_seen(timedelta(minutes=5))
    'The last unit was measured 5 min ago.'
    """
    return f"The last unit was measured {duration(age.total_seconds())} ago."


def yields(first: float | None, final: float | None) -> list[tuple[str, str]]:
    """Return first-pass and final yield, named."""
    return [
        ("first-pass yield", yielded(first)),
        ("final yield", yielded(final)),
    ]


def shifted(shift_ppm: float, low_ppm: float, high_ppm: float) -> tuple[str, str]:
    """Return a shift and its interval in percent, to the digits that it allows.

    >>> shifted(3000.0, 2800.0, 3200.0)
    ('+0.300 %', '+0.280 to +0.320 %')
    >>> shifted(-3.0, -130.0, 130.0)
    ('0.000 %', '−0.013 to +0.013 %')
    """  # noqa: RUF002 -- the doctest shows a minus sign
    half = (high_ppm - low_ppm) / 2 / PPM_PER_PERCENT
    places = decimals_for(half)

    def said(value_ppm: float) -> str:
        text = f"{abs(value_ppm) / PPM_PER_PERCENT:.{places}f}"
        if not float(text):
            return text
        return f"{'+' if value_ppm >= 0 else MINUS}{text}"

    return f"{said(shift_ppm)} %", f"{said(low_ppm)} to {said(high_ppm)} %"


def moved(usual: float | None) -> str:
    """Return the word for a build that reads otherwise than those before it.

    Parameters
    ----------
    usual
        How far builds ordinarily lie off; None of one earlier build.

    Examples
    --------
    >>> moved(None), moved(120.0)
    ('differs from the one before', 'shifted')
    """
    return "differs from the one before" if usual is None else "shifted"


def widened(ratio: float, low: float, high: float) -> tuple[str, str]:
    """Return a ratio of spreads and its interval.

    >>> widened(1.234, 0.9, 1.8)
    ('1.2 times', '0.9 to 1.8')
    """
    if not ratio > 0.0:
        return NONE, NONE
    return f"{ratio:.1f} times", f"{low:.1f} to {high:.1f}"


NO_EARLIER = "There is no earlier build to compare with."
TOO_FEW = "Too few units are measured to compare: two of each build are needed."
COMPARED = (
    "Shift: the mean of this build less that of the {builds} before it. Spread: its "
    "standard deviation over theirs. The intervals are of 95 %. It says shifted where "
    "the build lies farther off than builds ordinarily do; of one earlier build that "
    "is not known yet."
)
SHARES = (
    "A lane is a range, a dot a unit, the first on top, a triangle one that moved; "
    "brackets are its error limit. "
    "The nearer to a bracket, the less room is left."
)
