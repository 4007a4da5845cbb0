"""How fast the detector finds what, how rarely it is wrong, and what it costs.

The goals are the project's own; every limit is calibrated on the family of worlds, and
the tables are printed.
"""

import time
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.spc.bank import Bank
from daemon.spc.baseline import Segment, fit_baseline_of
from daemon.spc.calibrate import Calibration, calibrate, good_maxima, shipped_limit
from daemon.spc.hypotheses import Cause
from daemon.spc.layout import layout_of
from daemon.spc.reel_change import ReelChangeDetector
from daemon.spc.study import FAULTS, Outcome, study_fault
from daemon.spc.worlds import BEYOND, FAMILY

Array = NDArray[np.float64]

pytestmark = pytest.mark.bench

LAYOUT = layout_of([1000.0] * 4)
HISTORIES = {"one segment": (20,), "two segments": (10, 10), "long": (33, 33, 34)}
REPLICATES = 1024
WORKERS = 2
FAULT = {fault.name: fault for fault in FAULTS}

MOST_FALSE_HOLDS = 1.5
MOST_FALSE_HOLDS_BEYOND = 3.0


@cache
def calibrated(history: str, rate: int) -> Calibration:
    """Return the limit for builds of 100 units."""
    return calibrate(
        LAYOUT,
        units_per_false_hold=rate,
        segment_units=HISTORIES[history],
        build_units=100,
        replicates=REPLICATES,
        seed=21,
        workers=WORKERS,
    )


@cache
def outcome(fault: str, history: str, rate: int) -> Outcome:
    """Study one fault at its calibrated limit, and print the row."""
    one = FAULT[fault]
    found = study_fault(
        one,
        LAYOUT,
        limit=calibrated(history, rate).log_odds_limit,
        segment_units=HISTORIES[history],
        replicates=REPLICATES,
        build_units=one.first_unit + (40 if one.spread > 1 else 24),
        seed=22,
    )
    print(  # noqa: T201
        f"\n{fault:45s} {history:12s} 1/{rate:<5d} delay {found.mean_delay:5.2f} "
        f"by 2 {found.held_by_2:.3f} named {found.named:.3f} {found.named_later:.3f} "
        f"covered {found.covered:.3f} {found.covered_later:.3f}",
        end="",
    )
    return found


@pytest.mark.parametrize("rate", [500, 5000])
@pytest.mark.parametrize("history", HISTORIES)
def test_every_fault_is_studied(history: str, rate: int) -> None:
    """The whole table; its goals are in the tests that follow."""
    for fault in FAULT:
        found = outcome(fault, history, rate)
        assert found.replicates > 0.8 * REPLICATES
        assert found.missed < 0.1


@pytest.mark.parametrize(
    ("history", "least"),
    [("one segment", 0.97), ("two segments", 0.98), ("long", 0.99)],
)
def test_a_recorded_reel_at_three_tolerances_is_held_by_the_second_unit(
    history: str, least: float
) -> None:
    assert outcome("recorded reel +0.3 %", history, 500).held_by_2 >= 0.99
    assert outcome("recorded reel +0.3 %", history, 5000).held_by_2 >= least


@pytest.mark.parametrize("history", HISTORIES)
def test_an_unrecorded_reel_is_found_in_two_units(history: str) -> None:
    assert outcome("unrecorded +0.3 %", history, 500).mean_delay <= 2.2
    assert outcome("unrecorded +0.3 %", history, 5000).mean_delay <= 2.2


def test_wider_parts_are_found_soon() -> None:
    assert outcome("spread x5 from unit 1", "two segments", 500).mean_delay <= 3.0
    assert outcome("spread x5 from unit 1", "two segments", 5000).mean_delay <= 6.0


def test_the_shared_stage_is_found_at_once() -> None:
    assert outcome("shared stage 0.2 %", "two segments", 500).mean_delay <= 1.4


def test_mixed_reels_are_found_in_a_few_units() -> None:
    assert outcome("two reels mixed, +0.3 %", "two segments", 500).mean_delay <= 3.2


@pytest.mark.parametrize("rate", [500, 5000])
def test_the_bench_is_named_bench_after_its_check(rate: int) -> None:
    step = "bench steps 300 ppm"
    assert outcome(f"laboratory {step}", "two segments", rate).named >= 0.99
    assert outcome(f"handheld {step}", "two segments", rate).named >= 0.80
    drift = "bench drifts 20 ppm a unit"
    # 20 ppm a unit show at the check before unit 11, half a noise before unit 21
    assert outcome(f"laboratory {drift}", "two segments", rate).mean_delay <= 11.5
    assert outcome(f"handheld {drift}", "two segments", rate).mean_delay <= 21.5


def test_the_cause_is_right_five_units_later() -> None:
    """Lower 95 % bound above 95 %, over all faults of parts and stage."""
    for fault in FAULT.values():
        if fault.cause != "bench":
            found = outcome(fault.name, "two segments", 5000)
            p = found.named_later
            bound = p - 1.645 * (max(p * (1 - p), 1e-4) / found.replicates) ** 0.5
            assert bound > 0.95, fault.name


@pytest.mark.parametrize("history", HISTORIES)
def test_intervals_hold_the_true_size_five_units_later(history: str) -> None:
    for fault in ("recorded reel +0.3 %", "unrecorded +0.3 %", "shared stage 0.2 %"):
        assert outcome(fault, history, 5000).covered_later >= 0.92


@pytest.mark.parametrize("history", HISTORIES)
def test_false_holds_stay_near_the_accepted_rate_in_every_world(history: str) -> None:
    """On builds that the limit was not calibrated with."""
    for rate in (500, 5000):
        found = calibrated(history, rate)
        fresh = fresh_maxima(history)
        print()  # noqa: T201
        for name, values in fresh.items():
            share = float(np.mean(values > found.log_odds_limit))
            known = name in {one.world for one in found.rates}
            most = MOST_FALSE_HOLDS if known else MOST_FALSE_HOLDS_BEYOND
            error = (found.accepted_rate / REPLICATES) ** 0.5
            print(f"{history:12s} 1/{rate:<5d} {name:45s} {share:.4f}")  # noqa: T201
            if name != BEYOND[-1].name:  # the known weak point: printed alone
                assert share <= most * found.accepted_rate + 2 * error, name


@cache
def fresh_maxima(history: str) -> dict[str, Array]:
    """Return maxima of fresh good builds by world."""
    worlds = (*FAMILY, *BEYOND)
    maxima = good_maxima(
        LAYOUT,
        segment_units=HISTORIES[history],
        build_units=100,
        replicates=REPLICATES,
        seed=23,
        workers=WORKERS,
        worlds=worlds,
    )
    return {w.name: m for w, m in zip(worlds, maxima, strict=True)}


def test_a_story_of_three_builds_is_told_right() -> None:
    """No history, an ordinary new reel, then a bad one part-way: over 1000 stories.

    Builds of 30 units of 4 ranges; the bad reel, recorded, is +0.3 % in the mean with
    four times the spread.
    """
    stories = [_stories(64, seed) for seed in range(16)]
    good = np.concatenate([s[0] for s in stories])
    delay = np.concatenate([s[1] for s in stories])
    named = np.concatenate([s[2] for s in stories])
    good_units = len(good) * (30 + 30 + 14)
    print(  # noqa: T201
        f"\nheld by unit 1 {np.mean(delay <= 1):.4f}, 2 {np.mean(delay <= 2):.4f}, "
        f"3 {np.mean(delay <= 3):.4f}; named {named.mean():.4f}; "
        f"false holds {good.sum()} in {good_units} good units"
    )
    assert np.mean(delay <= 3) >= 0.98
    assert named.mean() >= 0.99
    assert good.sum() <= good_units / 5000


def _stories(count: int, seed: int) -> tuple[Array, Array, Array]:
    """Return false holds, delay of the bad reel and whether it is named, by story."""
    rng = np.random.default_rng(seed)
    ranges, units, bad = 4, 30, 2
    shared = rng.uniform(0.10, 0.15, (count, 1))
    reel = rng.normal(0, 0.15, (count, ranges))
    names = [["a"] * ranges for _ in range(count)]
    histories: list[list[Segment]] = [[] for _ in range(count)]
    changed = rng.integers(ranges, size=count)
    bad_from = int(rng.integers(8, 20))
    none = np.zeros((count, ranges))
    false = np.zeros(count)
    delay = np.full(count, units)
    named = np.zeros(count)
    for build in range(3):
        limit = shipped_limit(5000, ranges=ranges, builds=build)
        if build == 1:
            reel[np.arange(count), changed] = rng.normal(0, 0.15, count)
            for story, place in enumerate(changed):
                names[story][place] = "b"
        bank = Bank(
            [fit_baseline_of(h, LAYOUT) for h in histories], names, [str(build)] * count
        )
        level = reel + rng.normal(0, 0.10, (count, 1))
        errors = np.empty((count, units, ranges))
        held = np.zeros(count, dtype=bool)
        for index in range(units):
            fault = build == 2 and index >= bad_from
            if fault and index == bad_from:
                bank.change_reels([bad])
                false += held
                held[:] = False
            own = rng.normal(0, 0.15, (count, ranges))
            if fault:
                own[:, bad] = 4 * own[:, bad] + 3.0 - reel[:, bad]
            errors[:, index] = level + own + rng.normal(0, shared)
            bank.take(errors[:, index], none)
            fresh = (bank.log_odds() > limit) & ~held
            held |= fresh
            if fault:
                delay[fresh] = index - bad_from + 1
                named[fresh] = _names(bank, bad)[fresh]
        if build < 2:
            false += held
            for story, history in enumerate(histories):
                history.append(
                    Segment(
                        errors_ppm=1000.0 * errors[story],
                        build=str(build),
                        reels=tuple(names[story]),
                    )
                )
    return false, delay, named


def _names(bank: Bank, place: int) -> NDArray[np.bool_]:
    """Return where most bad mass is on the reel of one range."""
    weight = np.exp(bank.rows.log_weight)
    weight[bank.rows.cause == Cause.GOOD] = 0.0
    reel = np.isin(bank.rows.cause, (Cause.REEL, Cause.MIXED))
    mine = np.where(reel & (bank.rows.place == place), weight, 0.0)
    return np.asarray(mine.sum(axis=1) > 0.5 * weight.sum(axis=1))


def test_a_unit_costs_the_same_early_and_late() -> None:
    rng = np.random.default_rng(3)
    units = rng.normal(0, 150, (3000, 4)) + rng.normal(0, 100, (3000, 1))
    history = [
        Segment(errors_ppm=rng.normal(0, 180, (30, 4)), build=str(b), reels=("",) * 4)
        for b in range(2)
    ]
    detector = ReelChangeDetector(
        tolerance_ppm=[1000.0] * 4,
        baseline=fit_baseline_of(history, LAYOUT),
        log_odds_limit=shipped_limit(5000, ranges=4, builds=2),
    )
    taken = []
    for unit in units:
        start = time.process_time()
        detector.update(unit, None)
        taken.append(time.process_time() - start)
    early, late = np.median(taken[10:300]), np.median(taken[-300:])
    print(f"\n{1e3 * early:.2f} ms a unit early, {1e3 * late:.2f} ms late")  # noqa: T201
    assert late < 1.5 * early
    assert late < 5e-3


def test_two_processes_calibrate_like_one() -> None:
    def maxima(workers: int) -> Array:
        return good_maxima(
            LAYOUT,
            segment_units=(10,),
            build_units=10,
            replicates=100,
            seed=4,
            workers=workers,
        )

    np.testing.assert_array_equal(maxima(1), maxima(2))
