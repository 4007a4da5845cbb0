"""Which units stand in the report to a supplier."""

from datetime import timedelta
from types import SimpleNamespace
from typing import Any

from daemon.traceability.papers.recall_letters import BEFORE, _measured
from tests.daemon.making import AT, demo_product
from tests.daemon.test_words import signal

FINDING = signal()


def records(days: list[int]) -> Any:
    """Return units PA-101 on with another reel, measured so many days after AT.

    They stand in the order in which their rows were imported.
    """
    rows = [
        SimpleNamespace(
            serial=f"PA-{101 + place}", range=FINDING.range, started_at=AT + day,
            error_ppm=0.0, uncertainty_ppm=1.0, limit_ppm=5e3, only_compared=False,
        )
        for place, day in enumerate(timedelta(days=one) for one in days)
    ]  # fmt: skip
    return SimpleNamespace(
        errors=rows,
        carriers=lambda _: [],
        unit=lambda serial: serial,
        reels_of=lambda _: {str(FINDING.part): "K-1"},
    )


def test_the_units_that_were_measured_last_are_told_by_time_not_by_import() -> None:
    """The sheet of March was imported after the one of May."""
    late, early = 40, 1
    known = records([late] * BEFORE + [early] * BEFORE)
    shown, others = _measured(known, demo_product(), FINDING, ())
    assert others == 2 * BEFORE
    assert {one.measured_at for one in shown} == {AT + timedelta(days=late)}
    assert [one.serial for one in shown] == [f"PA-{101 + n}" for n in range(BEFORE)]
