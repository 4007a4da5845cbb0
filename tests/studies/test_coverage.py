"""The stated 95 % interval holds what is true as often as it says."""

from dataclasses import replace
from statistics import fmean

import pytest
from scipy.stats import norm

from tests.studies.coverage import (
    COVERAGE,
    Cell,
    Counted,
    cells,
    counted,
    table,
    told_until,
    two_readings_hold,
)

STATED = (0.935, 0.965)
LEAST = 0.93
SURE = 1e-4
"""How seldom a cell that covers `LEAST` would fail by chance: there are 270."""
STANDARD_ERROR = 0.005
PLAIN = Cell(
    follows=0.0, count=10, walk=1.0, thermometer=True, reference="one voltmeter"
)


def short(found: Counted) -> bool:
    """Return whether a kind of bench covers less than `LEAST`, chance allowed for."""
    return bool(found.coverage < LEAST + norm.ppf(SURE) * found.standard_error)


def wide(found: Counted) -> bool:
    """Return whether a kind of bench covers too much, chance allowed for."""
    return bool(found.coverage > STATED[1] - norm.ppf(SURE) * found.standard_error)


def drifts_most(cell: Cell) -> bool:
    """Return whether little but a drift is unsure, and there is little of it."""
    return cell.walk <= 1.0 and cell.reference == "one voltmeter" and cell.count >= 10


def test_there_is_a_bench_of_every_kind() -> None:
    known = list(cells())
    assert len(known) == len(set(known)) == 3 * 5 * 3 * 2 * 3


def test_the_same_seed_draws_the_same_benches_and_more_trials_draw_more() -> None:
    few, again, more = (counted(PLAIN, trials, 1) for trials in (15, 15, 30))
    assert few == again
    assert few.shares == more.shares[:15]
    assert "| all | 2 | 45 |" in table([few, more])
    assert table([few, more], each=True).count("one voltmeter | 15 |") == 1


def test_a_bench_is_tried_until_its_coverage_is_sure() -> None:
    found = told_until(PLAIN, 0.02, 1)
    assert found.trials >= 200
    assert found.standard_error <= 0.02


def test_drawn_beside_the_same_readings_few_benches_tell_as_much_as_many() -> None:
    """Of as many benches, each drawn once, the standard error is 2.2 %."""
    found = counted(PLAIN, 100, 4)
    assert found.standard_error < 0.5 * 0.022


@pytest.mark.parametrize("follows", [0.0, 0.8])
def test_a_bench_drawn_from_its_settings_lies_inside_as_often_as_stated(
    follows: float,
) -> None:
    assert not short(counted(replace(PLAIN, follows=follows), 120, 2))


@pytest.mark.source(
    "mean and difference of two readings are independent, so that their ratio is "
    "Cauchy's: P(|x| <= q) = 2 atan(q) / pi"
)
def test_two_readings_that_may_follow_hold_more_where_they_do_not() -> None:
    assert two_readings_hold(0.8, wide_enough_for=0.8) == pytest.approx(COVERAGE)
    held = [two_readings_hold(one, wide_enough_for=0.8) for one in (0.0, 0.5)]
    assert held == pytest.approx([0.9833, 0.9711], abs=1e-4)
    assert two_readings_hold(0.8, wide_enough_for=0.0) == pytest.approx(0.852, abs=1e-3)


@pytest.mark.bench
@pytest.mark.parametrize("told", [True, False])
def test_every_kind_of_bench_is_covered_as_stated(*, told: bool) -> None:
    """Not told how far readings follow, an interval allows for more than there is."""
    found = [told_until(one, STANDARD_ERROR, 3) for one in cells(told=told)]
    print(table(found, each=True))  # noqa: T201
    covered = fmean(one.coverage for one in found)
    assert STATED[0] <= covered <= (STATED[1] if told else 1.0)
    assert [one for one in found if short(one)] == []
    if told:
        assert [one for one in found if wide(one) and not drifts_most(one.cell)] == []
