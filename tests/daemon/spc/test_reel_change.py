"""The detector of one build: what it names, what it forgives, what it refuses."""

import copy
import pickle
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from daemon.spc.baseline import Baseline, Segment, fit_baseline
from daemon.spc.calibrate import shipped_limit
from daemon.spc.errors import NotFiniteError, OutOfRangeError, ShapeError
from daemon.spc.layout import CommonPart
from daemon.spc.reel_change import DetectorPoint, Finding, ReelChangeDetector

Array = NDArray[np.float64]

TOLERANCE = np.full(4, 1000.0)
NAMES = ("a", "b", "c", "d")
LIMIT = shipped_limit(5000, ranges=4, builds=2)


def good_units(n: int, seed: int, *, ranges: int = 4) -> Array:
    """Return n good units, all levels 0."""
    rng = np.random.default_rng(seed)
    return rng.normal(0, 150, (n, ranges)) + rng.normal(0, 100, (n, 1))


def history(ranges: int = 4, builds: int = 2) -> Baseline:
    """Return a baseline of builds of 30 units with the same reels."""
    reels = NAMES[:ranges]
    return fit_baseline(
        [
            Segment(
                errors_ppm=good_units(30, 100 + b, ranges=ranges),
                build=str(b),
                reels=reels,
            )
            for b in range(builds)
        ],
        TOLERANCE[:ranges],
    )


def detector(
    baseline: Baseline | None = None, *, reels: tuple[str, ...] = ()
) -> ReelChangeDetector:
    """Return a detector of a build that begins."""
    baseline = history() if baseline is None else baseline
    ranges = baseline.layout.ranges
    return ReelChangeDetector(
        tolerance_ppm=baseline.layout.tolerance_ppm[:ranges],
        baseline=baseline,
        log_odds_limit=LIMIT,
        reels=reels,
    )


def watch(watched: ReelChangeDetector, units: Array) -> list[DetectorPoint]:
    """Fold in units."""
    return [watched.update(unit, None) for unit in units]


def found(points: list[DetectorPoint]) -> Finding:
    """Return the last finding."""
    finding = points[-1].finding
    assert finding is not None
    return finding


def test_good_units_after_an_ordinary_reel_raise_nothing() -> None:
    watched = detector(reels=NAMES)
    units = good_units(60, 1)
    units[25:, 1] += 200
    points = watch(watched, units[:25])
    watched.change_reels([1])
    points += watch(watched, units[25:])
    assert [p.n for p in points] == list(range(1, 61))
    assert all(p.finding is None for p in points)


def test_a_recorded_bad_reel_is_named_from_its_first_unit() -> None:
    units = good_units(13, 7)
    units[10:, 2] += 3000
    watched = detector(reels=NAMES)
    watch(watched, units[:10])
    watched.change_reels([2])
    finding = found(watch(watched, units[10:]))
    assert (finding.cause, finding.range_index, finding.part_index) == ("reel", 2, 2)
    assert finding.first_unit == 11
    assert finding.low_ppm < 3000 < finding.high_ppm
    assert finding.level_low_ppm < 3000 < finding.level_high_ppm
    assert finding.alike == ("bench",)
    assert finding.probability > 0.95


def test_a_reel_that_nobody_recorded_is_dated() -> None:
    units = good_units(20, 8)
    units[14:, 0] += 3000
    finding = found(watch(detector(reels=NAMES), units))
    assert (finding.cause, finding.range_index) == ("reel", 0)
    assert finding.first_unit == 15


def test_wider_parts_are_named_with_their_factor() -> None:
    units = good_units(25, 9)
    units[:, 3] += np.random.default_rng(9).normal(0, 735, 25)
    finding = found(watch(detector(), units))
    assert (finding.cause, finding.range_index) == ("reel", 3)
    assert 3.0 <= finding.spread_factor <= 6.0


def test_the_shared_stage_is_told_from_the_reels() -> None:
    finding = found(watch(detector(reels=NAMES), good_units(5, 10) + 2000))
    assert (finding.cause, finding.range_index) == ("shared stage", None)
    assert finding.low_ppm < 2000 < finding.high_ppm


def test_a_moved_meter_range_is_named_bench_once_the_standard_was_run() -> None:
    """The same units without the check standard are taken for a reel, and said so."""
    units = good_units(5, 11)
    units[:, 1] += 1500
    blind = found(watch(detector(), units))
    assert (blind.cause, blind.range_index, blind.alike) == ("reel", 1, ("bench",))
    watched = detector()
    watched.start_session()
    watched.check([0.0, 1500.0, 0.0, 0.0], np.full(4, 25.0))
    finding = found(watch(watched, units))
    assert (finding.cause, finding.range_index) == ("bench", 1)
    assert finding.low_ppm < 1500 < finding.high_ppm
    assert finding.alike == ()
    late = detector()
    watch(late, units)
    after = late.check([0.0, 1500.0, 0.0, 0.0], np.full(4, 25.0))
    assert found([after]).cause == "bench"
    assert found([after]).alike == ()


def test_a_good_check_clears_the_bench() -> None:
    units = good_units(5, 11)
    units[:, 1] += 1500
    watched = detector()
    watch(watched, units)
    finding = found([watched.check(np.zeros(4), np.full(4, 25.0))])
    assert (finding.cause, finding.range_index, finding.alike) == ("reel", 1, ())
    assert finding.probability > 0.99


def test_a_drifting_meter_range_is_named_with_its_pace() -> None:
    units = good_units(40, 12)
    units[:, 2] += 20.0 * np.arange(40)
    watched = detector(reels=NAMES)
    points = []
    for index, unit in enumerate(units):
        if index % 10 == 0:
            reading = [0.0, 0.0, 20.0 * index, 0.0]
            points.append(watched.check(reading, np.full(4, 25.0)))
        points.append(watched.update(unit, None))
    finding = found(points)
    assert (finding.cause, finding.range_index) == ("bench", 2)
    assert finding.drift_ppm_per_unit == pytest.approx(20, abs=2)


def test_two_mixed_reels_are_told_apart_unit_by_unit() -> None:
    units = good_units(30, 13)
    second = np.random.default_rng(13).random(30) < 0.5
    units[second, 1] += 3000
    watched = detector()
    finding = found(watch(watched, units))
    assert (finding.cause, finding.range_index) == ("reel", 1)
    assert finding.mixed_share == pytest.approx(second.mean(), abs=0.1)
    assert finding.low_ppm < 3000 < finding.high_ppm
    chances = watched.second_reel(units)
    assert ((chances > 0.5) == second).all()


def test_one_odd_part_is_forgiven_and_said() -> None:
    units = good_units(30, 14)
    units[12, 3] += 6000
    points = watch(detector(reels=NAMES), units)
    assert all(p.finding is None for p in points)
    assert points[12].odd_probability[3] > 0.7
    assert max(points[11].odd_probability) < 0.2


def test_a_part_that_two_ranges_share_is_named_as_one_part() -> None:
    part = CommonPart(tolerance_ppm=1000.0, sensitivity=(1.0, 0.6, 0.0, 0.0))
    segment = Segment(errors_ppm=good_units(30, 15), build="1", reels=(*NAMES, "k"))
    baseline = fit_baseline([segment], TOLERANCE, [part])
    units = good_units(4, 16) + np.array([2500.0, 1500.0, 0.0, 0.0])
    finding = found(watch(detector(baseline), units))
    assert (finding.cause, finding.range_index, finding.part_index) == ("reel", None, 4)
    assert finding.low_ppm < 2500 < finding.high_ppm


@pytest.mark.parametrize("ranges", [1, 2])
def test_few_ranges_are_watched_too(ranges: int) -> None:
    units = good_units(4, 17, ranges=ranges)
    units[:, 0] += 3000
    finding = found(watch(detector(history(ranges)), units))
    assert (finding.cause, finding.range_index) == ("reel", 0)
    assert ("shared stage" in finding.alike) == (ranges == 1)


def test_with_two_ranges_a_common_shift_is_the_shared_stage() -> None:
    finding = found(watch(detector(history(2)), good_units(4, 18, ranges=2) + 3000))
    assert finding.cause == "shared stage"


def test_a_seen_reel_away_from_zero_is_expected_where_it_was() -> None:
    """Fitted again it is nothing new; another reel at that place would be."""
    away = good_units(30, 19)
    away[:, 1] += 600
    baseline = fit_baseline(
        [Segment(errors_ppm=away, build="1", reels=NAMES)], TOLERANCE
    )
    units = good_units(8, 20)
    units[:, 1] += 600
    known = watch(detector(baseline, reels=NAMES), units)
    new = watch(detector(baseline, reels=("a", "e", "c", "d")), units - [0, 0, 0, 0])
    assert known[-1].finding is None
    assert known[0].log_odds <= new[0].log_odds + 1e-9
    moved = units - [0, 1200, 0, 0]
    assert watch(detector(baseline, reels=NAMES), moved)[-1].finding is not None


def test_a_change_of_one_range_leaves_suspicion_of_another_alive() -> None:
    units = good_units(12, 21)
    units[:, 0] += np.random.default_rng(21).normal(0, 500, 12)
    watched = detector()
    before = watch(watched, units)[-1].log_odds
    watched.change_reels([2])
    after = watch(watched, good_units(1, 22))[-1]
    assert after.log_odds > before - 2.0
    forgotten = detector()
    watch(forgotten, units)
    forgotten.change_reels([0])
    assert watch(forgotten, good_units(1, 22))[-1].log_odds < before - 2.0


def test_a_replaced_bad_reel_is_no_longer_held_against_the_build() -> None:
    units = good_units(20, 23)
    units[:6, 1] += 3000
    watched = detector()
    assert watch(watched, units[:6])[-1].finding is not None
    watched.change_reels([1])
    assert all(p.finding is None for p in watch(watched, units[6:]))


def test_ranges_that_are_missing_are_simply_not_taken() -> None:
    units = good_units(6, 24)
    units[:, 0] += 3000
    units[:, 3] = np.nan
    units[::2, 2] = np.nan
    finding = found(watch(detector(), units))
    assert (finding.cause, finding.range_index) == ("reel", 0)


def test_a_unit_without_any_reading_tells_nothing() -> None:
    watched = detector()
    before = watch(watched, good_units(5, 25))[-1].log_odds
    blank = watched.update(np.full(4, np.nan), None)
    # only what may have happened unrecorded before it is added
    assert blank.log_odds == pytest.approx(before, abs=0.1)


def test_a_measurement_that_is_poor_counts_less() -> None:
    units = good_units(2, 26)
    units[:, 0] += 1500
    sharp, blunt = detector(), detector()
    clear = [sharp.update(unit, np.full(4, 10.0)).log_odds for unit in units]
    vague = [blunt.update(unit, np.full(4, 1000.0**2)).log_odds for unit in units]
    assert vague[-1] < clear[-1] - 1.0


def test_without_a_baseline_the_priors_alone_judge() -> None:
    baseline = fit_baseline([], TOLERANCE)
    units = good_units(60, 27) + np.array([200, -300, 100, 0])
    points = watch(detector(baseline), units)
    assert all(p.finding is None for p in points)
    bad = good_units(3, 28)
    bad[:, 1] += 9000
    finding = found(watch(detector(baseline), bad))
    assert (finding.cause, finding.range_index) == ("reel", 1)


def test_constant_readings_are_watched() -> None:
    segment = Segment(errors_ppm=np.full((20, 4), 50.0), build="1", reels=NAMES)
    watched = detector(fit_baseline([segment], TOLERANCE), reels=NAMES)
    assert watch(watched, np.full((30, 4), 50.0))[-1].finding is None


streams = st.integers(0, 2**32 - 1)
quick = settings(max_examples=5, deadline=None)


def any_stream(seed: int, *, missing: float = 0.1) -> tuple[Array, int]:
    """Return units with faults of all kinds, and where a reel is changed."""
    rng = np.random.default_rng(seed)
    units = good_units(14, seed)
    units[:, int(rng.integers(4))] += rng.normal(0, 1500)
    units[rng.random(units.shape) < missing] = np.nan
    units[int(rng.integers(14)), int(rng.integers(4))] = rng.normal(0, 1e5)
    return units, int(rng.integers(1, 14))


def folded(
    watched: ReelChangeDetector,
    units: Array,
    change: int,
    *,
    interrupt: Callable[[ReelChangeDetector], ReelChangeDetector] | None = None,
    part: int = 1,
    scale: float = 1.0,
) -> list[DetectorPoint]:
    """Fold a stream with a session, a check and a reel change in it."""
    points = []
    for index, unit in enumerate(units):
        if index == change:
            watched.change_reels([part])
        if index == 7:
            watched.start_session()
            points.append(
                watched.check(np.full(4, 30.0) * scale, np.full(4, 400.0) * scale**2)
            )
            if interrupt is not None:
                watched = interrupt(watched)
        points.append(watched.update(unit * scale, None))
    return points


@quick
@given(streams)
def test_saved_and_restored_it_goes_on_identically(seed: int) -> None:
    units, change = any_stream(seed)
    straight = folded(detector(), units, change)

    def through_a_file(one: ReelChangeDetector) -> ReelChangeDetector:
        restored: ReelChangeDetector = pickle.loads(pickle.dumps(one))  # noqa: S301
        return restored

    assert folded(detector(), units, change, interrupt=through_a_file) == straight
    assert folded(detector(), units, change, interrupt=copy.deepcopy) == straight


@quick
@given(streams)
def test_ten_times_everything_changes_no_decision(seed: int) -> None:
    units, change = any_stream(seed)
    segments = [
        Segment(errors_ppm=good_units(20, 5), build="1", reels=NAMES),
        Segment(errors_ppm=good_units(20, 6) + 90, build="2", reels=NAMES),
    ]
    tens = [
        Segment(errors_ppm=10 * s.errors_ppm, build=s.build, reels=s.reels)
        for s in segments
    ]
    small = folded(detector(fit_baseline(segments, TOLERANCE)), units, change)
    large = folded(
        detector(fit_baseline(tens, 10 * TOLERANCE)), units, change, scale=10.0
    )
    for one, ten in zip(small, large, strict=True):
        assert ten.log_odds == pytest.approx(one.log_odds, abs=1e-6)
        assert (one.finding is None) == (ten.finding is None)
        if one.finding is not None and ten.finding is not None:
            assert ten.finding.range_index == one.finding.range_index
            assert ten.finding.size_ppm == pytest.approx(
                10 * one.finding.size_ppm, rel=1e-5, abs=1e-2
            )


@quick
@given(streams)
def test_a_common_offset_of_history_and_build_changes_little(seed: int) -> None:
    """With a long history nothing is absolute any more."""
    units, change = any_stream(seed)

    def watched(offset: float) -> list[DetectorPoint]:
        segments = [
            Segment(
                errors_ppm=good_units(30, 40 + b) + offset,
                build="one",
                reels=NAMES,
            )
            for b in range(10)
        ]
        one = ReelChangeDetector(
            tolerance_ppm=TOLERANCE,
            baseline=fit_baseline(segments, TOLERANCE),
            log_odds_limit=LIMIT,
            reels=NAMES,
            build="one",
        )
        return watch(one, units[:change] + offset)

    for here, there in zip(watched(0.0), watched(200.0), strict=True):
        assert there.log_odds == pytest.approx(here.log_odds, abs=0.35)


@quick
@given(streams)
def test_ranges_in_another_order_are_the_same_product(seed: int) -> None:
    # of hypotheses that a missing range leaves equal, any may be dropped
    units, change = any_stream(seed, missing=0.0)
    turn = [2, 0, 3, 1]
    baseline = history()
    turned = fit_baseline(
        [
            Segment(
                errors_ppm=good_units(30, 100 + b)[:, turn], build=str(b), reels=NAMES
            )
            for b in range(2)
        ],
        TOLERANCE,
    )
    here = folded(detector(baseline), units, change)
    there = folded(detector(turned), units[:, turn], change, part=turn.index(1))
    for one, other in zip(here, there, strict=True):
        assert other.log_odds == pytest.approx(one.log_odds, abs=1e-6)


@quick
@given(streams)
def test_covariances_stay_symmetric_and_positive(seed: int) -> None:
    units, change = any_stream(seed)
    watched = detector()
    folded(watched, np.tile(units, (4, 1)), change)
    rows = watched._bank.rows
    for covariance in (rows.covariance, rows.base_covariance):
        each = np.moveaxis(covariance[0], 2, 0)
        scale = np.abs(each).max(axis=(1, 2), keepdims=True)
        assert (np.abs(each - each.swapaxes(1, 2)) <= 1e-12 * scale).all()
        lowest = np.linalg.eigvalsh(each).min(axis=1)
        assert (lowest >= -1e-10 * scale[:, 0, 0]).all()


def test_the_state_does_not_grow_with_the_units() -> None:
    watched = detector()
    watch(watched, good_units(3, 30))
    early = len(pickle.dumps(watched))
    watch(watched, good_units(60, 31))
    assert len(pickle.dumps(watched)) <= early + 64


def test_wild_readings_give_numbers_not_warnings() -> None:
    watched = detector()
    for size in (1e6, -1e9, 1e12, 0.0):
        point = watched.update(np.full(4, size), None)
        assert np.isfinite(point.log_odds)


@pytest.mark.parametrize(
    ("errors", "variance", "kind"),
    [
        ([1.0, 2.0, 3.0], None, ShapeError),
        ([np.inf, 0.0, 0.0, 0.0], None, NotFiniteError),
        ([0.0] * 4, [1.0, 1.0], ShapeError),
        ([0.0] * 4, [1.0, np.nan, 1.0, 1.0], OutOfRangeError),
        ([0.0] * 4, [-1.0, 1.0, 1.0, 1.0], OutOfRangeError),
    ],
)
def test_a_unit_that_makes_no_sense_is_refused_and_changes_nothing(
    errors: list[float], variance: list[float] | None, kind: type[Exception]
) -> None:
    watched = detector()
    before = pickle.dumps(watched)
    with pytest.raises(kind):
        watched.update(errors, variance)
    assert pickle.dumps(watched) == before


def test_what_is_no_part_of_the_product_is_refused() -> None:
    watched = detector()
    with pytest.raises(OutOfRangeError, match="from 0 to 3"):
        watched.change_reels([4])
    with pytest.raises(OutOfRangeError, match="> 0"):
        watched.check([0.0] * 4, [0.0] * 4)
    with pytest.raises(ShapeError, match="errors_minus_known_ppm"):
        watched.check([0.0] * 3, [1.0] * 3)
    with pytest.raises(ShapeError, match="baseline's"):
        ReelChangeDetector(
            tolerance_ppm=[500.0] * 4, baseline=history(), log_odds_limit=LIMIT
        )
    with pytest.raises(NotFiniteError, match="log_odds_limit"):
        ReelChangeDetector(
            tolerance_ppm=TOLERANCE, baseline=history(), log_odds_limit=float("nan")
        )


@pytest.mark.parametrize("seed", range(20))
def test_a_bench_that_units_made_unlikely_is_named_when_a_check_shows_it(
    seed: int,
) -> None:
    """Ten times what benches walk, after 60 units that said nothing of the bench."""
    rng = np.random.default_rng(seed)

    def units(count: int) -> NDArray[np.float64]:
        return rng.normal(0, 150, (count, 4)) + rng.normal(0, 100, (count, 1))

    tolerance = [1000.0] * 4
    history = [
        Segment(errors_ppm=units(20), build=str(b), reels=("",) * 4) for b in range(2)
    ]
    detector = ReelChangeDetector(
        tolerance_ppm=tolerance,
        baseline=fit_baseline(history, tolerance),
        log_odds_limit=2.5,
    )
    for unit in units(60):
        detector.update(unit, None)
    finding = detector.check([200.0, 0.0, 0.0, 0.0], [25.0] * 4).finding
    assert finding is not None
    assert (finding.cause, finding.range_index) == ("bench", 0)
