"""Units in, findings out: order, reruns, late records, earlier builds."""

from collections.abc import Sequence

import numpy as np
import pytest

from daemon.presentation.sentences import finding
from daemon.watch import Watcher
from storage.records import Cause, Fitting, Reel, Signal
from storage.serials import serial_order
from tests.daemon.making import AT, demo_product, fitting, unit

PRODUCT = demo_product()
GOOD = [fitting("B-1", f"R1{n}", f"K-10{n}") for n in (1, 2, 3, 4)]


def watcher() -> Watcher:
    return Watcher(PRODUCT, accepted_per_units=5000)


def errors(seed: int, units: int) -> np.ndarray:
    """Ordinary units: own parts 150 ppm, a shared stage of 100 ppm."""
    chance = np.random.default_rng(seed)
    own: np.ndarray = chance.normal(0.0, 150.0, (units, 4))
    return own + chance.normal(0.0, 100.0, (units, 1))


def fold(
    one: Watcher, rows: np.ndarray, fittings: Sequence[Fitting], order: Sequence[int]
) -> list[Signal]:
    """Take units in an order; return every revision of a finding about their build."""
    return [
        said
        for n, i in enumerate(order, start=1)
        for said in one.take(unit(n, f"PA-{i:03d}", "B-1", rows[i].tolist()), fittings)
    ]


def test_an_ordinary_build_raises_nothing() -> None:
    rows = errors(1, 30)
    assert fold(watcher(), rows, GOOD, range(30)) == []


def test_a_bad_reel_names_part_reel_and_first_unit() -> None:
    rows = errors(2, 20)
    rows[10:, 2] += 3000.0
    fittings = [*GOOD, fitting("B-1", "R13", "K-900", "PA-010")]
    said = fold(watcher(), rows, fittings, range(20))
    last = said[-1]
    assert (last.cause, last.range, last.part) == (Cause.REEL, "100uA", "R13")
    assert (last.reel, last.first_serial) == ("K-900", "PA-010")
    assert last.low_ppm < 3000.0 < last.high_ppm
    assert last.units == 10
    # The switch's 50 milliohm stay; the part takes the whole error of the 5000 ohm.
    whole_ohm = 5000.0 * (1 + last.size_ppm * 1e-6)
    assert last.implied_ohm == pytest.approx(whole_ohm - 0.05, rel=1e-9)


def finding_of_labelled(label_ppm: float, nominal_ohm: float = 5e3) -> Signal:
    """Return what a reel that reads 0.3 % high raises, by what its label says."""
    rows = errors(2, 20)
    rows[10:, 2] += 3000.0
    fittings = [*GOOD, fitting("B-1", "R13", "K-900", "PA-010")]
    labels = {
        "K-900": Reel(
            reel="K-900",
            nominal_ohm=nominal_ohm,
            tolerance_ppm=label_ppm,
            received_at=AT,
        )
    }
    labelled = Watcher(PRODUCT, accepted_per_units=5000, label_of=labels.__getitem__)
    return fold(labelled, rows, fittings, range(20))[-1]


@pytest.mark.parametrize(
    ("label_ppm", "said"),
    [(500.0, "their 0.05 % claim"), (1000.0, "their 0.1 % claim")],
)
def test_the_claim_that_is_judged_is_the_label_s(label_ppm: float, said: str) -> None:
    """The plan has 0.1 % for R13; a label may promise more."""
    signal = finding_of_labelled(label_ppm)
    claim = signal.basis.claim
    assert claim is not None
    assert claim.tolerance_ppm == label_ppm
    # The interval of some 0.3 % keeps clear of both limits.
    assert claim.incompatible > 0.99
    lines = finding(signal).lines
    assert f"outside {said}" in lines[0]
    assert not any("wrong class" in line for line in lines)


def test_a_reel_of_too_loose_a_class_keeps_its_claim_and_is_none_for_the_part() -> None:
    """0.3 % high is well inside a label of 5 %."""
    signal = finding_of_labelled(50_000.0)
    claim = signal.basis.claim
    assert claim is not None
    assert claim.tolerance_ppm == 50_000.0
    assert claim.incompatible < 0.01
    lines = finding(signal).lines
    assert lines[0].endswith("; their claim is 5 %.")
    assert lines[1] == (
        "Reel K-900 is of the wrong class for part R13: its label allows 5 %, the part "
        "needs 0.1 %."
    )
    assert not any("Incompatible" in line for line in lines)


def test_a_reel_that_is_what_its_label_says_is_of_the_wrong_value_alone() -> None:
    """5015 ohm parts on a label of 5015 ohm: 0.3 % above what the part needs."""
    signal = finding_of_labelled(1000.0, nominal_ohm=5015.0)
    assert signal.basis.claim is not None
    assert signal.basis.claim.incompatible < 0.5
    lines = finding(signal).lines
    assert lines[1].startswith(
        "Reel K-900 is of the wrong value for part R13: its label says 5.015 kΩ"
    )
    assert not any("Incompatible" in line for line in lines)


def test_without_a_recorded_label_the_claim_is_what_is_planned() -> None:
    rows = errors(2, 20)
    rows[10:, 2] += 3000.0
    last = fold(watcher(), rows, GOOD, range(20))[-1]
    assert last.basis.label is None
    assert last.basis.claim is not None
    assert last.basis.claim.tolerance_ppm == 1000.0


def test_the_finding_keeps_its_name_and_counts_its_revisions() -> None:
    rows = errors(2, 20)
    rows[10:, 2] += 3000.0
    fittings = [*GOOD, fitting("B-1", "R13", "K-900", "PA-010")]
    said = fold(watcher(), rows, fittings, range(20))
    assert {s.signal for s in said} == {"B-1-F1"}
    assert [s.revision for s in said] == list(range(1, len(said) + 1))
    assert len({s.raised_serial for s in said}) == 1


def test_units_tested_in_any_order_end_in_the_same_finding() -> None:
    """A reel change is recorded from a serial on, not from a moment on."""
    rows = errors(3, 20)
    rows[10:, 1] += 3000.0
    fittings = [*GOOD, fitting("B-1", "R12", "K-900", "PA-010")]
    in_order = fold(watcher(), rows, fittings, range(20))[-1]
    shuffled = np.random.default_rng(5).permutation(20).tolist()
    mixed = fold(watcher(), rows, fittings, shuffled)[-1]
    assert mixed.reel == in_order.reel == "K-900"
    for one in (mixed, in_order):
        assert one.low_ppm < 3000.0 < one.high_ppm
    assert mixed.first_serial == in_order.first_serial == "PA-010"


def test_a_reel_recorded_late_counts_from_its_unit_on() -> None:
    rows = errors(4, 20)
    rows[10:, 0] += 3000.0
    late = watcher()
    fold(late, rows[:15], GOOD, range(15))
    fittings = [*GOOD, fitting("B-1", "R11", "K-900", "PA-010")]
    *_, said = late.take(unit(16, "PA-015", "B-1", rows[15].tolist()), fittings)
    assert (said.reel, said.first_serial) == ("K-900", "PA-010")


def test_a_rerun_takes_the_place_of_the_first_run() -> None:
    """What is known afterwards is bit for bit as though it had read so at once."""
    rows = errors(6, 12)
    wrong = rows.copy()
    wrong[4] += 700.0
    bumped, replaced = watcher(), watcher()
    for one, first in ((bumped, wrong), (replaced, rows)):
        fold(one, first, GOOD, range(12))
        one.take(unit(13, "PA-004", "B-1", rows[4].tolist()), GOOD)
    assert bumped.log_odds == replaced.log_odds
    for left, right in zip(units_of(bumped), units_of(replaced), strict=True):
        assert np.array_equal(left, right)


def test_a_run_of_one_range_leaves_the_others_as_they_were() -> None:
    one = watcher()
    one.take(unit(1, "PA-000", "B-1", [1.0, 2.0, 3.0, 4.0]), GOOD)
    nan = float("nan")
    one.take(unit(2, "PA-000", "B-1", [nan, 20.0, nan, nan]), GOOD)
    first, second = units_of(one)
    assert np.array_equal(first, [1.0, nan, 3.0, 4.0], equal_nan=True)
    assert np.array_equal(second, [nan, 20.0, nan, nan], equal_nan=True)


def units_of(one: Watcher) -> list[np.ndarray]:
    """Return the errors that count."""
    return [run.errors_ppm for run in one.fold.units_of("B-1")]


def test_what_moved_teaches_later_builds_nothing() -> None:
    """A reel that is 0.3 % off has moved the mean over all reels by next to nothing."""
    rows = errors(2, 20)
    clean = watcher()
    fold(clean, rows, GOOD, range(20))
    rows[10:, 2] += 3000.0
    one = watcher()
    fold(one, rows, [*GOOD, fitting("B-1", "R13", "K-900", "PA-010")], range(20))
    moved = one.baseline().mean_ppm - clean.baseline().mean_ppm
    # Reels differ by 150 ppm: the mean of two is known to no better than that.
    assert abs(moved).max() < 150.0


def test_segments_end_where_a_reel_changes() -> None:
    one = watcher()
    fittings = [*GOOD, fitting("B-1", "R11", "K-105", "PA-004")]
    fold(one, errors(7, 9), fittings, range(9))
    first, second = one.fold.segments_of("B-1")
    assert (len(first.units), len(second.units)) == (4, 5)
    assert (first.reels[0], second.reels[0]) == ("K-101", "K-105")


def test_serials_sort_as_people_count() -> None:
    serials = ["PA-10", "PA-9", "PA-1", "PB-1", "7"]
    assert sorted(serials, key=serial_order) == ["7", "PA-1", "PA-9", "PA-10", "PB-1"]


@pytest.mark.source("JCGM 100:2008, 4.3.7: a tolerance as a rectangular distribution")
@pytest.mark.parametrize(("fills", "holds"), [(1.0, False), (4.0, True)])
def test_parts_of_the_first_build_may_fill_their_tolerance(
    fills: float, holds: bool
) -> None:
    """There is nothing yet to compare them with but the parts list."""
    place = PRODUCT.keys.index("100uA")
    errors = np.random.default_rng(11).normal(0.0, 40.0, (30, 4))
    tolerance_ppm = PRODUCT.settings.parts["R13"].tolerance_ppm
    spread = np.random.default_rng(5).permutation(np.linspace(-1.0, 1.0, 30))
    errors[:, place] = 0.98 * fills * tolerance_ppm * spread
    one = watcher()
    said: dict[str, Signal] = {}
    for n, row in enumerate(errors):
        for found in one.take(unit(n, f"PA-{n:03d}", "B-1", row.tolist()), ()):
            said[found.signal] = found
    held = [found for found in said.values() if found.standing and found.holds]
    assert bool(held) is holds


@pytest.mark.parametrize("shift_ppm", [20_000.0, 40_000.0])
def test_a_large_step_that_nobody_recorded_is_said_as_its_units_read(
    shift_ppm: float,
) -> None:
    """From the second unit that shows it on, in a first build: per cents, by 0.1 %."""
    rows = errors(1, 10)
    rows[3:, 2] += shift_ppm
    one = watcher()
    for n, row in enumerate(rows):
        found = one.take(unit(n, f"PA-{n:03d}", "B-1", row.tolist()), ())
        if n < 4:
            continue
        (said,) = [each for each in found if each.standing and each.holds]
        assert (said.range, said.first_serial, said.units) == ("100uA", "PA-003", n - 2)
        read_ppm = rows[3 : n + 1, 2].mean()
        assert said.low_ppm - 200.0 < read_ppm < said.high_ppm + 200.0
        assert said.implied_ohm == pytest.approx(5000.0 * (1 + shift_ppm * 1e-6), 1e-3)
        assert said.size_ppm == pytest.approx(shift_ppm, rel=0.02)
