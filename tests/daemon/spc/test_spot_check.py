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


TRUE_SIGMA, TRUE_REEL, TRUE_BUILD = 150.0, 120.0, 60.0
"""Of the makers below: units inside a reel, reels, builds; ppm."""
ASKED: dict[str, Any] = {"shift_ppm": 1100.0, "build": 60, "carrying": 30}


def after_history(
    draw: np.random.Generator, builds: int, units: int
) -> tuple[SpotCheck, float]:
    """Return what a maker knows after a history, and how far its mean is misjudged."""
    degrees = builds * (units - 1)
    sigma = TRUE_SIGMA * float(np.sqrt(draw.chisquare(degrees) / degrees))
    of_builds = np.hypot(TRUE_REEL, TRUE_BUILD)
    misjudged = float(np.hypot(of_builds, TRUE_SIGMA / units**0.5) / builds**0.5)
    known = SpotCheck(
        sigma_ppm=sigma,
        reel_sigma_ppm=float(np.hypot(of_builds, misjudged)),
        false_share=0.0002,
        degrees=degrees,
        mean_sigma_ppm=misjudged,
        build_sigma_ppm=TRUE_BUILD,
    )
    return known, misjudged * float(draw.standard_normal())


def brute_force(
    draw: np.random.Generator, known: SpotCheck, misjudged: float, checked: int
) -> float:
    """Return how often builds drawn unit by unit miss the reel, judged as it is known.

    From the mean as known: an average reel truly lies off by `misjudged`.
    """
    builds = 1500
    order = np.argsort(draw.random((builds, ASKED["build"])), axis=1)
    taken = order[:, :checked] < ASKED["carrying"]
    level = ASKED["shift_ppm"] + misjudged + draw.normal(0.0, TRUE_BUILD, (builds, 1))
    errors = level + draw.normal(0.0, TRUE_SIGMA, taken.shape)
    number = np.maximum(taken.sum(axis=1), 1)
    mean = np.abs((errors * taken).sum(axis=1) / number)
    good = np.hypot(known.reel_sigma_ppm, known.sigma_ppm / np.sqrt(number))
    seen = taken.any(axis=1) & (mean > norm.isf(known.false_share / 2) * good)
    return float(1.0 - seen.mean())


@pytest.mark.source("makers drawn, and their builds unit by unit")
@pytest.mark.parametrize(("builds", "units"), [(1, 4), (2, 10), (4, 30), (40, 30)])
def test_what_a_short_history_states_is_what_its_maker_meets(
    builds: int, units: int
) -> None:
    """On the whole as stated, and each maker's own truth inside the stated interval.

    By scatter and mean as if they were known it is neither.
    """
    draw = np.random.default_rng(builds)
    stated, true, as_if_known, inside = [], [], [], []
    for _ in range(160):
        known, misjudged = after_history(draw, builds, units)
        low, high = known.missed_between(5, **ASKED)
        truth = brute_force(draw, known, misjudged, 5)
        stated.append(known.missed(5, **ASKED))
        plain = SpotCheck(
            sigma_ppm=known.sigma_ppm,
            reel_sigma_ppm=known.reel_sigma_ppm,
            false_share=known.false_share,
        )
        as_if_known.append(plain.missed(5, **ASKED))
        true.append(truth)
        # Of a share of so many builds: three standard deviations.
        doubt = 3.0 * np.sqrt(max(truth * (1.0 - truth), 1e-3) / 1500)
        inside.append(low - doubt <= truth <= high + doubt)
    gaps = np.subtract(stated, true)
    assert abs(gaps.mean()) < 4.0 * gaps.std() / np.sqrt(len(gaps)) + 0.005
    assert np.mean(inside) > 0.9
    if units == 4:
        assert abs(np.subtract(as_if_known, true).mean()) > 0.05


def test_the_longer_the_history_the_closer_the_bounds() -> None:
    def width(degrees: float, mean_sigma_ppm: float) -> float:
        known = SpotCheck(
            sigma_ppm=150.0, reel_sigma_ppm=250.0, false_share=0.0002,
            degrees=degrees, mean_sigma_ppm=mean_sigma_ppm,
        )  # fmt: skip
        low, high = known.missed_between(5, **ASKED)
        assert low <= known.missed(5, **ASKED) <= high
        return high - low

    widths = [width(*one) for one in ((2, 200.0), (20, 80.0), (200, 20.0), (1e9, 0.0))]
    assert widths == sorted(widths, reverse=True)
    assert widths[0] > 0.3
    assert widths[-1] < 1e-3


def test_each_number_of_units_is_as_asked_alone() -> None:
    known, _ = after_history(np.random.default_rng(1), 2, 10)
    asked = {"shift_ppm": 900.0, "build": 12, "carrying": 5}
    alone = [known.missed(number, **asked) for number in range(13)]  # type: ignore[arg-type]
    together = known.missed_by_each(**asked)  # type: ignore[arg-type]
    assert together == pytest.approx(alone, abs=1e-12)


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
        ({"degrees": 0.0}, "degrees"),
        ({"degrees": float("nan")}, "degrees"),
        ({"mean_sigma_ppm": -1.0}, "mean_sigma_ppm"),
        ({"build_sigma_ppm": float("inf")}, "build_sigma_ppm"),
    ],
)
def test_nonsense_is_refused_by_name(wrong: dict[str, float], names: str) -> None:
    right = {"sigma_ppm": 150.0, "reel_sigma_ppm": 250.0, "false_share": 0.01}
    with pytest.raises(SpcError, match=names):
        SpotCheck(**(right | wrong))


def test_a_build_that_nobody_would_wait_for_is_refused_at_once() -> None:
    with pytest.raises(SpcError, match="build"):
        CHECK.missed_by_each(shift_ppm=1.0, build=10**9, carrying=5)
    with pytest.raises(SpcError, match="build"):
        CHECK.missed(10**9, shift_ppm=1.0, build=10**9, carrying=10**9)
    with pytest.raises(SpcError, match="most"):
        CHECK.units_needed(shift_ppm=1.0, missed=0.05, most=10**9)


def test_more_cannot_be_checked_than_were_built() -> None:
    with pytest.raises(SpcError, match="checked"):
        CHECK.missed(11, shift_ppm=1.0, build=10, carrying=5)
    with pytest.raises(SpcError, match="carrying"):
        CHECK.missed(5, shift_ppm=1.0, build=10, carrying=11)
