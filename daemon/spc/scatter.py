"""Scatter of units inside segments, by robust expectation maximisation.

All in units of the parts' tolerance. The scatter of one unit about its segment's
levels is a sum of the shared stage's part, the common parts' and each range's own.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from daemon.spc.layout import Layout

Array = NDArray[np.float64]

# Standard deviations as multiples of the tolerance, and the weights of the priors in
# degrees of freedom: the project's own, chosen by simulation.
OWN_SIGMA = 0.15
OWN_WEIGHT = 8.0
POOL_WEIGHT = 2.0
SHARED_WEIGHT = 4.0
ITERATIONS = 25

# A range's own part is a mixture that forgives heavy tails and one odd part: multiples
# of its variance, one wide component in squared tolerances, and their shares.
MIXTURE_SCALES = np.array([1.0, 6.25, 1.0])
MIXTURE_WIDE = np.array([0.0, 0.0, 9.0])
TAIL_SHARE = 0.05
ODD_PART_SHARE = 0.005


def mixture_shares(ranges: int) -> Array:
    """Return the shares of the mixture's components for a product of some ranges."""
    odd = ODD_PART_SHARE / ranges
    return np.array([1.0 - TAIL_SHARE - odd, TAIL_SHARE, odd])


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
    part2 = OWN_SIGMA**2 * ratio2
    shared2 = OWN_SIGMA**2 * float(np.mean(ratio2[:count]))
    if not groups:
        return part2, shared2
    rows = np.concatenate(groups)
    seen = ~np.isnan(rows)
    membership = _membership([len(g) for g in groups])
    data = np.where(seen, rows - membership.T @ _medians(groups), 0.0)
    n = np.maximum(seen.sum(axis=0), 1)
    segments_seen = (membership @ seen > 0).sum(axis=0)
    freedom = np.maximum(seen.sum(axis=0) - segments_seen, 0).astype(np.float64)
    latent_freedom = max(float(len(rows) - len(groups)), 0.0)
    loading = layout.latent
    shares = mixture_shares(count)
    wide = MIXTURE_WIDE * ratio2[:count, None]
    weights = seen.astype(np.float64)
    for _ in range(ITERATIONS):
        own2 = part2[:count]
        precision = weights / own2
        latent, latent_cov = _latent(
            data, precision, loading, np.append(part2[count:], shared2)
        )
        residual = data - latent @ loading
        spread = np.einsum("jr,njk,kr->nr", loading, latent_cov, loading)
        squares = residual**2 + spread
        scales = own2[:, None] * MIXTURE_SCALES + wide
        log_density = np.log(shares) - 0.5 * (
            np.log(scales) + squares[:, :, None] / scales
        )
        density = np.exp(log_density - log_density.max(axis=2, keepdims=True))
        density /= density.sum(axis=2, keepdims=True)
        weights = np.where(seen, (density / scales).sum(axis=2) * own2, 0.0)
        # a segment's level is estimated from the same units: recentre
        mass = membership @ weights
        shift = np.divide(
            membership @ (weights * residual),
            mass,
            out=np.zeros_like(mass),
            where=mass > 0,
        )
        data = np.where(seen, data - membership.T @ shift, 0.0)
        own_sum = (weights * squares).sum(axis=0) * freedom / n
        pool = (POOL_WEIGHT * OWN_SIGMA**2 + (own_sum / ratio2[:count]).sum()) / (
            POOL_WEIGHT + freedom.sum()
        )
        latent_sum = (latent**2).sum(axis=0) + np.einsum("njj->j", latent_cov)
        latent_sum *= latent_freedom / len(rows)
        part2 = np.concatenate(
            [
                (OWN_WEIGHT * pool * ratio2[:count] + own_sum) / (OWN_WEIGHT + freedom),
                (OWN_WEIGHT * pool * ratio2[count:] + latent_sum[:-1])
                / (OWN_WEIGHT + latent_freedom),
            ]
        )
        centre = pool * float(np.mean(ratio2[:count]))
        shared2 = float(
            (SHARED_WEIGHT * centre + latent_sum[-1]) / (SHARED_WEIGHT + latent_freedom)
        )
    return part2, shared2


def _latent(
    data: Array, precision: Array, loading: Array, variance: Array
) -> tuple[Array, Array]:
    """Mean (n, J) and covariance (n, J, J) of what units have in common."""
    if len(variance) == 1:
        covariance = 1.0 / (1.0 / variance[0] + precision @ loading[0] ** 2)
        mean = covariance * ((precision * data) @ loading[0])
        return mean[:, None], covariance[:, None, None]
    inverse = np.einsum("jr,nr,kr->njk", loading, precision, loading)
    covariance = np.linalg.inv(inverse + np.diag(1.0 / variance))
    mean = np.einsum("njk,kr,nr->nj", covariance, loading, precision * data)
    return mean, covariance


def _membership(sizes: Sequence[int]) -> Array:
    """Rows of ones: which units belong to which segment, shape (segments, n)."""
    return np.repeat(np.eye(len(sizes)), sizes, axis=1)


def _medians(groups: Sequence[Array]) -> Array:
    """Median of each segment and range; 0 where nothing was measured."""
    middle = np.zeros((len(groups), groups[0].shape[1]))
    for row, group in zip(middle, groups, strict=True):
        for r in range(row.size):
            values = group[~np.isnan(group[:, r]), r]
            if values.size:
                row[r] = np.median(values)
    return middle
