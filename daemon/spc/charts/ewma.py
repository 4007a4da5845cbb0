"""Exponentially weighted moving average: small lasting shifts.

References
----------
S. W. Roberts, Technometrics 1 (1959) 239-250; J. M. Lucas and M. S. Saccucci,
Technometrics 32 (1990) 1-12; ISO 7870-6; NIST/SEMATECH e-Handbook of Statistical
Methods, section 6.3.2.4.
"""

from dataclasses import dataclass
from math import sqrt

from daemon.spc.checks import count, finite, weight_of_newest
from daemon.spc.control_limits import Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class EwmaPoint:
    """One unit: `value` is the average after it, in the unit of the values."""

    n: int
    value: float
    centre: float
    lower: float
    upper: float
    signal: bool


@dataclass(slots=True, kw_only=True)
class EwmaChart:
    """Watch an average in which the newest unit has a fixed weight.

    The limits are exact: narrow at first, widening to their lasting distance. The
    average starts at the centre. A signal does not reset the chart.

    Parameters
    ----------
    limits : Limits
        Centre and standard deviation of one unit; `width` in standard deviations of
        the average, such as 2.7 for a weight of 0.1.
    weight : float
        Of the newest unit, above 0 and up to 1 (a chart of single values).
    n : int
        Units taken so far.
    offset : float
        The average minus the centre.

    Raises
    ------
    OutOfRangeError
        For a weight outside its bounds.

    Examples
    --------
    >>> chart = EwmaChart(limits=Limits(centre=100.0, sigma=40.0), weight=0.25)
    >>> point = chart.update(140.0)  # ppm
    >>> point.value, point.upper
    (110.0, 130.0)
    """

    limits: Limits
    weight: float = 0.2
    n: int = 0
    offset: float = 0.0

    def __post_init__(self) -> None:
        weight_of_newest(self.weight)
        finite("offset", self.offset)
        count("n", self.n, at_least=0)

    def update(self, x: float) -> EwmaPoint:
        """Take one value; constant cost.

        Raises
        ------
        NotFiniteError
            For NaN or infinity; the chart is left as it was.
        """
        finite("x", x)
        limits = self.limits
        kept = 1.0 - self.weight
        self.n += 1
        self.offset = self.weight * (x - limits.centre) + kept * self.offset
        share = self.weight / (2.0 - self.weight) * (1.0 - kept ** (2 * self.n))
        reach = limits.width * limits.sigma * sqrt(share)
        return EwmaPoint(
            n=self.n,
            value=limits.centre + self.offset,
            centre=limits.centre,
            lower=limits.centre - reach,
            upper=limits.centre + reach,
            signal=abs(self.offset) > reach,
        )
