"""Which units stand in the report to a supplier."""

from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace
from typing import Any

from daemon.traceability.papers.recall_letters import (
    BEFORE,
    _classes,
    _measured,
    _other_value,
)
from storage import Signal
from storage.evidence import Claim
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


def of_other_value(units: int, incompatible: float = 0.99) -> Signal:
    """Return a finding that 5.11 k parts would explain as well as a 5 % class."""
    claim = Claim(
        incompatible=incompatible, tolerance_ppm=1e3, classes=((50_000.0, 0.9),)
    )
    evidence = {"claim": claim, "other_values_ohm": (5110.0,)}
    return signal(
        units=units, evidence=evidence,
        size_ppm=22_000.0, low_ppm=21_500.0, high_ppm=22_500.0,
    )  # fmt: skip


def test_no_class_stands_in_a_letter_beside_a_value_that_explains_it_better() -> None:
    few, many = of_other_value(2), of_other_value(13)
    assert _classes(few) == _classes(many) == ()
    assert _other_value(few).endswith(
        "2 units are too few to tell which tolerance they have."
    )
    assert "explains it better than a wider tolerance" in _other_value(many)
    assert "too few" not in _other_value(many)
    plain = replace(many, evidence=replace(many.basis, other_values_ohm=()).text())
    assert _classes(plain) == ((50_000.0, 0.9),)
