"""What range errors do with temperature, learnt from earlier units and bounded.

Two sources tell: units of one segment that were measured warmer than others, and the
levels of whole segments. Reels differ anyway, so the second tells little until many
segments or a whole year are there. A coefficient is shrunk to zero as strongly as its
bound says, and residuals are cut off, so that a bad reel on a warm day does not pass
for an effect of temperature.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from daemon.spc.baseline import Baseline, Segment
from daemon.spc.checks import finite_array
from daemon.spc.errors import ShapeError
from daemon.spc.layout import Layout

Array = NDArray[np.float64]

UNIT_WEIGHT = 8.0
LEVEL_WEIGHT = 6.0
CUT = 2.0
"""Standard deviations beyond which a residual counts no further."""
ITERATIONS = 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TemperatureEffect:
    """Change of range errors with temperature.

    Attributes
    ----------
    ppm_per_k, sigma_ppm_per_k : (R,)
        Coefficient of each range and its standard deviation.
    at_c : float
        Mean temperature of the units that it was learnt from; errors are referred to
        it.

    Examples
    --------
    >>> effect = TemperatureEffect(
    ...     ppm_per_k=np.array([20.0]), sigma_ppm_per_k=np.array([3.0]), at_c=23.0
    ... )
    >>> effect.referred(np.array([[150.0]]), np.array([28.0])).tolist()
    [[50.0]]
    """

    ppm_per_k: Array
    sigma_ppm_per_k: Array
    at_c: float

    def referred(self, errors_ppm: Array, ambient_c: Array) -> Array:
        """Return errors (n, R) of units at n temperatures as they were at `at_c`."""
        away = np.asarray(ambient_c, dtype=np.float64) - self.at_c
        return np.asarray(errors_ppm - away[:, None] * self.ppm_per_k)

    def widened(self, baseline: Baseline, ambient_c: float) -> Baseline:
        """Return a baseline as it holds for a build at another temperature.

        What the coefficients may be off by moves all units of the build alike.
        """
        covariance = baseline.covariance.copy()
        at = np.arange(baseline.layout.ranges)
        covariance[at, at] += (self.sigma_ppm_per_k * (ambient_c - self.at_c)) ** 2
        return replace(baseline, covariance=covariance)


def fit_temperature(
    segments: Sequence[Segment],
    layout: Layout,
    *,
    sigma_ppm_per_k: Array,
    bound_ppm_per_k: Array,
) -> TemperatureEffect | None:
    """Return what earlier units say of the effect of temperature.

    Parameters
    ----------
    segments : sequence of Segment
        Every unit with its temperature.
    layout : Layout
    sigma_ppm_per_k, bound_ppm_per_k : (R,) array
        Of each range's coefficient before any unit told: standard deviation, and
        what it never exceeds.

    Returns
    -------
    TemperatureEffect or None
        None where a temperature was not recorded, or there is no unit.

    Raises
    ------
    SpcError
        A temperature that is not finite, or not one for each unit.

    Notes
    -----
    Each range by itself: regression with a normal prior, once inside segments and once
    between their means, residuals weighted as P. J. Huber, Ann. Math. Statist. 35
    (1964) 73-101 (from memory).

    Examples
    --------
    >>> import numpy as np
    >>> from daemon.spc.layout import layout_of
    >>> warm = np.linspace(18.0, 28.0, 11)
    >>> one = Segment(
    ...     errors_ppm=(20.0 * warm)[:, None], build="1", reels=("",), ambient_c=warm
    ... )
    >>> effect = fit_temperature(
    ...     [one], layout_of([100.0]), sigma_ppm_per_k=np.array([15.0]),
    ...     bound_ppm_per_k=np.array([25.0]),
    ... )
    >>> bool(19.5 < effect.ppm_per_k[0] <= 20.0), effect.at_c
    (True, 23.0)
    """
    known = []
    for index, one in enumerate(segments):
        if one.ambient_c is None:
            return None
        name = f"segments[{index}].ambient_c"
        ambient = finite_array(name, one.ambient_c, at_least=0)
        if len(ambient) != len(one.errors_ppm):
            raise ShapeError(
                argument=name,
                value=f"{len(ambient)} temperatures",
                allowed=f"{len(one.errors_ppm)}, one a unit",
            )
        if len(ambient):
            known.append((np.asarray(one.errors_ppm), ambient))
    if not known:
        return None
    assumed = layout.assumed
    coefficient = np.zeros(layout.ranges)
    sigma = np.zeros(layout.ranges)
    for r in range(layout.ranges):
        tolerance = float(layout.tolerance_ppm[r])
        own = assumed.part_scatter * tolerance
        shared = assumed.part_scatter * layout.unit_ppm
        seen = [~np.isnan(errors[:, r]) for errors, _ in known]
        pairs = [
            (errors[one, r], ambient[one])
            for (errors, ambient), one in zip(known, seen, strict=True)
            if one.any()
        ]
        coefficient[r], sigma[r] = _one_range(
            pairs,
            unit2=own**2 + shared**2,
            level2=(assumed.reel_scatter * tolerance) ** 2
            + (assumed.build_scatter * layout.unit_ppm) ** 2,
            prior2=float(sigma_ppm_per_k[r]) ** 2,
        )
    bound = np.abs(bound_ppm_per_k)
    return TemperatureEffect(
        ppm_per_k=np.clip(coefficient, -bound, bound),
        sigma_ppm_per_k=sigma,
        at_c=float(np.concatenate([ambient for _, ambient in known]).mean()),
    )


def _one_range(
    pairs: Sequence[tuple[Array, Array]],
    *,
    unit2: float,
    level2: float,
    prior2: float,
) -> tuple[float, float]:
    """Return coefficient and standard deviation of one range."""
    if prior2 == 0.0 or not pairs:
        return 0.0, prior2**0.5
    count = np.array([len(errors) for errors, _ in pairs])
    segment = np.repeat(np.arange(len(pairs)), count)
    errors = np.concatenate([errors for errors, _ in pairs])
    ambient = np.concatenate([ambient for _, ambient in pairs])
    # From where a few odd units do not pull: levels are medians to begin with.
    level = np.array([np.median(errors) for errors, _ in pairs])
    warmth = np.array([ambient.mean() for _, ambient in pairs])
    weight = np.ones(len(errors))
    coefficient, variance = 0.0, prior2
    inside2, between2 = unit2, level2
    for _ in range(ITERATIONS):
        x, y = ambient - warmth[segment], errors - level[segment]
        rest = y - coefficient * x
        weight = _cut(rest, inside2)
        inside2 = (UNIT_WEIGHT * unit2 + float(weight @ rest**2)) / (
            UNIT_WEIGHT + len(rest)
        )
        total = np.bincount(segment, weight)
        warmth = np.bincount(segment, weight * ambient) / total
        level = np.bincount(segment, weight * errors) / total
        x, y = ambient - warmth[segment], errors - level[segment]
        precision = 1.0 / prior2 + float(weight @ x**2) / inside2
        toward = float(weight @ (x * y)) / inside2
        # Levels of whole segments: warmer ones against colder ones.
        free = level - coefficient * warmth
        of_mean = 1.0 / (between2 + inside2 / total)
        free -= (of_mean @ free) / of_mean.sum()
        share = _cut(free, 1.0 / of_mean) * of_mean
        between2 = (LEVEL_WEIGHT * level2 + float((share / of_mean) @ free**2)) / (
            LEVEL_WEIGHT + len(level) - 1
        )
        x = warmth - (share @ warmth) / share.sum()
        y = level - (share @ level) / share.sum()
        precision += float(share @ x**2)
        toward += float(share @ (x * y))
        coefficient, variance = toward / precision, 1.0 / precision
    return coefficient, variance**0.5


def _cut(rest: Array, variance: Array | float) -> Array:
    """Return the weight of residuals: less the farther they lie beyond the cut."""
    away = np.abs(rest) / np.sqrt(variance)
    return np.asarray(CUT / np.maximum(away, CUT))
