"""One path of judgement for readings of any origin."""

from dataclasses import replace
from typing import Any

import pytest

from config.model import Bench, Judging
from daemon.bench.readings import Point, RangeReadings
from daemon.judging.product import ProductModel
from daemon.judging.verdict import Judge, KnownGood, SpecificationError
from daemon.station.orders import TypedReading
from daemon.station.typed_readings import (
    ImplausibleReadingError,
    NoMeterRangeError,
    readings_of,
)
from storage.records import Verdict
from tests.daemon.making import demo_product, demo_settings

SETTINGS = demo_settings()
PRODUCT: ProductModel = demo_product()


def bench(**changes: Any) -> Bench:
    assert SETTINGS.bench is not None
    return Bench.model_validate(
        {**SETTINGS.bench.model_dump(exclude_none=True), **changes}
    )


def judge(**changes: Any) -> Judge:
    return Judge(PRODUCT, bench(), Judging(**changes))


def readings(error_ppm: float, *, offset_v: float = 2e-4) -> RangeReadings:
    """Return the 100 µA range at 90 uA, its output off by `error_ppm`."""
    true = 90e-6
    volts = true * 1e4 * (1 + error_ppm * 1e-6) + offset_v
    zero = Point(level=0.0, reference=(0.0,) * 2, output=(offset_v,) * 2, at_s=(0, 1))
    level = Point(level=9e-5, reference=(true,) * 2, output=(volts,) * 2, at_s=(2, 3))
    return RangeReadings(
        range="100uA",
        points=(zero, level, zero),
        reference_full_scale=1e-4,
        output_full_scale=1.0,
        ambient_c=23.0,
    )


def known_good(error_ppm: float, offset_ppm: float = 200.0) -> KnownGood:
    return KnownGood(
        error_ppm=error_ppm,
        uncertainty_ppm=20.0,
        offset_ppm=offset_ppm,
        offset_uncertainty_ppm=5.0,
    )


def test_the_offset_is_removed_from_the_error_and_kept_apart() -> None:
    row = judge().unit("r", readings(800.0), {})
    assert row.error_ppm == pytest.approx(800.0, abs=1e-6)
    assert row.offset_ppm == pytest.approx(2e-4 / 1e4 / 1e-4 * 1e6)


@pytest.mark.parametrize(
    ("error_ppm", "verdict"),
    [
        (0.0, Verdict.CONFORMING),
        (4700.0, Verdict.CONFORMING),
        (4990.0, Verdict.UNDECIDED),
        (-5010.0, Verdict.UNDECIDED),
        (5400.0, Verdict.NONCONFORMING),
    ],
)
def test_verdict_leaves_a_guard_band_on_both_sides(
    error_ppm: float, verdict: Verdict
) -> None:
    """The limit is 4500 ppm of reading and 450 ppm of full scale: 5000 at 0.9."""
    row = judge().unit("r", readings(error_ppm, offset_v=0.0), {})
    assert row.limit_ppm == pytest.approx(5000.0)
    assert row.verdict is verdict


def test_a_bench_too_poor_for_the_limit_does_not_judge() -> None:
    row = judge(needed_ratio=1000.0).unit("r", readings(0.0), {})
    assert (row.verdict, row.conformance_probability) == (Verdict.NOT_JUDGED, None)


@pytest.mark.parametrize(
    ("error_ppm", "verdict"),
    [(400.0, Verdict.LIKE_KNOWN_GOOD), (3000.0, Verdict.CHANGED)],
)
def test_a_poor_bench_with_a_known_good_unit_says_changed_or_not(
    error_ppm: float, verdict: Verdict
) -> None:
    known = {"100uA": known_good(100.0)}
    row = judge(needed_ratio=1000.0).unit("r", readings(error_ppm), known)
    assert (row.verdict, row.conformance_probability) == (verdict, None)


def test_every_reading_is_kept_in_the_order_it_was_taken() -> None:
    row = judge().unit("r", readings(0.0), {})
    assert list(row.level) == [0.0, 0.0, 9e-5, 9e-5, 0.0, 0.0]
    assert list(row.at_s) == [0, 1, 2, 3, 0, 1]
    assert len(row.reference_readings) == len(row.output_readings) == 6


def test_without_a_thermometer_the_least_favourable_room_counts() -> None:
    """Leaving it out must never make a verdict laxer."""
    one = Judge(PRODUCT, bench(ambient_c=[19.0, 31.0]), Judging())

    def said_ppm(ambient_c: float | None) -> float:
        at = replace(readings(0.0), ambient_c=ambient_c)
        return one.error(at).error.uncertainty_ppm

    assert said_ppm(None) == said_ppm(31.0) > said_ppm(19.0) > said_ppm(23.0)


def test_a_meter_range_without_a_specification_is_refused() -> None:
    one = judge()
    odd = readings(0.0)
    unknown = RangeReadings(
        range=odd.range,
        points=odd.points,
        reference_full_scale=3e-4,
        output_full_scale=1.0,
        ambient_c=None,
    )
    with pytest.raises(SpecificationError, match=r"reference\.ranges: no accuracy"):
        one.error(unknown)


def test_one_voltmeter_for_both_cancels_its_gain_error() -> None:
    """Volts across a standard resistor, read by the meter that reads the output."""
    meter = {
        "address": "TCPIP::127.0.0.1::5027::SOCKET",
        "profile": "scpi_voltmeter",
        "ranges": [{"full_scale": 1.0, "of_reading_ppm": 500.0, "of_range_ppm": 1.0}],
    }
    by_resistor = {"kind": "standard_resistor", "standard_ohm": 10_000.0}
    shared = bench(reference=meter, output=meter, reference_is=by_resistor)
    apart = bench(
        reference={**meter, "address": "TCPIP::127.0.0.1::5026::SOCKET"},
        output=meter,
        reference_is=by_resistor,
    )
    taken = readings(0.0)
    volts = RangeReadings(
        range=taken.range,
        points=taken.points,
        reference_full_scale=1.0,
        output_full_scale=1.0,
        ambient_c=23.0,
    )
    same, two = (
        Judge(PRODUCT, one, Judging()).error(volts).error.uncertainty_ppm
        for one in (shared, apart)
    )
    assert two > 3 * same


@pytest.mark.parametrize(
    ("reference", "output", "one"),
    [
        ({}, {}, False),
        ({"serial_number": "V-1"}, {"serial_number": "V-2"}, False),
        ({"serial_number": "V-1"}, {"serial_number": "V-1"}, True),
        ({"identity": "hand-held"}, {"identity": "hand-held"}, True),
    ],
)
def test_two_meters_read_by_hand_are_one_only_where_the_settings_say_so(
    reference: dict[str, str], output: dict[str, str], *, one: bool
) -> None:
    """Both are "by hand", and yet no error of one cancels that of the other."""
    meter = {
        "profile": "typed",
        "ranges": [{"full_scale": 1.0, "of_reading_ppm": 500.0, "of_range_ppm": 1.0}],
    }
    by_resistor = {"kind": "standard_resistor", "standard_ohm": 10_000.0}
    found = bench(
        reference={**meter, **reference},
        output={**meter, **output},
        reference_is=by_resistor,
        time_scale=1.0,
    )
    taken = readings(0.0)
    volts = RangeReadings(
        range=taken.range,
        points=taken.points,
        reference_full_scale=1.0,
        output_full_scale=1.0,
        ambient_c=23.0,
    )
    error = Judge(PRODUCT, found, Judging()).error(volts).error
    specification = next(
        line for line in error.components if line.name == "output: specification"
    )
    assert (specification.standard < 100.0) == one


def test_typed_readings_are_judged_like_any_other() -> None:
    typed = [TypedReading(range="100uA", reference=90e-6, output=0.9009)]
    (one,) = readings_of(typed, PRODUCT, bench(), at_s=7.0)
    row = judge().unit("r", one, {})
    assert row.error_ppm == pytest.approx(1000.0, abs=1e-6)
    assert row.verdict is Verdict.CONFORMING


def test_a_slip_of_the_pen_is_noticed_at_once() -> None:
    typed = [TypedReading(range="100uA", reference=90e-6, output=9.0)]
    with pytest.raises(ImplausibleReadingError, match="reads like range 10 µA: check"):
        readings_of(typed, PRODUCT, bench(), at_s=0.0)


def test_a_typed_reading_no_meter_range_holds_is_refused() -> None:
    typed = [TypedReading(range="1mA", reference=15e-3, output=15.0)]
    with pytest.raises(NoMeterRangeError, match="range 1 mA: "):
        readings_of(typed, PRODUCT, bench(), at_s=0.0)
