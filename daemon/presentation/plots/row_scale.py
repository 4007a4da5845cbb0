"""How far a row of the map reaches: set by the scatter of its units, not by its limit.

An error limit many times wider than the scatter would press the units into a line, on
which no drift is seen. So the units fill their row; a limit that lies outside of it is
said in words, with how far.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, log10
from typing import Self

import numpy as np
import pandas as pd

MAD_TO_SIGMA = 1.4826
"""From median absolute deviation to standard deviation of a normal law: 1/0.6745
(common practice, no source)."""
FEWEST_SIGMA = 4.0
"""A row reaches at least so many standard deviations of its units inside builds."""
ORDINARY_SHARE = 0.98
"""Share of the units as they were that a row must show with room to spare."""
ROOM = 1.2
NEAR = 1.7
"""A limit not farther than so many times the scatter's reach is taken in."""
FARTHEST = 2.5
"""What lies farther off than so many times the reach stands at the row's edge."""
OFF_CENTRE = 0.6
"""A level farther from zero than so much of the reach becomes the row's middle."""
WITHOUT_SCATTER = 0.2
"""Share of the limit that a row reaches whose units do not scatter."""
GRID_SHARE = 0.75
"""A grid line stands at most so far out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RowScale:
    """Scale of one range's row, in % of reading.

    Attributes
    ----------
    centre
        The middle of the row: zero, or the units' level where that is far from zero.
    reach
        From the middle to where ordinary units end, with room.
    grid
        Distance of the two grid lines from the middle.
    """

    centre: float
    reach: float
    grid: float

    @classmethod
    def of(
        cls,
        errors: Sequence[float] | pd.Series,
        builds: Sequence[str] | pd.Series,
        *,
        limit: float,
    ) -> Self:
        """Return the scale that shows these units' scatter.

        Parameters
        ----------
        errors
            Of the units as they were, % of reading; at least one.
        builds
            The build of each: scatter is taken inside builds, so that a build that
            lies apart does not widen it.
        limit
            Error limit, % of reading.
        """
        values = np.asarray(errors, dtype=float)
        level = float(np.median(values))
        series = pd.Series(values)
        owners = pd.Series(np.asarray(builds))
        inside = series - series.groupby(owners).transform("median")
        sigma = MAD_TO_SIGMA * float(inside.abs().median())

        def reach_from(centre: float) -> float:
            ordinary = float(np.quantile(np.abs(values - centre), ORDINARY_SHARE))
            return max(ROOM * ordinary, FEWEST_SIGMA * sigma)

        centre, reach = 0.0, reach_from(0.0)
        around = reach_from(level)
        if abs(level) > OFF_CENTRE * around > 0.0:
            grid = _round_down(GRID_SHARE * around)
            centre = round(level / grid) * grid
            reach = reach_from(centre)
        reach = reach or WITHOUT_SCATTER * limit
        if centre == 0.0 and limit <= NEAR * reach:
            reach = max(reach, limit)
        return cls(centre=centre, reach=reach, grid=_round_down(GRID_SHARE * reach))

    def is_far(self, errors: pd.Series) -> pd.Series:
        """Return which units lie too far off to be drawn in proportion."""
        return (errors - self.centre).abs() > FARTHEST * self.reach


def _round_down(value: float) -> float:
    """Return the next smaller 1, 2 or 5 times a power of ten."""
    power = 10.0 ** floor(log10(value))
    step = value / power
    return power * (5.0 if step >= 5.0 else 2.0 if step >= 2.0 else 1.0)  # noqa: PLR2004
