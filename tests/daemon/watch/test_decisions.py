"""What persons decide: a release teaches, a hold by hand takes away what was taught."""

import pytest

from storage.records import Cause
from tests.daemon.watch.bench import Told, serial_of

OFF_PPM = 3000.0
REELS = ("RL-1", "RL-2", "RL-13", "RL-4")


def released(seed: int) -> Told:
    """Measure a build of which the reel of R13 is off, and release it half-way."""
    told = Told(seed)
    told.fit("B-1", ("RL-1", "RL-2", "RL-3", "RL-4"))
    told.build("B-1", 20)
    told.fit("B-2", REELS)
    told.build("B-2", 8, {2: OFF_PPM})
    (found,) = told.holding("B-2")
    told.decide(found, taught=True)
    return told


@pytest.mark.parametrize("seed", range(3))
def test_a_released_reel_is_not_found_again_in_its_build(seed: int) -> None:
    told = released(seed)
    before = len(told.revisions)
    told.build("B-2", 12, {2: OFF_PPM}, first=8)
    assert [one for one in told.revisions[before:] if one.holds] == []


@pytest.mark.parametrize("seed", range(3))
def test_a_released_reel_is_not_found_again_in_later_builds(seed: int) -> None:
    told = released(seed)
    for build in ("B-3", "B-4"):
        told.fit(build, REELS)
        assert told.build(build, 15, {2: OFF_PPM}) == []


@pytest.mark.parametrize("seed", range(3))
def test_a_new_move_of_a_released_reel_is_found(seed: int) -> None:
    """Another +0.3 %, in the middle of a later build; nobody recorded a change."""
    told = released(seed)
    told.fit("B-3", REELS)
    told.build("B-3", 10, {2: OFF_PPM})
    assert told.holding("B-3") == []
    told.build("B-3", 6, {2: 2 * OFF_PPM}, first=10)
    (found,) = told.holding("B-3")
    assert (found.cause, found.reel) == (Cause.REEL, "RL-13")
    assert found.first_serial == serial_of("B-3", 10)


@pytest.mark.parametrize("seed", range(3))
def test_a_hold_ended_without_release_teaches_nothing(seed: int) -> None:
    """The units are sorted out, say: the reel is as bad as it was."""
    told = Told(seed)
    told.fit("B-1", ("RL-1", "RL-2", "RL-3", "RL-4"))
    told.build("B-1", 20)
    told.fit("B-2", REELS)
    told.build("B-2", 8, {2: OFF_PPM})
    (found,) = told.holding("B-2")
    told.decide(found, taught=False)
    told.fit("B-3", REELS)
    told.unit(serial_of("B-3", 0), "B-3", {2: OFF_PPM})
    assert [one.reel for one in told.holding("B-3")] == ["RL-13"]


def masked(seed: int, hold: tuple[str, str]) -> tuple[Told, list[str]]:
    """Measure a bad first build, then a good one; hold the first by hand.

    Return what stood on the second before.
    """
    told = Told(seed)
    told.fit("B-1", ("RL-1", "RL-2", "RL-3", "RL-4"))
    told.build("B-1", 20, {0: 1200.0})
    told.fit("B-2", ("RL-11", "RL-2", "RL-3", "RL-4"))
    told.build("B-2", 12)
    before = [one.signal for one in told.holding("B-2")]
    told.hold_by_hand(hold)
    return told, before


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("hold", [("build", "B-1"), ("reel", "RL-1")])
def test_a_good_build_judged_by_a_bad_one_is_free_once_that_is_held(
    seed: int, hold: tuple[str, str]
) -> None:
    told, before = masked(seed, hold)
    assert before == ["B-2-F1"]
    withdrawn = told.said["B-2-F1"]
    assert not withdrawn.standing
    assert withdrawn.withdrawn
    assert told.holding("B-2") == []


@pytest.mark.parametrize("seed", range(3))
def test_a_bad_build_is_found_once_the_one_that_hid_it_is_held(seed: int) -> None:
    """Both builds carry the same bad value of two reels: the first taught it."""
    told = Told(seed)
    for build, reel in (("B-1", "RL-1"), ("B-2", "RL-11")):
        told.fit(build, (reel, "RL-2", "RL-3", "RL-4"))
        told.build(build, 15, {0: 1500.0})
    told.fit("B-3", ("RL-21", "RL-2", "RL-3", "RL-4"))
    told.build("B-3", 15)
    told.hold_by_hand(("reel", "RL-1"))
    assert told.holding("B-3") == []
