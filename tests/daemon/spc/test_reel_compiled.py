"""Compiled loops against the same in plain numpy."""

import numpy as np
import pytest

from daemon.spc import compiled
from daemon.spc.filtering import Unit, fold_unit

RANGES, LATENT, FILTERS, BUILDS = 4, 2, 7, 3
SIZE = RANGES + 1 + LATENT


def some_unit(rng: np.random.Generator) -> Unit:
    missing = rng.random((BUILDS, RANGES)) < 0.2
    return Unit(
        errors=np.where(missing, 0.0, rng.normal(0, 1.0, (BUILDS, RANGES))),
        missing=missing,
        scales=rng.uniform(0.01, 9.0, (BUILDS, 3, RANGES, FILTERS)),
        log_shares=np.log([0.9, 0.08, 0.02]),
        latent=np.array([[1.0, 1.0, 0.0, 0.3], [1.0, 1.0, 1.0, 1.0]]),
        two_reels=rng.random((BUILDS, RANGES, FILTERS)) < 0.2,
        second_share=rng.uniform(0.1, 0.9, (BUILDS, FILTERS)),
    )


@pytest.mark.parametrize("seed", range(5))
def test_compiled_filters_say_what_plain_ones_do(seed: int) -> None:
    rng = np.random.default_rng(seed)
    unit = some_unit(rng)
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
        unit.scales,
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


def test_filters_without_weight_are_left_alone() -> None:
    rng = np.random.default_rng(1)
    unit = some_unit(rng)
    mean = rng.normal(0, 1, (BUILDS, SIZE, FILTERS))
    covariance = np.tile(np.eye(SIZE)[None, :, :, None], (BUILDS, 1, 1, FILTERS))
    before = mean.copy()
    alive = rng.random((BUILDS, FILTERS)) < 0.5
    compiled.fold_compiled(
        mean,
        covariance,
        unit.errors,
        np.zeros_like(unit.missing),
        unit.scales,
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
