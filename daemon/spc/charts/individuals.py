"""Individuals and moving-range chart: one value a unit.

References
----------
NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2; ISO 7870-2.
"""

from dataclasses import dataclass

from daemon.spc.chart_factors import d2, d3
from daemon.spc.checks import finite
from daemon.spc.control_limits import Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class IndividualsPoint:
    """One unit on the chart.

    `n` counts from 1; `value`, `centre`, `lower`, `upper` and the moving range are
    in the unit of the values; `z` is the value in standard deviations from the
    centre. The moving range is None where there is no earlier unit to compare with.
    """

    n: int
    value: float
    z: float
    centre: float
    lower: float
    upper: float
    signal: bool
    moving_range: float | None
    moving_range_upper: float
    moving_range_signal: bool


@dataclass(slots=True, kw_only=True)
class IndividualsChart:
    """Watch single values against limits, and the step from each to the next.

    A value on a limit is not beyond it. A signal does not reset the chart. The
    state is two plain fields: it pickles, and can be rebuilt from the values.

    Parameters
    ----------
    limits : Limits
        In the unit of the values.
    n : int
        Units taken so far.
    previous : float or None
        The last value; None at a start, or after a boundary.

    Examples
    --------
    >>> chart = IndividualsChart(limits=Limits(centre=120.0, sigma=40.0))
    >>> chart.update(150.0).signal
    False
    >>> point = chart.update(260.0)
    >>> point.n, point.z, point.signal, point.moving_range
    (2, 3.5, True, 110.0)
    """

    limits: Limits
    n: int = 0
    previous: float | None = None

    def boundary(self) -> None:
        """Form no moving range across what follows, such as a reel change."""
        self.previous = None

    def update(self, x: float) -> IndividualsPoint:
        """Take one value; constant cost.

        Raises
        ------
        NotFiniteError
            For NaN or infinity; the chart is left as it was.
        """
        finite("x", x)
        limits = self.limits
        moving_range = None if self.previous is None else abs(x - self.previous)
        bound = _moving_range_upper(limits)
        self.n += 1
        self.previous = x
        return IndividualsPoint(
            n=self.n,
            value=x,
            z=(x - limits.centre) / limits.sigma,
            centre=limits.centre,
            lower=limits.lower,
            upper=limits.upper,
            signal=not limits.lower <= x <= limits.upper,
            moving_range=moving_range,
            moving_range_upper=bound,
            moving_range_signal=moving_range is not None and moving_range > bound,
        )


def _moving_range_upper(limits: Limits) -> float:
    return (d2(2) + 3.0 * d3(2)) * limits.sigma
