"""Individuals and moving-range chart: one value a unit.

References
----------
NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2; ISO 7870-2.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.checks import Floats, finite, finite_array
from daemon.spc.constants import d2, d3
from daemon.spc.limits import Limits


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


@dataclass(frozen=True, slots=True, kw_only=True)
class IndividualsHistory:
    """The points of many units: fields as in `IndividualsPoint`, shape (n,).

    `moving_range` is NaN where the point has none.
    """

    n: NDArray[np.int64]
    value: Floats
    z: Floats
    centre: Floats
    lower: Floats
    upper: Floats
    signal: NDArray[np.bool_]
    moving_range: Floats
    moving_range_upper: Floats
    moving_range_signal: NDArray[np.bool_]


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

    def extend(self, x: ArrayLike) -> IndividualsHistory:
        """Take many values at once: the same points and state as one by one.

        Parameters
        ----------
        x : array_like, shape (n,)
            In the order they were taken.

        Raises
        ------
        SpcError
            For a value that is not finite, or another shape; the chart is left
            as it was.

        Examples
        --------
        >>> chart = IndividualsChart(limits=Limits(centre=0.0, sigma=1.0))
        >>> chart.extend([0.5, -3.5, 0.0]).signal.tolist()
        [False, True, False]
        """
        values = finite_array("x", x)
        limits = self.limits
        size = len(values)
        moving_range = np.empty(size)
        if size:
            moving_range[0] = (
                np.nan if self.previous is None else abs(values[0] - self.previous)
            )
            np.subtract(values[1:], values[:-1], out=moving_range[1:])
            np.abs(moving_range[1:], out=moving_range[1:])
        bound = _moving_range_upper(limits)
        z = values - limits.centre
        z /= limits.sigma
        history = IndividualsHistory(
            n=np.arange(self.n + 1, self.n + 1 + size),
            value=values,
            z=z,
            centre=np.broadcast_to(limits.centre, size),
            lower=np.broadcast_to(limits.lower, size),
            upper=np.broadcast_to(limits.upper, size),
            signal=(values < limits.lower) | (values > limits.upper),
            moving_range=moving_range,
            moving_range_upper=np.broadcast_to(bound, size),
            moving_range_signal=moving_range > bound,
        )
        if size:
            self.n += size
            self.previous = float(values[-1])
        return history


def _moving_range_upper(limits: Limits) -> float:
    return (d2(2) + 3.0 * d3(2)) * limits.sigma
