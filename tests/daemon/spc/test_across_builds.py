"""Indices of several builds: builds differ, and their intervals say so."""

import numpy as np
import pytest

from daemon.spc.capability.across_builds import across_builds
from daemon.spc.capability.indices import Specification, cpk_interval, indices
from daemon.spc.capability.of_builds import capability_study
from daemon.spc.errors import NoSpreadError

LIMITS = Specification(lower=-6.0, upper=6.0)
MEAN = 1.0
DRAWS = 150


def builds(
    draw: np.random.Generator, sizes: list[int], across: float
) -> list[np.ndarray]:
    """Return units with a deviation of 1 inside builds and another across them."""
    return [
        MEAN + across * draw.standard_normal() + draw.standard_normal(size)
        for size in sizes
    ]


@pytest.mark.parametrize("across", [1.0, 3.0])
@pytest.mark.parametrize("sizes", [[25] * 4, [5, 10, 30, 60]])
def test_the_interval_of_performance_holds_over_builds(
    sizes: list[int], across: float
) -> None:
    """With the units taken as one sample it held in 52 of 100 for 4 builds of 25."""
    draw = np.random.default_rng(4)
    true = (6.0 - MEAN) / (3.0 * np.hypot(1.0, across))
    held = [
        across_builds(builds(draw, sizes, across), specification=LIMITS).ppk
        for _ in range(DRAWS)
    ]
    share = np.mean([one.lower <= true <= one.upper for one in held])
    # Three standard deviations of a share of so many, below what the note says.
    assert share > 0.91 - 3 * (0.91 * 0.09 / DRAWS) ** 0.5


def test_units_of_builds_taken_as_one_sample_are_far_too_sure() -> None:
    draw = np.random.default_rng(5)
    true = (6.0 - MEAN) / (3.0 * 2.0**0.5)
    held = []
    for _ in range(200):
        everything = np.concatenate(builds(draw, [25] * 4, 1.0))
        found = indices(
            mean=float(everything.mean()),
            s=float(everything.std(ddof=1)),
            specification=LIMITS,
        )
        one = cpk_interval(found.cpk, n=100, degrees=99)
        held.append(one.lower <= true <= one.upper)
    assert np.mean(held) < 0.7


def test_a_study_of_several_builds_has_these_intervals_and_one_of_one_build_not() -> (
    None
):
    draw = np.random.default_rng(6)
    several = builds(draw, [10] * 4, 2.0)
    study = capability_study(several, specification=LIMITS)
    found = across_builds(several, specification=LIMITS)
    assert study.overall.cpk_interval == found.ppk
    assert study.inside.cpk_bound == found.cpk_bound
    alone = capability_study(several[:1], specification=LIMITS)
    assert alone.overall.cpk_interval == cpk_interval(
        alone.overall.indices.cpk, n=10, degrees=9
    )


@pytest.mark.parametrize(
    "few", [[[1.0, 2.0], [3.0]], [[1.0], [2.0], [2.5, 2.6]], [[0.0, 1e-9], [1e6]]]
)
def test_one_degree_of_freedom_inside_builds_gives_wide_intervals(
    few: list[list[float]],
) -> None:
    study = capability_study(few, specification=LIMITS)
    assert study.inside.degrees == 1
    assert study.inside.cpk_interval.upper > study.inside.cpk_interval.lower
    assert all(np.isfinite([study.inside.cpk_bound, study.overall.cpk_bound]))


def test_builds_without_spread_inside_are_refused() -> None:
    with pytest.raises(NoSpreadError, match="spread inside builds"):
        across_builds([np.ones(3), np.zeros(3)], specification=LIMITS)
