"""What the check standard and a second look tell: the bench, a slip, or the unit."""

import numpy as np
import pytest

from daemon.watch.segment import SetUp
from storage.records import Cause, Signal
from tests.daemon.watch.bench import Off, Told, serial_of

SLIP = {2: 8000.0}
ALL_RANGES = dict.fromkeys(range(4), 2000.0)


def begun(seed: int) -> Told:
    """Measure a good build of 20 units after the check that opens its session."""
    told = Told(seed)
    told.check()
    told.build("B-1", 20)
    assert told.said == {}
    told.new_session()
    return told


def imported_slip(seed: int) -> Told:
    """Import a build whose first unit had a poor contact that nobody could seat."""
    told = begun(seed)
    told.unit(serial_of("B-2", 0), "B-2", SLIP, set_up=False, seatable=False)
    assert [one for one in told.said.values() if one.standing]
    return told


def gone(told: Told) -> bool:
    """Whether all that was said is withdrawn, with a reason."""
    return all(not one.standing and one.withdrawn for one in told.said.values())


@pytest.mark.parametrize("seed", range(4))
def test_a_slip_is_withdrawn_once_its_unit_is_measured_again(seed: int) -> None:
    told = imported_slip(seed)
    told.unit(serial_of("B-2", 0), "B-2", set_up=False, seatable=False)
    assert gone(told)


@pytest.mark.parametrize("seed", range(4))
def test_a_rerun_withdraws_a_slip_after_other_units_too(seed: int) -> None:
    told = imported_slip(seed)
    told.unit(serial_of("B-2", 1), "B-2", set_up=False, seatable=False)
    told.unit(serial_of("B-2", 0), "B-2", set_up=False, seatable=False)
    assert gone(told)


@pytest.mark.parametrize("seed", range(4))
def test_later_units_that_read_right_withdraw_the_hold_of_a_slip(seed: int) -> None:
    told = imported_slip(seed)
    for index in range(1, 6):
        told.unit(serial_of("B-2", index), "B-2", set_up=False, seatable=False)
    assert told.holding() == []
    assert all(one.withdrawn for one in told.said.values() if one.holds)


@pytest.mark.parametrize("seed", range(4))
def test_a_unit_that_others_follow_is_not_said_to_be_off_alone(seed: int) -> None:
    told = begun(seed)
    told.build("B-2", 5)
    for index in range(5, 9):
        told.unit(
            serial_of("B-2", index), "B-2", {2: 4500.0}, set_up=False, seatable=False
        )
    (reel,) = told.holding()
    assert (reel.cause, reel.first_serial) == (Cause.REEL, serial_of("B-2", 5))
    alone = [one for one in told.said.values() if one.cause is Cause.UNIT]
    assert all(one.withdrawn for one in alone)


@pytest.mark.parametrize("seed", range(4))
def test_a_finding_is_not_withdrawn_for_another_range_s(seed: int) -> None:
    told = begun(seed)
    told.fit("B-2", ["A", "B", "C", "D"])
    told.build("B-2", 5, {2: 4500.0})
    (bad,) = told.holding()
    told.fit("B-2", ["", "", "", "E"], serial_of("B-2", 5))
    for off in ({2: 4500.0, 3: 4500.0}, {2: 4500.0}):
        for index in (5, 6):
            told.unit(serial_of("B-2", index), "B-2", off, set_up=False, seatable=False)
    (slip,) = [one for one in told.said.values() if one.range == "1mA" and one.holds]
    assert bad.standing
    assert slip.withdrawn is not None
    assert bad.signal not in slip.withdrawn


def bench_moved(seed: int, off: Off) -> tuple[Told, Signal, list[Signal]]:
    """Move the bench in a new session; return what units said, then a check."""
    told = begun(seed)
    told.build("B-2", 3, off)
    (before,) = told.holding("B-2")
    return told, before, told.check(off)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("off", [ALL_RANGES, {2: 3000.0}], ids=["all", "one"])
def test_a_check_that_reads_as_the_units_makes_it_the_bench(
    seed: int, off: Off
) -> None:
    told, before, said = bench_moved(seed, off)
    (found,) = told.holding("B-2")
    assert found.cause is Cause.BENCH
    assert found.range == (None if len(off) > 1 else "100uA")
    if before.cause is Cause.BENCH:
        return
    assert {one.signal: one.standing for one in said} == {
        "B-2-F1": False, "B-2-F2": True,
    }  # fmt: skip
    assert told.said["B-2-F1"].withdrawn


@pytest.mark.parametrize("seed", range(4))
def test_a_check_that_reads_right_leaves_a_reel_that_is_bad(seed: int) -> None:
    told = begun(seed)
    told.fit("B-2", ("", "", "RL-13", ""))
    told.check()
    told.build("B-2", 3, {2: 3000.0})
    told.check()
    (found,) = told.holding("B-2")
    assert (found.cause, found.reel) == (Cause.REEL, "RL-13")


@pytest.mark.parametrize("seed", range(4))
def test_what_a_check_has_found_goes_on_with_units_and_checks(seed: int) -> None:
    told, _, _ = bench_moved(seed, ALL_RANGES)
    (raised,) = told.holding("B-2")
    told.build("B-2", 2, ALL_RANGES, first=3)
    told.check(ALL_RANGES)
    told.build("B-2", 2, ALL_RANGES, first=5)
    revisions = [one for one in told.revisions if one.signal == raised.signal]
    assert {one.raised_serial for one in revisions} == {raised.raised_serial}
    assert raised.raised_serial in {serial_of("B-2", n) for n in range(3)}
    counted = [one.revision for one in revisions]
    assert counted == list(range(1, len(counted) + 1))


@pytest.mark.parametrize("seed", range(4))
def test_nothing_is_said_twice_of_one_finding_and_revision(seed: int) -> None:
    told, _, _ = bench_moved(seed, {2: 3000.0})
    told.build("B-2", 2, {2: 3000.0}, first=3)
    told.check({2: 3000.0})
    told.new_session()
    told.check()
    told.build("B-2", 5, first=5)
    pairs = [(one.signal, one.revision) for one in told.revisions]
    assert len(pairs) == len(set(pairs))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("off", [ALL_RANGES, {0: 1500.0}], ids=["all", "one"])
def test_the_check_that_opens_the_next_session_says_nothing_of_the_last_build(
    seed: int, off: Off
) -> None:
    """The bench moved overnight: no unit of the build was measured with it."""
    told = begun(seed)
    told.build("B-2", 10)
    told.new_session()
    assert told.check(off) == []
    assert told.holding("B-2") == []


@pytest.mark.parametrize("seed", range(4))
def test_what_a_bench_read_wrong_stays_found_when_it_is_back(seed: int) -> None:
    """Leads set up anew in the morning, after a day that read 1200 ppm high."""
    told = begun(seed)
    told.build("B-1", 6, {0: 1200.0}, first=20)
    (found,) = told.holding()
    assert found.cause is Cause.BENCH
    for first in (26, 32):
        told.new_session()
        told.check(noise_ppm=100.0)
        told.build("B-1", 6, first=first)
        told.check(noise_ppm=100.0)
    assert [(one.signal, one.units) for one in told.holding()] == [(found.signal, 6)]
    told.fit("B-2", ("RL-1", "RL-2", "RL-3", "RL-4"))
    told.new_session()
    told.build("B-2", 6)
    assert [one.signal for one in told.holding()] == [found.signal]


@pytest.mark.parametrize("seed", range(4))
def test_two_odd_parts_in_forty_are_no_second_reel(seed: int) -> None:
    told = begun(seed)
    for index in range(40):
        odd = {0: 4000.0} if index in {10, 30} else {}
        told.unit(serial_of("B-2", index), "B-2", odd)
    assert told.holding() == []


def test_a_run_of_one_range_leaves_what_the_bench_walks_by_on_the_others() -> None:
    """Six tenths of a run's own noise, as it was last read on each range."""
    told = Told(1)
    noise2 = np.full(4, 100.0**2)
    told.unit("PA-1", "B-1", variance_ppm2=noise2)
    told.unit(
        "PA-2",
        "B-1",
        errors=np.array([np.nan, 50.0, np.nan, np.nan]),
        variance_ppm2=np.array([0.0, 200.0**2, 0.0, 0.0]),
    )
    told.new_session()
    told.unit("PA-3", "B-1", variance_ppm2=noise2)
    (*_, set_up) = told.watcher.fold._bench
    assert isinstance(set_up, SetUp)
    assert set_up.walk_ppm == pytest.approx([60.0, 120.0, 60.0, 60.0])
