"""Where a settling record comes to rest, on records whose rest is known."""

from math import exp

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from daemon.metrology.errors import ArgumentError
from daemon.metrology.resting_value import fewest_readings, rest_of

NOISE = 1.5e-6


def record(
    tau_s: float,
    *,
    readings: int,
    spacing_s: float = 0.04,
    step: float = -1.0,
    noise: float = NOISE,
    seed: int = 1,
) -> tuple[list[float], list[float]]:
    """Return times and readings of a step to 1 that began one spacing before."""
    chance = np.random.default_rng(seed)
    at_s = spacing_s * np.arange(1, readings + 1)
    values = 1.0 + step * np.exp(-at_s / tau_s) + noise * chance.normal(size=readings)
    return at_s.tolist(), values.tolist()


def test_rest_is_foreseen_long_before_it_is_reached() -> None:
    """After four time constants 1.8 % are still to come."""
    at_s, values = record(0.5, readings=50)
    rest = rest_of(at_s, values, slowest_s=1.0)
    assert rest is not None
    assert values[-1] < 0.99
    assert abs(rest.value - 1.0) < 5e-6
    assert rest.departure == pytest.approx(-exp(-at_s[-1] / 0.5), rel=1e-3)
    assert np.mean(rest.settled) == pytest.approx(rest.value, abs=1e-12)


def test_what_is_still_to_come_is_believed_to_a_thousandth() -> None:
    at_s, values = record(0.5, readings=50)
    rest = rest_of(at_s, values, slowest_s=1.0)
    assert rest is not None
    assert rest.standard >= abs(rest.departure) * 1e-3 / 3**0.5


@settings(max_examples=40, deadline=None)
@given(
    tau_s=st.floats(0.01, 0.5),
    step=st.sampled_from([-1.0, -0.1, 0.0, 0.1, 1.0]),
    seed=st.integers(0, 10_000),
)
def test_the_rest_lies_within_five_of_its_uncertainties(
    tau_s: float, step: float, seed: int
) -> None:
    at_s, values = record(tau_s, readings=80, step=step, seed=seed)
    rest = rest_of(at_s, values, slowest_s=1.0)
    if rest is not None:  # one in a hundred records looks as if it moved otherwise
        # Of three, a record in some hundreds lies outside.
        assert abs(rest.value - 1.0) <= 5 * rest.widened


def test_the_rest_lies_within_three_as_often_as_it_should() -> None:
    """By Student (77 degrees of freedom) 0.37 % lie outside; of these 1 % at most."""
    records = [
        (tau_s, step, seed)
        for tau_s in (0.01, 0.05, 0.1, 0.25, 0.5)
        for step in (-1.0, -0.1, 0.0, 0.1, 1.0)
        for seed in range(16)
    ]
    found = []
    for tau_s, step, seed in records:
        at_s, values = record(tau_s, readings=80, step=step, seed=seed)
        rest = rest_of(at_s, values, slowest_s=1.0)
        if rest is not None:
            found.append(abs(rest.value - 1.0) > 3 * rest.widened)
    assert len(found) > 0.97 * len(records)
    assert sum(found) <= 0.01 * len(found)


def test_a_second_slower_part_is_not_taken_for_rest() -> None:
    """Two thousandths with ten times the time constant: refused, or carried."""
    at_s, values = record(0.1, readings=25, noise=1e-7)
    slow = [one - 2e-3 * exp(-t / 1.0) for t, one in zip(at_s, values, strict=True)]
    rest = rest_of(at_s, slow, slowest_s=1.5)
    assert rest is None or abs(rest.value - 1.0) <= 3 * rest.widened


def test_what_moves_on_for_ever_never_rests() -> None:
    at_s = [0.04 * n for n in range(40)]
    assert rest_of(at_s, [1e-3 * t for t in at_s], slowest_s=0.3) is None


def test_an_early_part_that_moves_otherwise_is_left_out() -> None:
    at_s, values = record(0.02, readings=40, noise=1e-6)
    rest = rest_of(at_s, [0.3] * 8 + values[8:], slowest_s=0.5)
    assert rest is not None
    assert abs(rest.value - 1.0) < 1e-5


def test_few_still_readings_say_how_little_they_know_of_a_slow_movement() -> None:
    at_s, values = record(0.5, readings=4, step=0.0)
    quick = rest_of(at_s, values, slowest_s=0.01)
    slow = rest_of(at_s, values, slowest_s=5.0)
    assert quick is not None
    assert slow is not None
    assert slow.standard > 10 * quick.standard


@pytest.mark.parametrize("readings", [0, 1, 2])
def test_too_few_readings_say_nothing(readings: int) -> None:
    at_s, values = record(0.1, readings=readings)
    if readings:
        assert rest_of(at_s, values, slowest_s=1.0) is None
    else:
        with pytest.raises(ArgumentError):
            rest_of(at_s, values, slowest_s=1.0)


def test_readings_typed_at_one_time_are_a_mean() -> None:
    rest = rest_of([0.0] * 4, [1.0, 1.2, 1.0, 1.2], slowest_s=1.0)
    assert rest is not None
    assert rest.value == pytest.approx(1.1)


def test_a_model_needs_fewer_readings_for_less() -> None:
    def count(wanted: float) -> int:
        return fewest_readings(
            step=1.0, time_constant_s=0.5, spacing_s=0.04, noise=NOISE, wanted=wanted
        )

    assert count(1e-4) < count(1e-5) < count(1e-6)


def test_refuses_what_is_no_record() -> None:
    with pytest.raises(ArgumentError, match="slowest_s"):
        rest_of([0.0, 1.0, 2.0], [1.0, 1.0, 1.0], slowest_s=0.0)
    with pytest.raises(ArgumentError, match="number of values"):
        rest_of([0.0, 1.0], [1.0, 1.0, 1.0], slowest_s=1.0)
    with pytest.raises(ArgumentError, match="finite"):
        rest_of([0.0, 1.0, 2.0], [1.0, float("nan"), 1.0], slowest_s=1.0)


def test_readings_at_one_time_say_nothing_of_a_movement() -> None:
    values = [1.0, 2.0, 3.0, 2.0, 1.0, 2.0]
    for at_s in ([1.0] * 6, [1.0 + 1e-9 * n for n in range(6)]):
        rest = rest_of(at_s, values, slowest_s=1e6)
        assert rest is not None
        assert rest.value == pytest.approx(np.mean(values))
        assert rest.standard == pytest.approx(np.std(values, ddof=1) / 6**0.5)


def test_times_that_go_back_or_are_none_are_refused() -> None:
    with pytest.raises(ArgumentError, match="rising order"):
        rest_of([0.0, 2.0, 1.0], [1.0, 2.0, 3.0], slowest_s=1.0)
    with pytest.raises(ArgumentError, match=r"at_s\[1\] = nan"):
        rest_of([0.0, float("nan"), 1.0], [1.0, 2.0, 3.0], slowest_s=1.0)
