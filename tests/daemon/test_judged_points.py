"""A range is judged at each point that was read, and by its worst."""

from dataclasses import replace
from typing import Any

import pytest

from config.model import Bench, ErrorLimit, Judging
from daemon.bench.measuring_plan import range_setups
from daemon.bench.readings import Point, RangeReadings
from daemon.judging.product import ProductModel
from daemon.judging.verdict import Judge, KnownGood
from daemon.station.orders import TypedReading
from daemon.station.typed_readings import readings_of
from storage.points import JudgedPoint, worst
from storage.records import RangeResult, Verdict
from tests.daemon.making import demo_settings

SETTINGS = demo_settings()
FULL_SCALE = 1e-4


def judge(
    limit: dict[str, Any] | None = None, *, needed_ratio: float = 3.0, **bench: Any
) -> Judge:
    """Return a judge of the demo's product with another limit on 100 µA."""
    assert SETTINGS.bench is not None
    product = SETTINGS.product
    if limit is not None:
        one = product.ranges["100uA"]
        changed = one.model_copy(update={"limit": ErrorLimit.model_validate(limit)})
        ranges = {**product.ranges, "100uA": changed}
        product = product.model_copy(update={"ranges": ranges})
    settings = {**SETTINGS.bench.model_dump(exclude_none=True), **bench}
    return Judge(
        ProductModel.of(product),
        Bench.model_validate(settings),
        Judging(needed_ratio=needed_ratio),
    )


def point(share: float, error_ppm: float, offset_ppm: float) -> Point:
    """Return a level of 100 µA, off by ppm of reading and ppm of full scale."""
    true = share * FULL_SCALE
    volts = 1e4 * (true * (1 + error_ppm * 1e-6) + offset_ppm * 1e-6 * FULL_SCALE)
    return Point(level=true, reference=(true,) * 2, output=(volts,) * 2, at_s=(0, 1))


def readings(
    error_ppm: float = 0.0,
    *,
    offset_ppm: float = 0.0,
    further: dict[float, float] | None = None,
    ambient_c: float | None = 23.0,
) -> RangeReadings:
    """Return 100 µA read at 0.9; `further` are errors at other levels."""
    zero = point(0.0, 0.0, offset_ppm)
    others = [point(at, ppm, offset_ppm) for at, ppm in (further or {}).items()]
    return RangeReadings(
        range="100uA",
        points=(zero, *others, point(0.9, error_ppm, offset_ppm), zero),
        reference_full_scale=FULL_SCALE,
        output_full_scale=1.0,
        ambient_c=ambient_c,
    )


def said(
    one: Judge, taken: RangeReadings, known: KnownGood | None = None
) -> RangeResult:
    return one.unit("r", taken, {} if known is None else {"100uA": known})


def deciding(row: RangeResult) -> JudgedPoint:
    found = worst(row.judged_points)
    assert found is not None
    return found


def test_a_tenth_of_full_scale_of_offset_is_nonconforming() -> None:
    """4500 ppm of reading and 450 of full scale: the whole indication is meant."""
    row = said(judge(), readings(0.0, offset_ppm=100_000.0))
    assert row.error_ppm == pytest.approx(0.0, abs=1e-6)
    assert row.verdict is Verdict.NONCONFORMING
    assert deciding(row).of_full_scale == 0.0


@pytest.mark.parametrize(
    ("error_ppm", "offset_ppm", "verdict", "at"),
    [
        (0.0, 0.0, Verdict.CONFORMING, None),
        # At 0.9 the limit is 0.9 x 4500 + 450 = 4500 ppm of full scale.
        (4500.0, 0.0, Verdict.CONFORMING, 0.9),
        (4500.0, 400.0, Verdict.UNDECIDED, None),
        (4700.0, 700.0, Verdict.NONCONFORMING, 0.0),
        (5500.0, 300.0, Verdict.NONCONFORMING, 0.9),
        # What the offset takes off at the level does not excuse it at zero.
        (4900.0, -900.0, Verdict.NONCONFORMING, 0.0),
    ],
)
def test_the_worst_point_decides(
    error_ppm: float, offset_ppm: float, verdict: Verdict, at: float | None
) -> None:
    row = said(judge(), readings(error_ppm, offset_ppm=offset_ppm))
    assert row.verdict is verdict
    if at is not None:
        assert deciding(row).of_full_scale == pytest.approx(at)


def test_each_point_says_its_error_with_the_offset_and_its_own_limits() -> None:
    limit = {"of_reading_ppm": 4500.0, "of_full_scale_ppm": 450.0, "points": [0.5]}
    taken = readings(1000.0, offset_ppm=200.0, further={0.5: -1000.0})
    row = said(judge(limit), taken)
    assert [one.of_full_scale for one in row.judged_points] == pytest.approx(
        [0.0, 0.5, 0.9]
    )
    assert [one.error_ppm for one in row.judged_points] == pytest.approx(
        [200.0, -500.0 + 200.0, 900.0 + 200.0]
    )
    assert [one.high_ppm for one in row.judged_points] == pytest.approx(
        [450.0, 2250.0 + 450.0, 4050.0 + 450.0]
    )


def test_an_offset_that_is_apart_does_not_count() -> None:
    limit = {"of_reading_ppm": 4500.0, "of_full_scale_ppm": 450.0, "offset": "apart"}
    row = said(judge(limit), readings(0.0, offset_ppm=100_000.0))
    assert row.verdict is Verdict.CONFORMING
    assert [one.of_full_scale for one in row.judged_points] == pytest.approx([0.9])


def test_a_limit_of_reading_alone_counts_the_offset_at_the_level() -> None:
    limit = {"of_reading_ppm": 5000.0}
    assert said(judge(limit), readings(0.0)).verdict is Verdict.CONFORMING
    row = said(judge(limit), readings(0.0, offset_ppm=8000.0))
    assert row.verdict is Verdict.NONCONFORMING
    assert deciding(row).of_full_scale == pytest.approx(0.9)


def test_limits_differ_above_and_below() -> None:
    limit = {"of_reading_ppm": 5000.0, "below": {"of_reading_ppm": 2000.0}}
    one = judge(limit)
    assert said(one, readings(4000.0)).verdict is Verdict.CONFORMING
    assert said(one, readings(-4000.0)).verdict is Verdict.NONCONFORMING
    assert said(one, readings(0.0)).limit_ppm == pytest.approx(2000.0)


@pytest.mark.parametrize(("sides", "free_ppm"), [("above", -9e4), ("below", 9e4)])
def test_a_limit_of_one_side_leaves_the_other_open(sides: str, free_ppm: float) -> None:
    limit = {"of_reading_ppm": 5000.0, "sides": sides}
    one = judge(limit)
    assert said(one, readings(free_ppm)).verdict is Verdict.CONFORMING
    assert said(one, readings(-free_ppm)).verdict is Verdict.NONCONFORMING


POINTS = {"of_reading_ppm": 1000.0, "of_full_scale_ppm": 500.0, "points": [0.1, 0.5, 1]}


def test_one_point_outside_makes_the_range_nonconforming() -> None:
    """Good at 50, 90 and 100 % of full scale, twice too much off at 10 %."""
    good = {0.1: 0.0, 0.5: 0.0, 1.0: 0.0}
    assert said(judge(POINTS), readings(further=good)).verdict is Verdict.CONFORMING
    row = said(judge(POINTS), readings(further={**good, 0.1: 12_000.0}))
    assert row.verdict is Verdict.NONCONFORMING
    assert deciding(row).of_full_scale == pytest.approx(0.1)
    assert deciding(row).high_ppm == pytest.approx(0.1 * 1000.0 + 500.0)


def test_a_point_that_was_not_read_leaves_the_range_without_a_verdict() -> None:
    one = judge(POINTS)
    row = said(one, readings(further={0.1: 0.0, 0.5: 0.0}))
    assert row.verdict is Verdict.NOT_JUDGED
    assert deciding(row).verdict == "not read"
    assert deciding(row).of_full_scale == 1.0
    # What is certainly outside elsewhere is known without it.
    bad = said(one, readings(9000.0, further={0.1: 0.0, 0.5: 0.0}))
    assert bad.verdict is Verdict.NONCONFORMING


def test_the_bench_reads_the_points_of_the_limit() -> None:
    one = judge(POINTS)
    setups = range_setups(
        one.bench,
        one.product.settings,
        SETTINGS.plan.reading,
        {key: one.product.range(key).nominal_transfer for key in one.product.keys},
    )
    assert setups["100uA"].levels == pytest.approx(
        [0.0, 0.1e-4, 0.5e-4, 1e-4, 0.9e-4, 0.0]
    )


SPANS = {
    "of_reading_ppm": 2000.0,
    "spans": [{"ambient_c": [26.0, 40.0], "of_reading_ppm": 6000.0}],
}


def test_the_limit_goes_by_the_temperature_of_the_measurement() -> None:
    one = judge(SPANS)
    warm = said(one, readings(4000.0, ambient_c=30.0))
    assert said(one, readings(4000.0)).verdict is Verdict.NONCONFORMING
    assert warm.verdict is Verdict.CONFORMING
    # It is judged as it was there: nothing is referred to 23 degrees.
    assert deciding(warm).uncertainty_ppm < 0.9 * warm.uncertainty_ppm * 0.8


def test_without_a_thermometer_a_span_must_hold_the_whole_room() -> None:
    taken = readings(4000.0, ambient_c=None)
    assert said(judge(SPANS), taken).verdict is not Verdict.CONFORMING
    warm = judge(SPANS, ambient_c=[27.0, 35.0])
    assert said(warm, taken).verdict is Verdict.CONFORMING


def test_both_levels_of_a_reversal_are_judged() -> None:
    """+0.9 reads 4900 - 800, -0.9 reads as much too much the other way."""
    below, above = point(-0.9, 4500.0, -600.0), point(0.9, 4500.0, -600.0)
    taken = replace(readings(), points=(below, above, below))
    row = said(judge(), taken)
    assert [one.of_full_scale for one in row.judged_points] == pytest.approx(
        [-0.9, 0.9]
    )
    assert [one.error_ppm for one in row.judged_points] == pytest.approx(
        [-4050.0 - 600.0, 4050.0 - 600.0]
    )
    assert deciding(row).of_full_scale == pytest.approx(-0.9)


def test_a_poor_bench_compares_the_offset_too() -> None:
    """Too poor to judge, it must not call a unit good that its zero tells apart."""
    good = KnownGood(
        error_ppm=0.0, uncertainty_ppm=20.0, offset_ppm=10.0, offset_uncertainty_ppm=5.0
    )
    one = judge(needed_ratio=1000.0)
    assert said(one, readings(), good).verdict is Verdict.LIKE_KNOWN_GOOD
    odd = readings(offset_ppm=100_000.0)
    assert (
        said(one, readings(offset_ppm=250.0), good).verdict is Verdict.LIKE_KNOWN_GOOD
    )
    assert said(one, odd, good).verdict is Verdict.CHANGED


def test_a_zero_that_was_not_read_is_not_judged() -> None:
    one = judge()
    typed = [TypedReading(range="100uA", reference=90e-6, output=0.9)]
    (bare,) = readings_of(typed, one.product, one.bench, at_s=0.0)
    row = said(one, bare)
    assert [point.of_full_scale for point in row.judged_points] == pytest.approx([0.9])


def test_an_input_that_may_flow_at_zero_widens_what_zero_is_known_by() -> None:
    taken = readings()
    flowing = Point(level=0.0, reference=(2e-8,) * 2, output=(2e-4,) * 2, at_s=(0, 1))
    row = said(judge(), replace(taken, points=(flowing, taken.points[1], flowing)))
    zero = row.judged_points[0]
    assert zero.uncertainty_ppm > 200.0 / 3**0.5
    assert zero.verdict == "not judged"


LIKE = KnownGood(
    error_ppm=0.0, uncertainty_ppm=20.0, offset_ppm=0.0, offset_uncertainty_ppm=1.0
)


def test_a_comparison_does_not_take_back_what_a_point_was_judged() -> None:
    """Only zero is beyond this bench: +900 ppm of 1000 stays undecided, not good."""
    one = judge({"of_reading_ppm": 1000.0, "of_full_scale_ppm": 20.0})
    near = said(one, readings(900.0), LIKE)
    assert {point.verdict for point in near.judged_points} == {
        "undecided",
        "not judged",
    }
    assert near.verdict is Verdict.UNDECIDED
    assert said(one, readings(0.0), LIKE).verdict is Verdict.LIKE_KNOWN_GOOD


def test_a_point_that_is_asked_for_is_not_passed_over_by_a_comparison() -> None:
    limit = {"of_reading_ppm": 3000.0, "of_full_scale_ppm": 0.0, "points": [0.01, 0.1]}
    far = readings(further={0.01: 50_000.0, 0.1: 0.0})
    assert said(judge(limit), far, LIKE).verdict is Verdict.NOT_JUDGED


def test_an_offset_behind_a_reversal_is_compared() -> None:
    below, above = point(-0.9, 0.0, 50_000.0), point(0.9, 0.0, 50_000.0)
    taken = replace(readings(), points=(below, above, below))
    row = said(judge(needed_ratio=1000.0), taken, LIKE)
    assert row.verdict is not Verdict.LIKE_KNOWN_GOOD


def test_a_level_of_the_linearity_is_not_held_to_the_error_limit() -> None:
    row = said(judge(), readings(further={0.01: 200_000.0}))
    assert [point.of_full_scale for point in row.judged_points] == pytest.approx(
        [0.0, 0.9]
    )
    assert row.verdict is Verdict.CONFORMING
