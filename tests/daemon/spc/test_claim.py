"""Loose parts against the label."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import ttest_1samp

from daemon.spc.claim import Against, against_claim
from daemon.spc.errors import SpcError

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
