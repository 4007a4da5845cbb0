"""Whether the stated uncertainty is true: how often the truth lies inside.

Each unit has a bench of its own, its meters' errors drawn anew from what their
specification allows, and a board drawn from what its parts' tolerances allow.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator, default_rng
from scipy.special import bdtr, betaincinv

from config import Product, Settings
from daemon.simulator import BenchNature, Board
from daemon.trials.selftest.benches import demo_settings, line, true_error_ppm

__all__ = ["ALLOWED", "COVERAGE", "Coverage", "Covered", "benches_covered", "summary"]

COVERAGE = 0.95
ALLOWED = (0.935, 0.965)
MANY = 2000
"""So many benches have to come to that; fewer scatter more, and may by as much."""

SERIAL = "U-1"
NATURE = BenchNature(straightness=1.0)
"""A specification bounds a reading's whole error. What an offset makes of it is
removed by the zeros, so here none of it is one: the stated interval has to hold the
whole bound."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Covered:
    """One range of one unit on a bench of its own."""

    seed: int
    range: str
    off_ppm: float
    half_width_ppm: float
    twice_standard_ppm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """How often the truth lay inside, over one range or all."""

    range: str
    benches: int
    inside: int
    inside_twice_standard: int
    rms_ppm: float
    half_width_ppm: float

    @property
    def share(self) -> float:
        """The share that lay inside the 95 % interval."""
        return self.inside / self.benches

    @property
    def interval(self) -> tuple[float, float]:
        """Exact 95 % interval of the share (Clopper and Pearson 1934)."""
        tail = (1 - COVERAGE) / 2
        outside = self.benches - self.inside
        return (
            float(betaincinv(self.inside, outside + 1, tail)) if self.inside else 0.0,
            float(betaincinv(self.inside + 1, outside, 1 - tail)) if outside else 1.0,
        )

    @property
    def holds(self) -> bool:
        """Whether it lies in what is allowed, widened by the chance of few benches.

        From 2000 benches on the bare limits count.
        """
        low, high = ALLOWED
        if self.benches >= MANY:
            return low <= self.share <= high
        few = _at_most(0.001, self.benches, low)
        many = _at_most(0.999, self.benches, high)
        return few <= self.inside <= many


def benches_covered(benches: int, *, first_seed: int = 1) -> Iterator[Covered]:
    """Measure one unit on each of so many benches; yields every range of each."""
    settings = demo_settings()
    for seed in range(first_seed, first_seed + benches):
        yield from _one(settings, seed)


def summary(covered: list[Covered]) -> list[Coverage]:
    """Count by range, and over all."""
    keys = dict.fromkeys(one.range for one in covered)
    rows = [_count(key, [one for one in covered if one.range == key]) for key in keys]
    return [*rows, _count("all", covered)]


def _at_most(probability: float, benches: int, share: float) -> int:
    """Return the smallest count that at most so many exceed, by the binomial law."""
    within = bdtr(np.arange(benches + 1), benches, share)
    return int(np.searchsorted(within, probability))


def _count(name: str, taken: list[Covered]) -> Coverage:
    return Coverage(
        range=name,
        benches=len(taken),
        inside=sum(abs(one.off_ppm) <= one.half_width_ppm for one in taken),
        inside_twice_standard=sum(
            abs(one.off_ppm) <= one.twice_standard_ppm for one in taken
        ),
        rms_ppm=(sum(one.off_ppm**2 for one in taken) / len(taken)) ** 0.5,
        half_width_ppm=sum(one.half_width_ppm for one in taken) / len(taken),
    )


def _one(settings: Settings, seed: int) -> Iterator[Covered]:
    board = any_board(settings.product, default_rng([seed, 7]))
    with line(settings, {SERIAL: board}, seed=seed, nature=NATURE) as one:
        one.rig.mount(SERIAL)
        for readings in one.measure():
            error = one.judge.error(readings).error
            true_ppm = true_error_ppm(one.product, board, readings.range)
            yield Covered(
                seed=seed,
                range=readings.range,
                off_ppm=error.error_ppm - true_ppm,
                half_width_ppm=error.expanded_ppm(COVERAGE),
                twice_standard_ppm=2 * error.uncertainty_ppm,
            )


def any_board(product: Product, chance: Generator) -> Board:
    """Draw a board anywhere within what its parts claim."""
    return Board(
        serial=SERIAL,
        parts_ohm={
            name: part.nominal_ohm
            * (1 + chance.uniform(-1, 1) * part.tolerance_ppm * 1e-6)
            for name, part in product.parts.items()
        },
        tempco_ppm_per_k={
            name: chance.uniform(-1, 1) * part.temperature_coefficient_ppm_per_k
            for name, part in product.parts.items()
        },
        offset_v=chance.normal() * 1e-4,
        drift_v_per_h=chance.normal() * 1e-5,
    )
