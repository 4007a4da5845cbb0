"""Whom a finding concerns once a part was replaced."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from daemon.traceability import who_carries
from storage import Cause, ReworkKind, Signal
from tests.daemon.test_words import signal

FIRST, NEXT = "PA-3010", "PA-3011"
REEL = replace(signal(), first_serial=FIRST, build="B-3")
ALONE = replace(REEL, cause=Cause.UNIT, reel=None)
RANGE = replace(REEL, cause=Cause.RANGE, reel=None)


def records(kind: ReworkKind, part: str | None, reel: str | None) -> Any:
    """Return two units of the build; something was done to the first."""
    now = {FIRST: reel or "K-304", NEXT: "K-304"}
    units = [SimpleNamespace(serial=one, build="B-3") for one in (FIRST, NEXT)]
    rework = SimpleNamespace(serial=FIRST, kind=kind, part=part, reel=reel)
    return SimpleNamespace(
        units=units,
        reworks=[rework],
        reels_of=lambda unit: {"R13": now[unit.serial]},
        unit=lambda serial: next(one for one in units if one.serial == serial),
    )


@pytest.mark.parametrize("finding", [REEL, ALONE, RANGE])
def test_a_unit_in_which_the_part_was_replaced_has_such_a_part_no_more(
    finding: Signal,
) -> None:
    known = records(ReworkKind.REPLACE, "R13", "K-999")
    told = who_carries.probabilities(known, finding)
    assert told[FIRST] == 0.0
    assert told[NEXT] == (0.0 if finding is ALONE else 1.0)
    assert who_carries.probability(known, FIRST, finding) == 0.0


@pytest.mark.parametrize("finding", [REEL, ALONE, RANGE])
@pytest.mark.parametrize(
    ("kind", "part"), [(ReworkKind.REPLACE, "R12"), (ReworkKind.REGRADE, None)]
)
def test_other_work_on_a_unit_changes_nothing_of_it(
    finding: Signal, kind: ReworkKind, part: str | None
) -> None:
    told = who_carries.probabilities(records(kind, part, None), finding)
    assert told[FIRST] == 1.0
