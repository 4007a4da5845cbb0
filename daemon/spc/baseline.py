"""What earlier reels and builds say about the next: the baseline of the detector.

Model of one range error, ppm: mean of the range + reels of its parts + build + what
this unit has in common + its own part. The first three are estimated by exact Gaussian
conditioning on the segment means; the variances to the maximum a posteriori.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from importlib import import_module

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.errors import NotFiniteError, ShapeError
from daemon.spc.layout import CommonPart, Layout, layout_of
from daemon.spc.scatter import ITERATIONS, fit_scatter

Array = NDArray[np.float64]

# Weights of the priors in degrees of freedom: the project's own, chosen by simulation.
REEL_WEIGHT = 6.0
BUILD_WEIGHT = 4.0
ONE_SEGMENT_WIDENING = 1.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """Units of one build between two recorded reel changes.

    Parameters
    ----------
    errors_ppm : (n, R) array
        Range errors in ppm of reading, a row a unit; NaN where not measured.
    build : str
        The build; segments of one build share its level. "" is a build of its own.
    reels : tuple of P str
        The reel of each part, one a range, then the common parts; "" is a reel of
        its own that nothing else knows.
    ambient_c : (n,) array or None
        Temperature of each unit's measurement; None where one was not recorded.
    """

    errors_ppm: NDArray[np.float64]
    build: str
    reels: tuple[str, ...]
    ambient_c: NDArray[np.float64] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelPrior:
    """Knowledge about a build before its first unit, ppm.

    Attributes
    ----------
    mean, covariance : (E,), (E, E)
        E = P + 1 + R: how far each part's reel lies from an average one, the build's
        own level, then the level of each range that follows from them.
    new : (P,) bool
        Whether the part's reel was never seen.
    """

    mean: Array
    covariance: Array
    new: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """Estimates from the segments.

    Attributes
    ----------
    layout : Layout
    sigma_ppm, reel_sigma_ppm : (P,)
        Scatter of each part inside a reel; scatter of reel means, ppm.
    shared_sigma_ppm, build_sigma_ppm : float
        Scatter of the shared stage from unit to unit; of its level from build to
        build, ppm.
    mean, covariance : (Q,), (Q, Q)
        Posterior of the range means, then of `reels`, then of `builds`, ppm.
    reels : tuple of (part index, reel)
    builds : tuple of str
    segments, units : int
        What it was fitted to.
    """

    layout: Layout
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
        reels : sequence of P str
            The reel of each part; "" never seen; empty for all never seen.
        build : str
            A build that a segment came from shares that build's level.
        """
        count, parts = self.layout.ranges, self.layout.parts
        names = tuple(reels) or ("",) * parts
        if len(names) != parts:
            raise ShapeError(
                argument="reels",
                value=f"{len(names)} names",
                allowed=f"{parts} names, one a part, or none",
            )
        source = np.zeros((parts + 1, self.mean.size))
        fresh = np.append(self.reel_sigma_ppm**2, self.build_sigma_ppm**2)
        for index, name in enumerate(names):
            if name and (index, name) in self.reels:
                source[index, count + self.reels.index((index, name))] = 1.0
                fresh[index] = 0.0
        if build and build in self.builds:
            place = count + len(self.reels) + self.builds.index(build)
            source[parts, place] = 1.0
            fresh[parts] = 0.0
        along = directions(self.layout)
        rows = along.T @ source
        rows[parts + 1 :, :count] += np.eye(count)
        return LevelPrior(
            mean=rows @ self.mean,
            covariance=rows @ self.covariance @ rows.T + (along.T * fresh) @ along,
            new=fresh[:parts] > 0.0,
        )


def directions(layout: Layout) -> Array:
    """Return what each part, and last the build, does to a build's state.

    Shape (P + 1, P + 1 + R): to the parts, to the build, to the level of each range.
    """
    parts = layout.parts
    levels = np.vstack([layout.sensitivity, np.ones(layout.ranges)])
    return np.hstack([np.eye(parts + 1), levels])


def fit_baseline(
    segments: Sequence[Segment],
    tolerance_ppm: ArrayLike,
    common_parts: Sequence[CommonPart] = (),
) -> Baseline:
    """Return the maximum a posteriori baseline of good segments.

    Parameters
    ----------
    segments : sequence of Segment
        Earlier segments that were good; with none the priors alone judge. Two or more
        are advised: one cannot tell how much reels differ.
    tolerance_ppm : (R,) array_like
        Claimed tolerance of each range's own part, ppm.
    common_parts : sequence of CommonPart
        Parts that some ranges have in common.

    Returns
    -------
    Baseline

    Raises
    ------
    SpcError
        A tolerance that is not positive, a segment of another number of ranges or
        parts, an infinite error.

    Notes
    -----
    With one range the shared stage cannot be told from the range's own part; the
    priors divide the scatter between them.

    Examples
    --------
    >>> fit_baseline([], [1000.0, 1000.0]).sigma_ppm.tolist()
    [150.0, 150.0]
    """
    return fit_baseline_of(segments, layout_of(tolerance_ppm, common_parts))


def fit_baseline_of(segments: Sequence[Segment], layout: Layout) -> Baseline:
    """Return the baseline of good segments of a known layout; see `fit_baseline`."""
    unit = layout.unit_ppm
    measured = [_checked(s, i, layout) / unit for i, s in enumerate(segments)]
    used = [s for s, m in zip(segments, measured, strict=True) if len(m)]
    groups = [m for m in measured if len(m)]
    part2, shared2 = fit_scatter(groups, layout)
    reels, builds, design = _design(used, layout)
    means, noise = _segment_means(groups, layout, part2, shared2)
    reel2, build2, mean, covariance = _levels(
        design, means, noise, layout, [part for part, _ in reels]
    )
    if len(groups) == 1:
        covariance = covariance * ONE_SEGMENT_WIDENING
    return Baseline(
        layout=layout,
        sigma_ppm=np.sqrt(part2) * unit,
        shared_sigma_ppm=float(np.sqrt(shared2)) * unit,
        reel_sigma_ppm=np.sqrt(reel2) * layout.tolerance_ppm,
        build_sigma_ppm=float(np.sqrt(build2)) * unit,
        mean=mean * unit,
        covariance=covariance * unit**2,
        reels=reels,
        builds=builds,
        segments=len(groups),
        units=sum(len(g) for g in groups),
    )


def _checked(segment: Segment, index: int, layout: Layout) -> Array:
    """Return the segment's measured units, or refuse it."""
    errors = np.asarray(segment.errors_ppm, dtype=np.float64)
    name = f"segments[{index}]"
    if errors.size == 0:
        return np.empty((0, layout.ranges))
    if errors.ndim != 2 or errors.shape[1] != layout.ranges:
        raise ShapeError(
            argument=f"{name}.errors_ppm",
            value=f"shape {errors.shape}",
            allowed=f"of shape (units, {layout.ranges})",
        )
    if len(segment.reels) != layout.parts:
        raise ShapeError(
            argument=f"{name}.reels",
            value=f"{len(segment.reels)} names",
            allowed=f"{layout.parts} names, one a part",
        )
    if np.isinf(errors).any():
        raise NotFiniteError(argument=f"{name}.errors_ppm", value="infinity")
    return errors[~np.isnan(errors).all(axis=1)]


def _design(
    segments: Sequence[Segment], layout: Layout
) -> tuple[tuple[tuple[int, str], ...], tuple[str, ...], Array]:
    """Name reels and builds; return how the segment means depend on them."""
    count = layout.ranges
    reels: dict[tuple[int, str], int] = {}
    builds: dict[str, int] = {}
    places = []
    for index, segment in enumerate(segments):
        # a name that no caller can give keeps an unknown reel or build to itself
        alone = f"\0{index}"
        mine = [
            reels.setdefault((part, name or alone), len(reels))
            for part, name in enumerate(segment.reels)
        ]
        places.append((mine, builds.setdefault(segment.build or alone, len(builds))))
    design = np.zeros((len(segments), count, count + len(reels) + len(builds)))
    for block, (mine, build) in zip(design, places, strict=True):
        block[:, :count] = np.eye(count)
        for part, reel in enumerate(mine):
            block[:, count + reel] = layout.sensitivity[part]
        block[:, count + len(reels) + build] = 1.0
    return (
        tuple(reels),
        tuple(builds),
        design.reshape(len(segments) * count, design.shape[2]),
    )


def _segment_means(
    groups: Sequence[Array], layout: Layout, part2: Array, shared2: float
) -> tuple[Array, Array]:
    """Robust segment means, NaN where nothing was measured, and their covariance."""
    count = layout.ranges
    own2 = part2[:count]
    latent = layout.latent
    common = (latent.T * np.append(part2[count:], shared2)) @ latent
    total2 = own2 + np.diag(common)
    robust_mean = import_module("daemon.spc.compiled").robust_mean_compiled
    means = np.full((len(groups), count), np.nan)
    noise = np.zeros((len(groups) * count, len(groups) * count))
    for index, group in enumerate(groups):
        seen = ~np.isnan(group)
        n = np.maximum(seen.sum(axis=0), 1)
        for r in np.flatnonzero(seen.any(axis=0)):
            means[index, r] = robust_mean(group[seen[:, r], r], float(total2[r]))
        both = seen.T.astype(np.float64) @ seen
        at = slice(index * count, (index + 1) * count)
        noise[at, at] = common * both / np.outer(n, n) + np.diag(own2 / n)
    return means.reshape(-1), noise


def _levels(
    design: Array,
    means: Array,
    noise: Array,
    layout: Layout,
    part_of_reel: Sequence[int],
) -> tuple[float, float, Array, Array]:
    """Variance of reels and of builds, with the posterior of all levels."""
    count, reels = layout.ranges, len(part_of_reel)
    builds = design.shape[1] - count - reels
    seen = ~np.isnan(means)
    design, means = design[seen], means[seen]
    noise = noise[np.ix_(seen, seen)]
    ratio2 = layout.ratio**2
    reel_ratio2 = ratio2[list(part_of_reel)]
    assumed = layout.assumed
    reel2, build2 = assumed.reel_scatter**2, assumed.build_scatter**2
    prior = np.concatenate(
        [
            assumed.range_level**2 * ratio2[:count],
            reel2 * reel_ratio2,
            np.full(builds, build2),
        ]
    )
    mean, covariance = np.zeros(prior.size), np.diag(prior)
    if not means.size:
        return reel2, build2, mean, covariance
    reel2, build2, mean, covariance = import_module(
        "daemon.spc.compiled"
    ).levels_compiled(
        design,
        means,
        noise,
        prior,
        reel_ratio2,
        count,
        np.array([REEL_WEIGHT, BUILD_WEIGHT]),
        np.array([reel2, build2]),
        assumed.most_reel_scatter**2,
        ITERATIONS,
    )
    return reel2, build2, mean, 0.5 * (covariance + covariance.T)
