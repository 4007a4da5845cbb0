"""Two things wrong at once, and one that nobody released: found, kept out, known."""

import pytest

from storage.records import Cause
from tests.daemon.watch.bench import Told, serial_of

BAD_10UA, BAD_1MA = {1: 3000.0}, {3: -3000.0}
BOTH = BAD_10UA | BAD_1MA
GOOD_REELS = ("RL-1", "RL-2", "RL-3", "RL-4")
TWO_BAD = ("RL-1", "RL-12", "RL-3", "RL-14")


def two_bad(seed: int) -> Told:
    """Measure a good build, then one on which two new reels are off."""
    told = Told(seed)
    told.fit("B-1", GOOD_REELS)
    told.build("B-1", 20)
    assert told.holding() == []
    told.fit("B-2", TWO_BAD)
    told.build("B-2", 12, BOTH)
    return told


@pytest.mark.parametrize("seed", range(3))
def test_two_bad_reels_are_two_findings_that_each_hold(seed: int) -> None:
    told = two_bad(seed)
    found = sorted(told.holding("B-2"), key=lambda one: str(one.reel))
    assert {one.signal for one in found} == {"B-2-F1", "B-2-F2"}
    named = [(one.cause, one.range, one.part, one.reel) for one in found]
    assert named == [
        (Cause.REEL, "10uA", "R12", "RL-12"),
        (Cause.REEL, "1mA", "R14", "RL-14"),
    ]
    for one, ppm in zip(found, (3000.0, -3000.0), strict=True):
        # A good reel may lie 150 ppm from the others beside: three of these.
        assert one.size_ppm == pytest.approx(ppm, abs=450.0)
        assert one.first_serial == serial_of("B-2", 0)


@pytest.mark.parametrize("seed", range(3))
def test_two_bad_reels_teach_the_next_good_build_nothing(seed: int) -> None:
    told = two_bad(seed)
    told.fit("B-3", ("RL-1", "RL-22", "RL-3", "RL-24"))
    told.build("B-3", 20)
    assert told.holding("B-3") == []


@pytest.mark.parametrize("seed", range(3))
def test_two_bad_reels_that_stay_are_both_found_by_the_second_unit(seed: int) -> None:
    told = two_bad(seed)
    told.fit("B-3", TWO_BAD)
    told.build("B-3", 2, BOTH)
    assert {one.reel for one in told.holding("B-3")} == {"RL-12", "RL-14"}


@pytest.mark.parametrize("seed", range(3))
def test_a_bad_reel_that_nobody_released_is_found_at_the_next_build_s_first_unit(
    seed: int,
) -> None:
    told = Told(seed)
    told.fit("B-1", GOOD_REELS)
    told.build("B-1", 20)
    told.fit("B-2", ("RL-1", "RL-12", "RL-3", "RL-4"))
    told.build("B-2", 10, BAD_10UA)
    told.fit("B-3", ("RL-1", "RL-12", "RL-3", "RL-4"))
    told.unit(serial_of("B-3", 0), "B-3", BAD_10UA)
    (found,) = told.holding("B-3")
    assert (found.reel, found.raised_serial) == ("RL-12", serial_of("B-3", 0))


@pytest.mark.parametrize("seed", range(3))
def test_a_bad_reel_that_comes_back_after_another_is_bad_at_its_first_unit(
    seed: int,
) -> None:
    told = Told(seed)
    told.fit("B-1", GOOD_REELS)
    told.build("B-1", 20)
    for build, reel, off in (
        ("B-2", "RL-12", BAD_10UA), ("B-3", "RL-22", {}), ("B-4", "RL-12", BAD_10UA),
    ):  # fmt: skip
        told.fit(build, ("RL-1", reel, "RL-3", "RL-4"))
        told.build(build, 1 if build == "B-4" else 12, off)
    assert told.holding("B-3") == []
    (found,) = told.holding("B-4")
    assert (found.reel, found.raised_serial) == ("RL-12", serial_of("B-4", 0))


@pytest.mark.parametrize("seed", range(3))
def test_a_good_reel_that_comes_back_after_a_bad_one_is_good(seed: int) -> None:
    told = Told(seed)
    for build, reel, off in (
        ("B-1", "RL-2", {}), ("B-2", "RL-12", BAD_10UA), ("B-3", "RL-2", {}),
    ):  # fmt: skip
        told.fit(build, ("RL-1", reel, "RL-3", "RL-4"))
        told.build(build, 15, off)
    assert [one.reel for one in told.holding("B-2")] == ["RL-12"]
    assert told.holding("B-3") == []


@pytest.mark.parametrize("seed", range(4))
def test_two_bad_reels_may_be_taken_out_at_once_and_nobody_records_it(
    seed: int,
) -> None:
    """The record has both in the next build too, which reads as it should."""
    told = Told(seed)
    told.fit("B-1", GOOD_REELS)
    told.build("B-1", 20)
    bad = ("RL-11", "RL-12", "RL-3", "RL-4")
    told.fit("B-2", bad)
    told.build("B-2", 10, {0: 3500.0, 1: -3500.0})
    found = told.holding("B-2")
    assert {one.reel for one in found} == {"RL-11", "RL-12"}
    told.fit("B-3", bad)
    told.build("B-3", 10)
    assert told.holding("B-3") == []
    assert [one.signal for one in told.holding("B-2")] == [one.signal for one in found]


@pytest.mark.parametrize("seed", range(4))
def test_a_reel_that_drifts_is_found_though_another_is_changed_meanwhile(
    seed: int,
) -> None:
    """By 50 ppm a unit; what was suspected of it lives on past the other's change."""
    told = Told(seed)
    told.fit("B-1", GOOD_REELS)
    told.build("B-1", 20)
    told.fit("B-2", ("RL-1", "RL-12", "RL-3", "RL-4"))
    told.fit("B-2", ("", "", "", "RL-14"), serial_of("B-2", 8))
    for index in range(40):
        told.unit(serial_of("B-2", index), "B-2", {1: 50.0 * index})
    named = {(one.cause, one.reel) for one in told.holding("B-2")}
    assert named == {(Cause.REEL, "RL-12")}
