"""What range errors do with temperature."""

import numpy as np
import pytest

from daemon.spc.baseline import Segment, fit_baseline_of
from daemon.spc.errors import SpcError
from daemon.spc.layout import layout_of
from daemon.spc.temperature import TemperatureEffect, fit_temperature

T_PPM = 1000.0
LAYOUT = layout_of([T_PPM] * 2)
PRIOR = np.array([25.0, 25.0]) / 3**0.5
BOUND = np.array([25.0, 25.0])


def segment(
    seed: int, warmth: float, swing: float, effect: float, *, recorded: bool = True
) -> Segment:
    chance = np.random.default_rng(seed)
    ambient = warmth + swing * chance.normal(size=40)
    errors = chance.normal(0, 150.0, (40, 2)) + chance.normal(0, 150.0, 2)
    errors += effect * (ambient - 23.0)[:, None]
    return Segment(
        errors_ppm=errors,
        build=str(seed),
        reels=("", ""),
        ambient_c=ambient if recorded else None,
    )


def fitted(segments: list[Segment]) -> TemperatureEffect:
    effect = fit_temperature(
        segments, LAYOUT, sigma_ppm_per_k=PRIOR, bound_ppm_per_k=BOUND
    )
    assert effect is not None
    return effect


def test_stated_deviations_cover_the_true_coefficient() -> None:
    """Drawn from the prior, 200 times: 95 % intervals cover in 91 to 99 %."""
    chance = np.random.default_rng(1)
    inside = []
    for trial in range(200):
        true = float(chance.normal(0, PRIOR[0] / 2))
        days = [
            segment(10 * trial + n, 23 + chance.normal(0, 5), 1.5, true)
            for n in range(5)
        ]
        effect = fitted(days)
        away = np.abs(effect.ppm_per_k - true)
        inside += (away < 1.96 * effect.sigma_ppm_per_k).tolist()
    assert 0.91 < np.mean(inside) < 0.99


def test_without_a_spread_of_temperature_nothing_is_claimed() -> None:
    effect = fitted([segment(n, 23.0, 0.0, 20.0) for n in range(3)])
    np.testing.assert_allclose(effect.ppm_per_k, 0.0, atol=1e-9)
    np.testing.assert_allclose(effect.sigma_ppm_per_k, PRIOR, rtol=1e-9)


def test_a_year_of_builds_tells_what_one_day_cannot() -> None:
    year = [segment(n, 23 + 8 * np.sin(n), 0.0, 20.0) for n in range(12)]
    effect = fitted(year)
    assert np.abs(effect.ppm_per_k - 20.0).max() < 3 * effect.sigma_ppm_per_k.max()
    assert effect.sigma_ppm_per_k.max() < PRIOR[0] / 1.5


def test_a_bad_reel_on_a_warm_day_hardly_passes_for_temperature() -> None:
    days = [segment(n, 23.0, 2.0, 0.0) for n in range(4)]
    hot = segment(9, 33.0, 0.5, 0.0)
    moved = Segment(
        errors_ppm=hot.errors_ppm + np.array([3000.0, 0.0]),
        build="9",
        reels=("", ""),
        ambient_c=hot.ambient_c,
    )
    clean, fooled = fitted([*days, hot]), fitted([*days, moved])
    # 10 K away the reel keeps more than nine tenths of what it is off by.
    taken_ppm = 10.0 * (fooled.ppm_per_k[0] - clean.ppm_per_k[0])
    assert taken_ppm < 300.0


def test_no_coefficient_goes_beyond_what_the_parts_allow() -> None:
    effect = fitted([segment(n, 23.0, 8.0, 200.0) for n in range(4)])
    assert effect.ppm_per_k.tolist() == [25.0, 25.0]


def test_a_part_without_a_coefficient_has_none() -> None:
    effect = fit_temperature(
        [segment(1, 23.0, 5.0, 20.0)],
        LAYOUT,
        sigma_ppm_per_k=np.zeros(2),
        bound_ppm_per_k=np.zeros(2),
    )
    assert effect is not None
    assert effect.ppm_per_k.tolist() == effect.sigma_ppm_per_k.tolist() == [0.0, 0.0]


@pytest.mark.parametrize("segments", [[], [segment(1, 23.0, 1.0, 0.0, recorded=False)]])
def test_without_a_temperature_nothing_is_said(segments: list[Segment]) -> None:
    assert (
        fit_temperature(segments, LAYOUT, sigma_ppm_per_k=PRIOR, bound_ppm_per_k=BOUND)
        is None
    )


def test_a_range_that_was_never_measured_keeps_its_bound() -> None:
    one = segment(1, 23.0, 3.0, 20.0)
    blank = one.errors_ppm.copy()
    blank[:, 1] = np.nan
    effect = fitted(
        [Segment(errors_ppm=blank, build="1", reels=("", ""), ambient_c=one.ambient_c)]
    )
    assert effect.sigma_ppm_per_k[1] == pytest.approx(PRIOR[1])
    assert effect.sigma_ppm_per_k[0] < PRIOR[1]


@pytest.mark.source("variance of a product with one factor known, JCGM 100, 5.1.2")
def test_another_temperature_widens_the_levels_by_what_is_not_known() -> None:
    effect = TemperatureEffect(
        ppm_per_k=np.array([0.0, 0.0]),
        sigma_ppm_per_k=np.array([10.0, 0.0]),
        at_c=23.0,
    )
    bare = fit_baseline_of([segment(1, 23.0, 1.0, 0.0)], LAYOUT)
    warm = effect.widened(bare, 29.0)
    grown = np.diag(warm.level_prior().covariance - bare.level_prior().covariance)
    # Levels of the two ranges stand last.
    np.testing.assert_allclose(grown[-2:], [60.0**2, 0.0], atol=1e-6)


@pytest.mark.parametrize("ambient", [[23.0], [23.0, np.nan], [np.inf, 23.0]])
def test_a_temperature_that_is_none_is_refused(ambient: list[float]) -> None:
    wrong = Segment(
        errors_ppm=np.zeros((2, 2)),
        build="1",
        reels=("", ""),
        ambient_c=np.array(ambient),
    )
    with pytest.raises(SpcError, match="ambient_c"):
        fitted([wrong])
