"""Units in any order, reels recorded late, many sessions, files in pieces."""

import numpy as np
import pytest
from scipy.stats import binom

from storage.records import Cause
from tests.daemon.watch.bench import FALSE_HOLD_IN_UNITS, Told, serial_of

GOOD = ("RL-1", "RL-2", "RL-3", "RL-4")
FIRST_BAD, UNITS = 8, 20
BAD = {1: 3000.0}


def readings_of(told: Told) -> list[np.ndarray]:
    """Return a build's errors; from its ninth unit on, 10 µA is off."""
    return [
        told.errors("B-2", GOOD, BAD if index >= FIRST_BAD else {})
        for index in range(UNITS)
    ]


def begun(seed: int) -> Told:
    told = Told(seed)
    told.fit("B-1", GOOD)
    told.build("B-1", UNITS)
    told.fit("B-2", GOOD)
    return told


@pytest.mark.parametrize("seed", range(4))
def test_serials_in_any_order_end_in_the_same_cause_and_reel(seed: int) -> None:
    """A reel counts from a serial on, not from a moment on."""
    told = begun(seed)
    told.fit("B-2", ("", "RL-12", "", ""), serial_of("B-2", FIRST_BAD))
    errors = readings_of(told)
    for index in told.chance.permutation(UNITS).tolist():
        told.unit(serial_of("B-2", index), "B-2", errors=errors[index])
    (found,) = told.holding("B-2")
    assert (found.cause, found.range, found.reel) == (Cause.REEL, "10uA", "RL-12")
    assert found.first_serial == serial_of("B-2", FIRST_BAD)
    assert found.units == UNITS - FIRST_BAD
    assert found.size_ppm == pytest.approx(3000.0, abs=450.0)


@pytest.mark.parametrize("seed", range(4))
def test_a_reel_recorded_after_its_units_is_named_from_then_on(seed: int) -> None:
    told = begun(seed)
    for index, errors in enumerate(readings_of(told)):
        told.unit(serial_of("B-2", index), "B-2", errors=errors)
    # Nobody recorded the change: what is known is the reel that was fitted before.
    assert [one.reel for one in told.holding("B-2")] == ["RL-2"]
    told.fit("B-2", ("", "RL-12", "", ""), serial_of("B-2", FIRST_BAD))
    told.refit()
    (found,) = told.holding("B-2")
    assert (found.cause, found.reel) == (Cause.REEL, "RL-12")
    assert found.first_serial == serial_of("B-2", FIRST_BAD)
    assert told.refit() == []


@pytest.mark.parametrize("seed", range(4))
def test_what_was_said_of_a_reel_that_was_never_fitted_goes_by_the_record(
    seed: int,
) -> None:
    """The whole build carries another reel than was recorded at first."""
    told = begun(seed)
    told.fit("B-2", ("", "RL-8", "", ""))
    told.build("B-2", 10, BAD)
    (first,) = told.holding("B-2")
    assert first.reel == "RL-8"
    told.fit("B-2", ("", "RL-12", "", ""), serial_of("B-2", 0))
    told.refit()
    (now,) = told.holding("B-2")
    assert (now.signal, now.revision) == (first.signal, first.revision + 1)
    assert (now.reel, now.raised_serial) == ("RL-12", first.raised_serial)


@pytest.mark.parametrize("checked", [False, True], ids=["no check", "checks"])
def test_a_session_a_unit_holds_no_good_build(checked: bool) -> None:
    """Twelve good builds of 20 units: as many false holds as the plan accepts."""
    held, seeds = 0, 4
    for seed in range(seeds):
        told = Told(100 + seed)
        for build in range(1, 4):
            name = f"B-{build}"
            told.fit(name, [f"RL-{build}{n}" for n in range(4)])
            for index in range(20):
                told.new_session()
                if checked:
                    told.check()
                told.unit(serial_of(name, index), name)
            held += bool([one for one in told.revisions if one.build == name
                          and one.holds])  # fmt: skip
    assert held <= binom.ppf(0.99, seeds * 60, 1.0 / FALSE_HOLD_IN_UNITS)


@pytest.mark.parametrize("seed", range(4))
def test_what_is_measured_with_a_bad_reel_in_sessions_of_one_unit_is_found(
    seed: int,
) -> None:
    told = begun(seed)
    told.fit("B-3", ("RL-1", "RL-12", "RL-3", "RL-4"))
    for index in range(4):
        told.new_session()
        told.check()
        told.unit(serial_of("B-3", index), "B-3", BAD)
    (found,) = told.holding("B-3")
    assert (found.cause, found.reel) == (Cause.REEL, "RL-12")
