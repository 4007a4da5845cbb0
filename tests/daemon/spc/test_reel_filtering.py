"""The filter of one hypothesis, against the definition it approximates.

Expected values come from a second calculation: joint Gaussians written out in full, or
sums over a fine grid.
"""

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.spc.filtering import Unit, fold_unit, order_of_ranges

Array = NDArray[np.float64]

SHARES = np.array([0.9, 0.07, 0.03])


def one_filter(size: int, seed: int) -> tuple[Array, Array]:
    """Return a random state of one build and one filter."""
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(size, size))
    return rng.normal(size=(1, size, 1)), (root @ root.T)[None, :, :, None] / size


def one_unit(
    errors: list[float], scales: Array, *, mixed: int | None = None, share: float = 0.5
) -> Unit:
    """Return a unit for one filter; `scales` is (C, R)."""
    values = np.array([errors])
    missing = np.isnan(values)
    two_reels = np.zeros((1, len(errors), 1), dtype=bool)
    if mixed is not None:
        two_reels[0, mixed] = True
    return Unit(
        errors=np.where(missing, 0.0, values),
        missing=missing,
        scales=scales[None, :, :, None],
        log_shares=np.log(SHARES),
        latent=np.ones((1, len(errors))),
        two_reels=two_reels,
        second_share=np.array([[share]]),
    )


def test_with_equal_components_the_update_is_the_exact_gaussian_one() -> None:
    """Three ranges, one of them missing, against the conditional normal."""
    ranges = 3
    mean, covariance = one_filter(ranges + 2, 1)
    own = np.array([0.3, 0.2, 0.5])
    unit = one_unit([0.4, float("nan"), -0.7], np.tile(own, (3, 1)))
    seen = [0, 2]
    rows = np.zeros((2, ranges + 2))
    rows[[0, 1], seen] = 1.0
    rows[:, -1] = 1.0
    prior, spread = mean[0, :, 0], covariance[0, :, :, 0]
    total = rows @ spread @ rows.T + np.diag(own[seen])
    apart = np.array([0.4, -0.7]) - rows @ prior
    gain = spread @ rows.T @ np.linalg.inv(total)
    expected_mean = prior + gain @ apart
    expected = spread - gain @ rows @ spread
    density = -0.5 * (
        np.linalg.slogdet(total)[1] + apart @ np.linalg.solve(total, apart)
    )
    folded = fold_unit(mean, covariance, unit, np.array([[0, 2, 1]]))
    np.testing.assert_allclose(mean[0, :, 0], expected_mean, atol=1e-12)
    np.testing.assert_allclose(covariance[0, :, :, 0], expected, atol=1e-12)
    assert folded.log_density[0, 0] == pytest.approx(density, abs=1e-12)


@pytest.mark.parametrize("error", [0.1, 1.5, -6.0])
def test_the_moments_are_those_of_the_mixture(error: float) -> None:
    """One range: mean and variance of the level by sums over a grid."""
    mean = np.array([0.2, 0.0, 0.0])[None, :, None]
    covariance = np.diag([0.5, 0.0, 0.1])[None, :, :, None].copy()
    scales = np.array([0.2, 1.3, 9.2])
    unit = one_unit([error], scales[:, None])
    folded = fold_unit(mean, covariance, unit, np.array([[0]]))
    level = np.linspace(-12.0, 12.0, 200_001)
    prior = np.exp(-0.5 * (level - 0.2) ** 2 / 0.5)
    seen = sum(
        w * (s + 0.1) ** -0.5 * np.exp(-0.5 * (error - level) ** 2 / (s + 0.1))
        for w, s in zip(SHARES, scales, strict=True)
    )
    weight = prior * seen / (prior * seen).sum()
    centre = (weight * level).sum()
    assert mean[0, 0, 0] == pytest.approx(centre, abs=1e-6)
    assert covariance[0, 0, 0, 0] == pytest.approx(
        (weight * (level - centre) ** 2).sum(), abs=1e-6
    )
    odd = SHARES[2] * 9.8**-0.5 * np.exp(-0.5 * (error - 0.2) ** 2 / 9.8)
    total = 0.6 + np.array([0.2, 1.3, 9.2])
    every = (SHARES * total**-0.5 * np.exp(-0.5 * (error - 0.2) ** 2 / total)).sum()
    assert folded.odd[0, 0, 0] == pytest.approx(odd / every, rel=1e-9)


def test_two_reels_are_matched_in_two_moments() -> None:
    """Level and difference of two reels by sums over a two-dimensional grid."""
    mean = np.array([0.0, 3.0, 0.0])[None, :, None].copy()
    covariance = np.diag([0.3, 0.6, 0.0])[None, :, :, None].copy()
    unit = one_unit([2.1], np.full((3, 1), 0.4), mixed=0, share=0.3)
    folded = fold_unit(mean, covariance, unit, np.array([[0]]))
    level, apart = np.meshgrid(
        np.linspace(-6, 6, 1201), np.linspace(-4, 10, 1401), indexing="ij"
    )
    prior = np.exp(-0.5 * level**2 / 0.3 - 0.5 * (apart - 3.0) ** 2 / 0.6)
    first = 0.7 * np.exp(-0.5 * (2.1 - level) ** 2 / 0.4)
    second = 0.3 * np.exp(-0.5 * (2.1 - level - apart) ** 2 / 0.4)
    weight = prior * (first + second)
    weight /= weight.sum()
    for index, grid in ((0, level), (1, apart)):
        centre = (weight * grid).sum()
        assert mean[0, index, 0] == pytest.approx(centre, abs=1e-6)
        assert covariance[0, index, index, 0] == pytest.approx(
            (weight * (grid - centre) ** 2).sum(), abs=1e-6
        )
    carries = (prior * second).sum() / (prior * (first + second)).sum()
    assert folded.second[0, 0] == pytest.approx(carries, abs=1e-6)


def test_the_outermost_range_is_taken_last_and_missing_ones_after_it() -> None:
    nan = float("nan")
    residual = np.array([[0.1, 5.0, 0.2, 0.0], [0.3, 0.1, nan, -4.0]])
    order = order_of_ranges(residual, np.isnan(residual))
    assert order[0, -1] == 1
    assert order[1, -2:].tolist() == [3, 2]


def test_with_two_ranges_outermost_is_farthest_from_zero() -> None:
    order = order_of_ranges(np.array([[2.0, -1.0]]), np.zeros((1, 2), dtype=bool))
    assert order.tolist() == [[1, 0]]
