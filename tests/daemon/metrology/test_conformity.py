"""Judgement against a limit, risks, and comparison."""

from math import inf, nan

import numpy as np
import pytest
from hypothesis import given, strategies as st

from daemon.metrology.conformity import (
    Outcome,
    TwoParts,
    agreement,
    can_judge,
    compare,
    conformance_probability,
    judge,
    limits_at,
)
from daemon.metrology.errors import ArgumentError
from daemon.metrology.risk import (
    acceptance_limits,
    global_risk,
    guard_factor_for_risk,
)

ppm = st.floats(-1e5, 1e5)
width = st.floats(0, 1e5)


def test_the_limit_of_full_scale_stays_where_that_of_reading_shrinks() -> None:
    limit = TwoParts(of_reading_ppm=500.0, of_full_scale_ppm=100.0)
    at = [limits_at(share, limit, limit) for share in (1.0, -0.5, 0.0)]
    assert at == [(-600.0, 600.0), (-350.0, 350.0), (-100.0, 100.0)]


def test_below_zero_too_much_lies_on_the_other_side() -> None:
    much = TwoParts(of_reading_ppm=500.0, of_full_scale_ppm=0.0)
    little = TwoParts(of_reading_ppm=200.0, of_full_scale_ppm=0.0)
    assert limits_at(1.0, much, little) == (-200.0, 500.0)
    assert limits_at(-1.0, much, little) == (-500.0, 200.0)
    assert limits_at(1.0, None, little) == (-200.0, inf)


@pytest.mark.parametrize(
    ("error_ppm", "outcome"),
    [
        (0.0, Outcome.CONFORMING),
        (800.0, Outcome.CONFORMING),
        (-800.0, Outcome.CONFORMING),
        (800.1, Outcome.UNDECIDED),
        (1200.0, Outcome.UNDECIDED),
        (1200.1, Outcome.NONCONFORMING),
        (-1200.1, Outcome.NONCONFORMING),
    ],
)
def test_a_guard_band_of_one_expanded_uncertainty(
    error_ppm: float, outcome: Outcome
) -> None:
    assert judge(error_ppm, 100.0, 1000.0, 1.0).outcome is outcome


def test_without_a_guard_band_nothing_is_undecided() -> None:
    assert judge(1000.0, 500.0, 1000.0, 0.0).outcome is Outcome.CONFORMING
    assert judge(1000.1, 500.0, 1000.0, 0.0).outcome is Outcome.NONCONFORMING


def test_the_risk_of_a_decision_is_that_of_its_being_wrong() -> None:
    """One and two deviations beyond the limit: Phi(-1), Phi(-2)."""
    accepted = judge(900.0, 100.0, 1000.0, 0.0)
    rejected = judge(1200.0, 100.0, 1000.0, 0.0)
    assert accepted.specific_risk == pytest.approx(0.158655254)
    assert rejected.specific_risk == pytest.approx(0.022750132)
    assert judge(1000.0, 100.0, 1000.0, 1.0).specific_risk is None
    assert compare(0.0, 1.0, 0.0, 1.0).specific_risk is None


def test_a_bench_worse_than_the_limit_never_says_conforming() -> None:
    assert judge(0.0, 600.0, 1000.0, 1.0).outcome is Outcome.UNDECIDED


@given(ppm, width, width, st.floats(0, 3))
def test_judgement_is_the_same_on_both_sides(
    error_ppm: float, uncertainty_ppm: float, limit: float, guard_factor: float
) -> None:
    one = judge(error_ppm, uncertainty_ppm, limit, guard_factor)
    other = judge(-error_ppm, uncertainty_ppm, limit, guard_factor)
    assert one.outcome is other.outcome
    assert one.conformance_probability == pytest.approx(other.conformance_probability)
    assert 0 <= (one.conformance_probability or 0) <= 1


@given(ppm, st.floats(1e-3, 1e5), width, st.floats(0.83, 3))
def test_conforming_means_a_risk_below_that_of_the_guard_band(
    error_ppm: float, uncertainty_ppm: float, limit: float, guard_factor: float
) -> None:
    """0.83 of U keeps the one-sided risk below 5 % (ISO 14253-1)."""
    said = judge(error_ppm, uncertainty_ppm, limit, guard_factor)
    probability = said.conformance_probability
    assert probability is not None
    if said.outcome is Outcome.CONFORMING:
        assert probability > 0.90
    if said.outcome is Outcome.NONCONFORMING:
        assert probability < 0.05


@given(st.floats(0, 1e4), st.floats(1, 1e4), st.floats(1, 1e4))
def test_more_error_is_never_more_conforming(
    error_ppm: float, uncertainty_ppm: float, limit: float
) -> None:
    steps = [
        judge(error_ppm * k, uncertainty_ppm, limit).conformance_probability or 0.0
        for k in (1.0, 1.5, 2.0)
    ]
    assert steps[0] >= steps[1] - 1e-12 >= steps[2] - 2e-12


def test_a_bench_judges_when_the_limit_is_enough_of_its_uncertainty() -> None:
    assert can_judge(600.0, 100.0, 3.0)
    assert not can_judge(599.0, 100.0, 3.0)


def test_what_both_units_share_does_not_make_them_differ() -> None:
    assert compare(5_300.0, 40.0, 5_000.0, 30.0).outcome is Outcome.CHANGED
    assert compare(5_099.0, 40.0, 5_000.0, 30.0).outcome is Outcome.LIKE_KNOWN_GOOD
    for allowed_ppm, outcome in [
        (399.0, Outcome.UNDECIDED),
        (401.0, Outcome.LIKE_KNOWN_GOOD),
        (201.0, Outcome.UNDECIDED),
        (199.0, Outcome.CHANGED),
    ]:
        said = compare(5_300.0, 40.0, 5_000.0, 30.0, allowed_difference_ppm=allowed_ppm)
        assert said.outcome is outcome
        assert said.conformance_probability is None


@given(ppm, ppm, st.floats(0.0, 1e4), st.floats(1.0, 10.0), st.floats(1.0, 1e4))
def test_a_poorer_bench_never_accepts_what_a_better_one_does_not(
    error_ppm: float, known_ppm: float, u: float, poorer: float, allowed_ppm: float
) -> None:
    poor, good = (
        compare(error_ppm, one, known_ppm, one, allowed_difference_ppm=allowed_ppm)
        for one in (u * poorer, u)
    )
    if poor.outcome is Outcome.LIKE_KNOWN_GOOD:
        assert good.outcome is Outcome.LIKE_KNOWN_GOOD
    if poor.outcome is Outcome.CHANGED:
        assert good.outcome is Outcome.CHANGED


@given(ppm, width, ppm, width)
def test_comparison_is_the_normalised_error(
    error_ppm: float, u: float, known_ppm: float, known_u: float
) -> None:
    changed = compare(error_ppm, u, known_ppm, known_u).outcome is Outcome.CHANGED
    if u > 0 or known_u > 0:
        assert changed == (
            not agreement(error_ppm, 2 * u, known_ppm, 2 * known_u).agree
        )
    else:
        assert changed == (error_ppm != known_ppm)


@given(st.floats(-1e3, 1e3), st.floats(0.1, 10), st.floats(-1e3, 1e3))
def test_normalised_error_changes_sign_when_the_meters_are_exchanged(
    value: float, expanded: float, other: float
) -> None:
    one = agreement(value, expanded, other, 1.0)
    back = agreement(other, 1.0, value, expanded)
    assert one.normalised_error == pytest.approx(-back.normalised_error)


def test_risks_of_a_production_by_drawing_it() -> None:
    """A second way: draw parts and measurements, and count."""
    rng = np.random.default_rng(106)
    true = rng.normal(0.1, 0.6, 2_000_000)
    read = true + rng.normal(0, 0.15, true.size)
    conforming = np.abs(true) <= 1
    accepted = np.abs(read) <= 1 - 0.5 * 2 * 0.15
    risk = global_risk(
        mean=0.1, deviation=0.6, uncertainty=0.15, low=-1.0, high=1.0, guard_factor=0.5
    )
    # Four standard deviations of a share of two million.
    assert risk.consumer == pytest.approx(np.mean(accepted & ~conforming), abs=2e-4)
    assert risk.producer == pytest.approx(np.mean(~accepted & conforming), abs=9e-4)
    assert risk.nonconforming == pytest.approx(np.mean(~conforming), abs=9e-4)


@given(
    st.floats(-2, 2),
    st.floats(0.05, 3),
    st.floats(0.001, 1),
    st.floats(-0.4, 0.4),
)
def test_a_wider_guard_band_moves_risk_from_consumer_to_producer(
    mean: float, deviation: float, uncertainty: float, guard_factor: float
) -> None:
    def at(factor: float) -> tuple[float, float]:
        risk = global_risk(
            mean=mean,
            deviation=deviation,
            uncertainty=uncertainty,
            low=-1.0,
            high=1.0,
            guard_factor=factor,
        )
        assert 0 <= risk.consumer <= risk.nonconforming + 1e-9
        assert 0 <= risk.producer <= 1 - risk.nonconforming + 1e-9
        return risk.consumer, risk.producer

    narrow, wide = at(guard_factor), at(guard_factor + 0.05)
    assert wide[0] <= narrow[0] + 1e-10
    assert wide[1] >= narrow[1] - 1e-10


def test_an_exact_meter_takes_no_wrong_decision() -> None:
    risk = global_risk(mean=0.0, deviation=1.0, uncertainty=0.0, low=-inf, high=1.0)
    assert (risk.consumer, risk.producer) == (0.0, 0.0)
    # Phi(-1).
    assert risk.nonconforming == pytest.approx(0.158655254)


@given(st.floats(1e-9, 0.5))
def test_guard_factor_and_specific_risk_are_inverse(risk: float) -> None:
    factor = guard_factor_for_risk(risk)
    assert 1 - conformance_probability(-2 * factor, 1.0, -inf, 0.0) == pytest.approx(
        risk, rel=1e-6
    )


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ((nan, 1.0, 1.0), "error_ppm = nan"),
        ((1.0, -1.0, 1.0), "uncertainty_ppm = -1.0"),
        ((1.0, 1.0, inf), "limit_ppm = inf"),
        ((1.0, 1.0, 1.0, -0.1), "guard_factor = -0.1"),
    ],
)
def test_judging_nonsense_is_refused(arguments: tuple[float, ...], named: str) -> None:
    with pytest.raises(ArgumentError, match=named):
        judge(*arguments)


def test_reversed_limits_and_impossible_guards_are_refused() -> None:
    with pytest.raises(ArgumentError, match=r"low = 2.0: must be < high"):
        conformance_probability(0.0, 1.0, 2.0, 1.0)
    with pytest.raises(ArgumentError, match="low = nan"):
        conformance_probability(0.0, 1.0, nan, 1.0)
    with pytest.raises(ArgumentError, match=r"guard band = 2.0: must be < 1"):
        acceptance_limits(-1.0, 1.0, 1.0, 1.0)
    with pytest.raises(ArgumentError, match=r"deviation = 0.0"):
        global_risk(mean=0.0, deviation=0.0, uncertainty=1.0, low=-1.0, high=1.0)
    with pytest.raises(ArgumentError, match=r"specific_risk = 0.6"):
        guard_factor_for_risk(0.6)
    with pytest.raises(ArgumentError, match=r"of_full_scale = nan"):
        limits_at(nan, None, None)
    with pytest.raises(ArgumentError, match=r"of_reading_ppm = -1.0"):
        TwoParts(of_reading_ppm=-1.0, of_full_scale_ppm=1.0)
    with pytest.raises(ArgumentError, match=r"needed_ratio = 0.0"):
        can_judge(1.0, 1.0, 0.0)
    with pytest.raises(ArgumentError, match=r"combined expanded uncertainty = 0.0"):
        agreement(1.0, 0.0, 1.0, 0.0)
