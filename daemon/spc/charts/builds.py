"""Build means beside unit scatter: three charts in one, across and inside builds.

Units of one build share reels and a day, so their scatter says little of how builds
differ. The build means are therefore judged by their own moving ranges, and the
scatter inside builds apart.

References
----------
D. J. Wheeler, Understanding Statistical Process Control (three-way chart).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.charts.individuals import (
    IndividualsChart,
    IndividualsHistory,
    IndividualsPoint,
)
from daemon.spc.charts.scatter import (
    Scatter,
    ScatterHistory,
    ScatterPoint,
    Subgroups,
    checked_subgroup,
    checked_subgroups,
    scatter_history,
    scatter_point,
)
from daemon.spc.charts.subgroups import unit_sigma
from daemon.spc.checks import Floats
from daemon.spc.limits import (
    Exclusion,
    Limits,
    SigmaMethod,
    kept,
    limits_from_baseline,
    spread,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildLimits:
    """What builds, and the units inside them, are held against.

    Parameters
    ----------
    means : Limits
        Of build means, from their own moving ranges.
    sigma_inside : float
        Standard deviation of units inside a build.
    sigma_across : float
        Standard deviation of builds beyond what the scatter inside them explains,
        0 when that explains all.
    """

    means: Limits
    sigma_inside: float
    sigma_across: float

    @property
    def sigma_unit(self) -> float:
        """Standard deviation of units of all builds together."""
        return hypot(self.sigma_inside, self.sigma_across)


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildPoint:
    """One build: its mean with moving range, and its scatter.

    `n` counts builds from 1, `size` the build's units.
    """

    n: int
    size: int
    mean: IndividualsPoint
    scatter: ScatterPoint
    signal: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildHistory:
    """Fields as in `BuildPoint`, shape (builds,)."""

    n: NDArray[np.int64]
    size: NDArray[np.intp]
    mean: IndividualsHistory
    scatter: ScatterHistory
    signal: NDArray[np.bool_]


@dataclass(slots=True, kw_only=True)
class BuildChart:
    """Watch build means, their moving range, and the scatter inside builds.

    Parameters
    ----------
    limits : BuildLimits
        From `build_limits`.
    scatter : Scatter
        Standard deviation, or the range for builds of a few units.
    means : IndividualsChart
        The chart of means; made from the limits.

    Examples
    --------
    >>> good = [[95.0, 105.0], [135.0, 125.0], [80.0, 90.0], [120.0, 110.0]]
    >>> chart = BuildChart.of(build_limits(good))
    >>> point = chart.update([400.0, 410.0])  # ppm
    >>> point.mean.signal, point.scatter.signal
    (True, False)
    """

    limits: BuildLimits
    means: IndividualsChart
    scatter: Scatter = Scatter.S

    @classmethod
    def of(cls, limits: BuildLimits, scatter: Scatter = Scatter.S) -> "BuildChart":
        """Return a fresh chart."""
        means = IndividualsChart(limits=limits.means)
        return cls(limits=limits, means=means, scatter=scatter)

    def update(self, units: ArrayLike) -> BuildPoint:
        """Take one build, shape (size,); cost of its size only.

        Raises
        ------
        SpcError
            For a build of one unit, or values that are not finite; the chart is
            left as it was.
        """
        values = checked_subgroup("units", units)
        scatter = scatter_point(
            self.scatter,
            values,
            sigma=self.limits.sigma_inside,
            width=self.limits.means.width,
        )
        mean = self.means.update(float(values.mean()))
        return BuildPoint(
            n=mean.n,
            size=len(values),
            mean=mean,
            scatter=scatter,
            signal=mean.signal or mean.moving_range_signal or scatter.signal,
        )

    def extend(self, builds: Sequence[ArrayLike] | Floats) -> BuildHistory:
        """Take many builds at once: the same points and state as one by one.

        Parameters
        ----------
        builds : sequence of array_like, or array of shape (builds, size)
            A row each, in the order they were made.

        Raises
        ------
        SpcError
            As for `update`, or for no build; the chart is left as it was.
        """
        groups = checked_subgroups("builds", builds)
        scatter = scatter_history(
            self.scatter,
            groups,
            sigma=self.limits.sigma_inside,
            width=self.limits.means.width,
        )
        mean = self.means.extend(groups.means)
        return BuildHistory(
            n=mean.n,
            size=groups.sizes,
            mean=mean,
            scatter=scatter,
            signal=mean.signal | mean.moving_range_signal | scatter.signal,
        )


def build_limits(
    builds: Sequence[ArrayLike] | Floats,
    *,
    method: SigmaMethod = SigmaMethod.MEAN_S,
    exclude: Iterable[Exclusion] = (),
    width: float = 3.0,
) -> BuildLimits:
    """Return the limits of the three charts from a baseline of builds.

    Parameters
    ----------
    builds : sequence of array_like, or array of shape (builds, size)
        A row each; sizes may differ. No moving range is formed across an excluded
        build.
    method : SigmaMethod
        How the scatter inside builds is estimated: mean range, mean s or pooled.
    exclude : iterable of Exclusion
        Whole builds with a recorded cause, left out.
    width : float
        Distance of the limits, in standard deviations of what is plotted.

    Returns
    -------
    BuildLimits
        In the unit of the values. For unequal sizes the part of the scatter of means
        that the units explain is taken at the harmonic mean size.

    Raises
    ------
    SpcError
        For a build of one unit, fewer than two builds, or builds without spread
        inside or across.

    Examples
    --------
    >>> limits = build_limits([[95.0, 105.0], [135.0, 125.0], [80.0, 90.0]])
    >>> round(limits.sigma_inside, 1), round(limits.sigma_across, 1)
    (8.9, 32.6)
    """
    groups = checked_subgroups("builds", builds)
    keep, excluded = kept("builds", len(groups.sizes), exclude)
    means = limits_from_baseline(groups.means, exclude=excluded, width=width)
    used = Subgroups(
        values=groups.values[np.repeat(keep, groups.sizes)], sizes=groups.sizes[keep]
    )
    inside, _ = unit_sigma(used, method)
    spread("units inside builds", inside)
    harmonic = len(used.sizes) / float(np.sum(1.0 / used.sizes))
    across = sqrt(max(0.0, means.sigma**2 - inside**2 / harmonic))
    return BuildLimits(means=means, sigma_inside=inside, sigma_across=across)
