"""Run length of charts that judge each point by itself: Shewhart and T2."""

from math import sqrt

from scipy.special import chdtri, ndtr, ndtri
from scipy.stats import ncx2

from daemon.spc.checks import count, finite, not_negative, positive, within_reach
from daemon.spc.numerics import smallest
from daemon.spc.run_length.distribution import RunLength, above_one, geometric


def shewhart_run_length(
    *, width: float, shift: float = 0.0, size: int = 1
) -> RunLength:
    """Return the run length of a two-sided Shewhart chart of means.

    Parameters
    ----------
    width : float
        Distance of the limits from the centre, in standard deviations of the
        plotted statistic, > 0.
    shift : float
        Change of the process mean, in standard deviations of single values.
    size : int
        Values in one subgroup; 1 is the individuals chart.

    Raises
    ------
    SpcError
        For numbers that are not finite or outside their bounds.

    References
    ----------
    D. C. Montgomery, Introduction to Statistical Quality Control, operating
    characteristic of the mean chart; parameters taken as known.

    Examples
    --------
    >>> round(shewhart_run_length(width=3.0).mean, 4)
    370.3983
    >>> round(shewhart_run_length(width=3.0, shift=1.0, size=5).mean, 4)
    4.4953
    """
    positive("width", width)
    moved = finite("shift", shift) * sqrt(count("size", size, at_least=1))
    return geometric(float(ndtr(moved - width) + ndtr(-moved - width)))


def shewhart_width(*, arl: float) -> float:
    """Return the limit distance that gives a wanted in-control ARL.

    Parameters
    ----------
    arl : float
        Wanted average run length without a shift, in points, > 1 and <= 1e10.

    Returns
    -------
    float
        Distance of each limit from the centre, in standard deviations.

    Raises
    ------
    SpcError
        When `arl` is not finite or not above 1.

    Examples
    --------
    >>> round(shewhart_width(arl=370.3983), 6)
    3.0
    """
    return float(-ndtri(0.5 / above_one("arl", arl)))


def shewhart_size(*, width: float, shift: float, arl: float) -> int:
    """Return the smallest subgroup that finds a shift within a wanted ARL.

    Parameters
    ----------
    width : float
        Distance of the limits, in standard deviations of the subgroup mean, > 0.
    shift : float
        Shift to be found, in standard deviations of single values, not 0.
    arl : float
        Wanted average run length after the shift, in subgroups, > 1.

    Raises
    ------
    SpcError
        For numbers that are not finite or outside their bounds.

    Examples
    --------
    Half a standard deviation at the second subgroup on average:

    >>> shewhart_size(width=3.0, shift=0.5, arl=2.0)
    36
    """
    positive("abs(shift)", abs(finite("shift", shift)))
    above_one("arl", arl)

    def found(size: int) -> bool:
        chart = shewhart_run_length(width=width, shift=shift, size=size)
        return chart.mean <= arl

    return smallest(found, at_least=1)


@within_reach
def t2_run_length(*, ranges: int, limit: float, distance: float = 0.0) -> RunLength:
    """Return the run length of a Hotelling T2 chart with known parameters.

    Parameters
    ----------
    ranges : int
        Number of variables charted together.
    limit : float
        Upper limit of T2, > 0.
    distance : float
        Mahalanobis distance of the shifted mean from the target, >= 0: the
        root of ``d' C^-1 d`` for a shift d and the covariance C.

    Raises
    ------
    SpcError
        For numbers that are not finite or outside their bounds.

    Notes
    -----
    T2 then has the chi-square distribution, noncentral after a shift. Limits
    from an estimated covariance follow F or beta distributions instead.

    Examples
    --------
    >>> round(t2_run_length(ranges=2, limit=10.597).mean, 1)
    200.0
    """
    count("ranges", ranges, at_least=1)
    positive("limit", limit)
    squared = not_negative("distance", distance) ** 2
    return geometric(float(ncx2.sf(limit, ranges, squared)))


def t2_limit(*, ranges: int, arl: float) -> float:
    """Return the T2 limit that gives a wanted in-control ARL.

    Parameters
    ----------
    ranges : int
        Number of variables charted together.
    arl : float
        Wanted average run length without a shift, in points, > 1 and <= 1e10.

    Raises
    ------
    SpcError
        For numbers that are not finite or outside their bounds.

    Examples
    --------
    >>> round(t2_limit(ranges=2, arl=200.0), 3)
    10.597
    """
    count("ranges", ranges, at_least=1)
    return float(chdtri(ranges, 1.0 / above_one("arl", arl)))


@within_reach
def t2_size(*, ranges: int, limit: float, distance: float, arl: float) -> int:
    """Return the smallest subgroup by whose mean a shift is found within a wanted ARL.

    Parameters
    ----------
    ranges : int
        Number of variables charted together.
    limit : float
        Upper limit of T2, > 0.
    distance : float
        Mahalanobis distance of the shift to be found, by the covariance of single
        values, > 0.
    arl : float
        Wanted average run length after the shift, in subgroups, > 1.

    Raises
    ------
    SpcError
        For numbers that are not finite or outside their bounds.

    Examples
    --------
    >>> t2_size(ranges=1, limit=9.0, distance=0.5, arl=2.0)
    36
    """
    positive("distance", distance)
    above_one("arl", arl)

    def found(size: int) -> bool:
        chart = t2_run_length(
            ranges=ranges, limit=limit, distance=distance * sqrt(size)
        )
        return chart.mean <= arl

    return smallest(found, at_least=1)
