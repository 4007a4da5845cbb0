"""What loose parts of a reel, read before it is fitted, tell the line of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, pi, sqrt

import numpy as np

from daemon.spc.detector import Layout, MeasuredReel, state as st

AVERAGE = 0.2
"""Standard deviation of an average reel from nominal, tolerances (the project's own
choice): loose parts are read from nominal, the line goes by an average reel."""
LEAST_FACTOR = 0.1
"""So much of its suspicion a reel keeps whatever its loose parts read: they come from
one end of it (the project's own choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LooseParts:
    """Loose parts of one reel: from nominal, ppm, with the variance of their mean."""

    mean_ppm: float
    variance_ppm2: float


def loose_parts(deviations_ppm: Sequence[float], uncertainty_ppm: float) -> LooseParts:
    """Return what parts tell of their reel.

    Parameters
    ----------
    deviations_ppm
        Of each from nominal; two at least.
    uncertainty_ppm
        Standard uncertainty that all share.
    """
    values = np.asarray(deviations_ppm, dtype=np.float64)
    of_mean = float(values.var(ddof=1)) / values.size
    return LooseParts(
        mean_ppm=float(values.mean()), variance_ppm2=of_mean + uncertainty_ppm**2
    )


def measured_reel(
    layout: Layout,
    part: int,
    effect: float,
    found: LooseParts,
    earlier: Sequence[LooseParts],
) -> MeasuredReel:
    """Return what the line expects of a reel by its loose parts.

    Parameters
    ----------
    part
        Place of the part in the layout.
    effect
        Relative change of the level over that of the part.
    earlier
        Loose parts of reels of this part that the line has had: they tell how far an
        average reel is from nominal.
    """
    assumed = layout.assumed
    tolerance_ppm = float(layout.ratio[part]) * layout.unit_ppm
    tau2 = (assumed.reel_scatter * tolerance_ppm) ** 2
    average, average2 = 0.0, (AVERAGE * tolerance_ppm) ** 2
    if earlier:
        of_earlier2 = tau2 / len(earlier)
        share = average2 / (average2 + of_earlier2)
        mean_ppm = sum(one.mean_ppm for one in earlier) / len(earlier)
        average, average2 = share * effect * mean_ppm, share * of_earlier2
    level_ppm = effect * found.mean_ppm - average
    variance2 = effect**2 * found.variance_ppm2 + average2
    good = _density(level_ppm, tau2 + variance2)
    off = sum(
        share * _density(level_ppm, tau2 + variance2 + (size * tolerance_ppm) ** 2)
        for share, size in zip(st.OFF_SHARES, assumed.reel_shifts, strict=True)
    )
    factor = 1.0 if good <= off else max(off / good, LEAST_FACTOR)
    return MeasuredReel(
        level_ppm=level_ppm * tau2 / (tau2 + variance2), off_factor=factor
    )


def _density(value: float, variance: float) -> float:
    return exp(-0.5 * value**2 / variance) / sqrt(2 * pi * variance)
