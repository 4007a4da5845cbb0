"""Whole years of a few simulated makers, held against what a maker is promised.

Asserted is what must hold for the detector as a whole, with the room that so few makers
need; `python -m tests.studies years` counts it over many.
"""

import pytest
from scipy.stats import binom

from tests.studies.tally import Tally, tally
from tests.studies.years import live_many

pytestmark = pytest.mark.bench

MAKERS, ACCEPTED = 12, 5000
CONFIDENCE = 0.95


@pytest.fixture(scope="module")
def found() -> Tally:
    years = list(live_many(range(1, MAKERS + 1), accepted=ACCEPTED, workers=2))
    return tally(years, accepted=ACCEPTED)


def at_least(count: int, of: int, share: float) -> bool:
    """Whether a count is what a share makes of chance, or more."""
    return of == 0 or count >= binom.ppf(1.0 - CONFIDENCE, of, share)


def at_most(count: int, of: int, share: float) -> bool:
    """Whether a count is what a share makes of chance, or less."""
    return of == 0 or count <= binom.ppf(CONFIDENCE, of, share)


def test_nothing_is_raised_and_every_year_goes_to_its_end(found: Tally) -> None:
    assert found.exceptions == ()
    assert found.builds >= 8 * MAKERS


def test_good_builds_are_held_no_more_often_than_accepted(found: Tally) -> None:
    everybody = found.good[0]
    assert everybody.units > 0
    assert everybody.held <= everybody.most


def test_whose_bench_it_is_makes_no_difference_to_false_holds(found: Tally) -> None:
    for one in found.good[1:]:
        assert one.held <= max(one.most, 1), one.who


def test_bad_reels_on_record_are_held_at_their_first_units(found: Tally) -> None:
    rows = {one.fault: one for one in found.faults}
    for fault in ("reel, recorded", "two reels, recorded"):
        if fault in rows:
            one = rows[fault]
            assert at_least(one.by_second, one.builds, 0.95), fault


def test_bad_reels_nobody_recorded_are_held_by_the_third_unit(found: Tally) -> None:
    rows = {one.fault: one for one in found.faults}
    for fault in ("reel, not recorded", "two reels, not recorded", "shared stage"):
        if fault in rows:
            one = rows[fault]
            assert at_least(one.by_third, one.builds, 0.9), fault


def test_what_is_wrong_is_named_with_its_place(found: Tally) -> None:
    causes = sum(one.causes for one in found.faults)
    assert at_least(sum(one.named for one in found.faults), causes, 0.9)
    assert at_least(*found.both_named, 0.9)


def test_a_bad_reel_that_nobody_released_holds_the_next_build(found: Tally) -> None:
    assert at_least(*found.kept, 0.95)
    assert at_least(*found.both_kept, 0.95)


def test_what_was_released_is_not_held_again(found: Tally) -> None:
    assert at_most(*found.released, 0.1)
    assert at_most(*found.again, 0.1)


def test_intervals_hold_the_true_size(found: Tally) -> None:
    covered, sized = found.covered
    assert sized > 0
    assert at_least(covered, sized, 0.95)


def test_findings_of_nothing_are_withdrawn(found: Tally) -> None:
    assert at_most(*found.refuted, 0.2)


def test_slips_are_seated_again_and_good_units_are_not(found: Tally) -> None:
    assert at_least(*found.slips, 0.9)
    assert at_most(*found.asked_for_nothing, 0.005)


def test_starting_again_changes_nothing(found: Tally) -> None:
    assert found.restarts > 0
    assert found.raised_by_restart == 0
    assert found.unlike is not None
    assert found.unlike == 0.0
