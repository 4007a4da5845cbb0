"""Scatter of units inside segments, by robust expectation maximisation.

All in units of the parts' tolerance. The scatter of one unit about its segment's
levels is a sum of the shared stage's part, the common parts' and each range's own.
"""

from collections.abc import Sequence
from importlib import import_module

import numpy as np
from numpy.typing import NDArray

from daemon.spc.layout import Layout

Array = NDArray[np.float64]

# Weights of the priors in degrees of freedom: the project's own, chosen by simulation.
OWN_WEIGHT = 8.0
POOL_WEIGHT = 2.0
SHARED_WEIGHT = 4.0
ITERATIONS = 25

# A range's own part is a mixture that forgives heavy tails and one odd part: multiples
# of its variance, one wide component in squared tolerances, and their shares.
MIXTURE_SCALES = np.array([1.0, 6.25, 36.0, 1.0])
TAIL_SHARE = 0.05
FAR_TAIL_SHARE = 0.01
ODD_PART_SHARE = 0.02
"""Of the units that have one, in whichever range."""


def mixture_shares(ranges: int) -> Array:
    """Return the shares of the mixture's components for a product of some ranges."""
    odd = ODD_PART_SHARE / ranges
    tails = TAIL_SHARE, FAR_TAIL_SHARE
    return np.array([1.0 - sum(tails) - odd, *tails, odd])


def mixture_wide(layout: Layout) -> Array:
    """Return what the components add to a part's variance, squared tolerances."""
    return np.array([0.0, 0.0, 0.0, layout.assumed.odd_part**2])


def fit_scatter(groups: Sequence[Array], layout: Layout) -> tuple[Array, float]:
    """Return the variance of each part inside a reel and of the shared stage.

    Parameters
    ----------
    groups : sequence of (n, R)
        Range errors of the segments in tolerances, NaN where not measured.
    layout : Layout

    Returns
    -------
    part2 : (P,)
        Variances of the ranges' own parts, then of the common parts.
    shared2 : float
    """
    count = layout.ranges
    ratio2 = layout.ratio**2
    own2 = layout.assumed.part_scatter**2
    if not groups:
        return own2 * ratio2, own2 * float(np.mean(ratio2[:count]))
    rows = np.concatenate(groups)
    seen = ~np.isnan(rows)
    segment = np.repeat(np.arange(len(groups)), [len(g) for g in groups])
    variance = import_module("daemon.spc.compiled").scatter_compiled(
        np.where(seen, rows - _medians(groups)[segment], 0.0),
        seen,
        segment,
        len(groups),
        layout.latent,
        ratio2,
        MIXTURE_SCALES,
        mixture_wide(layout),
        mixture_shares(count),
        np.array([OWN_WEIGHT, POOL_WEIGHT, SHARED_WEIGHT]),
        own2,
        ITERATIONS,
    )
    return variance[:-1], float(variance[-1])


def _medians(groups: Sequence[Array]) -> Array:
    """Median of each segment and range; 0 where nothing was measured."""
    middle = np.zeros((len(groups), groups[0].shape[1]))
    for row, group in zip(middle, groups, strict=True):
        for r in range(row.size):
            values = group[~np.isnan(group[:, r]), r]
            if values.size:
                row[r] = np.median(values)
    return middle
