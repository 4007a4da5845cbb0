"""A baseline that is itself out of control is said to be, with which segment."""

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.spc.baseline import Segment
from daemon.spc.errors import ShapeError
from daemon.spc.layout import layout_of
from daemon.spc.odd_segments import odd_segments

LAYOUT = layout_of([1000.0] * 4)


def segment(
    build: str, seed: int, shift: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)
) -> Segment:
    """Return a segment of 20 units with ordinary reels, then shifted."""
    rng = np.random.default_rng(seed)
    level: NDArray[np.float64] = rng.normal(0, 150, 4) + np.asarray(shift)
    errors = level + rng.normal(0, 150, (20, 4)) + rng.normal(0, 100, (20, 1))
    return Segment(errors_ppm=errors, build=build, reels=("",) * 4)


def test_good_segments_vouch_for_each_other() -> None:
    segments = [segment(str(b), b) for b in range(5)]
    assert odd_segments(segments, LAYOUT, log_odds_limit=2.0) == ()


def test_the_bad_segment_is_named_with_its_range() -> None:
    segments = [segment(str(b), b) for b in range(5)]
    segments[2] = segment("2", 2, (0.0, 0.0, 0.0, 4000.0))
    odd = odd_segments(segments, LAYOUT, log_odds_limit=2.0)
    assert [(one.index, one.finding.range_index) for one in odd] == [(2, 3)]


def test_of_two_that_contradict_each_other_the_one_far_from_nominal_is_named() -> None:
    segments = [segment("1", 1), segment("2", 2, (5000.0, 0.0, 0.0, 0.0))]
    odd = odd_segments(segments, LAYOUT, log_odds_limit=2.0)
    assert [one.index for one in odd] == [1]


def test_nothing_and_empty_segments_are_judged_in_peace() -> None:
    assert odd_segments([], LAYOUT, log_odds_limit=2.0) == ()
    empty = Segment(errors_ppm=np.empty((0, 4)), build="1", reels=("",) * 4)
    assert odd_segments([empty], LAYOUT, log_odds_limit=2.0) == ()


def test_a_variance_of_another_shape_is_refused() -> None:
    segments = [segment("1", 1), segment("2", 2)]
    with pytest.raises(ShapeError, match="variance_ppm2"):
        odd_segments(
            segments, LAYOUT, log_odds_limit=2.0, variance_ppm2=[np.zeros((20, 4))]
        )
