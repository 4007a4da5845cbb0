"""What the detector holds possible can be set, and each of it is heeded."""

from dataclasses import asdict, fields, replace
from typing import Any

import numpy as np
import pytest

from config.detector import Detector
from daemon.spc.detector.assumptions import Assumptions
from daemon.spc.detector.baseline import Baseline
from daemon.spc.detector.layout import layout_of
from daemon.spc.detector.line import Boundary, Line

OWN = [1000.0] * 3
T_PPM = 1000.0


def other(name: str) -> Assumptions:
    """Return the standing assumptions, but for one that is a fifth larger."""
    value: Any = getattr(Assumptions(), name)
    larger: Any = (
        tuple(1.2 * one for one in value) if isinstance(value, tuple) else 1.2 * value
    )
    return replace(Assumptions(), **{name: larger})


def lived(assumed: Assumptions) -> Line:
    """Return a line after two builds, a slip in each, and a session without a check."""
    chance = np.random.default_rng(4)
    line = Line(layout_of(OWN, (), assumed, limit_ppm=[9000.0] * 3))
    for build in range(2):
        line.session()
        line.check(chance.normal(0.0, 20.0, 3), np.full(3, 400.0), first=not build)
        line.settle()
        new = Boundary(new_build=True, reels=dict.fromkeys(range(3)))
        for index in range(6):
            errors = chance.normal(0.0, 200.0, 3)
            errors[1] += 4000.0 if index == 4 else 0.0
            line.unit(errors, boundary=None if index else new)
    line.session()
    for _ in range(3):
        line.unit(chance.normal(0.0, 200.0, 3))
    return line


@pytest.mark.parametrize("name", [one.name for one in fields(Assumptions)])
def test_each_assumption_changes_what_is_held_possible(name: str) -> None:
    standing, changed = lived(Assumptions()), lived(other(name))
    assert not np.array_equal(changed.marginals(), standing.marginals())


def test_the_plan_s_values_are_those_that_stand() -> None:
    assert Detector().model_dump() == asdict(Assumptions())


@pytest.mark.parametrize("level", [0.2, 0.4])
def test_before_any_unit_a_range_s_mean_is_known_as_set(level: float) -> None:
    blank = Baseline.of(Line(layout_of(OWN, (), Assumptions(range_level=level))))
    assert np.sqrt(blank.mean_variance_ppm2).tolist() == pytest.approx(
        [level * T_PPM] * 3
    )


@pytest.mark.parametrize(("scatter", "most"), [(0.15, 0.45), (0.3, 0.6), (0.1, 0.1)])
def test_before_any_reel_reels_differ_as_set_and_by_no_more_than_the_most(
    scatter: float, most: float
) -> None:
    assumed = Assumptions(reel_scatter=scatter, most_reel_scatter=most)
    blank = Baseline.of(Line(layout_of(OWN, (), assumed)))
    assert (blank.reel_sigma_ppm >= scatter * T_PPM * (1.0 - 1e-9)).all()
    assert (blank.reel_sigma_ppm <= most * T_PPM * (1.0 + 1e-9)).all()


@pytest.mark.parametrize("most", [0.6, 0.3])
def test_reels_that_earlier_ones_made_look_wild_are_bounded_as_set(most: float) -> None:
    chance = np.random.default_rng(4)
    line = Line(layout_of(OWN, (), Assumptions(most_reel_scatter=most)))
    for level in (-4000.0, 4000.0, -3000.0, 3500.0):
        new = Boundary(new_build=True, reels=dict.fromkeys(range(3)))
        for index in range(10):
            errors = chance.normal(level, 100.0, 3)
            line.unit(errors, boundary=None if index else new)
    found = Baseline.of(line).reel_sigma_ppm
    assert found.max() <= most * T_PPM * (1 + 1e-9)
