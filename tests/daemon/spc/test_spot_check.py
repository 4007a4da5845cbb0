"""What a check of some units misses."""

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy.stats import hypergeom, norm
from statsmodels.stats.power import normal_power

from daemon.spc.errors import SpcError
from daemon.spc.sampling.two_points import zero_acceptance_size_of_build
from daemon.spc.spot_check import Costs, SpotCheck, cheapest, expected_cost

CHECK = SpotCheck(sigma_ppm=150.0, reel_sigma_ppm=250.0, false_share=0.0002)
SHARP = SpotCheck(sigma_ppm=1.0, reel_sigma_ppm=0.0, false_share=1e-6)
"""Sees any reel at its first unit."""


@pytest.mark.source("statsmodels normal_power: power of a two-sided test of a mean")
@pytest.mark.parametrize("units", [1, 3, 10])
@pytest.mark.parametrize("shift", [0.2, 1.0, -1.5])
def test_without_variation_between_reels_it_is_the_test_of_a_mean(
    units: int, shift: float
) -> None:
    check = SpotCheck(sigma_ppm=1.0, reel_sigma_ppm=0.0, false_share=0.01)
    expected = normal_power(shift, units, 0.01)
    assert check.seen(units, shift_ppm=shift) == pytest.approx(expected, abs=1e-12)


@pytest.mark.source("scipy.stats.hypergeom: chance that a sample holds none")
def test_a_sure_detector_misses_only_what_was_not_drawn() -> None:
    missed = SHARP.missed(5, shift_ppm=1000.0, build=60, carrying=12)
    assert missed == pytest.approx(hypergeom.pmf(0, 60, 12, 5), abs=1e-9)


@pytest.mark.source("scipy.stats.hypergeom: how many of a sample carry the reel")
@pytest.mark.parametrize(
    ("build", "carrying", "checked"),
    [(60, 30, 5), (500, 250, 300), (7, 5, 4), (5000, 2500, 2499), (40, 40, 3)],
)
def test_a_miss_counts_however_many_were_drawn(
    build: int, carrying: int, checked: int
) -> None:
    drawn = np.arange(min(checked, carrying) + 1)
    seen = [CHECK.seen(int(one), shift_ppm=700.0) for one in drawn]
    expected = 1.0 - hypergeom.pmf(drawn, build, carrying, checked) @ seen
    missed = CHECK.missed(checked, shift_ppm=700.0, build=build, carrying=carrying)
    assert missed == pytest.approx(expected, abs=1e-11)


def test_a_sure_detector_needs_what_sampling_without_acceptance_needs() -> None:
    needed = SHARP.size_needed(shift_ppm=1000.0, missed=0.05, build=100, carrying=10)
    assert needed == zero_acceptance_size_of_build(
        nonconforming=10, build=100, beta=0.05
    )


@pytest.mark.source("normal distribution: a good reel is held as often as accepted")
def test_a_reel_as_labelled_is_held_as_often_as_accepted() -> None:
    check = SpotCheck(sigma_ppm=120.0, reel_sigma_ppm=0.0, false_share=0.002)
    assert check.seen(7, shift_ppm=0.0) == pytest.approx(0.002, rel=1e-9)


@pytest.mark.source("builds drawn unit by unit")
@pytest.mark.parametrize(
    ("checked", "shift", "build", "carrying"),
    [(1, 1200.0, 60, 30), (5, 1200.0, 60, 30), (13, 1000.0, 40, 8), (8, 900.0, 8, 8)],
)
def test_a_build_drawn_unit_by_unit_misses_the_reel_as_often(
    checked: int, shift: float, build: int, carrying: int
) -> None:
    builds = 20_000
    draw = np.random.default_rng(checked)
    units = np.arange(build) < carrying
    # Any order of a build is as likely as any other: the first few are the check.
    taken = np.array([draw.permutation(units)[:checked] for _ in range(builds)])
    errors = shift + draw.normal(0.0, CHECK.sigma_ppm, taken.shape)
    number = taken.sum(axis=1)
    mean = (errors * taken).sum(axis=1) / np.maximum(number, 1)
    good = np.hypot(
        CHECK.reel_sigma_ppm, CHECK.sigma_ppm / np.sqrt(np.maximum(number, 1))
    )
    bound = norm.isf(CHECK.false_share / 2) * good
    seen = (number > 0) & (np.abs(mean) > bound)
    said = CHECK.missed(checked, shift_ppm=shift, build=build, carrying=carrying)
    # Four standard deviations of a share of so many.
    assert 1 - seen.mean() == pytest.approx(said, abs=2.0 / np.sqrt(builds))


@given(
    shift=st.floats(0.0, 5000.0),
    build=st.integers(1, 80),
    carrying=st.integers(0, 80),
)
def test_checking_more_never_misses_more(
    shift: float, build: int, carrying: int
) -> None:
    """Once the mean of one unit would be held more often than not."""
    carrying = min(carrying, build)
    if CHECK.seen(1, shift_ppm=shift) < 0.5:
        return
    missed = [
        CHECK.missed(k, shift_ppm=shift, build=build, carrying=carrying)
        for k in range(build + 1)
    ]
    assert missed[0] == 1.0
    assert all(after <= before + 1e-9 for before, after in pairwise(missed))


@given(scale=st.floats(0.01, 100.0), units=st.integers(1, 50))
def test_scaling_everything_changes_nothing(scale: float, units: int) -> None:
    scaled = SpotCheck(
        sigma_ppm=150.0 * scale, reel_sigma_ppm=250.0 * scale, false_share=0.0002
    )
    assert scaled.seen(units, shift_ppm=1000.0 * scale) == pytest.approx(
        CHECK.seen(units, shift_ppm=1000.0), abs=1e-9
    )


def test_what_good_reels_differ_by_is_never_sure_to_be_seen() -> None:
    assert CHECK.units_needed(shift_ppm=300.0, missed=0.05) is None
    assert (
        CHECK.size_needed(shift_ppm=300.0, missed=0.05, build=40, carrying=40) is None
    )


def test_costs_choose_between_no_check_and_a_full_one() -> None:
    asked = {"shift_ppm": 3000.0, "build": 40, "carrying": 20}
    free = Costs(test=0.0, escape=100.0, bad_share=0.1)
    harmless = Costs(test=1.0, escape=0.0, bad_share=0.1)
    assert cheapest(CHECK, harmless, **asked) == 0  # type: ignore[arg-type]
    best = cheapest(CHECK, free, **asked)  # type: ignore[arg-type]
    assert best > 20


@pytest.mark.source("by hand; scipy.stats.hypergeom: chance that a sample holds none")
@pytest.mark.parametrize("checked", [0, 5, 60])
def test_a_check_costs_its_tests_and_what_escapes_it(checked: int) -> None:
    """One build of 50 has 30 bad units, which ship where none of them is drawn."""
    costs = Costs(test=5.0, escape=400.0, bad_share=0.02)
    escapes = hypergeom.pmf(0, 60, 30, checked)
    ours = expected_cost(SHARP, costs, checked, shift_ppm=1000.0, build=60, carrying=30)
    assert ours == pytest.approx(5.0 * checked + 30 * 400.0 / 50 * escapes)


@given(
    test=st.floats(0.0, 100.0), escape=st.floats(0.0, 1000.0), shift=st.floats(0, 3000)
)
def test_no_other_number_costs_less_than_the_cheapest(
    test: float, escape: float, shift: float
) -> None:
    costs = Costs(test=test, escape=escape, bad_share=0.1)
    asked: dict[str, Any] = {"shift_ppm": shift, "build": 20, "carrying": 8}
    best = expected_cost(CHECK, costs, cheapest(CHECK, costs, **asked), **asked)
    assert all(
        best <= expected_cost(CHECK, costs, number, **asked) for number in range(21)
    )


@pytest.mark.parametrize(
    ("wrong", "names"),
    [
        ({"sigma_ppm": 0.0}, "sigma_ppm"),
        ({"reel_sigma_ppm": -1.0}, "reel_sigma_ppm"),
        ({"false_share": 1.0}, "false_share"),
        ({"sigma_ppm": float("nan")}, "sigma_ppm"),
    ],
)
def test_nonsense_is_refused_by_name(wrong: dict[str, float], names: str) -> None:
    right = {"sigma_ppm": 150.0, "reel_sigma_ppm": 250.0, "false_share": 0.01}
    with pytest.raises(SpcError, match=names):
        SpotCheck(**(right | wrong))


def test_more_cannot_be_checked_than_were_built() -> None:
    with pytest.raises(SpcError, match="checked"):
        CHECK.missed(11, shift_ppm=1.0, build=10, carrying=5)
    with pytest.raises(SpcError, match="carrying"):
        CHECK.missed(5, shift_ppm=1.0, build=10, carrying=11)
