"""The detector's inner loops, compiled to machine code when they are first called.

`filtering.fold_unit` and the loops of `scatter` and `baseline` in numpy say the same
and are what these are tested against. Compiled code is kept on the disk, so that only
the very first unit of an installation waits for the compiler.
"""

from collections.abc import Callable
from importlib import import_module
from math import erfc, exp, log, sqrt
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


def _update(  # noqa: PLR0912 -- one loop, as it is compiled
    mean: Array,
    covariance: Array,
    count: int,
    sees: Array,
    value: float,
    widths: Array,
    shares: Array,
    room: Array,
) -> None:
    """Take one reading into `count` filters in place.

    Filters are side by side, (D, N) and (D, D, N), so that what is done to one number
    of each is one vector instruction for several. `sees` (D,) says what the reading
    shows of the state, see `filtering`. `room` (D + 11, N) is for what is reckoned on
    the way; its last two rows hold the log densities and the shares of the widest
    component.
    """
    size = mean.shape[0]
    toward = room[:size]
    own, innovation, square = room[size], room[size + 1], room[size + 2]
    nearest, inverse, share = room[size + 3], room[size + 4], room[size + 5]
    first, second, mass = room[size + 6], room[size + 7], room[size + 8]
    log_density, odd = room[size + 9], room[size + 10]
    for i in range(size):
        for n in range(count):
            toward[i, n] = 0.0
    for n in range(count):
        own[n] = 0.0
        innovation[n] = value
    for i in range(size):
        if sees[i] == 0.0:
            continue
        for n in range(count):
            innovation[n] -= sees[i] * mean[i, n]
        for j in range(size):
            for n in range(count):
                toward[j, n] += sees[i] * covariance[i, j, n]
    for i in range(size):
        for n in range(count):
            own[n] += sees[i] * toward[i, n]
    for n in range(count):
        own[n] = max(own[n], 0.0)  # see `filtering`
        square[n] = innovation[n] * innovation[n]
        nearest[n] = np.inf
        mass[n] = first[n] = second[n] = 0.0
    # the widest component's exponent is the nearest to zero: no sum underflows
    for c in range(shares.size):
        for n in range(count):
            nearest[n] = min(nearest[n], square[n] / (widths[c, n] + own[n]))
    for c in range(shares.size):
        for n in range(count):
            inverse[n] = 1.0 / (widths[c, n] + own[n])
            share[n] = 0.5 * (nearest[n] - square[n] * inverse[n])
        for n in range(count):
            share[n] = exp(share[n])
        for n in range(count):
            share[n] *= shares[c] * sqrt(inverse[n])
            mass[n] += share[n]
            share[n] *= inverse[n]
            first[n] += share[n]
            second[n] += share[n] * inverse[n]
    for n in range(count):
        odd[n] = share[n] / (inverse[n] * mass[n])
        first[n] /= mass[n]
        second[n] /= mass[n]
        # no longer needed: what pulls the mean, what shrinks the covariance
        own[n] = first[n] - (second[n] - first[n] * first[n]) * square[n]
        innovation[n] *= first[n]
    for n in range(count):
        log_density[n] = log(mass[n]) - 0.5 * nearest[n]
    pull, shrink = innovation, own
    for i in range(size):
        for n in range(count):
            mean[i, n] += pull[n] * toward[i, n]
        for j in range(size):
            for n in range(count):
                covariance[i, j, n] -= shrink[n] * toward[i, n] * toward[j, n]


_update_compiled = _compiled(_update)


def fold(  # noqa: PLR0912, PLR0915, PLR0917 -- one loop, as it is compiled
    mean: Array,
    covariance: Array,
    errors: Array,
    missing: Bools,
    part2: Array,
    scales: Array,
    wide: Array,
    log_shares: Array,
    latent: Array,
    two_reels: Bools,
    second_share: Array,
    order: Ints,
    alive: Bools,
) -> tuple[Array, Array, Array]:
    """Do what `filtering.fold_unit` does, the filters of a build side by side.

    Parameters
    ----------
    part2 : (B, P, K)
        Variances of the parts.
    scales : (C,)
        Multiples of them that the components have, and in `wide` (B, C, R) what they
        add, measurement included.
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
    lane, mixed = np.empty(filters, np.int64), np.empty(filters, np.int64)
    m, other_m = np.empty((size, filters)), np.empty((size, filters))
    p = np.empty((size, size, filters))
    other_p = np.empty((size, size, filters))
    room, other_room = np.empty((size + 11, filters)), np.empty((size + 11, filters))
    widths = np.empty((shares.size, filters))
    other_widths = np.empty((shares.size, filters))
    sees, apart = np.empty(size), np.empty(size)
    for b in range(builds):
        count = 0
        for k in range(filters):
            if alive[b, k]:
                lane[count] = k
                count += 1
        for i in range(size):
            for n in range(count):
                m[i, n] = mean[b, i, lane[n]]
            for j in range(size):
                for n in range(count):
                    p[i, j, n] = covariance[b, i, j, lane[n]]
        for step in range(ranges):
            at = order[b, step]
            if missing[b, at]:
                continue
            pairs = 0
            for n in range(count):
                if two_reels[b, at, lane[n]]:
                    mixed[pairs] = n
                    pairs += 1
            for c in range(shares.size):
                for n in range(count):
                    widths[c, n] = scales[c] * part2[b, at, lane[n]] + wide[b, c, at]
                for q in range(pairs):
                    other_widths[c, q] = widths[c, mixed[q]]
            for i in range(size):
                for q in range(pairs):
                    other_m[i, q] = m[i, mixed[q]]
                for j in range(size):
                    for q in range(pairs):
                        other_p[i, j, q] = p[i, j, mixed[q]]
            value = errors[b, at]
            sees[:] = 0.0
            sees[at] = 1.0
            sees[ranges + 1 :] = latent[:, at]
            _update_compiled(m, p, count, sees, value, widths, shares, room)
            if pairs:
                sees[ranges] = 1.0
                _update_compiled(
                    other_m,
                    other_p,
                    pairs,
                    sees,
                    value,
                    other_widths,
                    shares,
                    other_room,
                )
            for q in range(pairs):
                n = mixed[q]
                share = second_share[b, lane[n]]
                log_first = np.log1p(-share) + room[size + 9, n]
                log_second = log(share) + other_room[size + 9, q]
                top = max(log_first, log_second)
                both = top + log(exp(log_first - top) + exp(log_second - top))
                weight = exp(log_second - both)
                room[size + 9, n] = both
                room[size + 10, n] += weight * (
                    other_room[size + 10, q] - room[size + 10, n]
                )
                second[b, lane[n]] = weight
                for i in range(size):
                    apart[i] = other_m[i, q] - m[i, n]
                    m[i, n] += weight * apart[i]
                for i in range(size):
                    for j in range(size):
                        between = (1.0 - weight) * apart[i] * apart[j]
                        p[i, j, n] += weight * (other_p[i, j, q] - p[i, j, n] + between)
            for n in range(count):
                log_density[b, lane[n]] += room[size + 9, n]
                odd[b, at, lane[n]] = room[size + 10, n]
        for i in range(size):
            for n in range(count):
                mean[b, i, lane[n]] = m[i, n]
            for j in range(size):
                for n in range(count):
                    covariance[b, i, j, lane[n]] = p[i, j, n]
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


SPARED = 1e3
"""More than any logarithm of a weight; one that weighs nothing at all stays below."""


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
    spared: int,
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
    spared : int
        The cause of hypotheses that go last, however little they weigh.
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
            if cause[b, k] == spared:
                rounded[k] += SPARED
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


def mixture_quantile(means: Array, sigmas: Array, share: Array, tail: float) -> float:
    """Return the value below which a mixture of normal distributions has a tail's mass.

    Parameters
    ----------
    means, sigmas, share : (n,)
        Standard deviations above 0; shares that sum to 1.
    tail : float
        0 to 1.
    """
    # beyond twelve standard deviations of each none of its mass lies
    low = float((means - 12.0 * sigmas).min())
    high = float((means + 12.0 * sigmas).max())
    for _ in range(40):
        middle = 0.5 * (low + high)
        below = 0.0
        for i in range(means.size):
            below += (
                share[i] * 0.5 * erfc((means[i] - middle) / (sigmas[i] * sqrt(2.0)))
            )
        if below < tail:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


mixture_quantile_compiled = _compiled(mixture_quantile)
