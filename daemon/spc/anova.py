"""One-way analysis of variance."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, sqrt

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc

from daemon.spc.checks import Floats, finite_array
from daemon.spc.errors import NoSpreadError, TooFewError


@dataclass(frozen=True, slots=True, kw_only=True)
class OneWay:
    """Scatter between and within groups.

    `sizes` and `means` have one element a group. Sums of squares are in the squared
    unit of the values.
    """

    sizes: tuple[int, ...]
    means: tuple[float, ...]
    mean: float
    df_between: int
    df_within: int
    ss_between: float
    ss_within: float

    @property
    def ms_between(self) -> float:
        """Mean square between groups."""
        return self.ss_between / self.df_between

    @property
    def ms_within(self) -> float:
        """Mean square within groups."""
        return self.ss_within / self.df_within

    @property
    def f(self) -> float:
        """Ratio of the mean squares; infinite without scatter within groups."""
        return self.ms_between / self.ms_within if self.ss_within > 0.0 else inf

    @property
    def p(self) -> float:
        """Probability of so large a ratio when all groups have the same mean."""
        return float(fdtrc(self.df_between, self.df_within, self.f))

    @property
    def r_squared(self) -> float:
        """Share of the scatter that lies between groups."""
        return self.ss_between / (self.ss_between + self.ss_within)

    @property
    def s_within(self) -> float:
        """Pooled standard deviation within groups, in the unit of the values."""
        return sqrt(self.ms_within)


def one_way(groups: Sequence[ArrayLike]) -> OneWay:
    """Return the one-way analysis of variance of groups of any sizes.

    Parameters
    ----------
    groups : sequence of array_like, shapes (n_1,), (n_2,), ...
        At least two groups with one value or more, and one group with two.

    Raises
    ------
    SpcError
        For too few groups or values, values that are not finite or all the same.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 7.4.3.

    Examples
    --------
    >>> levels = [6.9, 5.4, 5.8, 4.6, 4.0], [8.3, 6.8, 7.8, 9.2, 6.5]
    >>> table = one_way([*levels, [8.0, 10.5, 8.1, 6.9, 9.3]])
    >>> table.df_between, table.df_within, round(table.f, 2)
    (2, 12, 9.59)
    """
    values = [
        finite_array(f"groups[{i}]", group, at_least=1)
        for i, group in enumerate(groups)
    ]
    if len(values) < 2:
        raise TooFewError(argument="len(groups)", value=len(values), allowed=">= 2")
    sizes = np.array([len(group) for group in values])
    if sizes.sum() == len(values):
        raise TooFewError(
            argument="values in the largest group", value=1, allowed=">= 2"
        )
    origin = float(values[0][0])
    shifted = [group - origin for group in values]
    centres = np.array([group.mean() for group in shifted])
    within = sum(map(_squares, shifted, centres.tolist()))
    grand = float(sizes @ centres) / int(sizes.sum())
    between = float(sizes @ (centres - grand) ** 2)
    if within == 0.0 and between == 0.0:
        raise NoSpreadError(argument="spread of groups", value=0.0, allowed="> 0")
    return OneWay(
        sizes=tuple(int(n) for n in sizes),
        means=tuple(origin + float(centre) for centre in centres),
        mean=origin + grand,
        df_between=len(values) - 1,
        df_within=int(sizes.sum()) - len(values),
        ss_between=between,
        ss_within=within,
    )


def _squares(group: Floats, centre: float) -> float:
    if np.ptp(group) == 0.0:
        return 0.0  # not what rounding makes of it
    difference = group - centre
    rest = float(difference.sum())
    return float(difference @ difference) - rest * rest / len(group)
