"""Compiled loops against the same in plain numpy."""

import copy
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm

from daemon.spc import compiled
from daemon.spc.bank import NO_CAUSE, Bank
from daemon.spc.baseline import fit_baseline_of
from daemon.spc.filtering import Unit, fold_unit
from daemon.spc.hypotheses import Cause, Table, session_table, unrecorded_table
from daemon.spc.layout import CommonPart, layout_of
from daemon.spc.rows import Rows

Array = NDArray[np.float64]

RANGES, LATENT, FILTERS, BUILDS = 4, 2, 7, 3
SIZE = RANGES + 1 + LATENT
NUMBERS = (
    "log_weight", "shared2", "factor", "part2", "reel2", "beta", "mean", "covariance",
    "base_mean", "base_covariance", "cause", "place", "first", "slope",
)  # fmt: skip


SCALES = np.array([1.0, 6.0, 1.0])


class Widths(NamedTuple):
    """Variances of parts, and what the components add, measurement included."""

    part2: Array
    wide: Array


def some_unit(rng: np.random.Generator) -> tuple[Unit, Widths]:
    missing = rng.random((BUILDS, RANGES)) < 0.2
    part2 = rng.uniform(0.01, 1.0, (BUILDS, RANGES + 1, FILTERS))
    wide = rng.uniform(0.0, 9.0, (BUILDS, 3, RANGES))
    own = SCALES[:, None, None] * part2[:, None, :RANGES]
    unit = Unit(
        errors=np.where(missing, 0.0, rng.normal(0, 1.0, (BUILDS, RANGES))),
        missing=missing,
        scales=own + wide[..., None],
        log_shares=np.log([0.9, 0.08, 0.02]),
        latent=np.array([[1.0, 1.0, 0.0, 0.3], [1.0, 1.0, 1.0, 1.0]]),
        two_reels=rng.random((BUILDS, RANGES, FILTERS)) < 0.2,
        second_share=rng.uniform(0.1, 0.9, (BUILDS, FILTERS)),
    )
    return unit, Widths(part2, wide)


@pytest.mark.parametrize("seed", range(5))
def test_compiled_filters_say_what_plain_ones_do(seed: int) -> None:
    rng = np.random.default_rng(seed)
    unit, widths = some_unit(rng)
    mean = rng.normal(0, 1, (BUILDS, SIZE, FILTERS))
    root = rng.normal(0, 1, (BUILDS, SIZE, SIZE, FILTERS))
    covariance = np.einsum("bijk,bljk->bilk", root, root)
    order = np.argsort(unit.missing, axis=1, kind="stable")
    plain_mean, plain_covariance = mean.copy(), covariance.copy()
    plain = fold_unit(plain_mean, plain_covariance, unit, order)
    found = compiled.fold_compiled(
        mean,
        covariance,
        unit.errors,
        unit.missing,
        widths.part2,
        SCALES,
        widths.wide,
        unit.log_shares,
        unit.latent,
        unit.two_reels,
        unit.second_share,
        order,
        np.ones((BUILDS, FILTERS), dtype=np.bool_),
    )
    expected = (plain.log_density, plain.odd, plain.second)
    for mine, theirs in zip(found, expected, strict=True):
        np.testing.assert_allclose(mine, theirs, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(mean, plain_mean, rtol=1e-9, atol=1e-10)
    np.testing.assert_allclose(covariance, plain_covariance, rtol=1e-9, atol=1e-10)


def test_a_quantile_of_normal_distributions_mixed_holds_their_mass() -> None:
    """Against scipy.stats.norm."""
    means, sigmas = np.array([-3.0, 0.5, 0.5]), np.array([0.2, 1.0, 40.0])
    share = np.array([0.3, 0.6, 0.1])
    for tail in (0.001, 0.025, 0.3, 0.5, 0.975):
        at = compiled.mixture_quantile_compiled(means, sigmas, share, tail)
        assert share @ norm.cdf(at, means, sigmas) == pytest.approx(tail, abs=1e-9)


def test_filters_without_weight_are_left_alone() -> None:
    rng = np.random.default_rng(1)
    unit, widths = some_unit(rng)
    mean = rng.normal(0, 1, (BUILDS, SIZE, FILTERS))
    covariance = np.tile(np.eye(SIZE)[None, :, :, None], (BUILDS, 1, 1, FILTERS))
    before = mean.copy()
    alive = rng.random((BUILDS, FILTERS)) < 0.5
    compiled.fold_compiled(
        mean,
        covariance,
        unit.errors,
        np.zeros_like(unit.missing),
        widths.part2,
        SCALES,
        widths.wide,
        unit.log_shares,
        unit.latent,
        unit.two_reels,
        unit.second_share,
        np.tile(np.arange(RANGES), (BUILDS, 1)),
        alive,
    )
    moved = (mean != before).any(axis=1)
    np.testing.assert_array_equal(moved, alive)


def test_a_drifting_bench_moves_levels_by_its_slope() -> None:
    """A matrix written out, for one range and for all."""
    rng = np.random.default_rng(2)
    root = rng.normal(0, 1, (1, SIZE, SIZE, 3))
    covariance = np.einsum("bijk,bljk->bilk", root, root)
    mean = rng.normal(0, 1, (1, SIZE, 3))
    slope = np.array([[1, RANGES, -1]])
    steps = np.tile(np.eye(SIZE)[:, :, None], (1, 1, 3))
    steps[1, -1, 0] = 1.0
    steps[:RANGES, -1, 1] = 1.0
    wanted_mean = np.einsum("ijk,bjk->bik", steps, mean)
    wanted = np.einsum("ijk,bjlk,mlk->bimk", steps, covariance, steps)
    compiled.drift_compiled(mean, covariance, slope, 0, RANGES)
    np.testing.assert_allclose(mean, wanted_mean, rtol=1e-12)
    np.testing.assert_allclose(covariance, wanted, rtol=1e-9, atol=1e-12)


def plainly_spawned(
    bank: Bank, table: Table, spread: NDArray[np.float64], spared: int
) -> Rows:
    """Return the rows with a table's hypotheses over the weakest, in plain numpy."""
    rows = copy.deepcopy(bank.rows)
    good = np.where(rows.cause == Cause.GOOD, rows.log_weight, -np.inf)
    peak = good.max(axis=1, keepdims=True)
    mass = peak + np.log(np.exp(good - peak).sum(axis=1, keepdims=True))
    parent = rows.picked(good.argmax(axis=1)[:, None])
    bank._rebase(parent)
    new = parent.repeated(table.cause.size)
    bank._grow(new, table, spread)
    new.log_weight[:] = mass + table.log_weight
    last = (rows.cause == spared) & np.isfinite(rows.log_weight)
    by_weight = np.round(rows.log_weight, 9)
    ranked = np.lexsort((by_weight, last), axis=1)
    for build, weakest in enumerate(ranked[:, : table.cause.size]):
        for name in NUMBERS:
            getattr(rows, name)[build][..., weakest] = getattr(new, name)[build]
    return rows


@pytest.mark.parametrize("ranges", [1, 2, 4])
def test_compiled_hypotheses_are_born_as_plain_ones(ranges: int) -> None:
    common = [CommonPart(tolerance_ppm=800.0, sensitivity=(1.0, -0.5, 0.0, 0.0))]
    layout = layout_of([1000.0] * ranges, common if ranges == 4 else [])
    bank = Bank([fit_baseline_of([], layout)] * 3, [()] * 3, [""] * 3)
    rng = np.random.default_rng(ranges)
    for unit in range(6):
        bank.take(rng.normal(0.1 * unit, 0.3, (3, ranges)), np.zeros((3, ranges)))
    for table, spared in (
        (unrecorded_table(layout), int(Cause.BENCH)),
        (session_table(layout), NO_CAUSE),
    ):
        spread = bank._spread(table, 0.0)
        expected = plainly_spawned(bank, table, spread, spared)
        bank._spawn(table, spread, spared=spared)
        for name in NUMBERS:
            mine, theirs = getattr(bank.rows, name), getattr(expected, name)
            if name in {"mean", "covariance"}:
                # latent parts are drawn afresh with the next unit
                mine, theirs = mine[:, : ranges + 1], theirs[:, : ranges + 1]
            if name == "covariance":
                mine, theirs = mine[:, :, : ranges + 1], theirs[:, :, : ranges + 1]
            np.testing.assert_allclose(
                mine, theirs, rtol=1e-9, atol=1e-12, err_msg=name
            )


def test_builds_that_go_on_alone_are_not_changed_by_it() -> None:
    layout = layout_of([1000.0] * 3)
    rng = np.random.default_rng(5)
    errors = rng.normal(0.0, 0.3, (12, 4, 3))
    bank = Bank([fit_baseline_of([], layout)] * 4, [()] * 4, [""] * 4)
    for unit in errors[:6]:
        bank.take(unit, np.zeros((4, 3)))
    fewer = copy.deepcopy(bank)
    fewer.keep(np.array([1, 3]))
    for unit in errors[6:]:
        bank.take(unit, np.zeros((4, 3)))
        fewer.take(unit[[1, 3]], np.zeros((2, 3)))
        np.testing.assert_allclose(
            fewer.log_odds(), bank.log_odds()[[1, 3]], rtol=1e-12, atol=1e-12
        )
