"""What earlier reels and builds say about the next: the baseline of the detector.

Model of one range error, ppm: e = mean of the range + reel + build + shared part of
this unit + own part of this range. The first three terms are estimated by exact
Gaussian conditioning on the segment means, their variances and the scatter of units
by expectation maximisation to the maximum a posteriori.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.errors import NotFiniteError, OutOfRangeError, ShapeError

Array = NDArray[np.float64]

# Spreads as multiples of the parts' tolerance, with the weight of the prior in degrees
# of freedom. They are the project's own, chosen by simulation.
OWN_SIGMA = 0.15
OWN_POOL_WEIGHT = 2.0
OWN_WEIGHT = 8.0
SHARED_WEIGHT = 4.0
REEL_SIGMA = 0.15
REEL_WEIGHT = 6.0
REEL_SIGMA_CAP = 0.6
BUILD_SIGMA = 0.10
BUILD_WEIGHT = 4.0
MEAN_SIGMA = 0.4
ONE_SEGMENT_WIDENING = 1.4

# Own part of a range: multiples of its variance, and one wide component in multiples
# of the squared tolerance, with their shares; forgives heavy tails and one odd part.
MIXTURE_SCALES = np.array([1.0, 6.25, 1.0])
MIXTURE_WIDE = np.array([0.0, 0.0, 9.0])
ODD_PART_SHARE = 0.005
TAIL_SHARE = 0.05

ITERATIONS = 25


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """Units of one build between two recorded reel changes.

    Parameters
    ----------
    errors_ppm : (n, R) array
        Range errors in ppm of reading, a row a unit; NaN where not measured.
    build : str
        The build; segments of one build share its level. "" is a build of its own.
    reels : tuple of R str
        The reel of each range's part; "" is an unknown reel of its own.
    """

    errors_ppm: NDArray[np.float64]
    build: str
    reels: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelPrior:
    """Gaussian knowledge about the levels of a build before its first unit, in ppm.

    Attributes
    ----------
    mean, covariance : (R,), (R, R)
        Level of each range with the reels that are fitted.
    typical_mean, typical_covariance : (R + 1,), (R + 1, R + 1)
        Level that each range would have with an average reel; last, the build's own
        part of it.
    cross : (R + 1, R)
        Covariance of the typical levels with the levels.
    new : (R,) bool
        Whether the range's reel was never seen.
    """

    mean: Array
    covariance: Array
    typical_mean: Array
    typical_covariance: Array
    cross: Array
    new: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """Estimates from the segments, all in ppm.

    Attributes
    ----------
    tolerance_ppm, sigma_ppm, reel_sigma_ppm : (R,)
        Claimed tolerance of the range's part; scatter of its own part inside a reel;
        scatter of reel means.
    shared_sigma_ppm, build_sigma_ppm : float
        Scatter of the shared part from unit to unit; of the shared level from build to
        build.
    mean, covariance : (Q,), (Q, Q)
        Posterior of the range means, then of `reels`, then of `builds`.
    reels : tuple of (range index, reel)
    builds : tuple of str
    segments, units : int
    """

    tolerance_ppm: Array
    sigma_ppm: Array
    shared_sigma_ppm: float
    reel_sigma_ppm: Array
    build_sigma_ppm: float
    mean: Array
    covariance: Array
    reels: tuple[tuple[int, str], ...]
    builds: tuple[str, ...]
    segments: int
    units: int

    def level_prior(self, *, reels: Sequence[str] = (), build: str = "") -> LevelPrior:
        """Return what is known about a build with these reels before its first unit.

        Parameters
        ----------
        reels : sequence of R str
            The reel of each range; "" or empty for never seen.
        build : str
            A build that a segment came from shares that build's level.
        """
        count = self.tolerance_ppm.size
        names = tuple(reels) or ("",) * count
        if len(names) != count:
            raise ShapeError(
                argument="reels", value=len(names), allowed=f"{count} names or none"
            )
        known_reels = {key: count + i for i, key in enumerate(self.reels)}
        offset = count + len(self.reels)
        known_builds = {key: offset + i for i, key in enumerate(self.builds)}
        typical = np.zeros((count + 1, self.mean.size))
        typical[:count, :count] = np.eye(count)
        if build and build in known_builds:
            typical[:, known_builds[build]] = 1.0
            build_variance = 0.0
        else:
            build_variance = self.build_sigma_ppm**2
        level = typical[:count].copy()
        new = np.ones(count, dtype=np.bool_)
        for index, name in enumerate(names):
            if name and (index, name) in known_reels:
                level[index, known_reels[index, name]] = 1.0
                new[index] = False
        typical_covariance = typical @ self.covariance @ typical.T + build_variance
        covariance = level @ self.covariance @ level.T + build_variance
        covariance += np.diag(np.where(new, self.reel_sigma_ppm**2, 0.0))
        return LevelPrior(
            mean=level @ self.mean,
            covariance=covariance,
            typical_mean=typical @ self.mean,
            typical_covariance=typical_covariance,
            cross=typical @ self.covariance @ level.T + build_variance,
            new=new,
        )


def fit_baseline(segments: Sequence[Segment], tolerance_ppm: ArrayLike) -> Baseline:
    """Return the maximum a posteriori baseline of good segments.

    Parameters
    ----------
    segments : sequence of Segment
        Earlier segments that were good; none leaves the priors alone to judge.
    tolerance_ppm : (R,) array_like
        Claimed tolerance of each range's own part, ppm.

    Returns
    -------
    Baseline

    Raises
    ------
    SpcError
        A tolerance that is not positive, a segment of another number of ranges, an
        infinite error.

    Notes
    -----
    With one range the shared part cannot be told from the range's own part; the prior
    divides the scatter between them.

    Examples
    --------
    >>> fit_baseline([], [1000.0, 1000.0]).sigma_ppm.tolist()
    [150.0, 150.0]
    """
    tolerance = checked_tolerance(tolerance_ppm)
    unit = float(np.median(tolerance))
    ratio = tolerance / unit
    groups = [_checked(s, i, tolerance.size) / unit for i, s in enumerate(segments)]
    used = [i for i, g in enumerate(groups) if g.shape[0]]
    groups = [groups[i] for i in used]
    sigma2, shared2 = _scatter(groups, ratio)
    reels, builds, design = _design([segments[i] for i in used], tolerance.size)
    means, noise = _segment_means(groups, sigma2, shared2)
    tau2, tau_build2, mean, covariance = _levels(
        design, means, noise, ratio, len(reels), len(builds)
    )
    if len(groups) == 1:
        covariance = covariance * ONE_SEGMENT_WIDENING
    return Baseline(
        tolerance_ppm=tolerance,
        sigma_ppm=np.sqrt(sigma2) * unit,
        shared_sigma_ppm=float(np.sqrt(shared2)) * unit,
        reel_sigma_ppm=np.sqrt(tau2) * tolerance,
        build_sigma_ppm=float(np.sqrt(tau_build2)) * unit,
        mean=mean * unit,
        covariance=covariance * unit**2,
        reels=reels,
        builds=builds,
        segments=len(groups),
        units=sum(g.shape[0] for g in groups),
    )


def checked_tolerance(tolerance_ppm: ArrayLike) -> Array:
    """Return the tolerances as an array, or refuse them."""
    tolerance = np.asarray(tolerance_ppm, dtype=np.float64)
    if tolerance.ndim != 1 or tolerance.size == 0:
        raise ShapeError(
            argument="tolerance_ppm",
            value=tolerance.shape,
            allowed="one number for each range",
        )
    for index, value in enumerate(tolerance):
        if not np.isfinite(value) or value <= 0:
            raise OutOfRangeError(
                argument=f"tolerance_ppm[{index}]",
                value=float(value),
                allowed="finite and > 0",
            )
    return tolerance


def _checked(segment: Segment, index: int, count: int) -> Array:
    errors = np.asarray(segment.errors_ppm, dtype=np.float64)
    name = f"segments[{index}]"
    if errors.ndim != 2 or errors.shape[1] != count:
        raise ShapeError(
            argument=f"{name}.errors_ppm",
            value=errors.shape,
            allowed=f"of shape (units, {count})",
        )
    if len(segment.reels) != count:
        raise ShapeError(
            argument=f"{name}.reels", value=len(segment.reels), allowed=f"{count} names"
        )
    if np.isinf(errors).any():
        raise NotFiniteError(argument=f"{name}.errors_ppm", value="infinity")
    return errors[~np.isnan(errors).all(axis=1)]


def _scatter(groups: Sequence[Array], ratio: Array) -> tuple[Array, float]:
    """Own variance of each range and shared variance, inside segments."""
    pool_prior = (OWN_SIGMA**2) * ratio**2
    sigma2 = pool_prior.copy()
    shared2 = float(np.mean(pool_prior))
    if not groups:
        return sigma2, shared2
    count = ratio.size
    centred = []
    freedom = np.zeros(count)
    for group in groups:
        seen = ~np.isnan(group)
        n = seen.sum(axis=0)
        middle = np.array(
            [np.median(group[seen[:, r], r]) if n[r] else 0.0 for r in range(count)]
        )
        centred.append(group - middle)
        freedom += np.maximum(n - 1, 0)
    rows = np.concatenate(centred)
    labels = np.concatenate([np.full(g.shape[0], i) for i, g in enumerate(groups)])
    seen = ~np.isnan(rows)
    data = np.where(seen, rows, 0.0)
    weights = np.where(seen, 1.0, 0.0)
    shares = mixture_shares(count)
    shared_freedom = max(float(rows.shape[0] - len(groups)), 0.0)
    for _ in range(ITERATIONS):
        precision = weights / sigma2
        total = precision.sum(axis=1) + 1.0 / shared2
        shared = (precision * data).sum(axis=1) / total
        residual = data - shared[:, None]
        squares = residual**2 + (1.0 / total)[:, None]
        scales = sigma2[:, None] * MIXTURE_SCALES + MIXTURE_WIDE * ratio[:, None] ** 2
        log_density = (
            np.log(shares) - 0.5 * np.log(scales) - 0.5 * squares[:, :, None] / scales
        )
        log_density -= log_density.max(axis=2, keepdims=True)
        share = np.exp(log_density)
        share /= share.sum(axis=2, keepdims=True)
        weights = np.where(seen, (share / scales).sum(axis=2) * sigma2, 0.0)
        # the segment's own mean is estimated too: recentre, and count it
        for label in range(len(groups)):
            mine = labels == label
            mass = weights[mine].sum(axis=0)
            shift = np.divide(
                (weights[mine] * residual[mine]).sum(axis=0),
                mass,
                out=np.zeros(count),
                where=mass > 0,
            )
            data[mine] = np.where(seen[mine], data[mine] - shift, 0.0)
        squares_sum = (weights * squares).sum(axis=0)
        n = np.maximum(seen.sum(axis=0), 1)
        squares_sum *= freedom / n
        pool = (OWN_POOL_WEIGHT * OWN_SIGMA**2 + (squares_sum / ratio**2).sum()) / (
            OWN_POOL_WEIGHT + freedom.sum()
        )
        sigma2 = (OWN_WEIGHT * pool * ratio**2 + squares_sum) / (OWN_WEIGHT + freedom)
        shared_sum = (shared**2 + 1.0 / total).sum() * shared_freedom / rows.shape[0]
        centre = pool * float(np.mean(ratio**2))
        shared2 = float(
            (SHARED_WEIGHT * centre + shared_sum) / (SHARED_WEIGHT + shared_freedom)
        )
    return sigma2, shared2


def mixture_shares(count: int) -> Array:
    """Return the shares of the three components of a range's own part."""
    odd = ODD_PART_SHARE / count
    return np.array([1.0 - TAIL_SHARE - odd, TAIL_SHARE, odd])


def _design(
    segments: Sequence[Segment], count: int
) -> tuple[tuple[tuple[int, str], ...], tuple[str, ...], Array]:
    """Name reels and builds; return the segment means' design matrix."""
    reels: dict[tuple[int, str], int] = {}
    builds: dict[str, int] = {}
    places = []
    for index, segment in enumerate(segments):
        mine = []
        for r, name in enumerate(segment.reels):
            key = (r, name or f"\0{index}")
            mine.append(reels.setdefault(key, len(reels)))
        build = builds.setdefault(segment.build or f"\0{index}", len(builds))
        places.append((mine, build))
    design = np.zeros((len(segments) * count, count + len(reels) + len(builds)))
    for index, (mine, build) in enumerate(places):
        for r in range(count):
            row = index * count + r
            design[row, r] = 1.0
            design[row, count + mine[r]] = 1.0
            design[row, count + len(reels) + build] = 1.0
    return tuple(reels), tuple(builds), design


def _segment_means(
    groups: Sequence[Array], sigma2: Array, shared2: float
) -> tuple[Array, Array]:
    """Robust segment means with their covariance; a missing range has no row weight."""
    count = sigma2.size
    size = len(groups) * count
    means = np.full(size, np.nan)
    noise = np.zeros((size, size))
    for index, group in enumerate(groups):
        seen = ~np.isnan(group)
        n = seen.sum(axis=0)
        for r in range(count):
            if n[r]:
                means[index * count + r] = _robust_mean(
                    group[seen[:, r], r], float(sigma2[r]) + shared2
                )
        both = seen.astype(float).T @ seen.astype(float)
        denominator = np.maximum(np.outer(n, n), 1)
        block = shared2 * both / denominator + np.diag(sigma2 / np.maximum(n, 1))
        at = slice(index * count, (index + 1) * count)
        noise[at, at] = block
    return means, noise


def _robust_mean(values: Array, variance: float) -> float:
    """Mean that gives a value beyond 2.5 sigma the weight it has at 2.5 sigma."""
    centre = float(np.median(values))
    for _ in range(10):
        distance = np.abs(values - centre) / np.sqrt(variance)
        weight = np.minimum(1.0, 2.5 / np.maximum(distance, 1e-12))
        centre = float((weight * values).sum() / weight.sum())
    return centre


def _levels(
    design: Array,
    means: Array,
    noise: Array,
    ratio: Array,
    reel_count: int,
    build_count: int,
) -> tuple[float, float, Array, Array]:
    """Variance of reels and builds with the posterior of all levels."""
    count = ratio.size
    tau2 = REEL_SIGMA**2
    tau_build2 = BUILD_SIGMA**2
    seen = ~np.isnan(means)
    design, means = design[seen], means[seen]
    noise = noise[np.ix_(seen, seen)]
    reel_at = slice(count, count + reel_count)
    build_at = slice(count + reel_count, count + reel_count + build_count)
    # which range a reel belongs to, from the design: its tolerance scales its spread
    reel_scale = np.ones(reel_count)
    for place in range(reel_count):
        rows = np.flatnonzero(design[:, count + place])
        if rows.size:
            reel_scale[place] = ratio[np.flatnonzero(design[rows[0], :count])[0]]
    size = count + reel_count + build_count
    mean = np.zeros(size)
    covariance = np.diag(
        np.concatenate(
            [
                (MEAN_SIGMA * ratio) ** 2,
                tau2 * reel_scale**2,
                np.full(build_count, tau_build2),
            ]
        )
    )
    if not means.size:
        return tau2, tau_build2, mean, covariance
    for _ in range(ITERATIONS):
        prior = np.concatenate(
            [
                (MEAN_SIGMA * ratio) ** 2,
                tau2 * reel_scale**2,
                np.full(build_count, tau_build2),
            ]
        )
        projected = design * prior
        gain = np.linalg.solve(projected @ design.T + noise, projected).T
        mean = gain @ means
        covariance = np.diag(prior) - gain @ projected
        covariance = 0.5 * (covariance + covariance.T)
        squares = mean**2 + np.diag(covariance)
        tau2 = (
            REEL_WEIGHT * REEL_SIGMA**2 + (squares[reel_at] / reel_scale**2).sum()
        ) / (REEL_WEIGHT + reel_count)
        tau2 = min(tau2, REEL_SIGMA_CAP**2)
        tau_build2 = (BUILD_WEIGHT * BUILD_SIGMA**2 + squares[build_at].sum()) / (
            BUILD_WEIGHT + build_count
        )
    return float(tau2), float(tau_build2), mean, covariance
