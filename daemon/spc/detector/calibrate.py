"""Log-odds limits for an accepted rate of false holds, by simulation.

A limit is calibrated, never chosen: whole lives of good lines are drawn in a family of
worlds, measured as makers measure, and the limit is the smallest log-odds that their
builds exceed no more often than accepted.
"""

import signal
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, wait
from contextlib import closing
from dataclasses import dataclass
from math import ceil, log
from multiprocessing import resource_tracker
from multiprocessing.context import SpawnContext, SpawnProcess
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from daemon.spc.checks import count, positive, share
from daemon.spc.detector.following import follow
from daemon.spc.detector.layout import Layout
from daemon.spc.detector.limit import Limit
from daemon.spc.detector.line import Boundary, Line
from daemon.spc.detector.shipped import SHIPPED_LIMITS
from daemon.spc.detector.worlds import (
    FAMILY,
    HABITS,
    Habit,
    Life,
    World,
    life_of,
)
from daemon.spc.errors import OutOfRangeError

Array = NDArray[np.float64]

ALLOWANCE = 1.4
"""How much oftener than in the first world a false hold may be in the others."""
UNSURE = 0.001
"""Probability that a limit lets more pass than accepted, for want of builds drawn."""
ABOVE_START = 0.3
"""How far a limit lies at least above what is held possible of a new build."""
LIFE_BUILDS = 3
"""Builds of a life, the product's very first among them."""
BUILD_UNITS = 100
"""Units of a build; an accepted rate of units is made one of such builds."""
FEWEST_EXCEEDING = 7
"""Of so many expected, none is seen with less than that probability."""
TOLD_EVERY_S = 0.2
"""How often whoever waits is told how far it is, though nothing new is done."""
RAREST = 50_000.0
"""Units per false hold beyond which the shipped limits go no further. Nor do they under
the lowest rate of the table: there they are the least that is ever taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorldRate:
    """How often good builds of one world exceed a limit."""

    world: str
    seated: float
    unseated: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """A limit with what it rests on.

    Attributes
    ----------
    limit : Limit
    accepted_rate : float
        Share of good builds that may be held.
    rates : tuple of WorldRate
        Share that is held at this limit in each world.
    builds : int
        Good builds drawn in each world.
    """

    limit: Limit
    accepted_rate: float
    rates: tuple[WorldRate, ...]
    builds: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """One good life."""

    world: World
    layout: Layout
    habit: Habit
    limit: Limit
    seed: np.random.SeedSequence


def calibrate(
    layout: Layout,
    *,
    units_per_false_hold: float,
    builds: int = 360,
    seed: int = 1,
    workers: int = 1,
    worlds: Sequence[World] = FAMILY,
    habits: Sequence[Habit] = HABITS,
    progress: Callable[[float], None] | None = None,
) -> Calibration:
    """Return the smallest limit that keeps the accepted rate in every world.

    Parameters
    ----------
    layout : Layout
        The product's ranges and parts.
    units_per_false_hold : float
        One false hold in this many units is accepted.
    builds : int
        Good builds to draw in each world; enough that the accepted rate is a count.
    seed : int
    workers : int
        Processes to share the work.
    worlds : sequence of World
        The first keeps the accepted rate, the others 1.4 times as much, which is 99.9 %
        sure however many builds are drawn: fewer give a higher limit.
    habits : sequence of Habit
        Lives take them in turn.
    progress : callable, optional
        Told the share that is done, 0 to 1, again and again while other processes
        work; what it raises ends them and the work at once.

    Raises
    ------
    SpcError
        An argument out of its bounds, or too few builds for the rate.
    """
    positive("units_per_false_hold", units_per_false_hold)
    accepted = share("100 / units_per_false_hold", BUILD_UNITS / units_per_false_hold)
    fewest = ceil(FEWEST_EXCEEDING / accepted)
    if builds < fewest:
        raise OutOfRangeError(
            argument="builds", value=builds, allowed=f">= {fewest} at this rate"
        )
    maxima = good_maxima(
        layout,
        limit=shipped_limit(units_per_false_hold, ranges=layout.ranges),
        builds=builds,
        seed=seed,
        workers=workers,
        worlds=worlds,
        habits=habits,
        progress=progress,
    )
    least = least_limit(layout)
    limit = Limit(
        seated=max(least, limit_of(maxima[0], accepted)),
        unseated=max(least, limit_of(maxima[1], accepted)),
    )
    over = (maxima > np.array([limit.seated, limit.unseated])[:, None, None]).mean(
        axis=2
    )
    return Calibration(
        limit=limit,
        accepted_rate=accepted,
        rates=tuple(
            WorldRate(world=world.name, seated=float(one), unseated=float(other))
            for world, one, other in zip(worlds, *over, strict=True)
        ),
        builds=builds,
    )


def good_maxima(
    layout: Layout,
    *,
    limit: Limit,
    builds: int,
    seed: int,
    workers: int = 1,
    worlds: Sequence[World] = FAMILY,
    habits: Sequence[Habit] = HABITS,
    progress: Callable[[float], None] | None = None,
) -> Array:
    """Return the largest log-odds of good builds, shape (2, worlds, builds).

    The first are those whose odd units were seated again, as `limit` asks for; it also
    says after which builds something stood and was released. The other parameters are
    those of `calibrate`.
    """
    lives = ceil(builds / LIFE_BUILDS)
    seeds = np.random.SeedSequence(seed).spawn(len(worlds) * lives)
    jobs = [
        _Job(
            world=world,
            layout=layout,
            habit=habits[number % len(habits)],
            limit=limit,
            seed=seeds[index * lives + number],
        )
        for index, world in enumerate(worlds)
        for number in range(lives)
    ]
    done: list[Array] = []

    def tell() -> None:
        if progress is not None:
            progress(len(done) / len(jobs))

    with closing(_results(jobs, workers, meanwhile=tell)) as results:
        for result in results:
            done.append(result)
            tell()
    per_world = np.stack(done, axis=1).reshape(2, len(worlds), -1)
    return np.asarray(per_world[:, :, :builds])


def maxima_of(life: Life, layout: Layout, limit: Limit) -> Array:
    """Return the largest log-odds of each build of a life, seated again or not, (2, n).

    Both are one line until a unit is seated again for the first time.
    """
    found = np.full((2, life.builds), -np.inf)
    line = Line(layout)
    since, parted = 0, None
    for point in follow(life, line, limit=limit.seated, seated=True):
        if parted is None and point.before is not None:
            since, parted = point.number, point.before
            found[1] = found[0]
        build = point.event.build
        found[0, build] = max(found[0, build], point.log_odds)
    if parted is None:
        found[1] = found[0]
        return found
    other = Line(layout)
    other.restore(parted)
    for point in follow(life, other, limit=limit.unseated, seated=False, since=since):
        build = point.event.build
        found[1, build] = max(found[1, build], point.log_odds)
    return found


def least_limit(layout: Layout) -> float:
    """Return the lowest limit that is ever taken.

    A build whose reels are all new begins with what is held possible of it, before any
    unit spoke: no limit may lie under that, whatever rate is accepted.

    Examples
    --------
    >>> from daemon.spc.detector.layout import layout_of
    >>> -3.0 < least_limit(layout_of([1000.0] * 4)) < -1.0
    True
    """
    return _at_start(layout) + ABOVE_START


def _at_start(layout: Layout) -> float:
    """Return the log-odds of a build of which nothing was read yet."""
    line = Line(layout)
    line.session()
    line.unit(
        np.full(layout.ranges, np.nan),
        boundary=Boundary(new_build=True, reels=dict.fromkeys(range(layout.parts))),
    )
    return line.log_odds


def shipped_limit(units_per_false_hold: float, *, ranges: int) -> Limit:
    """Return a limit calibrated beforehand, until the product's own is there.

    Parameters
    ----------
    units_per_false_hold : float
        One false hold in this many units is accepted; from 500 to 50 000, beyond
        which the nearest holds.
    ranges : int
        Ranges of the product.

    Returns
    -------
    Limit
        Between the rates of the table straight in the logarithm of the rate; for a
        number of ranges that is not in it the higher of the neighbours.
    """
    positive("units_per_false_hold", units_per_false_hold)
    count("ranges", ranges, at_least=1)
    often, rarely = sorted(SHIPPED_LIMITS)
    rate = min(max(units_per_false_hold, float(often)), RAREST)
    along = log(rate / often) / log(rarely / often)

    def between(which: int) -> float:
        low, high = _tabled(often, ranges)[which], _tabled(rarely, ranges)[which]
        return (1.0 - along) * low + along * high

    return Limit(seated=between(0), unseated=between(1))


def limit_until_own(layout: Layout, *, units_per_false_hold: float) -> Limit:
    """Return the limit that serves a product until its own is calibrated.

    The shipped one, where that lies over the product's own floor.
    """
    shipped = shipped_limit(units_per_false_hold, ranges=layout.ranges)
    least = least_limit(layout)
    return Limit(
        seated=max(shipped.seated, least), unseated=max(shipped.unseated, least)
    )


def _tabled(rate: int, ranges: int) -> tuple[float, float]:
    table = SHIPPED_LIMITS[rate]
    fewer = [r for r in table if r <= ranges] or [min(table)]
    more = [r for r in table if r >= ranges] or [max(table)]
    one, other = table[max(fewer)], table[min(more)]
    return max(one[0], other[0]), max(one[1], other[1])


def limit_of(maxima: Array, accepted: float, *, drawn: int | None = None) -> float:
    """Return the smallest limit that surely keeps the accepted rate in every world.

    Parameters
    ----------
    maxima : (worlds, builds) array
        The first world keeps the rate, the others 1.4 times it.
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
    limit = -np.inf
    for index, values in enumerate(maxima):
        allowed = accepted if index == 0 else min(ALLOWANCE * accepted, 1.0)
        seen = _seen(allowed, drawn or values.size)
        limit = max(limit, _exceeded_by(values, seen))
    return float(limit)


def _exceeded_by(values: Array, part: float) -> float:
    """Smallest of the values that no more than a share of them exceeds."""
    ranked = np.sort(values)[::-1]
    return float(ranked[min(int(part * values.size), values.size - 1)])


def _seen(part: float, drawn: int) -> float:
    """Return the share of builds that may be seen to exceed a limit.

    More would leave it likelier than `UNSURE` that over `part` of all builds do.
    """
    return float(max(scipy.stats.binom.ppf(UNSURE, drawn, part) - 1.0, 0.0)) / drawn


class _Undisturbed(SpawnProcess):
    """A process that a terminal's interrupt does not reach: whoever made it ends it.

    Else each would print where it was interrupted.
    """

    def start(self) -> None:
        """Start it with the interrupt blocked from its very first moment."""
        resource_tracker.ensure_running()  # it would let the interrupt through again
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            super().start()
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)


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
        self._made.append(_Undisturbed(*args, **kwargs))
        return self._made[-1]

    def end(self) -> None:
        """End all that were made."""
        for one in self._made:
            one.terminate()


def _results(
    jobs: Sequence[_Job],
    workers: int,
    *,
    meanwhile: Callable[[], None],
) -> Generator[Array, None, None]:
    if workers == 1:
        yield from map(_live, jobs)
        return
    spawning = _Spawning()
    with ProcessPoolExecutor(workers, mp_context=spawning) as own:
        try:
            yield from _in_order(jobs, own, meanwhile)
        except BaseException:
            # A pool lets its processes start up and finish a life: many seconds.
            spawning.end()
            raise


def _in_order(
    jobs: Sequence[_Job], pool: Executor, meanwhile: Callable[[], None]
) -> Iterator[Array]:
    for future in [pool.submit(_live, job) for job in jobs]:
        while not wait([future], timeout=TOLD_EVERY_S).done:
            meanwhile()
        yield future.result()


def _live(job: _Job) -> Array:
    """Return the largest log-odds of each build of a life, (2, builds)."""
    rng = np.random.default_rng(job.seed)
    life = life_of(job.world, job.layout, job.habit, builds=LIFE_BUILDS, rng=rng)
    return maxima_of(life, job.layout, job.limit)
