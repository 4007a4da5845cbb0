"""Mean and standard deviation that keep their digits.

Differences from the first value are exact when the values are close together: digits
that all values share cost nothing.
"""

from dataclasses import dataclass
from math import sqrt

from numpy.typing import ArrayLike

from daemon.spc.checks import finite_array


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
