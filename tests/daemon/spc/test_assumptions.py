"""What the detector holds possible can be set, and stands as it was chosen."""

import numpy as np
import pytest

from daemon.spc.assumptions import Assumptions
from daemon.spc.bank import Bank
from daemon.spc.baseline import Segment, fit_baseline_of
from daemon.spc.hypotheses import Cause, Table, opening_table, unrecorded_table
from daemon.spc.layout import layout_of
from daemon.spc.scatter import mixture_wide

OWN = [1000.0] * 3


def sizes(table: Table, cause: Cause, place: int) -> list[float]:
    """Return the shifts of a cause at one place, in tolerances."""
    chosen = (table.cause == cause) & (table.place == place)
    found = np.sqrt(table.shift2[place, chosen])
    return [round(float(one), 9) for one in found]


@pytest.mark.source("from memory: the project's own study of worlds")
def test_the_standing_values_are_those_that_were_chosen_by_simulation() -> None:
    table = opening_table(layout_of(OWN), scatter_known=True)
    assert sizes(table, Cause.REEL, 1) == [0.8, 3.0, 12.0, 0.5, 0.7, 5.0]
    assert sizes(table, Cause.SHARED, -1) == [0.8, 3.0, 0.4]
    steps = table.step2[1, (table.cause == Cause.BENCH) & (table.place == 1)]
    assert np.sqrt(steps).tolist() == pytest.approx([0.4, 2.0, 0.0])
    mixed = np.abs(table.difference[table.cause == Cause.MIXED])
    assert sorted(set(mixed.tolist())) == [1.1, 3.0, 10.0]
    assert np.exp(table.log_weight[table.cause == Cause.REEL]).sum() == pytest.approx(
        1.20
    )
    assert np.exp(table.log_weight[table.cause == Cause.SHARED]).sum() == pytest.approx(
        0.26
    )
    spawned = unrecorded_table(layout_of(OWN))
    assert sizes(spawned, Cause.REEL, 0) == [0.8, 3.0, 12.0, 0.7]
    assert mixture_wide(layout_of(OWN)).tolist() == [0.0, 0.0, 0.0, 9.0]
    blank = fit_baseline_of([], layout_of(OWN))
    assert blank.sigma_ppm.tolist() == pytest.approx([150.0] * 3)
    assert blank.reel_sigma_ppm.tolist() == pytest.approx([150.0] * 3)
    assert blank.build_sigma_ppm == pytest.approx(100.0)
    assert np.sqrt(np.diag(blank.covariance)).tolist() == pytest.approx([400.0] * 3)


def test_other_values_reach_every_part_of_the_bank() -> None:
    assumed = Assumptions(
        part_scatter=0.2,
        reel_scatter=0.4,
        build_scatter=0.3,
        range_level=0.5,
        odd_part=5.0,
        reel_shifts=(1.0, 4.0, 20.0),
        wide_reel_shifts=(0.6, 0.9, 6.0),
        mixed_differences=(2.0, 4.0, 9.0),
        shared_shifts=(1.5, 5.0, 0.7),
        bench_steps=(0.7, 3.0),
        bench_slopes=(0.05, 0.09),
    )
    layout = layout_of(OWN, (), assumed)
    table = opening_table(layout, scatter_known=True)
    assert sizes(table, Cause.REEL, 2) == [1.0, 4.0, 20.0, 0.6, 0.9, 6.0]
    assert sizes(table, Cause.SHARED, -1) == [1.5, 5.0, 0.7]
    mixed = np.abs(table.difference[table.cause == Cause.MIXED])
    assert sorted(set(mixed.tolist())) == [2.0, 4.0, 9.0]
    slopes = set(np.round(np.sqrt(table.slope2), 9).tolist())
    assert slopes == {0.0, 0.05, 0.09}
    assert sizes(unrecorded_table(layout), Cause.REEL, 0) == [1.0, 4.0, 20.0, 0.9]
    assert mixture_wide(layout).tolist() == [0.0, 0.0, 0.0, 25.0]
    blank = fit_baseline_of([], layout)
    assert blank.sigma_ppm.tolist() == pytest.approx([200.0] * 3)
    assert blank.reel_sigma_ppm.tolist() == pytest.approx([400.0] * 3)
    assert blank.build_sigma_ppm == pytest.approx(300.0)
    assert np.sqrt(np.diag(blank.covariance)).tolist() == pytest.approx([500.0] * 3)


def test_a_bench_that_walks_farther_is_known_less_well() -> None:
    def spread(walk: float) -> float:
        layout = layout_of(OWN, (), Assumptions(bench_walk=walk))
        bank = Bank([fit_baseline_of([], layout)], [("",) * 3], [""])
        at = layout.parts + 1
        return float(bank.rows.base_covariance[0, at, at, 0])

    assert spread(0.5) == pytest.approx(0.25)
    assert spread(0.02) == pytest.approx(0.0004)


def test_reels_that_earlier_ones_made_look_wild_are_bounded_as_set() -> None:
    chance = np.random.default_rng(4)
    wild = [
        Segment(
            errors_ppm=chance.normal(level, 100.0, (10, 3)), build=b, reels=("",) * 3
        )
        for b, level in zip("1234", (-4000.0, 4000.0, -3000.0, 3500.0), strict=True)
    ]
    for most in (0.6, 0.3):
        layout = layout_of(OWN, (), Assumptions(most_reel_scatter=most))
        found = fit_baseline_of(wild, layout).reel_sigma_ppm
        assert found.max() <= most * 1000.0 * (1 + 1e-9)
