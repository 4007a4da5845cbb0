"""The detector of one build."""

import numpy as np
import pytest

from daemon.spc.baseline import Segment, fit_baseline
from daemon.spc.errors import SpcError
from daemon.spc.reel_change import ReelChangeDetector

TOLERANCE = np.full(4, 1000.0)


def test_a_recorded_bad_reel_is_named_with_its_range_and_first_unit() -> None:
    rng = np.random.default_rng(7)
    good = rng.normal(0, 150, (30, 4)) + rng.normal(0, 100, (30, 1))
    baseline = fit_baseline(
        [Segment(errors_ppm=good, build="1", reels=("a", "b", "c", "d"))], TOLERANCE
    )
    detector = ReelChangeDetector(
        tolerance_ppm=TOLERANCE,
        baseline=baseline,
        log_odds_limit=7.0,
        reels=("a", "b", "c", "d"),
    )
    for _ in range(10):
        unit = rng.normal(0, 150, 4) + rng.normal(0, 100)
        assert detector.update(unit, None).finding is None
    detector.change_reels([2])
    finding = None
    for _ in range(3):
        unit = rng.normal(0, 150, 4) + rng.normal(0, 100)
        unit[2] += 3000
        finding = detector.update(unit, None).finding
    assert finding is not None
    assert (finding.cause, finding.range_index, finding.first_unit) == ("reel", 2, 11)
    assert finding.low_ppm < 3000 < finding.high_ppm


@pytest.mark.parametrize("bad", [0.0, -1.0, np.nan, np.inf])
def test_a_tolerance_that_is_not_positive_is_refused(bad: float) -> None:
    with pytest.raises(SpcError, match=r"tolerance_ppm\[1\]"):
        fit_baseline([], [1000.0, bad])
