"""Mean and standard deviation that keep their digits.

Both forms work on differences from the first value, which are exact when the values
are close together: digits that all values share cost nothing.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike

from daemon.spc.checks import finite, finite_array
from daemon.spc.errors import NoSpreadError, TooFewError


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """Count, mean and sample standard deviation (n - 1), in the unit of the values."""

    n: int
    mean: float
    s: float


def moments(x: ArrayLike) -> Moments:
    """Return the mean and standard deviation of a whole history.

    Parameters
    ----------
    x : array_like, shape (n,)
        At least two values, any one unit.

    Raises
    ------
    SpcError
        For fewer than two values, or values that are not finite.

    References
    ----------
    T. F. Chan, G. H. Golub and R. J. LeVeque, The American Statistician 37 (1983)
    242-247 (corrected two-pass form).

    Examples
    --------
    >>> moments([10_000_001.0, 10_000_003.0, 10_000_002.0])
    Moments(n=3, mean=10000002.0, s=1.0)
    """
    values = finite_array("x", x, at_least=2)
    n = len(values)
    difference = values - values[0]
    shift = float(difference.mean())
    difference -= shift
    rest = float(difference.sum())
    squares = float(difference @ difference) - rest * rest / n
    mean = float(values[0]) + (shift + rest / n)
    return Moments(n=n, mean=mean, s=sqrt(max(0.0, squares) / (n - 1)))


@dataclass(slots=True, kw_only=True)
class RunningMoments:
    """The same, unit by unit, at constant cost.

    Three plain numbers and the first value: it pickles, and can be rebuilt.

    References
    ----------
    B. P. Welford, Technometrics 4 (1962) 419-420.

    Examples
    --------
    >>> run = RunningMoments()
    >>> for x in (10_000_001.0, 10_000_003.0, 10_000_002.0):
    ...     run.update(x)
    >>> run.n, run.mean, run.s
    (3, 10000002.0, 1.0)
    """

    n: int = 0
    first: float = 0.0
    shift: float = 0.0  # mean minus the first value
    squares: float = 0.0  # sum of squared differences from the mean

    def update(self, x: float) -> None:
        """Take one value.

        Raises
        ------
        NotFiniteError
            For NaN or infinity; nothing is changed then.
        """
        value = finite("x", x)
        if self.n == 0:
            self.first = value
        self.n += 1
        difference = value - self.first
        before = difference - self.shift
        self.shift += before / self.n
        self.squares += before * (difference - self.shift)

    @property
    def mean(self) -> float:
        """Mean so far, in the unit of the values; needs one value."""
        if self.n < 1:
            raise TooFewError(argument="n", value=self.n, allowed=">= 1 for a mean")
        return self.first + self.shift

    @property
    def s(self) -> float:
        """Sample standard deviation so far; needs two values."""
        if self.n < 2:
            raise TooFewError(
                argument="n", value=self.n, allowed=">= 2 for a standard deviation"
            )
        return sqrt(self.squares / (self.n - 1))


def lag1_autocorrelation(x: ArrayLike) -> float:
    """Return the correlation of each value with the one before it.

    Parameters
    ----------
    x : array_like, shape (n,)
        At least two values in the order they were taken.

    Raises
    ------
    SpcError
        For fewer than two values, values that are not finite, or all the same.

    References
    ----------
    G. E. P. Box and G. M. Jenkins, Time Series Analysis (1976): the sum of products
    of successive differences from the mean, over the sum of squares.

    Examples
    --------
    >>> lag1_autocorrelation([10_000_001.0, 10_000_003.0, 10_000_002.0])
    -0.5
    """
    values = finite_array("x", x, at_least=2)
    difference = values - values[0]
    difference -= difference.mean()
    squares = float(difference @ difference)
    if squares == 0.0:
        raise NoSpreadError(argument="spread of x", value=0.0, allowed="> 0")
    return float(np.dot(difference[1:], difference[:-1])) / squares
