"""The stated 95 % interval holds what is true as often as it says."""

from dataclasses import replace

import pytest
from scipy.stats import binom

from tests.studies.coverage import Cell, cells, counted, table

STATED = (0.935, 0.965)
LEAST = 0.93
SURE = 1e-4
"""How seldom a cell that covers `LEAST` would fail by chance: there are 216."""
PLAIN = Cell(
    follows=0.0, count=10, walk=1.0, thermometer=True, reference="one voltmeter"
)


def test_there_is_a_bench_of_every_kind() -> None:
    known = list(cells())
    assert len(known) == len(set(known)) == 3 * 4 * 3 * 2 * 3


def test_the_same_seed_draws_the_same_benches_and_more_trials_draw_more() -> None:
    few, again, more = (counted(PLAIN, trials, 1) for trials in (15, 15, 30))
    assert few == again
    assert few.held <= more.held <= few.held + 15
    assert "| all | 45 |" in table([few, more])


@pytest.mark.parametrize("follows", [0.0, 0.8])
def test_a_bench_drawn_from_its_settings_lies_inside_as_often_as_stated(
    follows: float,
) -> None:
    found = counted(replace(PLAIN, follows=follows), 120, 2)
    assert found.held >= binom.ppf(SURE, found.trials, LEAST)


@pytest.mark.bench
@pytest.mark.parametrize("told", [True, False])
def test_every_kind_of_bench_is_covered_as_stated(*, told: bool) -> None:
    """Not told how far readings follow, an interval allows for more than there is."""
    found = [counted(one, 1000, 3) for one in cells(told=told)]
    print(table(found))  # noqa: T201
    held = sum(one.held for one in found) / sum(one.trials for one in found)
    assert STATED[0] <= held <= (STATED[1] if told else 1.0)
    short = [one for one in found if one.held < binom.ppf(SURE, one.trials, LEAST)]
    assert short == []
