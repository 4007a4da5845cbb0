"""Many tests at once: which findings stand, and how often chance alone speaks.

References
----------
Y. Benjamini and Y. Hochberg, Journal of the Royal Statistical Society B 57 (1995)
289-300; the adjustments are statsmodels'.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import expm1, log1p

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri
from statsmodels.stats.multitest import multipletests

from daemon.spc.checks import Floats, count, finite_array, share
from daemon.spc.errors import OutOfRangeError


class Adjustment(StrEnum):
    """What is held at the chosen level, and under which dependence.

    The first two hold the false discovery rate: the expected share of false ones
    among all that are called findings. The others hold the familywise rate: the
    probability of even one false finding.
    """

    BENJAMINI_HOCHBERG = "Benjamini-Hochberg"
    """False discovery rate; tests independent or positively dependent."""
    BENJAMINI_YEKUTIELI = "Benjamini-Yekutieli"
    """False discovery rate under any dependence."""
    BONFERRONI = "Bonferroni"
    """Familywise under any dependence, one step."""
    HOLM = "Holm"
    """Familywise under any dependence, step down; never weaker than one step."""
    HOCHBERG = "Hochberg"
    """Familywise, step up; tests independent or positively dependent."""
    HOMMEL = "Hommel"
    """Familywise, as step up but never weaker."""


_STATSMODELS_NAME = {
    Adjustment.BENJAMINI_HOCHBERG: "fdr_bh",
    Adjustment.BENJAMINI_YEKUTIELI: "fdr_by",
    Adjustment.BONFERRONI: "bonferroni",
    Adjustment.HOLM: "holm",
    Adjustment.HOCHBERG: "simes-hochberg",
    Adjustment.HOMMEL: "hommel",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Discoveries:
    """Which of many tests are findings.

    `adjusted` has the level at which each test would just be a finding, `found`
    whether it is one at the chosen level; both in the order given, shape (m,).
    """

    adjustment: Adjustment
    level: float
    adjusted: Floats
    found: NDArray[np.bool_]


def discoveries(
    p: ArrayLike,
    *,
    level: float = 0.05,
    adjustment: Adjustment = Adjustment.BENJAMINI_HOCHBERG,
) -> Discoveries:
    """Return which of many tests are findings.

    Parameters
    ----------
    p : array_like, shape (m,)
        p-values, at least one, in any order.
    level : float
        The rate to be held, above 0 and below 1.
    adjustment : Adjustment
        Which rate, and how.

    Raises
    ------
    SpcError
        For no p-value, one outside 0 to 1, or a level outside its bounds.

    Examples
    --------
    >>> result = discoveries([0.001, 0.008, 0.039, 0.041, 0.6])
    >>> result.found.tolist()
    [True, True, False, False, False]
    >>> [round(each, 5) for each in result.adjusted.tolist()]
    [0.005, 0.02, 0.05125, 0.05125, 0.6]
    """
    values = finite_array("p", p, at_least=1)
    outside = np.flatnonzero((values < 0.0) | (values > 1.0))
    if len(outside):
        raise OutOfRangeError(
            argument=f"p[{outside[0]}]",
            value=float(values[outside[0]]),
            allowed=">= 0 and <= 1",
        )
    found, adjusted, *_ = multipletests(
        values, alpha=share("level", level), method=_STATSMODELS_NAME[adjustment]
    )
    return Discoveries(
        adjustment=adjustment, level=level, adjusted=adjusted, found=found
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class FalseAlarms:
    """What many charts that are all in control say in one round.

    `any_alarm` is the probability of at least one alarm (independent charts),
    `expected` the mean number of alarms.
    """

    any_alarm: float
    expected: float


def false_alarms(*, rate: float, charts: int) -> FalseAlarms:
    """Return how often many in-control charts alarm in one round.

    Parameters
    ----------
    rate : float
        False-alarm probability of one chart at one point, above 0 and below 1.
    charts : int
        Number of charts, at least 1.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    Examples
    --------
    >>> round(false_alarms(rate=0.0027, charts=100).any_alarm, 4)
    0.2369
    """
    share("rate", rate)
    count("charts", charts, at_least=1)
    return FalseAlarms(any_alarm=-expm1(charts * log1p(-rate)), expected=charts * rate)


def rate_per_chart(*, any_alarm: float, charts: int) -> float:
    """Return the rate of one chart that holds the probability of any alarm.

    Parameters
    ----------
    any_alarm : float
        Wanted probability of at least one false alarm among all charts at one
        point, above 0 and below 1.
    charts : int
        Number of independent charts, at least 1.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    References
    ----------
    Z. Sidak, Journal of the American Statistical Association 62 (1967) 626-633.

    Examples
    --------
    >>> rate = rate_per_chart(any_alarm=0.0027, charts=100)
    >>> round(rate, 10), round(width_for_rate(rate), 4)
    (2.70362e-05, 4.1971)
    """
    share("any_alarm", any_alarm)
    count("charts", charts, at_least=1)
    return -expm1(log1p(-any_alarm) / charts)


def width_for_rate(rate: float) -> float:
    """Return the two-sided limit with this false-alarm rate.

    Parameters
    ----------
    rate : float
        False-alarm probability at one point, above 0 and below 1.

    Returns
    -------
    float
        Distance of each limit from the centre, in standard deviations.

    Raises
    ------
    SpcError
        For a rate outside its bounds.

    Examples
    --------
    >>> round(width_for_rate(0.0026998), 4)
    3.0
    """
    return float(-ndtri(0.5 * share("rate", rate)))
