"""Short runs: products too few for a chart each share one.

References
----------
ISO 7870-8, charting techniques for short runs and small mixed batches; ISO 7870-5.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from daemon.spc.charts.individuals import (
    IndividualsChart,
    IndividualsHistory,
    IndividualsPoint,
)
from daemon.spc.checks import Floats, finite, finite_array, positive, same_length
from daemon.spc.errors import OutOfRangeError
from daemon.spc.limits import Limits


@dataclass(slots=True, kw_only=True)
class DeviationChart:
    """Watch deviations from each product's own nominal value.

    For products that scatter alike; where they do not, `StandardisedChart`.

    Parameters
    ----------
    chart : IndividualsChart
        With the limits of the deviations, in the unit of the values.

    Examples
    --------
    >>> limits = Limits(centre=0.0, sigma=0.2)
    >>> chart = DeviationChart(chart=IndividualsChart(limits=limits))
    >>> chart.update(10.5, nominal=10.0).value  # kohm, one product
    0.5
    >>> chart.update(101.0, nominal=100.0).signal  # another
    True
    """

    chart: IndividualsChart

    def update(self, x: float, nominal: float) -> IndividualsPoint:
        """Take one value and the nominal value of its product; constant cost.

        Raises
        ------
        NotFiniteError
            For NaN or infinity; the chart is left as it was.
        """
        return self.chart.update(finite("x", x) - finite("nominal", nominal))

    def extend(self, x: ArrayLike, nominal: ArrayLike) -> IndividualsHistory:
        """Take many values, each with its nominal, shape (n,) both.

        Raises
        ------
        SpcError
            For values that are not finite or do not match; the chart is left as it
            was.
        """
        values, nominals = finite_array("x", x), finite_array("nominal", nominal)
        same_length("x, nominal", values, nominals)
        return self.chart.extend(values - nominals)


@dataclass(slots=True, kw_only=True)
class StandardisedChart:
    """Watch values in the standard deviations of their own product.

    Also the moving range is of standardised values, and compares one product with
    the next.

    Parameters
    ----------
    chart : IndividualsChart
        With the limits of the standardised values, of centre 0 and sigma 1.

    Raises
    ------
    OutOfRangeError
        For limits of another centre or sigma.

    Examples
    --------
    >>> chart = StandardisedChart.of_width(3.0)
    >>> chart.update(10.5, nominal=10.0, sigma=0.2).value
    2.5
    >>> chart.update(97.0, nominal=100.0, sigma=2.0).value
    -1.5
    """

    chart: IndividualsChart

    def __post_init__(self) -> None:
        centre, sigma = self.chart.limits.centre, self.chart.limits.sigma
        if (centre, sigma) != (0.0, 1.0):
            raise OutOfRangeError(
                argument="centre, sigma", value=(centre, sigma), allowed="(0.0, 1.0)"
            )

    @classmethod
    def of_width(cls, width: float) -> "StandardisedChart":
        """Return a fresh chart with limits at `width` standard deviations."""
        limits = Limits(centre=0.0, sigma=1.0, width=width)
        return cls(chart=IndividualsChart(limits=limits))

    def update(self, x: float, nominal: float, sigma: float) -> IndividualsPoint:
        """Take one value, with centre and standard deviation of its product.

        Raises
        ------
        SpcError
            For a number that is not finite, or a sigma not above zero; the chart is
            left as it was.
        """
        deviation = finite("x", x) - finite("nominal", nominal)
        return self.chart.update(deviation / positive("sigma", sigma))

    def extend(
        self, x: ArrayLike, nominal: ArrayLike, sigma: ArrayLike
    ) -> IndividualsHistory:
        """Take many values, each with its centre and sigma, shape (n,) all three.

        Raises
        ------
        SpcError
            As for `update`, or for arrays that do not match; the chart is left as
            it was.
        """
        values, nominals = finite_array("x", x), finite_array("nominal", nominal)
        sigmas: Floats = finite_array("sigma", sigma)
        same_length("x, nominal, sigma", values, nominals, sigmas)
        if np.any(sigmas <= 0.0):
            at = int(np.argmax(sigmas <= 0.0))
            raise OutOfRangeError(
                argument=f"sigma[{at}]", value=sigmas[at], allowed="> 0"
            )
        return self.chart.extend((values - nominals) / sigmas)
