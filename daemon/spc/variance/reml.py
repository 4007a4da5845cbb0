"""Components of variance of nested groups, by restricted maximum likelihood.

References
----------
H. D. Patterson and R. Thompson, Biometrika 58 (1971) 545-554; S. R. Searle,
G. Casella and C. E. McCulloch, Variance Components (1992), chapter 6.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, log, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, minimize
from scipy.special import chdtri

from daemon.spc.checks import Floats, share
from daemon.spc.errors import NoSpreadError
from daemon.spc.variance.intervals import Interval
from daemon.spc.variance.nested import (
    INNERMOST,
    Components,
    NestedDesign,
    nested_components,
    nested_design,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RemlLevel:
    """One component: its variance, and the interval by profile likelihood."""

    name: str
    variance: float
    interval: Interval

    @property
    def s(self) -> float:
        """Standard deviation of this level."""
        return sqrt(self.variance)


@dataclass(frozen=True, slots=True, kw_only=True)
class RemlComponents(Components[RemlLevel]):
    """Components by restricted maximum likelihood.

    `mean` is the generalised least squares mean, `standard_error` its own.
    `log_likelihood` is the restricted one.
    """

    standard_error: float
    log_likelihood: float


def reml_components(
    values: ArrayLike,
    levels: Sequence[tuple[str, Sequence[object]]],
    *,
    confidence: float = 0.95,
) -> RemlComponents:
    """Return the restricted-maximum-likelihood components of nested values.

    Parameters
    ----------
    values, levels
        As in `nested_design`: values, and named labels from the outermost level in.
    confidence : float
        Of each interval, above 0 and below 1.

    Raises
    ------
    SpcError
        As in `nested_design`, for values that do not differ inside any innermost
        group, and for a confidence outside its bounds.

    Notes
    -----
    For equal sizes and positive estimates these are the components of the analysis
    of variance; for unequal sizes they lose less. The likelihood of a nested design
    is summed from the innermost groups out, so that a million values cost
    milliseconds and no matrix.

    Examples
    --------
    >>> found = reml_components(
    ...     [20.1, 20.3, 19.2, 19.4, 22.5, 22.1, 23.4, 23.6],
    ...     [("build", "aaaabbbb"), ("unit", [1, 1, 2, 2, 1, 1, 2, 2])],
    ... )
    >>> [(row.name, round(row.variance, 3)) for row in found.levels]
    [('build', 4.68), ('unit', 0.545), ('rest', 0.035)]
    """
    share("confidence", confidence)
    design = nested_design(values, levels)
    start = nested_components(values, levels)
    inner, units = design.group[-1], design.values
    low, high = np.full((2, int(inner.max()) + 1), units[0])
    low[inner] = high[inner] = units
    np.minimum.at(low, inner, units)
    np.maximum.at(high, inner, units)
    if np.array_equal(low, high):
        raise NoSpreadError(
            argument="spread inside groups", value=0.0, allowed="> 0 in some group"
        )
    guess = np.array([row.variance for row in start.levels])
    scale = float(np.var(design.values))
    likelihood = _Likelihood(design, scale)
    best = likelihood.maximise(np.maximum(guess / scale, 0.01))
    names = (*design.names, INNERMOST)
    rows = tuple(
        RemlLevel(
            name=name,
            variance=scale * float(best[i]),
            interval=likelihood.interval(i, best, confidence),
        )
        for i, name in enumerate(names)
    )
    mean, variance = likelihood.mean(best)
    return RemlComponents(
        mean=design.origin + mean,
        standard_error=sqrt(variance),
        log_likelihood=-0.5 * likelihood.deviance(best)[0],
        levels=rows,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Level:
    """What one level of groups contributes, kept for the gradient."""

    parent: NDArray[np.intp]
    mean: Floats
    centre: Floats  # of each outer group
    weight: Floats
    sums: Floats  # of the weights in each outer group


class _Likelihood:
    """Minus twice the restricted log-likelihood, of variances in units of `scale`."""

    def __init__(self, design: NestedDesign, scale: float) -> None:
        self._parents = design.parent
        self._scale = scale
        inner = design.group[-1]
        values = design.values / sqrt(scale)
        self._sizes = np.bincount(inner)
        self._means = np.bincount(inner, weights=values) / self._sizes
        self._squares = float(np.sum((values - self._means[inner]) ** 2))
        self._free = len(values) - len(self._sizes)
        self._constant = (len(values) - 1) * log(2.0 * np.pi * scale) + float(
            np.sum(np.log(self._sizes))
        )

    def deviance(self, variances: Floats) -> tuple[float, Floats]:
        """Return it, and its gradient by the variances."""
        rest = float(variances[-1])
        levels = self._levels(variances)
        total = self._constant + self._free * log(rest) + self._squares / rest
        for level in levels:
            total += float(np.sum(np.log(level.sums)) - np.sum(np.log(level.weight)))
            total += float(
                level.weight @ (level.mean - level.centre[level.parent]) ** 2
            )
        gradient = np.empty(len(variances))
        # Backwards, from the outermost level in: derivatives by each group's mean
        # and by its variance before this level's own is added.
        by_centre, by_variance = np.zeros(1), np.zeros(1)
        for i, level in enumerate(reversed(levels)):
            by_product = by_centre / level.sums
            by_sum = (1.0 - by_variance / level.sums) / level.sums
            by_sum -= by_product * level.centre
            off = level.mean - level.centre[level.parent]
            by_weight = off**2 + by_sum[level.parent]
            by_weight += by_product[level.parent] * level.mean
            by_centre = level.weight * (2.0 * off + by_product[level.parent])
            by_variance = level.weight - level.weight**2 * by_weight
            gradient[i] = by_variance.sum()
        gradient[-1] = self._free / rest - self._squares / rest**2
        gradient[-1] += float(np.sum(by_variance / self._sizes))
        return total, gradient

    def mean(self, variances: Floats) -> tuple[float, float]:
        """Return the generalised least squares mean and its variance."""
        outermost = self._levels(variances)[-1]
        mean = float(outermost.centre[0]) * sqrt(self._scale)
        return mean, self._scale / float(outermost.sums[0])

    def _levels(self, variances: Floats) -> list[_Level]:
        """Return the levels from the innermost out."""
        levels = []
        mean, spread = self._means, float(variances[-1]) / self._sizes
        for parent, variance in zip(
            reversed(self._parents), variances[-2::-1], strict=True
        ):
            weight = 1.0 / (spread + variance)
            sums = _sums(parent, weight)
            centre = _sums(parent, weight * mean) / sums
            levels.append(
                _Level(
                    parent=parent, mean=mean, centre=centre, weight=weight, sums=sums
                )
            )
            mean, spread = centre, 1.0 / sums
        return levels

    def maximise(self, start: Floats, fixed: int | None = None) -> Floats:
        """Return the best variances; that of level `fixed` stays as it is."""
        free = np.array([i for i in range(len(start)) if i != fixed])
        least = np.where(free == len(start) - 1, 1e-12, 0.0)

        def loss(part: Floats) -> tuple[float, Floats]:
            full = start.copy()
            full[free] = part
            value, gradient = self.deviance(full)
            return value, gradient[free]

        found = minimize(
            loss,
            start[free],
            jac=True,
            method="SLSQP",  # the quickest of scipy's with bounds, for two or three
            bounds=[(low, None) for low in least],
            options={"ftol": 1e-11, "maxiter": 200},
        )
        full = start.copy()
        full[free] = found.x
        return full

    def interval(self, level: int, best: Floats, confidence: float) -> Interval:
        """Return where the profile likelihood is high enough, in squared units."""
        allowed = self.deviance(best)[0] + float(chdtri(1, 1.0 - confidence))

        def excess(variance: float) -> float:
            start = np.maximum(best, 1e-6)
            start[level] = variance
            return allowed - self.deviance(self.maximise(start, fixed=level))[0]

        floor, middle = 1e-9, max(float(best[level]), 1e-8)
        low = 0.0
        if excess(floor) < 0.0:
            low = float(brentq(excess, floor, middle, xtol=1e-9, rtol=1e-5))
        high = 3.0 * middle + 0.01
        while high < inf and excess(high) > 0.0:
            high = 4.0 * high if high < 1e9 else inf
        if high < inf:
            high = float(brentq(excess, middle, high, xtol=1e-9, rtol=1e-5))
        return Interval(
            lower=self._scale * low, upper=self._scale * high, confidence=confidence
        )


def _sums(group: NDArray[np.intp], values: Floats) -> Floats:
    return np.asarray(np.bincount(group, weights=values), dtype=np.float64)
