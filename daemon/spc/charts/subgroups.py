"""Mean and range, mean and standard deviation: several units a point.

References
----------
ISO 7870-2, charts for variables; ASTM E2587; NIST/SEMATECH e-Handbook of Statistical
Methods, section 6.3.2.1; D. C. Montgomery, Introduction to Statistical Quality Control
(subgroups of unequal size).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike

from daemon.spc.chart_factors import c4, d2, d3
from daemon.spc.checks import Floats, finite_array
from daemon.spc.control_limits import (
    Exclusion,
    Limits,
    Provenance,
    SigmaMethod,
    equivalent_degrees_of_freedom,
    kept,
    some_spread,
)
from daemon.spc.errors import OutOfRangeError, TooFewError


class Scatter(StrEnum):
    """Which statistic of scatter a chart plots."""

    RANGE = "range"
    S = "standard deviation"


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterPoint:
    """Scatter of one subgroup beside its limits, in the unit of the values."""

    value: float
    centre: float
    lower: float
    upper: float
    signal: bool


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
        units = finite_array("values", values, at_least=2)
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
            scatter=self._scatter(units),
        )

    def _scatter(self, units: Floats) -> ScatterPoint:
        sigma, width = self.limits.sigma, self.limits.width
        mean, deviation = _factors(self.scatter, len(units))
        value = _scatter_of(self.scatter, units)
        lower = sigma * max(0.0, mean - width * deviation)
        upper = sigma * (mean + width * deviation)
        return ScatterPoint(
            value=value,
            centre=sigma * mean,
            lower=lower,
            upper=upper,
            signal=not lower <= value <= upper,
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
        For a subgroup of one, nothing left, values that are not finite or never
        differ inside a subgroup, or a method that is not for subgroups.

    Examples
    --------
    >>> limits = subgroup_limits([[90.0, 110.0], [120.0, 80.0, 100.0]])
    >>> limits.centre, round(limits.sigma, 2)
    (100.0, 20.68)
    """
    groups = [
        finite_array(f"subgroups[{i}]", row, at_least=2)
        for i, row in enumerate(subgroups)
    ]
    keep, excluded = kept("subgroups", len(groups), exclude)
    groups = [group for group, kept_ in zip(groups, keep, strict=True) if kept_]
    if not groups:
        raise TooFewError(argument="subgroups left", value=0, allowed=">= 1")
    some_spread("subgroups", groups)
    sigma, freedom = _unit_sigma(groups, method)
    units = np.concatenate(groups)
    return Limits(
        centre=float(units.mean()),
        sigma=sigma,
        width=width,
        provenance=Provenance(
            method=method,
            used=len(units),
            degrees_of_freedom=freedom,
            segments=len(groups),
            excluded=excluded,
        ),
    )


def _unit_sigma(groups: Sequence[Floats], method: SigmaMethod) -> tuple[float, float]:
    """Return the standard deviation of one unit, and its degrees of freedom."""
    if method is SigmaMethod.POOLED:
        freedom = float(sum(len(group) - 1 for group in groups))
        squares = sum(float(group.var()) * len(group) for group in groups)
        return sqrt(squares / freedom), freedom
    kinds = {SigmaMethod.MEAN_RANGE: Scatter.RANGE, SigmaMethod.MEAN_S: Scatter.S}
    if method not in kinds:
        raise OutOfRangeError(
            argument="method", value=method.value, allowed="a way for subgroups"
        )
    kind = kinds[method]
    table = np.array([_factors(kind, len(group)) for group in groups])
    mean, deviation = table.T
    scatter = np.array([_scatter_of(kind, group) for group in groups])
    relative_variance = float(np.sum((deviation / mean) ** 2)) / len(mean) ** 2
    freedom = equivalent_degrees_of_freedom(relative_variance)
    return float(np.mean(scatter / mean)), freedom


def _scatter_of(kind: Scatter, units: Floats) -> float:
    return float(np.ptp(units) if kind is Scatter.RANGE else units.std(ddof=1))


def _factors(kind: Scatter, size: int) -> tuple[float, float]:
    """Return mean and standard deviation of the statistic, over sigma."""
    if kind is Scatter.RANGE:
        return d2(size), d3(size)
    mean = c4(size)
    return mean, sqrt(1.0 - mean**2)
