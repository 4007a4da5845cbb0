"""Units within their reel, and reels among reels."""

from math import nan, sqrt

import numpy as np
import pytest
from hypothesis import given, strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from daemon.spc.charts.within_reels import ReelChart, ReelLimits, reel_limits
from daemon.spc.control_limits import Exclusion
from daemon.spc.errors import (
    NoSpreadError,
    NotFiniteError,
    OutOfRangeError,
    TooFewError,
)
from tests.chart_checks import history as history_of, refuses

values = st.lists(st.floats(-2e3, 2e3), max_size=25)
LIMITS = ReelLimits(
    centre=40.0, sigma_within=150.0, sigma_between=200.0, centre_sigma=60.0
)


@pytest.mark.source("definition: a normal vector given its first elements")
@given(values.filter(len))
def test_predictions_are_those_of_the_normal_vector(x: list[float]) -> None:
    n = len(x)
    covariance = np.full((n, n), LIMITS.level_variance)
    covariance[np.diag_indices(n)] += LIMITS.sigma_within**2
    history = history_of(ReelChart(limits=LIMITS), x)
    for i in range(n):
        known = covariance[:i, :i]
        weights = np.linalg.solve(known, covariance[:i, i]) if i else np.zeros(0)
        centre = LIMITS.centre + weights @ (np.array(x[:i]) - LIMITS.centre)
        sigma = sqrt(covariance[i, i] - weights @ covariance[:i, i])
        assert history.centre[i] == pytest.approx(centre, abs=1e-8)
        assert history.z[i] == pytest.approx((x[i] - centre) / sigma, abs=1e-9)
        assert history.upper[i] == pytest.approx(centre + 3 * sigma)
        of_mean = np.full(i + 1, 1 / (i + 1))
        sigma_mean = sqrt(of_mean @ covariance[: i + 1, : i + 1] @ of_mean)
        reel_z = (np.mean(x[: i + 1]) - LIMITS.centre) / sigma_mean
        assert history.reel_z[i] == pytest.approx(reel_z, abs=1e-9)
        assert LIMITS.of_mean(i + 1).sigma == pytest.approx(sigma_mean)


@given(values, values)
def test_a_new_reel_begins_as_the_first_did(x: list[float], y: list[float]) -> None:
    fresh, used = ReelChart(limits=LIMITS), ReelChart(limits=LIMITS)
    history_of(used, x)
    used.boundary()
    plain, after = history_of(fresh, y), history_of(used, y)
    assert_array_equal(after.z, plain.z)
    assert_array_equal(after.reel_z, plain.reel_z)
    assert_array_equal(after.n, plain.n + len(x))


@given(values, st.floats(-1e3, 1e3), st.floats(0.01, 100.0))
def test_z_does_not_change_with_shift_and_scale(
    x: list[float], shift: float, scale: float
) -> None:
    moved = ReelLimits(
        centre=40.0 * scale + shift,
        sigma_within=150.0 * scale,
        sigma_between=200.0 * scale,
        centre_sigma=60.0 * scale,
    )
    plain = history_of(ReelChart(limits=LIMITS), x)
    told = history_of(ReelChart(limits=moved), np.multiply(x, scale) + shift)
    assert_allclose(told.z, plain.z, atol=1e-9 * (1 + abs(shift) / scale))
    assert_allclose(told.reel_z, plain.reel_z, atol=1e-9 * (1 + abs(shift) / scale))


def test_z_is_standard_normal_while_all_is_well() -> None:
    rng = np.random.default_rng(25)
    chart = ReelChart(limits=LIMITS)
    z = []
    for _ in range(400):
        level = rng.normal(LIMITS.centre, sqrt(LIMITS.level_variance))
        chart.boundary()
        z.append(history_of(chart, rng.normal(level, 150.0, size=25)).z)
    z_all = np.array(z)
    assert_allclose([z_all.mean(), z_all.std()], [0.0, 1.0], atol=0.03)
    neighbours = np.mean(z_all[:, 1:] * z_all[:, :-1])
    assert abs(neighbours) < 0.04


def test_an_ordinary_reel_passes_and_a_bad_one_does_not() -> None:
    chart = ReelChart(limits=LIMITS)
    ordinary = history_of(chart, np.linspace(200.0, 400.0, 20))
    assert not ordinary.signal.any()
    assert not ordinary.reel_signal.any()
    chart.boundary()
    bad = [chart.update(x) for x in (820.0, 790.0, 850.0)]
    assert bad[-1].reel_signal
    assert not bad[-1].signal  # within its own reel it is ordinary


@pytest.mark.source("definition: pooled s, and weights of equal reels")
def test_a_baseline_of_equal_reels() -> None:
    x = [0.0, 2.0, 10.0, 12.0, 20.0, 22.0]
    limits = reel_limits(x, segment_starts=[2, 4])
    assert limits.sigma_within == pytest.approx(sqrt(2.0))
    # Mean square across 200, inside 2, two units a reel.
    assert limits.sigma_between == pytest.approx(sqrt((200.0 - 2.0) / 2))
    assert limits.centre == pytest.approx(11.0)
    assert limits.centre_sigma == pytest.approx(sqrt((99.0 + 1.0) / 3))
    assert limits.provenance.segments == 3
    assert limits.provenance.degrees_of_freedom == 3.0


def test_a_known_scatter_of_reels_makes_one_reel_enough() -> None:
    limits = reel_limits([1.0, 3.0, 2.0], sigma_between=150.0)
    assert limits.sigma_between == 150.0
    assert limits.centre == pytest.approx(2.0)
    assert limits.centre_sigma == pytest.approx(sqrt(150.0**2 + 1.0 / 3))


def test_an_excluded_unit_does_not_count() -> None:
    x = [0.0, 2.0, 900.0, 10.0, 12.0]
    slip = Exclusion(index=2, cause="probe slipped")
    limits = reel_limits(x, segment_starts=[3], exclude=[slip])
    assert limits.sigma_within == pytest.approx(sqrt(2.0))
    assert limits.provenance.excluded == (slip,)


def test_bad_input_is_named() -> None:
    chart = ReelChart(limits=LIMITS)
    refuses(chart, NotFiniteError, "x = nan", nan)
    with pytest.raises(OutOfRangeError, match="segment_starts = 2: must be >= 0 and"):
        reel_limits([1.0, 2.0], segment_starts=[2])
    with pytest.raises(TooFewError, match="reels in x = 1: must be >= 2, or sigma_b"):
        reel_limits([1.0, 2.0])
    with pytest.raises(TooFewError, match="units in the largest reel of x = 1"):
        reel_limits([1.0, 2.0], segment_starts=[1])
    with pytest.raises(TooFewError, match=r"len\(x\) = 0"):
        reel_limits([])
    with pytest.raises(NoSpreadError, match="spread of x within reels = 0"):
        reel_limits([0.1] * 3 + [0.7] * 3, segment_starts=[3])
    with pytest.raises(OutOfRangeError, match=r"sigma_between = -1.0: must be >= 0"):
        reel_limits([1.0, 2.0], sigma_between=-1.0)
    with pytest.raises(OutOfRangeError, match=r"sigma_within = 0.0: must be > 0"):
        ReelLimits(centre=0.0, sigma_within=0.0, sigma_between=1.0)
    with pytest.raises(OutOfRangeError, match="units = 0"):
        LIMITS.of_mean(0)
