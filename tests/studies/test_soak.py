"""One daemon, unit after unit: it neither grows nor slows down.

The short form runs always, the long one with `-m endurance`, which prints the table.
"""

from collections.abc import Callable
from dataclasses import asdict

import pytest

from tests.daemon.starting import running_daemon
from tests.studies import soak

MOST_GROWTH_MB = 20.0
MOST_SLOWER_PERCENT = 25.0


def test_a_daemon_that_is_given_units_and_looked_at_refuses_none() -> None:
    found = soak.study(units=soak.FEWEST, running=running_daemon)
    assert (found.units, found.refused) == (soak.FEWEST, 0)
    assert found.memory_at_end_mb > 0.0
    assert found.last_tenth_ms > 0.0


def test_growth_and_slowness_are_told_from_the_end_of_the_warm_up() -> None:
    seen = soak._Watched(
        taken_s=[1.0] * 20 + [0.010] * 160 + [0.015] * 20,
        memory_mb=[100.0, 100.0, 300.0, *[310.0] * 16, 350.0],
        used_s=[(0, 0.0), (20, 2.0), (38, 2.36), (182, 5.0), (200, 5.72)],
    )
    found = soak._told(seen, findings=1, holds=2, messages=3, looks=4, hours=1.0)
    assert found.growth_mb == 50.0
    assert found.slower_percent == pytest.approx(50.0)
    assert found.first_tenth_used_ms == pytest.approx(20.0)
    assert found.last_tenth_used_ms == pytest.approx(40.0)


@pytest.mark.endurance
def test_a_hundred_thousand_units_neither_grow_nor_slow_it(
    record_property: Callable[[str, object], None],
) -> None:
    found = soak.study(units=100_000)
    for what, count in asdict(found).items():
        record_property(what.replace("_", " "), count)
    assert found.refused == 0
    assert found.growth_mb < MOST_GROWTH_MB
    # By processor time: what else the machine does is no slowness of the daemon.
    slower = found.last_tenth_used_ms / found.first_tenth_used_ms - 1.0
    assert 100.0 * slower < MOST_SLOWER_PERCENT
