"""Scatter across builds and inside builds: one-way components of variance."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
import scipy
from numpy.typing import ArrayLike

from daemon.spc.anova import OneWay, one_way
from daemon.spc.checks import share, within_reach
from daemon.spc.errors import NoSpreadError
from daemon.spc.variance.intervals import (
    Interval,
    MeanSquare,
    sum_interval,
    variance_interval,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class OneWayComponents:
    """Variances across and inside groups, in the squared unit of the values.

    `untruncated` is the estimate across groups before a negative one is reported as
    0; `across_interval` is not cut either. `correlation` is the share of the total
    that lies across groups (intraclass correlation), and its interval.
    """

    table: OneWay
    inside: float
    across: float
    untruncated: float
    correlation: float
    inside_interval: Interval
    across_interval: Interval
    correlation_interval: Interval

    @property
    def s_inside(self) -> float:
        """Standard deviation inside groups."""
        return sqrt(self.inside)

    @property
    def s_across(self) -> float:
        """Standard deviation across groups."""
        return sqrt(self.across)


@within_reach
def one_way_components(
    groups: Sequence[ArrayLike], *, confidence: float = 0.95
) -> OneWayComponents:
    """Return the components of variance of groups of any sizes.

    Parameters
    ----------
    groups : sequence of array_like, shapes (n_1,), (n_2,), ...
        At least two groups with one value or more, and one group with two.
    confidence : float
        Of each interval, above 0 and below 1.

    Raises
    ------
    SpcError
        For too few groups or values, values that are not finite, or none that
        differ inside a group.

    Notes
    -----
    Estimates are those of the analysis of variance. The interval inside groups is
    exact; that of the correlation is exact, and that across groups modified large
    sample, for equal sizes. For unequal ones both rest on the scatter of the plain
    group means and the harmonic mean size, which is close.

    References
    ----------
    S. R. Searle, G. Casella and C. E. McCulloch, Variance Components (1992),
    chapter 3; J. D. Thomas and R. A. Hultquist, Annals of Statistics 6 (1978)
    582-587.

    Examples
    --------
    >>> errors_ppm = [[120, -90, 40], [310, 180, 260], [-60, -210, -30]]  # three builds
    >>> found = one_way_components(errors_ppm)
    >>> round(found.s_across, 1), round(found.s_inside, 1)
    (169.6, 91.0)
    """
    table = one_way(groups)
    outside = 0.5 * (1.0 - share("confidence", confidence))
    if table.ss_within == 0.0:
        raise NoSpreadError(
            argument="spread inside groups", value=0.0, allowed="> 0 in some group"
        )
    sizes = np.array(table.sizes, dtype=np.float64)
    total = float(sizes.sum())
    size = (total - float(sizes @ sizes) / total) / table.df_between
    untruncated = (table.ms_between - table.ms_within) / size
    across = max(0.0, untruncated)
    harmonic = len(sizes) / float(np.sum(1.0 / sizes))
    of_means = harmonic * float(np.var(np.array(table.means) - table.mean, ddof=1))
    between = MeanSquare(
        value=of_means, degrees=table.df_between, weight=1.0 / harmonic
    )
    within = MeanSquare(
        value=table.ms_within, degrees=table.df_within, weight=-1.0 / harmonic
    )
    ratio = of_means / table.ms_within
    ends = [
        ratio / float(scipy.special.fdtri(table.df_between, table.df_within, q))
        for q in (1.0 - outside, outside)
    ]
    lower, upper = ((end - 1.0) / (end - 1.0 + harmonic) for end in ends)
    return OneWayComponents(
        table=table,
        inside=table.ms_within,
        across=across,
        untruncated=untruncated,
        correlation=across / (across + table.ms_within),
        inside_interval=variance_interval(within, confidence=confidence),
        across_interval=sum_interval([between, within], confidence=confidence),
        correlation_interval=Interval(lower=lower, upper=upper, confidence=confidence),
    )
