"""Facts of the study that hold whatever its counts are."""

import pytest

from daemon.trials.studies.facts import scaling, trade


@pytest.mark.source("the model is linear: everything is reckoned in tolerances")
def test_scaling_by_ten_changes_no_decision() -> None:
    changed, moved = scaling(7, lives=3)
    assert changed.found == 0
    assert moved.met


@pytest.mark.source("common practice, no source")
def test_a_reel_of_a_coarser_class_is_named_from_the_first_unit() -> None:
    """0.8 to 3.5 % high in one range, all else good within 0.02 %."""
    found = tuple(trade(7, products=6))
    assert len(found) == 3
    assert all(one.met for one in found)
