"""The detector's inner loops, compiled to machine code when they are first called.

`filtering.fold_unit` and the loops of `scatter` and `baseline` in numpy say the same
and are what these are tested against. Compiled code is kept on the disk, so that only
the very first unit of an installation waits for the compiler.
"""

from collections.abc import Callable
from importlib import import_module
from math import exp, log, sqrt
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


Loops = TypeVar("Loops", bound=Callable[..., Any])


def _compiled(loops: Loops) -> Loops:
    compiled: Loops = import_module("numba").njit(cache=True, error_model="numpy")(
        loops
    )
    return compiled


def _update(
    mean: Array,
    covariance: Array,
    at: int,
    value: float,
    scales: Array,
    shares: Array,
    latent: Array,
    own_number: bool,
    toward: Array,
) -> tuple[float, float]:
    """Take one range into one filter in place.

    Returns the log density and the share of the widest component; see `filtering` for
    what the state is.
    """
    ranges = latent.shape[1]
    size = mean.size
    expected = mean[at]
    for i in range(size):
        toward[i] = covariance[at, i]
    for j in range(latent.shape[0]):
        weight = latent[j, at]
        place = ranges + 1 + j
        expected += weight * mean[place]
        for i in range(size):
            toward[i] += weight * covariance[place, i]
    if own_number:
        expected += mean[ranges]
        for i in range(size):
            toward[i] += covariance[ranges, i]
    own = toward[at]
    for j in range(latent.shape[0]):
        own += latent[j, at] * toward[ranges + 1 + j]
    if own_number:
        own += toward[ranges]
    own = max(own, 0.0)  # see `filtering`
    innovation = value - expected
    square = innovation * innovation
    # the widest component's exponent is the nearest to zero: no sum underflows
    nearest = np.inf
    for c in range(scales.size):
        nearest = min(nearest, square / (scales[c] + own))
    mass = 0.0
    first = 0.0
    second = 0.0
    last = 0.0
    for c in range(scales.size):
        inverse = 1.0 / (scales[c] + own)
        last = shares[c] * sqrt(inverse) * exp(0.5 * (nearest - square * inverse))
        mass += last
        first += last * inverse
        second += last * inverse * inverse
    first /= mass
    second /= mass
    pull = first * innovation
    shrink = first - (second - first * first) * square
    for i in range(size):
        mean[i] += pull * toward[i]
        for j in range(size):
            covariance[i, j] -= shrink * toward[i] * toward[j]
    return log(mass) - 0.5 * nearest, last / mass


_update_compiled = _compiled(_update)


def fold(  # noqa: PLR0912, PLR0917 -- one loop, as it is compiled
    mean: Array,
    covariance: Array,
    errors: Array,
    missing: Bools,
    scales: Array,
    log_shares: Array,
    latent: Array,
    two_reels: Bools,
    second_share: Array,
    order: Ints,
    alive: Bools,
) -> tuple[Array, Array, Array]:
    """Do what `filtering.fold_unit` does, filter by filter.

    Parameters
    ----------
    alive : (B, K) bool
        The others are left as they are; all else as for `filtering.fold_unit`.

    Returns
    -------
    log_density, odd, second
        As the attributes of `filtering.Folded`.
    """
    builds, size, filters = mean.shape
    ranges = errors.shape[1]
    log_density = np.zeros((builds, filters))
    odd = np.zeros((builds, ranges, filters))
    second = second_share.copy()
    shares = np.exp(log_shares)
    toward = np.empty(size)
    m, other_m = np.empty(size), np.empty(size)
    p, other_p = np.empty((size, size)), np.empty((size, size))
    widths = np.empty(shares.size)
    for b in range(builds):
        for k in range(filters):
            if not alive[b, k]:
                continue
            for i in range(size):
                m[i] = mean[b, i, k]
                for j in range(size):
                    p[i, j] = covariance[b, i, j, k]
            for step in range(ranges):
                at = order[b, step]
                if missing[b, at]:
                    continue
                for c in range(widths.size):
                    widths[c] = scales[b, c, at, k]
                value = errors[b, at]
                mixed = two_reels[b, at, k]
                if mixed:
                    other_m[:] = m
                    other_p[:] = p
                alone, wide = _update_compiled(
                    m, p, at, value, widths, shares, latent, False, toward
                )
                if mixed:
                    with_second, other_wide = _update_compiled(
                        other_m,
                        other_p,
                        at,
                        value,
                        widths,
                        shares,
                        latent,
                        True,
                        toward,
                    )
                    share = second_share[b, k]
                    log_first = np.log1p(-share) + alone
                    log_second = log(share) + with_second
                    top = max(log_first, log_second)
                    alone = top + log(exp(log_first - top) + exp(log_second - top))
                    weight = exp(log_second - alone)
                    for i in range(size):
                        toward[i] = other_m[i] - m[i]
                        m[i] += weight * toward[i]
                    for i in range(size):
                        for j in range(size):
                            between = (1.0 - weight) * toward[i] * toward[j]
                            p[i, j] += weight * (other_p[i, j] - p[i, j] + between)
                    wide += weight * (other_wide - wide)
                    second[b, k] = weight
                log_density[b, k] += alone
                odd[b, at, k] = wide
            for i in range(size):
                mean[b, i, k] = m[i]
                for j in range(size):
                    covariance[b, i, j, k] = p[i, j]
    return log_density, odd, second


fold_compiled = _compiled(fold)


def drift(mean: Array, covariance: Array, slope: Ints, first: int, ranges: int) -> None:
    """Let the bench of drifting filters go on by one unit, in place.

    Parameters
    ----------
    mean, covariance : (B, E, K), (B, E, E, K)
        Whose last number is the slope.
    slope : (B, K) int
        Which range drifts, `ranges` for all, below 0 for none.
    first : int
        Where the numbers of the ranges begin that move.
    """
    builds, size, filters = mean.shape
    last = size - 1
    for b in range(builds):
        for k in range(filters):
            place = slope[b, k]
            if place < 0:
                continue
            for r in range(ranges):
                if place not in (r, ranges):
                    continue
                at = first + r
                mean[b, at, k] += mean[b, last, k]
                for j in range(size):
                    covariance[b, at, j, k] += covariance[b, last, j, k]
                for i in range(size):
                    covariance[b, i, at, k] += covariance[b, i, last, k]


drift_compiled = _compiled(drift)


def scatter(  # noqa: PLR0912, PLR0915, PLR0917 -- one loop, as it is compiled
    data: Array,
    seen: Bools,
    segment: Ints,
    segments: int,
    loading: Array,
    ratio2: Array,
    scales: Array,
    wide: Array,
    shares: Array,
    weights: Array,
    own_sigma2: float,
    iterations: int,
) -> Array:
    """Do what the loop of `scatter.fit_scatter` does, unit by unit.

    Parameters
    ----------
    data : (n, R)
        Errors less their segment's median; changed in place.
    segment : (n,) int
        Which of `segments` a unit belongs to.
    loading : (J, R)
    ratio2 : (P,)
        Squared tolerances of the parts over the unit's.
    scales, wide, shares : (C,)
        Of the mixture.
    weights : (3,)
        Of the priors: each part, the pool, the shared stage.

    Returns
    -------
    (P + 1,)
        Variances of the parts, last of the shared stage.
    """
    units, ranges = data.shape
    latents, parts = loading.shape[0], ratio2.size
    counted = np.zeros(ranges)
    freedom = np.zeros(ranges)
    any_seen = np.zeros((segments, ranges))
    for n in range(units):
        for r in range(ranges):
            if seen[n, r]:
                counted[r] += 1.0
                any_seen[segment[n], r] = 1.0
    for r in range(ranges):
        freedom[r] = max(counted[r] - any_seen[:, r].sum(), 0.0)
        counted[r] = max(counted[r], 1.0)
    latent_freedom = max(float(units - segments), 0.0)
    mean_ratio2 = ratio2[:ranges].mean()
    variance = np.empty(parts + 1)
    variance[:parts] = own_sigma2 * ratio2
    variance[parts] = own_sigma2 * mean_ratio2
    weight = seen.astype(np.float64)
    precise = np.empty((latents, latents))
    toward = np.empty(latents)
    for _ in range(iterations):
        own_sum, latent_sum = np.zeros(ranges), np.zeros(latents)
        pulled = np.zeros((segments, ranges))
        mass = np.zeros((segments, ranges))
        for n in range(units):
            for j in range(latents):
                toward[j] = 0.0
                for k in range(latents):
                    precise[j, k] = 0.0
                precise[j, j] = 1.0 / variance[ranges + j]
            for r in range(ranges):
                precision = weight[n, r] / variance[r]
                for j in range(latents):
                    toward[j] += loading[j, r] * precision * data[n, r]
                    for k in range(latents):
                        precise[j, k] += loading[j, r] * precision * loading[k, r]
            covariance = np.linalg.inv(precise)
            mean = covariance @ toward
            for j in range(latents):
                latent_sum[j] += mean[j] ** 2 + covariance[j, j]
            for r in range(ranges):
                if not seen[n, r]:
                    continue
                residual = data[n, r]
                square = 0.0
                for j in range(latents):
                    residual -= loading[j, r] * mean[j]
                    for k in range(latents):
                        square += loading[j, r] * covariance[j, k] * loading[k, r]
                square += residual**2
                total, pull, peak = 0.0, 0.0, -np.inf
                for c in range(scales.size):
                    width = variance[r] * scales[c] + wide[c] * ratio2[r]
                    peak = max(
                        peak, log(shares[c]) - 0.5 * (log(width) + square / width)
                    )
                for c in range(scales.size):
                    width = variance[r] * scales[c] + wide[c] * ratio2[r]
                    share = exp(
                        log(shares[c]) - 0.5 * (log(width) + square / width) - peak
                    )
                    total += share
                    pull += share / width
                weight[n, r] = pull / total * variance[r]
                pulled[segment[n], r] += weight[n, r] * residual
                mass[segment[n], r] += weight[n, r]
                own_sum[r] += weight[n, r] * square
        # a segment's level is estimated from the same units: recentre
        for n in range(units):
            for r in range(ranges):
                if seen[n, r] and mass[segment[n], r] > 0.0:
                    data[n, r] -= pulled[segment[n], r] / mass[segment[n], r]
        pool = weights[1] * own_sigma2
        for r in range(ranges):
            own_sum[r] *= freedom[r] / counted[r]
            pool += own_sum[r] / ratio2[r]
        pool /= weights[1] + freedom.sum()
        for r in range(ranges):
            variance[r] = (weights[0] * pool * ratio2[r] + own_sum[r]) / (
                weights[0] + freedom[r]
            )
        for j in range(latents - 1):
            told = latent_sum[j] * latent_freedom / units
            variance[ranges + j] = (weights[0] * pool * ratio2[ranges + j] + told) / (
                weights[0] + latent_freedom
            )
        told = latent_sum[latents - 1] * latent_freedom / units
        variance[parts] = (weights[2] * pool * mean_ratio2 + told) / (
            weights[2] + latent_freedom
        )
    return variance


scatter_compiled = _compiled(scatter)


def levels(
    design: Array,
    means: Array,
    noise: Array,
    prior: Array,
    reel_ratio2: Array,
    ranges: int,
    weights: Array,
    starts: Array,
    cap2: float,
    iterations: int,
) -> tuple[float, float, Array, Array]:
    """Do what the loop of `baseline._levels` does.

    Parameters
    ----------
    design, means, noise, prior
        As there; the prior is changed in place.
    reel_ratio2 : (reels,)
    weights, starts : (2,)
        Weights of the priors of reels and builds, and their variances.

    Returns
    -------
    reel2, build2, mean, covariance
    """
    reels = reel_ratio2.size
    builds = prior.size - ranges - reels
    reel2, build2 = starts[0], starts[1]
    mean = np.zeros(prior.size)
    covariance = np.diag(prior)
    for _ in range(iterations):
        for i in range(reels):
            prior[ranges + i] = reel2 * reel_ratio2[i]
        prior[ranges + reels :] = build2
        projected = design * prior
        gain = np.linalg.solve(projected @ design.T + noise, projected).T
        mean = gain @ means
        covariance = np.diag(prior) - gain @ projected
        reel_sum, build_sum = 0.0, 0.0
        for i in range(reels):
            at = ranges + i
            reel_sum += (mean[at] ** 2 + covariance[at, at]) / reel_ratio2[i]
        for i in range(ranges + reels, prior.size):
            build_sum += mean[i] ** 2 + covariance[i, i]
        reel2 = (weights[0] * starts[0] + reel_sum) / (weights[0] + reels)
        reel2 = min(reel2, cap2)
        build2 = (weights[1] * starts[1] + build_sum) / (weights[1] + builds)
    return reel2, build2, mean, covariance


levels_compiled = _compiled(levels)


def spawn(  # noqa: PLR0912, PLR0915, PLR0917 -- one loop, as it is compiled
    log_weight: Array,
    shared2: Array,
    factor: Array,
    part2: Array,
    reel2: Array,
    beta: Array,
    mean: Array,
    covariance: Array,
    base_mean: Array,
    base_covariance: Array,
    cause: Ints,
    place: Ints,
    first: Ints,
    slope: Ints,
    new_log_weight: Array,
    new_cause: Ints,
    new_place: Ints,
    new_slope: Ints,
    new_factor: Array,
    own2_factor: Array,
    shared2_factor: Array,
    reel2_factor: Array,
    difference: Array,
    number2: Array,
    spread: Array,
    seen: int,
    unit: int,
    good: int,
    singular2: float,
) -> None:
    """Put hypotheses that start from the likeliest good one over the weakest, in place.

    Parameters
    ----------
    log_weight to slope
        The views of `rows.Rows` of the same names.
    new_log_weight to difference
        The columns of `hypotheses.Table`; the first is relative to all good mass.
    number2 : (H,)
        Variance of the number that a hypothesis uses for itself.
    spread : (B, E, E, H)
        What they add to the base's covariance.
    seen : int
        How many numbers of the state the base knows, R + 1: its last ones.
    unit : int
        The first unit that they concern, from 1.
    good : int
        The cause of a good hypothesis.
    singular2 : float
        Keeps a number without variance from making the regression singular.
    """
    builds, filters = log_weight.shape
    parts, size = part2.shape[1], base_mean.shape[1]
    known = size - seen
    own, grown = np.empty((seen, seen)), np.empty((seen, seen))
    cross, half = np.empty((seen, size)), np.empty((seen, size))
    moved, m = np.empty(seen), np.empty(size)
    p = np.empty((size, size))
    rounded = np.empty(filters)
    own_part2, own_reel2 = np.empty(parts), np.empty(parts)
    for b in range(builds):
        best, peak, mass = -1, -np.inf, 0.0
        for k in range(filters):
            # rounded, so that a change of scale breaks no tie the other way
            rounded[k] = np.rint(log_weight[b, k] * 1e9) / 1e9
            if cause[b, k] == good and log_weight[b, k] > peak:
                best, peak = k, log_weight[b, k]
        for k in range(filters):
            if cause[b, k] == good:
                mass += exp(log_weight[b, k] - peak)
        mass = peak + log(mass)
        # what is known now of the base of the likeliest, as `bank.posterior` has it
        for i in range(seen):
            moved[i] = mean[b, i, best] - base_mean[b, known + i, best]
            for j in range(size):
                cross[i, j] = base_covariance[b, known + i, j, best]
            for j in range(seen):
                own[i, j] = cross[i, known + j]
                grown[i, j] = covariance[b, i, j, best] - cross[i, known + j]
            own[i, i] += singular2
        gain = np.linalg.solve(own, cross)
        for i in range(seen):
            for j in range(size):
                half[i, j] = 0.0
                for k in range(seen):
                    half[i, j] += grown[i, k] * gain[k, j]
        for i in range(size):
            m[i] = base_mean[b, i, best]
            for k in range(seen):
                m[i] += gain[k, i] * moved[k]
            for j in range(size):
                p[i, j] = base_covariance[b, i, j, best]
                for k in range(seen):
                    p[i, j] += gain[k, i] * half[k, j]
        for i in range(size):
            for j in range(i):
                p[i, j] = p[j, i] = 0.5 * (p[i, j] + p[j, i])
        for r in range(parts):
            own_part2[r], own_reel2[r] = part2[b, r, best], reel2[b, r, best]
        own_shared2 = shared2[b, best]
        weakest = np.argsort(rounded, kind="mergesort")[: new_log_weight.size]
        for h in range(weakest.size):
            at = weakest[h]
            log_weight[b, at] = mass + new_log_weight[h]
            cause[b, at], place[b, at] = new_cause[h], new_place[h]
            first[b, at], slope[b, at] = unit, new_slope[h]
            factor[b, at] = new_factor[h]
            shared2[b, at] = own_shared2 * shared2_factor[h]
            beta[b, 0, at] = beta[b, 1, at] = 1.0
        for r in range(parts):
            for h in range(weakest.size):
                part2[b, r, weakest[h]] = own_part2[r] * own2_factor[r, h]
                reel2[b, r, weakest[h]] = own_reel2[r] * reel2_factor[h]
        for i in range(size):
            last = i == size - 1
            for h in range(weakest.size):
                value = difference[h] if last else m[i]
                base_mean[b, i, weakest[h]] = value
                if i >= known:
                    mean[b, i - known, weakest[h]] = value
            for j in range(size):
                alone = last or j == size - 1
                for h in range(weakest.size):
                    if alone:
                        value = number2[h] if i == j else 0.0
                    else:
                        value = p[i, j] + spread[b, i, j, h]
                    base_covariance[b, i, j, weakest[h]] = value
                    if i >= known and j >= known:
                        covariance[b, i - known, j - known, weakest[h]] = value


spawn_compiled = _compiled(spawn)


def robust_mean(values: Array, variance: float) -> float:
    """Return a mean in which a value beyond 2.5 sigma pulls no harder than one at it.

    Parameters
    ----------
    values : (n,)
    variance : float
        Of one value.
    """
    centre = float(np.median(values))
    scale = sqrt(variance)
    for _ in range(10):
        total, pulled = 0.0, 0.0
        for value in values:
            weight = 2.5 / max(abs(value - centre) / scale, 2.5)
            total += weight
            pulled += weight * value
        centre = pulled / total
    return centre


robust_mean_compiled = _compiled(robust_mean)
