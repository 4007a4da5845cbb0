"""Units judged within their reel, and reels among reels.

Ordinary reels differ, so limits from one reel's units alone signal at every good reel
change. Here a reel's level is unknown within what reels differ by: its first unit has
limits of both scatters together, and with each unit they close in on the reel's own
level. The reel as a whole is judged beside, by the mean of its units.

References
----------
S. R. Searle, G. Casella and C. E. McCulloch, Variance Components (1992), chapter 7
(prediction of random effects).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike

from daemon.spc.checks import (
    finite,
    finite_array,
    not_negative,
    positive,
)
from daemon.spc.control_limits import (
    GIVEN,
    Exclusion,
    Limits,
    Provenance,
    SigmaMethod,
    kept,
    segment_bounds,
    some_spread,
)
from daemon.spc.errors import TooFewError
from daemon.spc.variance.one_way import one_way_components


@dataclass(frozen=True, slots=True, kw_only=True)
class ReelLimits:
    """How units differ within a reel, and reels from each other.

    Parameters
    ----------
    centre, centre_sigma : float
        Mean over reels and its standard error.
    sigma_within : float
        Standard deviation of units of one reel, above 0.
    sigma_between : float
        Standard deviation of reels, at least 0.
    width : float
        Distance of the limits, in standard deviations of what is judged.
    provenance : Provenance
        Where they came from; `segments` counts reels.

    Raises
    ------
    SpcError
        For a number outside its bounds.
    """

    centre: float
    sigma_within: float
    sigma_between: float
    centre_sigma: float = 0.0
    width: float = 3.0
    provenance: Provenance = GIVEN

    def __post_init__(self) -> None:
        finite("centre", self.centre)
        positive("sigma_within", self.sigma_within)
        not_negative("sigma_between", self.sigma_between)
        not_negative("centre_sigma", self.centre_sigma)
        positive("width", self.width)

    @property
    def level_variance(self) -> float:
        """Variance of the level of a reel of which no unit is known yet."""
        return self.sigma_between**2 + self.centre_sigma**2

    def of_mean(self, units: int) -> Limits:
        """Return the limits for the mean of the first `units` of a new reel.

        Examples
        --------
        >>> limits = ReelLimits(centre=0.0, sigma_within=150.0, sigma_between=200.0)
        >>> limits.of_mean(1).upper  # ppm
        750.0
        """
        variance = self.level_variance + self.sigma_within**2 / positive("units", units)
        return Limits(
            centre=self.centre,
            sigma=sqrt(variance),
            width=self.width,
            provenance=self.provenance,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ReelPoint:
    """One unit within its reel, and the reel so far.

    Parameters
    ----------
    n, in_reel : int
        Counted from 1: units in all, and of this reel.
    value, z : float
        The unit, and its distance from what was predicted from the earlier units of
        its reel, in standard deviations of that prediction: independent and
        standard normal while all is well, so that run rules apply.
    centre, lower, upper : float
        The prediction and its limits.
    signal : bool
        Whether the unit is beyond them.
    reel_mean, reel_z : float
        Mean of the reel's units so far, and its distance from the mean of reels in
        standard deviations of such a mean.
    reel_signal : bool
        Whether the reel as a whole is beyond what reels differ by.
    """

    n: int
    in_reel: int
    value: float
    z: float
    centre: float
    lower: float
    upper: float
    signal: bool
    reel_mean: float
    reel_z: float
    reel_signal: bool


@dataclass(slots=True, kw_only=True)
class ReelChart:
    """Watch units within reels whose levels differ.

    Parameters
    ----------
    limits : ReelLimits
        From `reel_limits`.
    n, in_reel : int
        Units so far, in all and of this reel.
    total : float
        Sum of this reel's deviations from the centre.

    Examples
    --------
    >>> limits = ReelLimits(centre=0.0, sigma_within=150.0, sigma_between=200.0)
    >>> chart = ReelChart(limits=limits)
    >>> [round(chart.update(x).upper) for x in (300.0, 300.0, 300.0)]  # ppm
    [750, 768, 765]
    >>> chart.boundary()
    >>> chart.update(300.0).upper
    750.0
    """

    limits: ReelLimits
    n: int = 0
    in_reel: int = 0
    total: float = 0.0

    def boundary(self) -> None:
        """Begin a new reel with the next unit."""
        self.in_reel, self.total = 0, 0.0

    def update(self, x: float) -> ReelPoint:
        """Take one unit of the present reel; constant cost.

        Raises
        ------
        NotFiniteError
            For NaN or infinity; the chart is left as it was.
        """
        limits = self.limits
        deviation = finite("x", x) - limits.centre
        level, noise = limits.level_variance, limits.sigma_within**2
        # The level given the earlier units: shrunk from their mean to the centre.
        shrunk = level / (noise + self.in_reel * level)
        predicted = shrunk * self.total
        sigma = sqrt(noise * (1.0 + shrunk))
        z = (deviation - predicted) / sigma
        self.n += 1
        self.in_reel += 1
        self.total += deviation
        mean = self.total / self.in_reel
        reel_z = mean / sqrt(level + noise / self.in_reel)
        centre = limits.centre + predicted
        return ReelPoint(
            n=self.n,
            in_reel=self.in_reel,
            value=x,
            z=z,
            centre=centre,
            lower=centre - limits.width * sigma,
            upper=centre + limits.width * sigma,
            signal=abs(z) > limits.width,
            reel_mean=limits.centre + mean,
            reel_z=reel_z,
            reel_signal=abs(reel_z) > limits.width,
        )


def reel_limits(
    x: ArrayLike,
    *,
    segment_starts: Sequence[int] = (),
    exclude: Iterable[Exclusion] = (),
    sigma_between: float | None = None,
    width: float = 3.0,
) -> ReelLimits:
    """Return within- and between-reel limits from a baseline.

    Parameters
    ----------
    x : array_like, shape (n,)
        Baseline values in the order they were taken.
    segment_starts : sequence of int
        Positions in `x` (from 0) at which a new reel begins.
    exclude : iterable of Exclusion
        Values with a recorded cause, left out.
    sigma_between : float or None
        Standard deviation of reels where it is known; None to estimate it, for which
        there must be two reels or more. Few reels tell little about it: its interval
        from `one_way_components` is wide.
    width : float
        Distance of the limits, in standard deviations of what is judged.

    Returns
    -------
    ReelLimits
        In the unit of `x`.

    Raises
    ------
    SpcError
        For values that are not finite or without spread, a position outside `x`, or
        one reel alone without `sigma_between`.

    Examples
    --------
    >>> limits = reel_limits([10.0, 30.0, 110.0, 90.0], segment_starts=[2])
    >>> limits.centre, round(limits.sigma_within, 2), round(limits.sigma_between, 2)
    (60.0, 14.14, 55.68)
    """
    values = finite_array("x", x, at_least=2)
    keep, excluded = kept("x", len(values), exclude)
    bounds = segment_bounds(segment_starts, len(values))
    reels = [values[start:end][keep[start:end]] for start, end in bounds]
    reels = [reel for reel in reels if len(reel)]
    freedom = sum(len(reel) - 1 for reel in reels)
    if freedom < 1:
        raise TooFewError(
            argument="units in the largest reel of x",
            value=max(map(len, reels), default=0),
            allowed=">= 2",
        )
    squares = sum(float(np.sum((reel - reel.mean()) ** 2)) for reel in reels)
    some_spread("x within reels", reels)
    within = sqrt(squares / freedom)
    if sigma_between is None:
        if len(reels) < 2:
            raise TooFewError(
                argument="reels in x",
                value=len(reels),
                allowed=">= 2, or sigma_between given",
            )
        sigma_between = one_way_components(reels).s_across
    weights = 1.0 / (
        not_negative("sigma_between", sigma_between) ** 2
        + within**2 / np.array([len(reel) for reel in reels])
    )
    means = np.array([reel.mean() for reel in reels])
    return ReelLimits(
        centre=float(weights @ means / weights.sum()),
        centre_sigma=float(1.0 / np.sqrt(weights.sum())),
        sigma_within=within,
        sigma_between=sigma_between,
        width=width,
        provenance=Provenance(
            method=SigmaMethod.POOLED,
            used=sum(map(len, reels)),
            degrees_of_freedom=float(freedom),
            segments=len(reels),
            excluded=excluded,
        ),
    )
