"""A build against those before it: how far it lies off, how much wider it scatters.

References
----------
B. L. Welch, Biometrika 34 (1947) 28-35 (means of unequal variances); NIST/SEMATECH
e-Handbook of Statistical Methods, section 1.3.5.9 (F test of two variances).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtri, stdtrit

from daemon.spc.checks import finite_array, share, within_reach
from daemon.spc.errors import NoSpreadError, TooFewError

FEWEST = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One build against earlier ones, in the unit of the values.

    `shift` is its mean less that of the earlier builds' means, with its interval.
    `ratio` is its standard deviation over that inside the earlier builds, likewise.
    `usual` is how far one more build ordinarily lies off the mean of the earlier ones:
    half the prediction interval from their means; None where there is one.
    """

    shift: float
    shift_low: float
    shift_high: float
    ratio: float
    ratio_low: float
    ratio_high: float
    usual: float | None
    builds: int

    @property
    def moved(self) -> bool:
        """Whether it lies farther off than builds do, or of one, than units explain."""
        if self.usual is not None:
            return abs(self.shift) > self.usual
        return self.shift_low > 0.0 or self.shift_high < 0.0

    @property
    def wider(self) -> bool:
        """Whether the interval of the ratio leaves out one."""
        return self.ratio_low > 1.0 or self.ratio_high < 1.0


@within_reach
def against_earlier(
    build: ArrayLike, earlier: Sequence[ArrayLike], *, confidence: float = 0.95
) -> Compared:
    """Return how a build differs from earlier ones, with intervals.

    With one earlier build the interval of the shift is Welch's of two samples. With
    several the means of the earlier builds are the other sample, and a shift counts as
    one where it is larger than what one more build ordinarily lies off.

    Parameters
    ----------
    build : array_like, shape (n,)
        Its units, at least two.
    earlier : sequence of array_like, shapes (n_1,), (n_2,), ...
        Those of each earlier build, one at least; one of them with two units.
    confidence : float
        Of both intervals.

    Raises
    ------
    SpcError
        For too few units, values that are not finite, or none that differ.

    Examples
    --------
    >>> found = against_earlier([5.0, 6.0, 7.0], [[1.0, 2.0, 3.0]])
    >>> round(found.shift, 3), found.moved, round(found.ratio, 3)
    (4.0, True, 1.0)
    """
    share("confidence", confidence)
    mine = finite_array("build", build)
    others = [finite_array("earlier", one) for one in earlier]
    others = [one for one in others if len(one)]
    inside = [one for one in others if len(one) >= FEWEST]
    if len(mine) < FEWEST or not inside:
        raise TooFewError(
            argument="units",
            value=f"{len(mine)}, earlier builds of two or more: {len(inside)}",
            allowed="two units and one earlier build of two at least",
        )
    n = len(mine)
    variance = float(np.var(mine, ddof=1))
    freedom = sum(len(one) - 1 for one in inside)
    pooled = sum(float(np.sum((one - one.mean()) ** 2)) for one in inside) / freedom
    if variance <= 0.0 or pooled <= 0.0:
        raise NoSpreadError(
            argument="units", value="all the same", allowed="some that differ"
        )
    means = np.array([float(one.mean()) for one in others])
    several = len(means) >= FEWEST
    if several:
        other, other_freedom = float(np.var(means, ddof=1)) / len(means), len(means) - 1
    else:
        other, other_freedom = pooled / len(others[0]), freedom
    own = variance / n
    mine_of, others_of = own / (own + other), other / (own + other)
    welch = 1.0 / (mine_of**2 / (n - 1) + others_of**2 / other_freedom)
    reach = float(stdtrit(welch, (1.0 + confidence) / 2.0)) * sqrt(own + other)
    shift = float(mine.mean()) - float(means.mean())
    usual = None
    if several:
        between = float(stdtrit(len(means) - 1, (1.0 + confidence) / 2.0))
        usual = between * sqrt(float(np.var(means, ddof=1)) * (1.0 + 1.0 / len(means)))
    tail = (1.0 - confidence) / 2.0
    ratio = variance / pooled
    low, high = (
        ratio / float(fdtri(n - 1, freedom, one)) for one in (1.0 - tail, tail)
    )
    return Compared(
        shift=shift,
        shift_low=shift - reach,
        shift_high=shift + reach,
        ratio=sqrt(ratio),
        ratio_low=sqrt(low),
        ratio_high=sqrt(high),
        usual=usual,
        builds=len(others),
    )
