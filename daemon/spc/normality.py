"""Are these values normal? A test with its p-value, and the plot's data."""

from dataclasses import dataclass
from math import exp, sqrt

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, log_ndtr, ndtri
from scipy.stats import shapiro

from daemon.spc.checks import Floats, finite_array, share
from daemon.spc.errors import NoSpreadError, OutOfRangeError
from daemon.spc.moments import moments


@dataclass(frozen=True, slots=True, kw_only=True)
class AndersonDarling:
    """Anderson-Darling test of normality, mean and variance estimated.

    `squared` is A2, `modified` A2 (1 + 0.75 / n + 2.25 / n^2), `p` the probability
    of so large a value when the values are normal.
    """

    n: int
    squared: float
    modified: float
    p: float


def anderson_darling(x: ArrayLike) -> AndersonDarling:
    """Return the Anderson-Darling test of normality.

    Parameters
    ----------
    x : array_like, shape (n,)
        At least eight values, any one unit.

    Raises
    ------
    SpcError
        For fewer than eight values, values that are not finite or all the same.

    References
    ----------
    M. A. Stephens in R. B. D'Agostino and M. A. Stephens, Goodness-of-Fit Techniques
    (1986), tables 4.7 and 4.9; NIST/SEMATECH e-Handbook, section 1.3.5.14. Tables
    with 0.787 at 5 % belong to another small-sample factor, 1 + 4 / n - 25 / n^2.

    Examples
    --------
    >>> test = anderson_darling([1, 2, 3, 4, 5, 6, 7, 8, 9, 10])
    >>> round(test.modified, 6), round(test.p, 4)
    (0.154867, 0.9567)
    """
    values = np.sort(finite_array("x", x, at_least=8))
    n = len(values)
    z = _standardised(values)
    weight = 2.0 * np.arange(1, n + 1) - 1.0
    squared = -n - float(weight @ (log_ndtr(z) + log_ndtr(-z[::-1]))) / n
    modified = squared * (1.0 + 0.75 / n + 2.25 / n**2)
    return AndersonDarling(
        n=n, squared=squared, modified=modified, p=anderson_darling_p(modified)
    )


def anderson_darling_p(modified: float) -> float:
    """Return the p-value of a modified Anderson-Darling statistic.

    Parameters
    ----------
    modified : float
        A2 (1 + 0.75 / n + 2.25 / n^2), > 0.

    Raises
    ------
    SpcError
        For a statistic that is not finite or not above zero.

    References
    ----------
    D'Agostino and Stephens (1986), table 4.9.

    Examples
    --------
    >>> round(anderson_darling_p(0.752), 4)
    0.0503
    """
    a = modified
    if not 0.0 < a < np.inf:
        raise OutOfRangeError(argument="modified", value=a, allowed="> 0 and finite")
    if a >= 13.0:  # the fitted parabola turns up again there
        return 0.0
    if a >= 0.6:
        return exp(1.2937 - 5.709 * a + 0.0186 * a * a)
    if a >= 0.34:
        return exp(0.9177 - 4.279 * a - 1.38 * a * a)
    if a >= 0.2:
        return 1.0 - exp(-8.318 + 42.796 * a - 59.938 * a * a)
    return 1.0 - exp(-13.436 + 101.14 * a - 223.73 * a * a)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapiroWilk:
    """Shapiro-Wilk test of normality: the statistic W and its p-value."""

    n: int
    w: float
    p: float


def shapiro_wilk(x: ArrayLike) -> ShapiroWilk:
    """Return the Shapiro-Wilk test of normality.

    Parameters
    ----------
    x : array_like, shape (n,)
        Three to 5000 values, any one unit.

    Raises
    ------
    SpcError
        For too few or too many values, values that are not finite or all the same.

    References
    ----------
    P. Royston, Applied Statistics 44 (1995) 547-551, as in scipy; ISO 5479.

    Examples
    --------
    >>> round(shapiro_wilk([1, 2, 3, 4, 5, 6, 7, 8, 9, 10]).w, 4)
    0.9702
    """
    values = finite_array("x", x, at_least=3)
    if len(values) > 5000:
        raise OutOfRangeError(
            argument="len(x)", value=len(values), allowed="<= 5000 for this test"
        )
    _standardised(values)
    # Around their own mean: large common digits would spoil W.
    result = shapiro(values - values.mean())
    return ShapiroWilk(n=len(values), w=float(result.statistic), p=float(result.pvalue))


@dataclass(frozen=True, slots=True, kw_only=True)
class NormalPlot:
    """Data of a normal probability plot; arrays have shape (n,).

    `value` holds the ordered values, `score` the standard normal value expected at
    each; `line` is the value on the fitted straight line, `lower` and `upper` the
    limits around it within which one chosen point lies with the confidence if the
    values are normal. `index` says where each value stood. `correlation` is that of
    value and score.
    """

    value: Floats
    score: Floats
    line: Floats
    lower: Floats
    upper: Floats
    index: tuple[int, ...]
    correlation: float


def normal_plot(x: ArrayLike, *, confidence: float = 0.95) -> NormalPlot:
    """Return the data of a normal probability plot.

    Parameters
    ----------
    x : array_like, shape (n,)
        At least three values, any one unit.
    confidence : float
        Of the limits at each single point, above 0 and below 1.

    Raises
    ------
    SpcError
        For fewer than three values, values that are not finite or all the same, or
        a confidence outside its bounds.

    References
    ----------
    J. J. Filliben, Technometrics 17 (1975) 111-117 (median plotting positions);
    NIST/SEMATECH e-Handbook, section 1.3.3.21.

    Examples
    --------
    >>> plot = normal_plot([3.0, 1.0, 2.0])
    >>> plot.value.tolist(), plot.index, plot.score.round(4).tolist()
    ([1.0, 2.0, 3.0], (1, 2, 0), [-0.8193, 0.0, 0.8193])
    """
    values = finite_array("x", x, at_least=3)
    outside = 0.5 * (1.0 - share("confidence", confidence))
    order = np.argsort(values, kind="stable")
    ordered = values[order]
    n = len(values)
    standard = _standardised(ordered)
    place = np.arange(1, n + 1)
    median = (place - 0.3175) / (n + 0.365)
    median[-1] = 0.5 ** (1.0 / n)
    median[0] = 1.0 - median[-1]
    score = ndtri(median)
    found = moments(values)
    # The j-th smallest of n uniform values has a beta distribution.
    lower, upper = (
        found.mean + found.s * np.asarray(ndtri(edge), dtype=np.float64)
        for edge in betaincinv(place, n + 1 - place, [[outside], [1.0 - outside]])
    )
    return NormalPlot(
        value=ordered,
        score=score,
        line=found.mean + found.s * score,
        lower=lower,
        upper=upper,
        index=tuple(int(i) for i in order),
        correlation=float(np.corrcoef(standard, score)[0, 1]),
    )


def _standardised(values: Floats) -> Floats:
    found = moments(values)
    # What is left of equal values after rounding is no spread.
    if found.s <= 1e-14 * float(np.abs(values).max()) * sqrt(found.n):
        raise NoSpreadError(argument="spread of x", value=found.s, allowed="> 0")
    z: Floats = ((values - values[0]) - (found.mean - values[0])) / found.s
    return z
