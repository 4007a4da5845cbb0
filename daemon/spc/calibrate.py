"""Log-odds limits for an accepted rate of false holds, by simulation.

A limit is calibrated, never chosen: good builds of the product's own ranges, history
and size are drawn in a family of worlds, and the limit is the smallest log-odds that
they exceed no more often than accepted.
"""

from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, wait
from contextlib import closing
from dataclasses import dataclass
from math import ceil, log
from multiprocessing.context import SpawnContext, SpawnProcess
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from daemon.spc.bank import Bank
from daemon.spc.baseline import Baseline, fit_baseline_of
from daemon.spc.checks import count, finite_array, positive, share
from daemon.spc.errors import OutOfRangeError
from daemon.spc.layout import Layout
from daemon.spc.shipped import SHIPPED_LIMITS
from daemon.spc.worlds import FAMILY, Drawn, World, draw, true_baseline

Array = NDArray[np.float64]

ALLOWANCE = 1.4
"""How much oftener than in the first world a false hold may be in the others."""
UNSURE = 0.001
"""Probability that a limit lets more pass than accepted, for want of builds drawn."""
LOWEST_LIMIT = 0.0
"""A finding is never less likely than none."""
SIDE_BY_SIDE = 16
"""More builds at once no longer fit into a processor's cache."""
FEWEST_EXCEEDING = 7
"""Of so many expected, none is seen with less than that probability."""
TOLD_EVERY_S = 0.2
"""How often whoever waits is told how far it is, though nothing new is done."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorldRate:
    """How often good builds of one world exceed a limit."""

    world: str
    rate: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """A limit with what it rests on.

    Attributes
    ----------
    log_odds_limit : float
    accepted_rate : float
        Share of good builds that may be held.
    rates : tuple of WorldRate
        Share that is held at this limit in each world.
    replicates : int
        Good builds drawn in each world.
    """

    log_odds_limit: float
    accepted_rate: float
    rates: tuple[WorldRate, ...]
    replicates: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """One batch of good builds of one world."""

    world: World
    layout: Layout
    segment_units: tuple[int, ...]
    build_units: int
    builds: int
    seed: np.random.SeedSequence
    known: bool


def calibrate(
    layout: Layout,
    *,
    units_per_false_hold: float,
    segment_units: Sequence[int],
    build_units: int = 100,
    replicates: int = 2000,
    seed: int = 1,
    workers: int = 1,
    worlds: Sequence[World] = FAMILY,
    progress: Callable[[float], None] | None = None,
) -> Calibration:
    """Return the smallest limit that keeps the accepted rate in every world.

    Parameters
    ----------
    layout : Layout
        The product's ranges and parts.
    units_per_false_hold : float
        One false hold in this many units is accepted.
    segment_units : sequence of int
        Units of each segment of the baseline; empty for none.
    build_units : int
        Units of a build.
    replicates : int
        Good builds to draw in each world; enough that the accepted rate is a count.
    seed : int
    workers : int
        Processes to share the work.
    worlds : sequence of World
        The first keeps the accepted rate, the others 1.4 times as much, which is 99.9 %
        sure however many builds are drawn: fewer give a higher limit.
    progress : callable, optional
        Told the share that is done, 0 to 1, again and again while other processes
        work; what it raises ends them and the work at once.

    Raises
    ------
    SpcError
        An argument out of its bounds, or too few replicates for the rate.

    Notes
    -----
    Every build begins with new reels for all parts and takes one more ordinary reel
    somewhere on its way, recorded.
    """
    positive("units_per_false_hold", units_per_false_hold)
    count("build_units", build_units, at_least=2)
    accepted = share(
        "build_units / units_per_false_hold", build_units / units_per_false_hold
    )
    fewest = ceil(FEWEST_EXCEEDING / accepted)
    if replicates < fewest:
        raise OutOfRangeError(
            argument="replicates", value=replicates, allowed=f">= {fewest} at this rate"
        )
    maxima = good_maxima(
        layout,
        segment_units=segment_units,
        build_units=build_units,
        replicates=replicates,
        seed=seed,
        workers=workers,
        worlds=worlds,
        progress=progress,
    )
    limit = limit_of(maxima, accepted)
    return Calibration(
        log_odds_limit=limit,
        accepted_rate=accepted,
        rates=tuple(
            WorldRate(world=world.name, rate=float(np.mean(values > limit)))
            for world, values in zip(worlds, maxima, strict=True)
        ),
        replicates=replicates,
    )


def good_maxima(
    layout: Layout,
    *,
    segment_units: Sequence[int],
    build_units: int,
    replicates: int,
    seed: int,
    workers: int = 1,
    worlds: Sequence[World] = FAMILY,
    progress: Callable[[float], None] | None = None,
    known: bool = False,
    pool: Executor | None = None,
) -> Array:
    """Return the largest log-odds of good builds, shape (worlds, replicates).

    The parameters are those of `calibrate`; with `known` the detector knows the world
    and the ranges' means, as no maker does. A `pool` that is there already serves
    instead of new processes.
    """
    batches = ceil(replicates / SIDE_BY_SIDE)
    seeds = np.random.SeedSequence(seed).spawn(len(worlds) * batches)
    jobs = [
        _Job(
            world=world,
            layout=layout,
            segment_units=tuple(segment_units),
            build_units=build_units,
            builds=SIDE_BY_SIDE,
            seed=seeds[index * batches + batch],
            known=known,
        )
        for index, world in enumerate(worlds)
        for batch in range(batches)
    ]
    done: list[Array] = []

    def tell() -> None:
        if progress is not None:
            progress(len(done) / len(jobs))

    with closing(_results(jobs, workers, pool, meanwhile=tell)) as results:
        for result in results:
            done.append(result)
            tell()
    return np.concatenate(done).reshape(len(worlds), -1)[:, :replicates]


def exchangeable_limit(earlier_maxima: Sequence[float]) -> tuple[float, float]:
    """Return a limit from earlier good builds themselves, and its false-hold rate.

    Parameters
    ----------
    earlier_maxima : sequence of m float
        Largest log-odds of each earlier good build.

    Returns
    -------
    limit, rate : float
        The largest of them; a further good build exceeds it with probability
        1 / (m + 1) if builds are exchangeable, whatever the world is like.

    Examples
    --------
    >>> exchangeable_limit([0.2, 1.5, -0.3])
    (1.5, 0.25)
    """
    values = finite_array("earlier_maxima", earlier_maxima, at_least=1)
    return float(values.max()), 1.0 / (values.size + 1)


def shipped_limit(units_per_false_hold: float, *, ranges: int, builds: int) -> float:
    """Return a limit calibrated beforehand, until the product's own is there.

    Parameters
    ----------
    units_per_false_hold : float
        One false hold in this many units is accepted; from 100 to 50 000, beyond
        which the nearest holds.
    ranges : int
        Ranges of the product.
    builds : int
        Earlier builds in the baseline.

    Returns
    -------
    float
        Between the rates of the table straight in the logarithm of the rate; for a
        number of ranges that is not in it the higher of the neighbours.

    Examples
    --------
    >>> shipped_limit(5000, ranges=4, builds=2)
    2.2
    """
    positive("units_per_false_hold", units_per_false_hold)
    count("ranges", ranges, at_least=1)
    count("builds", builds, at_least=0)
    often, rarely = sorted(SHIPPED_LIMITS)
    high = _tabled(rarely, ranges, builds)
    slope = (high - _tabled(often, ranges, builds)) / log(rarely / often)
    rate = min(max(units_per_false_hold, 100.0), 50_000.0)
    return max(LOWEST_LIMIT, high + slope * log(rate / rarely))


def _tabled(rate: int, ranges: int, builds: int) -> float:
    table = SHIPPED_LIMITS[rate]
    fewer = [r for r in table if r <= ranges]
    more = [r for r in table if r >= ranges] or fewer
    rows = (table[max(fewer)], table[min(more)])
    return max(row[min(builds, len(row) - 1)] for row in rows)


def _exceeded_by(values: Array, share: float) -> float:
    """Smallest of the values that no more than a share of them exceeds."""
    ranked = np.sort(values)[::-1]
    return float(ranked[min(int(share * values.size), values.size - 1)])


def _seen(share: float, drawn: int) -> float:
    """Return the share of builds that may be seen to exceed a limit.

    More would leave it likelier than `UNSURE` that over `share` of all builds do.
    """
    return float(max(binom.ppf(UNSURE, drawn, share) - 1.0, 0.0)) / drawn


class _Spawning(SpawnContext):
    """Makes processes, and ends them in the midst of their work.

    Spawned, not forked: the caller may run threads.
    """

    def __init__(self) -> None:
        super().__init__()
        self._made: list[SpawnProcess] = []

    def Process(  # type: ignore[override]  # noqa: N802 -- as a pool calls it
        self, *args: Any, **kwargs: Any
    ) -> SpawnProcess:
        """Return a new process, not started yet."""
        self._made.append(SpawnProcess(*args, **kwargs))
        return self._made[-1]

    def end(self) -> None:
        """End all that were made."""
        for one in self._made:
            one.terminate()


def _results(
    jobs: Sequence[_Job],
    workers: int,
    pool: Executor | None,
    *,
    meanwhile: Callable[[], None],
) -> Generator[Array, None, None]:
    if pool is not None:
        yield from _in_order(jobs, pool, meanwhile)
        return
    if workers == 1:
        yield from map(_watch, jobs)
        return
    spawning = _Spawning()
    with ProcessPoolExecutor(workers, mp_context=spawning) as own:
        try:
            yield from _in_order(jobs, own, meanwhile)
        except BaseException:
            # A pool lets its processes start up and finish a batch: many seconds.
            spawning.end()
            raise


def _in_order(
    jobs: Sequence[_Job], pool: Executor, meanwhile: Callable[[], None]
) -> Iterator[Array]:
    for future in [pool.submit(_watch, job) for job in jobs]:
        while not wait([future], timeout=TOLD_EVERY_S).done:
            meanwhile()
        yield future.result()


def baselines_of(
    world: World, layout: Layout, drawn: Drawn, *, known: bool
) -> list[Baseline]:
    """Return what each replicate's history teaches, or what is true."""
    if known:
        return [true_baseline(world, layout, mean) for mean in drawn.mean_ppm]
    return [fit_baseline_of(history, layout) for history in drawn.segments]


def limit_of(maxima: Array, accepted: float, *, drawn: int | None = None) -> float:
    """Return the smallest limit that surely keeps the accepted rate in every world.

    Parameters
    ----------
    maxima : (worlds, replicates) array
        From `good_maxima`; the first world keeps the rate, the others 1.4 times it.
    accepted : float
        Share of good builds that may be held.
    drawn : int, optional
        From how many builds it counts as drawn; left out, from those given.

    Notes
    -----
    Of n good builds a share p of which exceeds a limit, fewer than the 0.1 % quantile
    of the binomial distribution of n and p are seen to exceed it in one of 1000 trials
    at most: a limit that fewer are seen to exceed keeps p with 99.9 % confidence.

    Examples
    --------
    >>> limit_of(np.arange(100.0)[None], 0.5)
    65.0
    """
    limit = LOWEST_LIMIT
    for index, values in enumerate(maxima):
        allowed = accepted if index == 0 else min(ALLOWANCE * accepted, 1.0)
        share = _seen(allowed, drawn or values.size)
        limit = max(limit, _exceeded_by(values, share))
    return limit


def _watch(job: _Job) -> Array:
    """Return the largest log-odds of each build of a batch."""
    rng = np.random.default_rng(job.seed)
    layout = job.layout
    drawn = draw(
        job.world,
        layout,
        segment_units=job.segment_units,
        build_units=job.build_units,
        replicates=job.builds,
        rng=rng,
    )
    change = int(rng.integers(1, job.build_units))
    part = int(rng.integers(layout.parts))
    reel = rng.normal(0.0, job.world.reel * layout.tolerance_ppm[part], job.builds)
    moved = (reel - drawn.reel_ppm[:, part])[:, None] * layout.sensitivity[part]
    errors = drawn.errors_ppm
    errors[:, change:] += moved[:, None]
    unknown = [("",) * layout.parts] * job.builds
    bank = Bank(
        baselines_of(job.world, layout, drawn, known=job.known),
        unknown,
        [""] * job.builds,
    )
    largest = np.full(job.builds, -np.inf)
    none = np.zeros((job.builds, layout.ranges))
    for index in range(job.build_units):
        if index == change:
            bank.change_reels([part])
        bank.take(errors[:, index] / layout.unit_ppm, none)
        largest = np.maximum(largest, bank.log_odds())
    return largest
