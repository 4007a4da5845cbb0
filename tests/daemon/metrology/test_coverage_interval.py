"""Coverage intervals against independent ways to find them."""

from math import inf, pi, sin, sqrt

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from scipy import integrate, stats

from daemon.metrology.coverage_interval import coverage_half_width
from daemon.metrology.errors import ArgumentError
from daemon.metrology.uncertainty import (
    HALF_WIDTH_DIVISOR,
    Component,
    Distribution,
    combined,
)


def component(
    standard: float, distribution: Distribution, degrees: float = inf
) -> Component:
    return Component(
        name="line",
        standard=standard,
        distribution=distribution,
        degrees_of_freedom=degrees,
    )


BOUNDED = st.builds(
    component,
    st.floats(0.01, 100),
    st.sampled_from(sorted(HALF_WIDTH_DIVISOR)),
)
ANY = st.one_of(
    BOUNDED,
    st.builds(component, st.floats(0.01, 100), st.just(Distribution.NORMAL)),
    st.builds(
        component,
        st.floats(0.01, 100),
        st.just(Distribution.STUDENT),
        st.floats(1, 1000),
    ),
)


@pytest.mark.parametrize("coverage", [0.5, 0.6827, 0.95, 0.99, 0.9973])
def test_two_equal_rectangles_make_a_triangle(coverage: float) -> None:
    two = [component(1.0, Distribution.RECTANGULAR)] * 2
    expected = 2 * sqrt(3) * (1 - sqrt(1 - coverage))
    assert coverage_half_width(two, coverage) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("degrees", [1.0, 2.0, 3.5, 30.0, 150.0])
def test_two_cauchy_like_lines(degrees: float) -> None:
    """A narrow rectangle beside Student's t leaves its quantile as it is."""
    lines = [
        component(1.0, Distribution.STUDENT, degrees),
        component(1e-4, Distribution.RECTANGULAR),
    ]
    expected = stats.t.ppf(0.975, degrees)
    assert coverage_half_width(lines, 0.95) == pytest.approx(expected, rel=1e-6)


def test_two_lines_of_one_degree_of_freedom_add_their_widths() -> None:
    """The Cauchy distribution is stable."""
    lines = [component(u, Distribution.STUDENT, 1.0) for u in (1.0, 2.0)]
    expected = 3 * stats.t.ppf(0.975, 1)
    assert coverage_half_width(lines, 0.95) == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize("share", [0.05, 0.3, 1.0])
def test_a_rectangle_and_a_normal_by_direct_integration(share: float) -> None:
    half_width = 1.0

    def covered(x: float) -> float:
        return float(
            integrate.quad(
                lambda r: (
                    stats.norm.cdf((x - r) / share) - stats.norm.cdf((-x - r) / share)
                ),
                -half_width,
                half_width,
                limit=200,
            )[0]
            / (2 * half_width)
        )

    lines = [
        component(half_width / sqrt(3), Distribution.RECTANGULAR),
        component(share, Distribution.NORMAL),
    ]
    for coverage in (0.6827, 0.95, 0.9973):
        ours = coverage_half_width(lines, coverage)
        assert covered(ours) == pytest.approx(coverage, abs=1e-6)


def test_an_arcsine_and_a_normal_by_direct_integration() -> None:
    lines = [
        component(1 / sqrt(2), Distribution.ARCSINE),
        component(0.05, Distribution.NORMAL),
    ]
    ours = coverage_half_width(lines, 0.95)
    covered = integrate.quad(
        lambda angle: (
            stats.norm.cdf((ours - sin(angle)) / 0.05)
            - stats.norm.cdf((-ours - sin(angle)) / 0.05)
        ),
        -pi / 2,
        pi / 2,
        limit=200,
    )[0]
    assert covered / pi == pytest.approx(0.95, abs=1e-6)


@settings(deadline=None, max_examples=20)
@given(st.lists(ANY, min_size=1, max_size=4), st.floats(1e-3, 1e3))
def test_scaling_all_lines_scales_the_interval(
    lines: list[Component], scale: float
) -> None:
    scaled = [
        component(one.standard * scale, one.distribution, one.degrees_of_freedom)
        for one in lines
    ]
    assert coverage_half_width(scaled, 0.95) == pytest.approx(
        scale * coverage_half_width(lines, 0.95), rel=1e-5
    )


@settings(deadline=None, max_examples=20)
@given(st.lists(BOUNDED, min_size=2, max_size=4))
def test_drawn_sums_fall_inside_as_often_as_said(lines: list[Component]) -> None:
    rng = np.random.default_rng(11)
    half_width = coverage_half_width(lines, 0.9)
    total = np.zeros(20_000)
    for one in lines:
        a = one.standard * HALF_WIDTH_DIVISOR[one.distribution]
        match one.distribution:
            case Distribution.RECTANGULAR:
                total += rng.uniform(-a, a, total.size)
            case Distribution.TRIANGULAR:
                total += rng.triangular(-a, 0, a, total.size)
            case _:
                total += a * np.cos(rng.uniform(0, pi, total.size))
    # Four standard deviations of a share of 20 000 draws.
    assert np.mean(np.abs(total) <= half_width) == pytest.approx(0.9, abs=0.0085)


@settings(deadline=None, max_examples=20)
@given(st.lists(ANY, min_size=1, max_size=4))
def test_more_coverage_is_never_narrower(lines: list[Component]) -> None:
    widths = [coverage_half_width(lines, p) for p in (0.5, 0.9, 0.95, 0.99)]
    assert widths == sorted(widths)
    assert widths[0] > 0


def test_many_lines_become_normal() -> None:
    lines = [component(1.0, Distribution.RECTANGULAR)] * 60
    assert coverage_half_width(lines, 0.95) == pytest.approx(
        stats.norm.ppf(0.975) * combined(lines), rel=2e-3
    )


def test_lines_of_nothing_have_no_width() -> None:
    assert coverage_half_width([component(0.0, Distribution.NORMAL)], 0.95) == 0.0


@pytest.mark.source("definition: direct integration over one line's angle")
@pytest.mark.parametrize("coverage", [0.9, 0.999, 0.9999, 0.99999])
@pytest.mark.parametrize("other", [1.0, 0.3])
def test_two_arcsine_lines_far_out(coverage: float, other: float) -> None:
    lines = [component(size, Distribution.ARCSINE) for size in (1.0, other)]
    widths = np.sqrt(2.0) * np.array([1.0, other])
    found = coverage_half_width(lines, coverage)
    assert found <= widths.sum()
    angles = (np.arange(400_000) + 0.5) * np.pi / 400_000
    room = np.clip((found - widths[0] * np.cos(angles)) / widths[1], -1.0, 1.0)
    beyond = 2.0 * np.mean(0.5 - np.arcsin(room) / np.pi)
    assert beyond == pytest.approx(1.0 - coverage, rel=0.02, abs=1.2e-5)


@pytest.mark.parametrize("coverage", [0.0, 1.0, -0.1, 1.5, float("nan")])
def test_a_coverage_outside_its_bound_is_refused(coverage: float) -> None:
    lines = [component(1.0, Distribution.NORMAL)]
    with pytest.raises(ArgumentError, match="coverage"):
        coverage_half_width(lines, coverage)


def test_no_line_at_all_is_refused() -> None:
    with pytest.raises(ArgumentError, match="number of components = 0"):
        coverage_half_width([], 0.95)
