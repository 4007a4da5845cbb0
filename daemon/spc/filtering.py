"""One unit into many Kalman filters at once, range by range, forgiving odd parts.

Arrays end with N, one filter a column, so that numpy's inner loops are long. The state
of a filter is, for R ranges and J latent parts of a unit: levels of the ranges, bench
offset of each range, latent parts, and one number that a hypothesis uses for itself
(a drift, or the difference of a second reel).

The own part of a range is a scale mixture (heavy tails, one odd part); each range is a
scalar update whose posterior is matched in its first two moments. Robust filtering by
moment matching: C. J. Masreliez, IEEE Trans. Autom. Control 20 (1975) 107-110 (from
memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit as N filters see it.

    Attributes
    ----------
    errors : (R, N)
        Range errors; any number where missing.
    missing : (R, N) bool
    scales : (C, R, N)
        Variances of the components of the range's own part, measurement included.
    shares : (C,)
        Prior shares of the components.
    latent : (J, R)
        Sensitivity of the ranges to the latent parts.
    """

    errors: Array
    missing: NDArray[np.bool_]
    scales: Array
    shares: Array
    latent: Array


@dataclass(frozen=True, slots=True)
class Mixed:
    """Filters that hold two reels of one range possible, n of the N.

    `column` (n,) picks them, `share` (n,) is the prior probability that a unit carries
    the second reel, whose difference is the last number of the state.
    """

    column: Ints
    share: Array


@dataclass(frozen=True, slots=True)
class Folded:
    """What the unit told: log density (N,), odd parts (R, N), second reel (n,)."""

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


def fold_unit(
    mean: Array, covariance: Array, unit: Unit, order: Ints, mixed: Mixed
) -> Folded:
    """Update N filters in place by one unit.

    Parameters
    ----------
    mean, covariance : (D, N), (D, D, N)
        Changed in place; the latent parts hold this unit's prior.
    unit : Unit
    order : (R, N) int
        In which order each filter takes the ranges; missing ones come last, before
        them the range whose reels may be mixed.
    mixed : Mixed
    """
    ranges, columns = unit.errors.shape
    log_density = np.zeros(columns)
    odd = np.zeros((ranges, columns))
    at_all = np.arange(columns)
    second = np.zeros(mixed.column.size)
    taken = ranges - unit.missing.sum(axis=0)
    for step in range(ranges):
        at = order[step]
        update = _scalar_update(mean, covariance, unit, at, at_all, extra=False)
        splits = np.flatnonzero(taken[mixed.column] == step + 1)
        split = mixed.column[splits]
        before = mean[:, split], covariance[:, :, split]
        _apply(mean, covariance, update)
        log_density += update.log_density
        odd[at, at_all] = update.odd
        if split.size:
            other = _scalar_update(*before, unit, at[split], split, extra=True)
            share = mixed.share[splits]
            log_first = np.log1p(-share) + update.log_density[split]
            log_second = np.log(share) + other.log_density
            total = np.logaddexp(log_first, log_second)
            weight = np.exp(log_second - total)
            _match(mean, covariance, split, before, other, weight)
            log_density[split] += total - update.log_density[split]
            odd[at[split], split] += weight * (other.odd - update.odd[split])
            second[splits] = weight
    return Folded(log_density=log_density, odd=odd, second=second)


def _scalar_update(
    mean: Array, covariance: Array, unit: Unit, at: Ints, column: Ints, *, extra: bool
) -> _Update:
    """Return the update of filters by one range each.

    `column` says which columns of the unit the filters are; with `extra` the last
    number of the state is added to what is seen.
    """
    ranges = unit.errors.shape[0]
    size, columns = mean.shape
    here = np.arange(columns)
    flat = here + at * (size * columns)
    rows = flat + (np.arange(size) * columns)[:, None]
    values = covariance.reshape(-1)
    toward = values[rows] + values[rows + ranges * size * columns]
    expected = mean[at, here] + mean[at + ranges, here]
    latent = unit.latent[:, at]
    for j, sensitivity in enumerate(latent):
        toward += sensitivity * covariance[2 * ranges + j]
        expected += sensitivity * mean[2 * ranges + j]
    if extra:
        toward += covariance[-1]
        expected += mean[-1]
    own = toward[at, here] + toward[at + ranges, here]
    for j, sensitivity in enumerate(latent):
        own += sensitivity * toward[2 * ranges + j]
    if extra:
        own += toward[-1]
    innovation = unit.errors[at, column] - expected
    square = innovation**2
    total = unit.scales[:, at, column] + own
    log_parts = np.log(unit.shares)[:, None] - 0.5 * (np.log(total) + square / total)
    peak = log_parts.max(axis=0)
    share = np.exp(log_parts - peak)
    mass = share.sum(axis=0)
    share /= mass
    inverse = share / total
    first = inverse.sum(axis=0)
    second = (inverse / total).sum(axis=0)
    seen = ~unit.missing[at, column]
    return _Update(
        toward=toward,
        pull=seen * first * innovation,
        shrink=seen * (first - (second - first**2) * square),
        log_density=seen * (peak + np.log(mass)),
        odd=seen * share[-1],
    )


def _apply(mean: Array, covariance: Array, update: _Update) -> None:
    mean += update.pull * update.toward
    outer = update.toward[:, None] * update.toward
    outer *= update.shrink
    covariance -= outer


def _match(
    mean: Array,
    covariance: Array,
    column: Ints,
    before: tuple[Array, Array],
    other: _Update,
    weight: Array,
) -> None:
    """Mix the branch already applied with the other by matching two moments."""
    other_mean, other_covariance = before[0].copy(), before[1].copy()
    _apply(other_mean, other_covariance, other)
    apart = other_mean - mean[:, column]
    mean[:, column] += weight * apart
    covariance[:, :, column] += weight * (other_covariance - covariance[:, :, column])
    covariance[:, :, column] += weight * (1.0 - weight) * apart[:, None] * apart


def order_of_ranges(
    residual: Array, missing: NDArray[np.bool_], last: NDArray[np.int64]
) -> Ints:
    """Return the order in which each filter takes the ranges, the outermost last.

    Parameters
    ----------
    residual : (R, N)
        Error less what the filter expects.
    missing : (R, N) bool
    last : (N,) int
        A range to take after all others, or -1.
    """
    ranges, columns = residual.shape
    here = np.arange(columns)
    distance = np.where(missing, np.inf, residual)
    if ranges > 2:
        ranked = np.sort(distance, axis=0)
        n = ranges - missing.sum(axis=0)
        low = ranked[np.maximum(n - 1, 0) // 2, here]
        middle = 0.5 * (low + ranked[np.minimum(n // 2, ranges - 1), here])
        distance = distance - np.where(n > 2, middle, 0.0)
    distance = np.abs(distance)
    chosen = np.flatnonzero(last >= 0)
    distance[last[chosen], chosen] = np.finfo(np.float64).max
    distance[missing] = np.inf
    return np.argsort(distance, axis=0, kind="stable")
