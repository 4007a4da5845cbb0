"""Limits of Hotelling's T2.

References
----------
N. D. Tracy, J. C. Young and R. L. Mason, Journal of Quality Technology 24 (1992)
88-95; J. H. Sullivan and W. H. Woodall, Journal of Quality Technology 28 (1996)
398-408; NIST/SEMATECH e-Handbook of Statistical Methods, section 6.5.4.3.
"""

from math import isinf

from scipy.special import betainccinv, chdtri, fdtri

from daemon.spc.charts.vectors import CovarianceMethod, VectorLimits
from daemon.spc.checks import count, share
from daemon.spc.errors import TooFewError

ALPHA = 0.0027
"""False alarms per unit, as many as beyond three sigma."""


def baseline_limit(limits: VectorLimits, *, alpha: float = ALPHA) -> float:
    """Return the T2 limit for the units that the limits themselves rest on (phase 1).

    For a covariance from deviations from the mean an exact beta quantile. For one
    from successive differences that of chi-square, whose false alarms are within
    about a seventh of those wanted, or fewer, once there are enough units.

    Parameters
    ----------
    limits : VectorLimits
        From a baseline.
    alpha : float
        False alarms per unit, between 0 and 1.

    Raises
    ------
    SpcError
        For an `alpha` outside its bounds, given limits, or too few units: for p
        ranges p + 2, or with successive differences p squared + 3 p + 1.

    References
    ----------
    Tracy, Young and Mason (1992); J. D. Williams, W. H. Woodall, J. B. Birch and
    J. H. Sullivan, Journal of Quality Technology 38 (2006) 217-229.

    Examples
    --------
    >>> import numpy as np
    >>> from daemon.spc.charts.vectors import vector_limits
    >>> units = np.random.default_rng(1).normal(size=(50, 3))
    >>> limits = vector_limits(units, names=["10 uA", "100 uA", "1 mA"])
    >>> round(baseline_limit(limits, alpha=0.0027), 2)
    12.61
    """
    share("alpha", alpha)
    ranges, used, freedom = _sizes(limits)
    differences = limits.provenance.method is CovarianceMethod.SUCCESSIVE_DIFFERENCES
    least = ranges**2 + 3 * ranges + 1 if differences else ranges + 2
    if used < least:
        raise TooFewError(
            argument="units of the baseline",
            value=used,
            allowed=f">= {least} for {ranges} ranges and this covariance",
        )
    if differences:
        return float(chdtri(ranges, alpha))
    scale = (used - 1.0) ** 2 / used
    return scale * float(betainccinv(ranges / 2.0, (freedom - ranges) / 2.0, alpha))


def new_unit_limit(limits: VectorLimits, *, alpha: float = ALPHA) -> float:
    """Return the T2 limit for units that the limits do not rest on (phase 2).

    An F quantile, by the covariance's degrees of freedom, or that of chi-square where
    centre and covariance are given.

    Parameters
    ----------
    limits : VectorLimits
        Given, or from a baseline.
    alpha : float
        False alarms per unit, between 0 and 1.

    Raises
    ------
    SpcError
        For an `alpha` outside its bounds, or fewer units than ranges and one more.

    Examples
    --------
    >>> import numpy as np
    >>> from daemon.spc.charts.vectors import vector_limits
    >>> units = np.random.default_rng(1).normal(size=(50, 3))
    >>> limits = vector_limits(units, names=["10 uA", "100 uA", "1 mA"])
    >>> round(new_unit_limit(limits, alpha=0.0027), 2)
    17.36
    """
    share("alpha", alpha)
    ranges, used, freedom = _sizes(limits)
    if isinf(freedom):
        return float(chdtri(ranges, alpha))
    rest = freedom - ranges + 1.0
    if rest <= 0.0:
        raise TooFewError(
            argument="degrees of freedom of the covariance",
            value=freedom,
            allowed=f">= {ranges}: of a baseline of more units",
        )
    scale = ranges * freedom * (used + 1.0) / (used * rest)
    return scale * _upper_f(ranges, rest, alpha)


def subgroup_limit(
    *, ranges: int, subgroups: int, size: int, alpha: float = ALPHA, new: bool
) -> float:
    """Return the T2 limit for means of subgroups, with the covariance inside them.

    Parameters
    ----------
    ranges, subgroups, size : int
        Ranges charted together, subgroups of the baseline, and units in each.
    alpha : float
        False alarms per subgroup, between 0 and 1.
    new : bool
        For further subgroups, or for those of the baseline itself.

    Raises
    ------
    SpcError
        For an `alpha` outside its bounds, or too few units.

    Examples
    --------
    >>> round(subgroup_limit(ranges=2, subgroups=25, size=5, alpha=0.005, new=True), 2)
    11.75
    """
    count("ranges", ranges, at_least=1)
    count("subgroups", subgroups, at_least=2)
    count("size", size, at_least=2)
    rest = subgroups * (size - 1) - ranges + 1
    if rest < 1:
        raise TooFewError(
            argument="subgroups * (size - 1)",
            value=subgroups * (size - 1),
            allowed=f">= {ranges}",
        )
    others = subgroups + 1 if new else subgroups - 1
    scale = ranges * others * (size - 1.0) / rest
    return scale * _upper_f(ranges, rest, share("alpha", alpha))


def _sizes(limits: VectorLimits) -> tuple[int, int, float]:
    provenance = limits.provenance
    return len(limits.names), provenance.used, provenance.degrees_of_freedom


def _upper_f(ranges: int, rest: float, alpha: float) -> float:
    # From the tail that is small, where a quantile keeps its digits.
    return 1.0 / float(fdtri(rest, ranges, alpha))
