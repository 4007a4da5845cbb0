"""A reel against its label."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from daemon.spc.detector.baseline import Baseline
from daemon.spc.detector.finding import REEL, Culprit, Finding, find
from daemon.spc.detector.layout import CommonPart, layout_of
from daemon.spc.detector.line import Boundary, Line
from daemon.spc.errors import SpcError
from daemon.spc.localize import (
    CLASSES_PPM,
    other_values,
    predicted_error,
    predicted_errors,
    preferred_values,
    reel_claim,
)
from tests.reference_values import entries

TOLERANCE = np.full(4, 1000.0)


def level_of(line: Line, part: int) -> Finding:
    """Return the finding on the reel of a part, which must stand."""
    return find(line, 0.0)[Culprit(REEL, part)]


def found_at(level_ppm: float, spread_ppm: float, seed: int) -> tuple[Finding, Line]:
    """Return the finding on six units with a new reel at a level, after two builds."""
    rng = np.random.default_rng(seed)
    line = Line(layout_of(TOLERANCE))
    new = Boundary(new_build=True, reels=dict.fromkeys(range(4)))
    for build in range(3):
        for index in range(6 if build == 2 else 30):
            unit = rng.normal(0, 150, 4) + rng.normal(0, 100)
            if build == 2:
                unit[0] += level_ppm + rng.normal(0, max(spread_ppm - 150.0, 0.0))
            line.unit(unit, boundary=None if index else new)
    return level_of(line, 0), line


@pytest.mark.source("common practice, no source")
def test_parts_a_percent_or_more_high_are_of_the_one_percent_class_or_worse() -> None:
    """Claimed 0.1 %, the units read 0.8 to 3.5 % high."""
    finding, _ = found_at(20_000.0, 8_000.0, 1)
    assert (finding.cause, finding.range_index) == ("reel", 0)
    assert finding.first_unit == 60
    sigma = (finding.high_ppm - finding.low_ppm) / 3.92
    claim = reel_claim(
        size_ppm=finding.size_ppm,
        sigma_ppm=sigma,
        spread_ppm=8_000.0,
        units=6,
        tolerance_ppm=1000.0,
    )
    assert claim.incompatible > 0.999
    finer = [c.probability for c in claim.classes if c.tolerance_ppm < 10_000]
    assert sum(finer) < 0.01


def test_a_reel_that_keeps_its_claim_is_left_alone() -> None:
    claim = reel_claim(
        size_ppm=150.0, sigma_ppm=40.0, spread_ppm=150.0, units=20, tolerance_ppm=1000.0
    )
    assert claim.incompatible < 1e-6
    assert claim.share_outside < 1e-3
    likeliest = max(claim.classes, key=lambda c: c.probability)
    assert likeliest.tolerance_ppm in {500.0, 1000.0}


@pytest.mark.source("scipy.stats.norm: tail areas, summed over the mean's uncertainty")
def test_the_share_outside_is_that_of_normal_parts() -> None:
    claim = reel_claim(
        size_ppm=800.0, sigma_ppm=100.0, spread_ppm=300.0, units=20, tolerance_ppm=1000
    )
    # mean and parts are both normal: their sum is
    total = norm(800.0, (100.0**2 + 300.0**2) ** 0.5)
    assert claim.share_outside == pytest.approx(total.sf(1000) + total.cdf(-1000))


@given(
    st.floats(-60_000, 60_000),
    st.floats(1, 5_000),
    st.floats(1, 20_000),
    st.integers(1, 200),
)
def test_class_odds_sum_to_one(
    size: float, sigma: float, spread: float, units: int
) -> None:
    claim = reel_claim(
        size_ppm=size,
        sigma_ppm=sigma,
        spread_ppm=spread,
        units=units,
        tolerance_ppm=1e3,
    )
    assert sum(c.probability for c in claim.classes) == pytest.approx(1.0)
    assert tuple(c.tolerance_ppm for c in claim.classes) == CLASSES_PPM
    assert 0.0 <= claim.incompatible <= 1.0 + 1e-12


def test_a_further_unit_is_foretold_in_95_of_100() -> None:
    """Fresh units of the same reel fall into the interval."""
    inside = []
    for seed in range(40):
        finding, line = found_at(3000.0, 150.0, 100 + seed)
        foretold = predicted_error(finding, Baseline.of(line))
        rng = np.random.default_rng(seed)
        fresh = 3000.0 + rng.normal(0, 150, 50) + rng.normal(0, 100, 50)
        inside.append(np.mean((fresh > foretold.low_ppm) & (fresh < foretold.high_ppm)))
    assert np.mean(inside) > 0.93


def test_a_further_unit_of_a_common_part_is_foretold_on_each_range_it_moves() -> None:
    """A part that two of three ranges feel, one by half and the other way."""
    common = CommonPart(tolerance_ppm=1000.0, sensitivity=(1.0, -0.5, 0.0))
    layout = layout_of([1000.0] * 3, [common])
    inside = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        part = 3000.0 + rng.normal(0, 150, 60)
        units = rng.normal(0, 150, (60, 3)) + rng.normal(0, 100, (60, 1))
        units += part[:, None] * np.array([1.0, -0.5, 0.0])
        line = Line(layout)
        for place, unit in enumerate(units[:10]):
            new = Boundary(new_build=True, reels=dict.fromkeys(range(4)))
            line.unit(unit, boundary=None if place else new)
        finding = level_of(line, 3)
        assert finding.part_index == 3
        foretold = predicted_errors(finding, Baseline.of(line))
        assert set(foretold) == {0, 1}
        for index, one in foretold.items():
            fresh = units[10:, index]
            inside.append(np.mean((fresh > one.low_ppm) & (fresh < one.high_ppm)))
    assert 0.93 < np.mean(inside) < 0.985
    own, line = found_at(3000.0, 150.0, 1)
    with pytest.raises(SpcError, match="common part"):
        predicted_errors(own, Baseline.of(line))


def test_a_neighbouring_value_is_recognised() -> None:
    """A part of 10.2 kilohm where 10.0 belongs reads 2 % high."""
    finding, _ = found_at(20_000.0, 150.0, 3)
    series = [9.53, 9.76, 10.0, 10.2, 10.5, 10.7]
    assert other_values(10.0, finding, series) == (10.2,)
    assert other_values(10.0, found_at(3000.0, 150.0, 4)[0], series) == ()


def test_nonsense_is_refused() -> None:
    with pytest.raises(SpcError, match="sigma_ppm"):
        reel_claim(size_ppm=0, sigma_ppm=0.0, spread_ppm=1, units=1, tolerance_ppm=1000)
    with pytest.raises(SpcError, match="classes_ppm"):
        reel_claim(
            size_ppm=0,
            sigma_ppm=1.0,
            spread_ppm=1,
            units=1,
            tolerance_ppm=1000,
            classes_ppm=(-1.0,),
        )


@pytest.mark.source("IEC 60063:2015, series E24 and E192")
def test_preferred_values_are_those_of_the_standard() -> None:
    """All of both series, and nothing else: 920 stands where rounding gives 919."""
    known = entries("13_resistor_standards")
    wanted = {
        *(float(one) for one in known["eseries.E48_E96_E192"].published("E192")),
        *(10.0 * one for one in known["eseries.E24"].published("E24")),
    }
    assert preferred_values(100.0, 999.9) == tuple(sorted(wanted))
    assert preferred_values(0.0988, 0.102) == (0.0988, 0.1, 0.101, 0.102)
