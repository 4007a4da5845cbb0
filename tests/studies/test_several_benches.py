"""Benches that share a record: killed with their server, and a hold told in time.

The short forms run always, the long ones with `-m endurance`, which prints the tables.
"""

import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from threading import Event

import pytest

from config import Sharing
from daemon.service.sharing import EVERY_S, sharing
from daemon.station import Desk
from storage.answers import HoldState
from storage.local import LocalStore
from storage.postgres import PostgresStore
from storage.records import HoldEnd
from storage.records_shipping import ShipRule
from tests.storage.postgres_server import Databases
from tests.storage.samples import (
    END,
    PERSONS_HOLD,
    RANGES,
    START,
    decided,
    furnish,
    record,
    run,
)
from tests.studies.benches import Found, study, telling

Property = Callable[[str, object], None]
SOON_S = 2.0
PATIENCE_S = 60.0
LEFT, RIGHT = "left", "right"


def whole(found: Found) -> None:
    assert (found.lost, found.doubled) == (0, 0)
    assert found.there == found.recorded > 0
    assert found.ledger_is_whole


def test_a_bench_killed_while_it_tells_loses_and_doubles_nothing(
    databases: Databases,
) -> None:
    found = study(
        benches=1, kills=1, server_kills=0, lives_s=(0.1, 0.3), others=databases.server
    )
    assert found.kills == 1
    whole(found)


@pytest.mark.endurance
def test_benches_killed_with_their_server_lose_and_double_nothing(
    record_property: Property,
) -> None:
    found = study(benches=3, kills=50, server_kills=50, pace_s=20.0)
    for what, count in asdict(found).items():
        record_property(what.replace("_", " "), count)
    assert (found.kills, found.server_kills) == (150, 50)
    whole(found)


@pytest.mark.parametrize(
    ("benches", "units"), [(2, 3), pytest.param(3, 1000, marks=pytest.mark.endurance)]
)
def test_what_waits_at_benches_is_told_at_pace(
    databases: Databases, benches: int, units: int, record_property: Property
) -> None:
    found = telling(benches=benches, units=units, others=databases.server)
    assert found.units == benches * units
    for what, count in asdict(found).items():
        record_property(what.replace("_", " "), count)
    if units > 100:  # the first few bear what is prepared once
        assert found.units_per_s_of_two_cores > 200


@pytest.mark.parametrize("times", [1, pytest.param(100, marks=pytest.mark.endurance)])
def test_a_hold_placed_at_one_bench_refuses_at_another_soon(
    tmp_path: Path, databases: Databases, times: int, record_property: Property
) -> None:
    """By what two daemons run beside their benches, over a server of its own."""
    rule = ShipRule(ranges=RANGES, configurations=("c0ffee",))
    heard_s, free_s = [], []
    with ExitStack() as day:
        conninfo = day.enter_context(databases.empty())
        stores = {}
        for name in (LEFT, RIGHT):
            store = LocalStore(tmp_path / f"{name}.duckdb")
            stores[name] = day.enter_context(store)
        furnish(stores[LEFT])
        record(stores[LEFT], run(1))
        for name, store in stores.items():
            desk = Desk(utc=lambda: datetime.now(UTC), stop=Event())
            settings = Sharing(database=conninfo, bench=name)
            day.enter_context(
                sharing(store, settings, desk, utc=lambda: datetime.now(UTC))
            )
        right = stores[RIGHT]
        until(lambda: "photoamp" in right.table("product")["product"].to_pylist())
        serial = run(1).serial
        until(lambda: serial in right.table("unit")["serial"].to_pylist())
        for number in range(times):
            at = START + timedelta(days=1, minutes=number)
            hold = replace(PERSONS_HOLD, hold=f"hold {number}", placed_at=at)
            placed = decided("Ada", "place hold", hold.hold, at)
            stores[LEFT].keep(hold, decision=placed)
            begun_s = time.monotonic()
            until(lambda: refused(right, serial, rule))
            heard_s.append(time.monotonic() - begun_s)
            (there,) = [
                one.hold
                for one in right.rows(HoldState, product="photoamp")
                if one.disposal is None
            ]
            later = at + timedelta(seconds=30)
            end = replace(END, hold=there, ended_at=later)
            right.keep(end, decision=decided("Ada", "release", there, later))
            begun_s = time.monotonic()
            until(lambda: not refused(stores[LEFT], serial, rule))
            free_s.append(time.monotonic() - begun_s)
        with PostgresStore(conninfo) as shared:
            assert len(shared.rows(HoldEnd)) == times
    record_property("holds placed at one bench, ended at the other", times)
    record_property(
        "s until the other refuses, half of them", round(median(heard_s), 3)
    )
    record_property("s until the other refuses, the slowest", round(max(heard_s), 3))
    record_property("s until the first lets go, the slowest", round(max(free_s), 3))
    assert EVERY_S * 2 < SOON_S
    if times > 1:
        assert max(heard_s) < SOON_S


def refused(store: LocalStore, serial: str, rule: ShipRule) -> bool:
    """Whether a hold keeps the unit at this bench."""
    against = store.reasons_against(serial, "photoamp", rule)
    return any(one.startswith("held") for one in against)


def until(look: Callable[[], object]) -> None:
    """Return once `look` finds something."""
    deadline_s = time.monotonic() + PATIENCE_S
    while not look():
        assert time.monotonic() < deadline_s, "it never came"
        time.sleep(0.01)
