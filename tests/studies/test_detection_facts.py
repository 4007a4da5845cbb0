"""Facts of the study that hold whatever its counts are."""

from collections.abc import Iterator
from importlib import import_module
from typing import Any

import pytest

from daemon.spc.detector.following import follow

# The room offers a function of this name; here its whole module is meant.
facts = import_module("tests.studies.facts")
LIVES = 3


@pytest.mark.source("the model is linear: everything is reckoned in tolerances")
def test_scaling_by_ten_changes_no_decision(monkeypatch: pytest.MonkeyPatch) -> None:
    held: list[bool] = []

    def heard(*arguments: Any, **options: Any) -> Iterator[Any]:
        for one in follow(*arguments, **options):
            held.append(one.log_odds > facts.LIMIT)
            yield one

    monkeypatch.setattr(facts, "follow", heard)
    changed, moved = facts.scaling(7, lives=LIVES)
    assert changed.found == 0
    assert moved.met
    # There were decisions of both kinds to change, each life watched twice.
    assert {True, False} == set(held)
    assert changed.what.endswith(f"of {len(held) // 2}")


def test_a_decision_that_scaling_changes_is_counted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    class Odds:
        def __init__(self, log_odds: float) -> None:
            self.log_odds = log_odds

    watched = iter([(0.1, 0.9, 0.2), (0.1, 0.4, 0.8)])
    monkeypatch.setattr(facts, "follow", lambda *_, **__: map(Odds, next(watched)))
    changed, moved = facts.scaling(7, lives=1)
    assert (changed.found, changed.met) == (2, False)
    assert moved.found == pytest.approx(0.6)
    assert not moved.met


@pytest.mark.source("common practice, no source")
def test_a_reel_of_a_coarser_class_is_named_from_the_first_unit() -> None:
    """0.8 to 3.5 % high in one range, all else good within 0.02 %."""
    found = tuple(facts.trade(7, products=6))
    assert len(found) == 3
    assert all(one.met for one in found)
