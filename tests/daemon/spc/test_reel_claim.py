"""A reel against its label: from loose parts, and from its units."""

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy.stats import norm, ttest_1samp

from daemon.spc.errors import SpcError
from daemon.spc.reel_claim import (
    CLASSES_PPM,
    Against,
    against_claim,
    reel_claim,
)

deviations = st.lists(
    st.floats(-50_000, 50_000, allow_nan=False), min_size=2, max_size=20
)


@pytest.mark.source("scipy.stats.ttest_1samp: confidence interval of a mean")
def test_the_interval_of_the_mean_is_students() -> None:
    values = [2600.0, 3100.0, 3500.0, 2900.0, 800.0]
    ours = against_claim(values, 1000.0)
    theirs = ttest_1samp(values, 0.0).confidence_interval(0.95)
    assert (ours.low_ppm, ours.high_ppm) == pytest.approx((theirs.low, theirs.high))


@pytest.mark.source("zero-failure sampling: n = 59 parts for a share of 5 % (binomial)")
def test_fifty_nine_good_parts_still_allow_five_percent() -> None:
    good = against_claim(np.zeros(59), 1000.0)
    assert good.missed_share == pytest.approx(0.05, abs=1e-3)
    assert (1 - good.missed_share) ** 59 == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("worst_ppm", "verdict"),
    [
        (899.0, Against.COMPATIBLE),
        (950.0, Against.UNDECIDED),
        (1099.0, Against.UNDECIDED),
        (1101.0, Against.INCOMPATIBLE),
    ],
)
def test_near_the_limit_the_meter_decides(worst_ppm: float, verdict: Against) -> None:
    said = against_claim([0.0, -worst_ppm], 1000.0, uncertainty_ppm=50.0)
    assert said.verdict is verdict


@given(deviations, st.floats(1, 100_000), st.floats(0, 1000))
def test_a_wider_claim_is_never_harder_to_meet(
    values: list[float], tolerance: float, uncertainty: float
) -> None:
    order = [Against.COMPATIBLE, Against.UNDECIDED, Against.INCOMPATIBLE]
    tight = against_claim(values, tolerance, uncertainty_ppm=uncertainty).verdict
    wide = against_claim(values, 2 * tolerance, uncertainty_ppm=uncertainty).verdict
    assert order.index(wide) <= order.index(tight)


@given(deviations, st.floats(10, 100_000))
def test_the_sign_of_the_deviations_does_not_matter(
    values: list[float], tolerance: float
) -> None:
    plus = against_claim(values, tolerance)
    minus = against_claim([-v for v in values], tolerance)
    assert plus.verdict is minus.verdict
    assert plus.outside == minus.outside


@pytest.mark.parametrize(
    ("values", "tolerance", "uncertainty"),
    [
        ([1.0], 1000.0, 0.0),
        ([], 1000.0, 0.0),
        ([1.0, float("nan")], 1000.0, 0.0),
        ([1.0, 2.0], 0.0, 0.0),
        ([1.0, 2.0], 1000.0, -1.0),
        ([1.0, 2.0], 1000.0, float("nan")),
    ],
)
def test_nonsense_is_refused(
    values: list[float], tolerance: float, uncertainty: float
) -> None:
    with pytest.raises(SpcError):
        against_claim(values, tolerance, uncertainty_ppm=uncertainty)


def test_a_reel_that_keeps_its_claim_is_left_alone() -> None:
    claim = reel_claim(
        size_ppm=150.0, sigma_ppm=40.0, spread_ppm=150.0, units=20, tolerance_ppm=1000.0
    )
    assert claim.incompatible < 1e-6
    assert claim.share_outside < 1e-3
    likeliest = max(claim.classes, key=lambda c: c.probability)
    assert likeliest.tolerance_ppm in {500.0, 1000.0}


@pytest.mark.source("scipy.stats.norm: tail areas, summed over the mean's uncertainty")
def test_the_share_outside_is_that_of_normal_parts() -> None:
    claim = reel_claim(
        size_ppm=800.0, sigma_ppm=100.0, spread_ppm=300.0, units=20, tolerance_ppm=1000
    )
    # mean and parts are both normal: their sum is
    total = norm(800.0, (100.0**2 + 300.0**2) ** 0.5)
    assert claim.share_outside == pytest.approx(total.sf(1000) + total.cdf(-1000))


@given(
    st.floats(-60_000, 60_000),
    st.floats(1, 5_000),
    st.floats(1, 20_000),
    st.integers(1, 200),
)
def test_class_odds_sum_to_one(
    size: float, sigma: float, spread: float, units: int
) -> None:
    claim = reel_claim(
        size_ppm=size,
        sigma_ppm=sigma,
        spread_ppm=spread,
        units=units,
        tolerance_ppm=1e3,
    )
    assert sum(c.probability for c in claim.classes) == pytest.approx(1.0)
    assert tuple(c.tolerance_ppm for c in claim.classes) == CLASSES_PPM
    assert 0.0 <= claim.incompatible <= 1.0 + 1e-12


def test_a_reel_s_nonsense_is_refused() -> None:
    with pytest.raises(SpcError, match="sigma_ppm"):
        reel_claim(size_ppm=0, sigma_ppm=0.0, spread_ppm=1, units=1, tolerance_ppm=1000)
    with pytest.raises(SpcError, match="classes_ppm"):
        reel_claim(
            size_ppm=0,
            sigma_ppm=1.0,
            spread_ppm=1,
            units=1,
            tolerance_ppm=1000,
            classes_ppm=(-1.0,),
        )


def test_a_mean_that_is_as_good_as_known_ends_in_classes() -> None:
    claim = reel_claim(
        size_ppm=1.0, sigma_ppm=5e-324, spread_ppm=10.0, units=9, tolerance_ppm=1000.0
    )
    assert sum(one.probability for one in claim.classes) == pytest.approx(1.0)
