"""Years of many simulated makers, lived through the daemon's own rows and watch.

Where the study of the detector draws single builds, a year has what makers have: reels
that live across builds, sessions, restarts, records that are late or missing, slips of
the hand, files in place of a bench, and people who end holds. Every build is then held
beside its truth.
"""

import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory

from numpy.random import default_rng

from storage import LocalStore
from tests.studies.bench_days import BenchDays
from tests.studies.life import Life
from tests.studies.makers import Line, draw, settings_of
from tests.studies.year import Year

__all__ = ["live", "live_many"]


def live(
    seed: int,
    *,
    accepted: int,
    builds: int | None = None,
) -> Year:
    """Live one maker's year.

    Parameters
    ----------
    seed
        Of the maker and all that happens.
    accepted
        One false hold in this many units.
    builds
        In place of the maker's own number.
    """
    rng = default_rng([seed, 12])
    maker = draw(rng)
    year = Year(
        seed=seed, bench=maker.bench, checked=maker.checked, ranges=maker.ranges
    )
    begun_s = time.perf_counter()
    with (
        TemporaryDirectory(prefix="holdpoint-year-") as folder,
        LocalStore(Path(folder) / "year.duckdb") as store,
    ):
        line = Line(maker, rng)
        days = BenchDays(settings_of(maker, accepted=accepted), store, line)
        life = Life(days, line, year, rng)
        for number in range(1, (builds or maker.builds) + 1):
            if not life.build(number):
                break
        life.score()
    year.seconds = time.perf_counter() - begun_s
    return year


def live_many(seeds: Sequence[int], *, accepted: int, workers: int) -> Iterator[Year]:
    """Live a year for each seed, in order, in processes of their own."""
    if workers == 1:
        yield from (live(seed, accepted=accepted) for seed in seeds)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield from pool.map(partial(live, accepted=accepted), seeds)
