"""One unit into many Kalman filters at once, range by range, forgiving odd parts.

Arrays are (B, ..., K): B units of different builds, K filters each. The state of a
filter is, for R ranges and J latent parts of a unit: levels of the ranges, one number
that a hypothesis uses for itself, latent parts. The own part of a range is a scale
mixture (heavy tails, one odd part); each range is a scalar update whose posterior is
matched in its first two moments. Robust filtering of this kind: C. J. Masreliez, IEEE
Trans. Autom. Control 20 (1975) 107-110 (from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit of each build as its filters see it.

    Attributes
    ----------
    errors : (B, R)
        Range errors; any number where missing.
    missing : (B, R) bool
    scales : (B, C, R, K)
        Variances of the components of the range's own part, measurement included.
    log_shares : (C,)
        Logarithms of the components' prior shares.
    latent : (J, R)
        Sensitivity of the ranges to the latent parts.
    two_reels : (B, R, K) bool
        Where a filter holds it possible that a unit carries a second reel, whose
        difference is the state's number of its own.
    second_share : (B, K)
        Prior probability that it does.
    """

    errors: Array
    missing: NDArray[np.bool_]
    scales: Array
    log_shares: Array
    latent: Array
    two_reels: NDArray[np.bool_]
    second_share: Array


@dataclass(frozen=True, slots=True)
class Folded:
    """What the unit told.

    Attributes
    ----------
    log_density : (B, K)
        Of all ranges together, less a constant.
    odd : (B, R, K)
        Probability that the range's own part is of the widest component.
    second : (B, K)
        Probability that the unit carries the second reel; the prior one where unseen.
    """

    log_density: Array
    odd: Array
    second: Array


@dataclass(frozen=True, slots=True)
class _Update:
    """One scalar update: mean += pull * toward, covariance -= shrink * toward^2."""

    toward: Array
    pull: Array
    shrink: Array
    log_density: Array
    odd: Array


def fold_unit(mean: Array, covariance: Array, unit: Unit, order: Ints) -> Folded:
    """Update filters in place by one unit of each build.

    Parameters
    ----------
    mean, covariance : (B, D, K), (B, D, D, K)
        Changed in place; the latent parts hold this unit's prior.
    unit : Unit
    order : (B, R) int
        In which order the ranges are taken, missing ones last.
    """
    builds, ranges = unit.errors.shape
    here = np.arange(builds)
    log_density = np.zeros((builds, mean.shape[2]))
    odd = np.zeros((builds, ranges, mean.shape[2]))
    second = unit.second_share.copy()
    for step in range(int((~unit.missing).sum(axis=1).max(initial=0))):
        at = order[:, step]
        seen = ~unit.missing[here, at]
        update = _scalar_update(
            mean,
            covariance,
            unit.errors[here, at],
            unit.scales[here, :, at],
            unit,
            at,
            seen,
        )
        build, column = np.nonzero(unit.two_reels[here, at] & seen[:, None])
        before = mean[build, :, column], covariance[build, :, :, column]
        _apply(mean, covariance, update)
        log_density += update.log_density
        odd[here, at] = update.odd
        if build.size:
            place = at[build]
            other = _scalar_update(
                before[0][..., None],
                before[1][..., None],
                unit.errors[build, place],
                unit.scales[build, :, place, column][..., None],
                unit,
                place,
                seen[build],
                own_number=True,
            )
            share = unit.second_share[build, column]
            alone = update.log_density[build, column]
            log_first = np.log1p(-share) + alone
            log_second = np.log(share) + other.log_density[:, 0]
            total = np.logaddexp(log_first, log_second)
            weight = np.exp(log_second - total)
            _match(mean, covariance, (build, column), before, other, weight)
            log_density[build, column] += total - alone
            apart = other.odd[:, 0] - update.odd[build, column]
            odd[build, place, column] += weight * apart
            second[build, column] = weight
    return Folded(log_density=log_density, odd=odd, second=second)


def _scalar_update(
    mean: Array,
    covariance: Array,
    errors: Array,
    scales: Array,
    unit: Unit,
    at: Ints,
    seen: NDArray[np.bool_],
    *,
    own_number: bool = False,
) -> _Update:
    """Return the update by one range of each build.

    With `own_number` the state's number of its own is part of what is seen.
    """
    builds = errors.shape[0]
    ranges = unit.errors.shape[1]
    here = np.arange(builds)
    toward = covariance[here, at]
    expected = mean[here, at]
    latent = unit.latent[:, at]
    added = [(ranges + 1 + j, row[:, None]) for j, row in enumerate(latent)]
    if own_number:
        added.append((ranges, np.ones((1, 1))))
    for index, sensitivity in added:
        toward += sensitivity[..., None] * covariance[:, index]
        expected = expected + sensitivity * mean[:, index]
    own = toward[here, at]
    for index, sensitivity in added:
        own = own + sensitivity * toward[:, index]
    # Readings of a million times the limit leave rounding where variance was.
    own = np.maximum(own, 0.0)
    innovation = errors[:, None] - expected
    square = innovation * innovation
    total = scales + own[:, None]
    inverse = 1.0 / total
    log_parts = unit.log_shares[:, None] - 0.5 * (
        np.log(total) + square[:, None] * inverse
    )
    peak = log_parts.max(axis=1)
    share = np.exp(log_parts - peak[:, None])
    mass = share.sum(axis=1)
    share /= mass[:, None]
    weighted = share * inverse
    first = weighted.sum(axis=1)
    second = (weighted * inverse).sum(axis=1)
    mask = seen[:, None]
    return _Update(
        toward=toward,
        pull=mask * first * innovation,
        shrink=mask * (first - (second - first * first) * square),
        log_density=mask * (peak + np.log(mass)),
        odd=mask * share[:, -1],
    )


def _apply(mean: Array, covariance: Array, update: _Update) -> None:
    toward = update.toward
    mean += update.pull[:, None] * toward
    outer = toward[:, :, None] * toward[:, None]
    outer *= update.shrink[:, None, None]
    covariance -= outer


def _match(
    mean: Array,
    covariance: Array,
    at: tuple[Ints, Ints],
    before: tuple[Array, Array],
    other: _Update,
    weight: Array,
) -> None:
    """Mix the branch already applied with the other by matching two moments."""
    build, column = at
    other_mean, other_covariance = before[0][..., None], before[1][..., None]
    _apply(other_mean, other_covariance, other)
    apart = other_mean[..., 0] - mean[build, :, column]
    mean[build, :, column] += weight[:, None] * apart
    difference = other_covariance[..., 0] - covariance[build, :, :, column]
    between = (1.0 - weight)[:, None, None] * apart[:, :, None] * apart[:, None]
    covariance[build, :, :, column] += weight[:, None, None] * (difference + between)


def order_of_ranges(residual: Array, missing: NDArray[np.bool_]) -> Ints:
    """Return the order in which to take the ranges: the outermost last.

    Outermost is farthest from the median over ranges, with one or two ranges from
    zero. Missing ranges come after all others.

    Parameters
    ----------
    residual, missing : (B, R)

    Returns
    -------
    (B, R) int
    """
    builds, ranges = residual.shape
    distance = np.where(missing, np.inf, residual)
    if ranges > 2:
        here = np.arange(builds)
        ranked = np.sort(distance, axis=1)
        n = ranges - missing.sum(axis=1)
        low = ranked[here, np.maximum(n - 1, 0) // 2]
        high = ranked[here, np.minimum(n // 2, ranges - 1)]
        middle = np.where(n > 2, 0.5 * (low + high), 0.0)
        distance = distance - middle[:, None]
    distance = np.where(missing, np.inf, np.abs(distance))
    # of an even number the two in the middle are equally far: nearer to zero first,
    # not as rounding has it
    return np.lexsort((np.abs(residual), np.round(distance, 9)), axis=1)
