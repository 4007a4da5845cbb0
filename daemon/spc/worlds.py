"""Simulated worlds in which the detector is calibrated and studied.

A world draws good products: range errors of units from reels, builds and a shared
stage, in ppm. Faults are put on top by whoever studies them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from daemon.spc.baseline import Baseline, Segment
from daemon.spc.layout import Layout

Array = NDArray[np.float64]

KNOWN_UNITS = 1_000_000
"""As good as any number of units."""

Tails = Literal["normal", "t5", "t3", "uniform"]


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """How good products vary; standard deviations as multiples of the tolerance.

    Attributes
    ----------
    name : str
    own, shared : float
        Parts inside a reel; shared stage from unit to unit.
    reel, build, mean : float
        Reel means; shared level from build to build; means of the ranges.
    earlier_reel : float
        Reel means in the earlier segments, where that differs from what follows.
    tails : {"normal", "t5", "t3", "uniform"}
        Distribution of parts inside a reel, at the same standard deviation.
    odd_share, odd_size : float
        Share of units with one bad part in one range, and its size.
    """

    name: str
    own: float = 0.15
    shared: float = 0.12
    reel: float = 0.15
    build: float = 0.10
    mean: float = 0.10
    earlier_reel: float | None = None
    tails: Tails = "normal"
    odd_share: float = 0.0
    odd_size: float = 4.0


NOMINAL = World(name="nominal")
FAMILY = (
    NOMINAL,
    World(name="reels twice as different", reel=0.30),
    World(name="t tails, 5 degrees of freedom", tails="t5"),
    World(name="uniform parts", tails="uniform"),
    World(name="parts four times coarser", own=0.60),
    World(name="reels grow more different", reel=0.21, earlier_reel=0.105),
)
"""The worlds that a limit is calibrated on."""

BEYOND = (
    World(name="t tails, 3 degrees of freedom", tails="t3"),
    World(name="2 % isolated bad parts", odd_share=0.02),
    World(
        name="t tails, 5 degrees, reels twice as different",
        tails="t5",
        reel=0.30,
    ),
    World(
        name="reels twice as different and growing so",
        reel=0.42,
        earlier_reel=0.21,
    ),
)
"""Worlds that no limit is calibrated on, to see what lies outside the family."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """Replicates of earlier segments and of one build, all good.

    Attributes
    ----------
    segments : tuple of B tuples of Segment
    errors_ppm : (B, n, R)
        Units of the build.
    reel_ppm : (B, P)
        How far the reels it begins with lie from average ones.
    build_ppm : (B,)
        Its shared level.
    mean_ppm : (B, R)
        Means of the ranges over all reels and builds.
    """

    segments: tuple[tuple[Segment, ...], ...]
    errors_ppm: Array
    reel_ppm: Array
    build_ppm: Array
    mean_ppm: Array


def draw(
    world: World,
    layout: Layout,
    *,
    segment_units: Sequence[int],
    build_units: int,
    replicates: int,
    rng: np.random.Generator,
) -> Drawn:
    """Draw replicates of a history and a build, each with new reels for every part.

    Parameters
    ----------
    segment_units : sequence of int
        Units of each earlier segment, each a build of its own; empty for none.
    build_units : int
        Units of the build that is watched.
    """
    unit = layout.unit_ppm
    mean = rng.normal(0.0, world.mean * unit, (replicates, 1, layout.ranges))
    histories: list[tuple[Segment, ...]] = [() for _ in range(replicates)]
    earlier = world.reel if world.earlier_reel is None else world.earlier_reel

    def one_build(reel: float, units: int) -> tuple[Array, Array, Array]:
        reels = rng.normal(0.0, reel, (replicates, layout.parts)) * layout.tolerance_ppm
        build = rng.normal(0.0, world.build * unit, replicates)
        level = mean[:, 0] + reels @ layout.sensitivity + build[:, None]
        own = scatter(world, layout, (replicates, units), rng)
        return reels, build, level[:, None] + own

    for number, size in enumerate(segment_units):
        _, _, errors = one_build(earlier, size)
        for index in range(replicates):
            segment = Segment(
                errors_ppm=errors[index],
                build=str(number),
                reels=("",) * layout.parts,
            )
            histories[index] += (segment,)
    reels, build, errors = one_build(world.reel, build_units)
    return Drawn(
        segments=tuple(histories),
        errors_ppm=errors,
        reel_ppm=reels,
        build_ppm=build,
        mean_ppm=mean[:, 0],
    )


def true_baseline(world: World, layout: Layout, mean_ppm: Array) -> Baseline:
    """Return the baseline of somebody who knows the world, and the ranges' means.

    Parameters
    ----------
    mean_ppm : (R,)
    """
    ranges = layout.ranges
    return Baseline(
        layout=layout,
        sigma_ppm=world.own * layout.tolerance_ppm,
        shared_sigma_ppm=world.shared * layout.unit_ppm,
        reel_sigma_ppm=world.reel * layout.tolerance_ppm,
        build_sigma_ppm=world.build * layout.unit_ppm,
        mean=mean_ppm,
        covariance=np.zeros((ranges, ranges)),
        reels=(),
        builds=(),
        segments=0,
        units=KNOWN_UNITS,
    )


def scatter(
    world: World,
    layout: Layout,
    shape: tuple[int, int],
    rng: np.random.Generator,
    *,
    factor: Array | float = 1.0,
) -> Array:
    """Return what units add to their levels, (*shape, R) in ppm.

    `factor` (P,) multiplies the spread of the parts.
    """
    parts = _standard(world.tails, (*shape, layout.parts), rng)
    parts *= world.own * factor * layout.tolerance_ppm
    if world.odd_share:
        odd = rng.random(shape) < world.odd_share
        place = rng.integers(layout.ranges, size=shape)
        sign = rng.choice([-1.0, 1.0], size=shape)
        at = np.arange(layout.parts) == place[..., None]
        size = (odd * sign * world.odd_size)[..., None] * layout.tolerance_ppm
        parts += at * size
    shared = rng.normal(0.0, world.shared * layout.unit_ppm, (*shape, 1))
    return np.asarray(parts @ layout.sensitivity + shared)


def _standard(tails: Tails, shape: tuple[int, ...], rng: np.random.Generator) -> Array:
    """Draw with mean 0 and standard deviation 1."""
    if tails == "uniform":
        return np.asarray(rng.uniform(-(3.0**0.5), 3.0**0.5, shape))
    if tails == "normal":
        return np.asarray(rng.standard_normal(shape))
    freedom = 5.0 if tails == "t5" else 3.0
    values = rng.standard_t(freedom, shape) * ((freedom - 2.0) / freedom) ** 0.5
    return np.asarray(values)
