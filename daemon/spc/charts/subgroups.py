"""Mean and range, mean and standard deviation: several units a point.

References
----------
ISO 7870-2, charts for variables; ASTM E2587; NIST/SEMATECH e-Handbook of Statistical
Methods, section 6.3.2.1.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.charts.scatter import (
    Scatter,
    ScatterHistory,
    ScatterPoint,
    Subgroups,
    checked_subgroup,
    checked_subgroups,
    scatter_history,
    scatter_point,
    size_factors,
)
from daemon.spc.checks import Floats
from daemon.spc.errors import OutOfRangeError, TooFewError
from daemon.spc.limits import (
    Exclusion,
    Limits,
    Provenance,
    SigmaMethod,
    equivalent_degrees_of_freedom,
    kept,
    spread,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SubgroupPoint:
    """One subgroup: its mean and its scatter, each beside its limits.

    `n` counts subgroups from 1, `size` their units. `value` is the mean, `z` its
    distance from the centre in standard deviations of such a mean.
    """

    n: int
    size: int
    value: float
    z: float
    centre: float
    lower: float
    upper: float
    signal: bool
    scatter: ScatterPoint


@dataclass(frozen=True, slots=True, kw_only=True)
class SubgroupHistory:
    """Fields as in `SubgroupPoint`, shape (subgroups,)."""

    n: NDArray[np.int64]
    size: NDArray[np.intp]
    value: Floats
    z: Floats
    centre: Floats
    lower: Floats
    upper: Floats
    signal: NDArray[np.bool_]
    scatter: ScatterHistory


@dataclass(slots=True, kw_only=True)
class SubgroupChart:
    """Watch the mean and the scatter of subgroups, which may differ in size.

    Parameters
    ----------
    limits : Limits
        Centre and standard deviation of one unit; each point's limits follow from
        its own size.
    scatter : Scatter
        Range (best up to ten units or so) or standard deviation.
    n : int
        Subgroups taken so far.

    Examples
    --------
    >>> limits = Limits(centre=100.0, sigma=40.0)
    >>> chart = SubgroupChart(limits=limits, scatter=Scatter.RANGE)
    >>> point = chart.update([150.0, 170.0, 160.0, 200.0])  # ppm
    >>> point.value, point.upper, point.signal, point.scatter.signal
    (170.0, 160.0, True, False)
    """

    limits: Limits
    scatter: Scatter = Scatter.RANGE
    n: int = 0

    def update(self, values: ArrayLike) -> SubgroupPoint:
        """Take one subgroup, shape (size,); cost of its size only.

        Raises
        ------
        SpcError
            For a subgroup of one, or values that are not finite; the chart is left
            as it was.
        """
        units = checked_subgroup("values", values)
        limits = self.limits
        mean = float(units.mean())
        sigma = limits.sigma / sqrt(len(units))
        lower = limits.centre - limits.width * sigma
        upper = limits.centre + limits.width * sigma
        self.n += 1
        return SubgroupPoint(
            n=self.n,
            size=len(units),
            value=mean,
            z=(mean - limits.centre) / sigma,
            centre=limits.centre,
            lower=lower,
            upper=upper,
            signal=not lower <= mean <= upper,
            scatter=scatter_point(
                self.scatter, units, sigma=limits.sigma, width=limits.width
            ),
        )

    def extend(self, subgroups: Sequence[ArrayLike] | Floats) -> SubgroupHistory:
        """Take many subgroups at once: the same points and state as one by one.

        Parameters
        ----------
        subgroups : sequence of array_like, or array of shape (subgroups, size)
            A row each, in the order they were taken.

        Raises
        ------
        SpcError
            As for `update`, or for no subgroup; the chart is left as it was.
        """
        groups = checked_subgroups("subgroups", subgroups)
        limits = self.limits
        size = len(groups.sizes)
        mean = groups.means
        sigma = limits.sigma / np.sqrt(groups.sizes)
        lower = limits.centre - limits.width * sigma
        upper = limits.centre + limits.width * sigma
        first = self.n + 1
        self.n += size
        return SubgroupHistory(
            n=np.arange(first, first + size),
            size=groups.sizes,
            value=mean,
            z=(mean - limits.centre) / sigma,
            centre=np.broadcast_to(limits.centre, size),
            lower=lower,
            upper=upper,
            signal=(mean < lower) | (mean > upper),
            scatter=scatter_history(
                self.scatter, groups, sigma=limits.sigma, width=limits.width
            ),
        )


def subgroup_limits(
    subgroups: Sequence[ArrayLike] | Floats,
    *,
    method: SigmaMethod = SigmaMethod.MEAN_RANGE,
    exclude: Iterable[Exclusion] = (),
    width: float = 3.0,
) -> Limits:
    """Return the limits of a chart of subgroups from a baseline.

    Parameters
    ----------
    subgroups : sequence of array_like, or array of shape (subgroups, size)
        A row each; sizes may differ.
    method : SigmaMethod
        Mean over the subgroups of range / d2 or of s / c4, or the pooled standard
        deviation.
    exclude : iterable of Exclusion
        Whole subgroups with a recorded cause, left out.
    width : float
        Distance of the limits, in standard deviations of what is plotted.

    Returns
    -------
    Limits
        Centre (mean of all units used) and standard deviation of one unit, with
        their provenance; `used` counts units.

    Raises
    ------
    SpcError
        For a subgroup of one, nothing left, values that are not finite or without
        spread, or a method that is not for subgroups.

    References
    ----------
    ASTM E2587; D. C. Montgomery, Introduction to Statistical Quality Control, on
    subgroups of unequal size.

    Examples
    --------
    >>> limits = subgroup_limits([[90.0, 110.0], [120.0, 80.0, 100.0]])
    >>> limits.centre, round(limits.sigma, 2)
    (100.0, 20.68)
    """
    groups = checked_subgroups("subgroups", subgroups)
    keep, excluded = kept("subgroups", len(groups.sizes), exclude)
    if not keep.any():
        raise TooFewError(argument="subgroups left", value=0, allowed=">= 1")
    groups = Subgroups(
        values=groups.values[np.repeat(keep, groups.sizes)], sizes=groups.sizes[keep]
    )
    sigma, freedom = unit_sigma(groups, method)
    return Limits(
        centre=float(groups.values.mean()),
        sigma=spread("subgroups", sigma),
        width=width,
        provenance=Provenance(
            method=method,
            used=len(groups.values),
            degrees_of_freedom=freedom,
            segments=len(groups.sizes),
            excluded=excluded,
        ),
    )


def unit_sigma(groups: Subgroups, method: SigmaMethod) -> tuple[float, float]:
    """Return the standard deviation of one unit, and its degrees of freedom.

    Examples
    --------
    >>> groups = checked_subgroups("subgroups", [[90.0, 110.0], [80.0, 120.0]])
    >>> sigma, freedom = unit_sigma(groups, SigmaMethod.POOLED)
    >>> round(sigma, 2), freedom
    (22.36, 2.0)
    """
    if method is SigmaMethod.POOLED:
        freedoms = groups.sizes - 1
        variances = groups.scatter(Scatter.S) ** 2
        freedom = float(freedoms.sum())
        return float(np.sqrt(freedoms @ variances / freedom)), freedom
    kinds = {SigmaMethod.MEAN_RANGE: Scatter.RANGE, SigmaMethod.MEAN_S: Scatter.S}
    if method not in kinds:
        raise OutOfRangeError(
            argument="method", value=method.value, allowed="a way for subgroups"
        )
    mean, deviation = size_factors(kinds[method], groups.sizes)
    sigma = float(np.mean(groups.scatter(kinds[method]) / mean))
    relative_variance = float(np.sum((deviation / mean) ** 2)) / len(mean) ** 2
    return sigma, equivalent_degrees_of_freedom(relative_variance)
