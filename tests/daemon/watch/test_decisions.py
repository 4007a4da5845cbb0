"""What persons decide: a release teaches, a hold by hand takes away what was taught."""

import numpy as np
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


@pytest.mark.parametrize("seed", range(3))
def test_what_was_decided_is_not_said_anew_when_a_later_unit_is_measured_again(
    seed: int,
) -> None:
    """Nor when a reel of a later build is recorded late."""
    told = Told(seed)
    told.fit("B-1", ("RL-1", "RL-2", "RL-3", "RL-4"))
    told.build("B-1", 20)
    told.fit("B-2", REELS)
    told.build("B-2", 8, {2: OFF_PPM})
    (found,) = told.holding("B-2")
    told.decide(found, taught=False)
    told.fit("B-3", ("RL-1", "RL-2", "RL-23", "RL-4"))
    told.build("B-3", 8)
    before = len(told.revisions)
    told.unit(serial_of("B-3", 2), "B-3")
    told.fit("B-3", ("RL-31", "", "", ""), serial_of("B-3", 4))
    told.refit()
    told.hold_by_hand(("reel", "RL-1"))
    assert told.revisions[before:] == []


def masked(seed: int) -> Told:
    """Measure a first build with a reel that is off; the record has it in the next too.

    The second build is good: nobody recorded that it carries another reel.
    """
    told = Told(seed)
    for build, off in (("B-1", {0: 2500.0}), ("B-2", {})):
        told.fit(build, ("RL-1", "RL-2", "RL-3", "RL-4"))
        told.build(build, 20, off)
    return told


@pytest.mark.parametrize("seed", range(4))
def test_a_good_build_is_not_held_against_the_bad_one_before_it(seed: int) -> None:
    """What was found of the bad one stands: its units carry that reel."""
    told = masked(seed)
    assert [one.reel for one in told.holding("B-1")] == ["RL-1"]
    assert told.holding("B-2") == []


@pytest.mark.parametrize("seed", range(4))
def test_a_reel_is_free_once_the_one_it_was_held_against_is_held(seed: int) -> None:
    """Three builds read 600 ppm high, unfound; the next reel reads 1000 ppm low."""
    told = Told(seed)
    for build, reel, off in (
        ("B-1", "RL-1", 600.0),
        ("B-2", "RL-1", 600.0),
        ("B-3", "RL-1", 600.0),
        ("B-4", "RL-9", -1000.0),
    ):
        told.fit(build, (reel, "RL-2", "RL-3", "RL-4"))
        told.build(build, 20, {0: off})
    against = told.holding()
    assert {one.reel for one in against} == {"RL-9"}
    told.hold_by_hand(("reel", "RL-1"))
    assert told.holding() == []
    for one in against:
        now = told.said[one.signal]
        assert (now.standing, now.withdrawn) == (
            False,
            "records that came later explain it",
        )


@pytest.mark.parametrize("seed", range(4))
def test_a_finding_stands_though_a_person_holds_its_reel_too(seed: int) -> None:
    told = masked(seed)
    found = told.holding("B-1")
    told.hold_by_hand(("reel", "RL-1"))
    assert told.holding("B-1") == found
    told.fit("B-3", ("RL-31", "RL-2", "RL-3", "RL-4"))
    told.build("B-3", 5)
    assert told.holding() == found
    told.hold_by_hand()
    assert [one.signal for one in told.holding("B-1")] == [found[0].signal]


@pytest.mark.parametrize("seed", range(4))
def test_a_build_held_by_hand_teaches_nothing(seed: int) -> None:
    """The next good build with the same reels is judged as though it were the first."""
    told = masked(seed)
    told.hold_by_hand(("build", "B-1"))
    told.fit("B-3", ("RL-1", "RL-2", "RL-3", "RL-4"))
    told.build("B-3", 15)
    assert told.holding("B-3") == []
    # Reels differ by 150 ppm and builds by 100: the mean of one reel in two builds.
    assert abs(told.watcher.baseline().mean_ppm).max() < 3 * np.hypot(150.0, 100.0)


@pytest.mark.parametrize("seed", range(4))
def test_a_hold_by_hand_that_ends_puts_back_what_was_known(seed: int) -> None:
    told = masked(seed)
    before = told.watcher.log_odds
    told.hold_by_hand(("build", "B-1"))
    assert told.watcher.log_odds != before
    told.hold_by_hand()
    assert told.watcher.log_odds == before


@pytest.mark.parametrize("seed", range(4))
def test_a_finding_of_a_held_build_steps_back_all_the_same(seed: int) -> None:
    """The build is held for its cases; a reel that was suspected then reads right."""
    told = Told(seed)
    told.fit("B-1", ("RL-1", "RL-2", "RL-3", "RL-4"))
    told.build("B-1", 20)
    told.fit("B-2", REELS)
    told.hold_by_hand(("build", "B-2"))
    told.build("B-2", 4)
    told.build("B-2", 2, {2: OFF_PPM}, first=4)
    told.build("B-2", 20, first=6)
    assert told.holding("B-2") == []
