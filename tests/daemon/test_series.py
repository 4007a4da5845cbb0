"""From points to base, level and base, for every way to remove an offset."""

import pytest

from daemon.bench.readings import Point, RangeReadings
from daemon.bench.series import linearity_ppm, series_of, setting_of
from daemon.judging.product import ProductModel
from daemon.judging.verdict import Judge
from daemon.metrology.resting_value import Rest
from tests.daemon.making import demo_product, demo_settings

GAIN, OFFSET_V, ERROR = 1e6, 3e-4, 250e-6


def point(level: float, *, at_s: float, drift_v_per_s: float = 0.0) -> Point:
    """Return readings of a range that is ERROR off, with an offset that may drift."""
    volts = level * GAIN * (1 + ERROR) + OFFSET_V + drift_v_per_s * at_s
    return Point(
        level=level,
        reference=(level, level),
        output=(volts - 1e-7, volts + 1e-7),
        at_s=(at_s, at_s + 0.1),
    )


def of(*points: Point) -> RangeReadings:
    return RangeReadings(
        range="1uA",
        points=points,
        reference_full_scale=1e-6,
        output_full_scale=1.0,
        ambient_c=23.0,
    )


def at(*levels: float, drift_v_per_s: float = 0.0) -> RangeReadings:
    return of(
        *(
            point(level, at_s=float(place), drift_v_per_s=drift_v_per_s)
            for place, level in enumerate(levels)
        )
    )


def error_ppm(readings: RangeReadings) -> float:
    series = series_of(readings)
    return (series.output.net_level / series.reference.net_level / GAIN - 1) * 1e6


@pytest.mark.parametrize(
    "levels",
    [
        (0.0, 0.9e-6, 0.0),
        (0.0, 0.1e-6, -0.5e-6, 0.9e-6, 0.0),
        (-0.9e-6, 0.9e-6),
        (0.1e-6, -0.9e-6, 0.9e-6),
        (-0.9e-6, 0.9e-6, -0.9e-6),
    ],
)
def test_every_plan_removes_the_offset(levels: tuple[float, ...]) -> None:
    assert error_ppm(at(*levels)) == pytest.approx(ERROR * 1e6, abs=1e-3)


def test_three_points_cancel_a_drift_that_two_do_not() -> None:
    drift = 1e-5
    three = error_ppm(at(-0.9e-6, 0.9e-6, -0.9e-6, drift_v_per_s=drift))
    two = error_ppm(at(-0.9e-6, 0.9e-6, drift_v_per_s=drift))
    zeros = error_ppm(at(0.0, 0.9e-6, 0.0, drift_v_per_s=drift))
    assert three == pytest.approx(ERROR * 1e6, abs=0.1)
    assert zeros == pytest.approx(ERROR * 1e6, abs=0.1)
    assert two - ERROR * 1e6 == pytest.approx(drift / (2 * 0.9) * 1e6, rel=1e-3)


def test_the_judge_finds_error_and_offset_of_a_reversal() -> None:
    settings = demo_settings()
    assert settings.bench is not None
    product: ProductModel = demo_product()
    judge = Judge(product, settings.bench, settings.plan.judging)
    reversal, zeros = (
        judge.error(at(*levels)).error
        for levels in ((-0.9e-6, 0.9e-6, -0.9e-6), (0.0, 0.9e-6, 0.0))
    )
    assert reversal.error_ppm == pytest.approx(zeros.error_ppm, abs=0.01)
    assert reversal.offset_ppm == pytest.approx(300.0, abs=0.1)
    assert reversal.reference > 0
    # Half of the scatter of a base stays, so a reversal is no worse than zeros.
    assert reversal.uncertainty_ppm <= zeros.uncertainty_ppm


@pytest.mark.parametrize(
    "levels",
    [
        (0.0, 0.9e-6, 0.0),
        (0.0, 0.3e-6, 0.9e-6, 0.0),
        (-0.9e-6, 0.9e-6),
        (-0.9e-6, 0.9e-6, -0.9e-6),
    ],
)
def test_the_reference_is_set_beside_what_the_source_was_told(
    levels: tuple[float, ...],
) -> None:
    readings = at(*levels)
    assert setting_of(readings) == pytest.approx(0.9e-6)
    assert series_of(readings).reference.net_level == pytest.approx(0.9e-6)


def test_straightness_is_the_largest_distance_from_the_line() -> None:
    bent = point(0.5e-6, at_s=1.0)
    bent = Point(
        level=bent.level,
        reference=bent.reference,
        output=tuple(one + 2e-5 for one in bent.output),
        at_s=bent.at_s,
    )
    readings = of(
        point(0.0, at_s=0.0), bent, point(0.9e-6, at_s=2.0), point(0.0, at_s=3.0)
    )
    found = linearity_ppm(readings, series_of(readings), 1e-6)
    assert found == pytest.approx(20.0, rel=1e-3)
    assert linearity_ppm(
        at(0.0, 0.9e-6, 0.0), series_of(at(0.0, 0.9e-6, 0.0)), 1e-6
    ) is (None)


def test_a_movement_towards_rest_is_taken_off_and_carried() -> None:
    rest = Rest(
        value=0.9,
        standard=2e-5,
        degrees_of_freedom=10.0,
        departure=-1e-3,
        first=0,
        settled=(0.9 - 1e-7, 0.9 + 1e-7),
    )
    level = Point(
        level=0.9e-6,
        reference=(0.9e-6, 0.9e-6),
        output=(0.5, 0.899),
        at_s=(0.0, 0.1),
        rest=rest,
    )
    zero = Point(level=0.0, reference=(0.0, 0.0), output=(0.0, 0.0), at_s=(0.0, 0.1))
    series = series_of(of(zero, level, zero))
    assert series.output.net_level == pytest.approx(0.9)
    (line,) = series.settling
    assert line.name == "settling"
    assert line.standard == pytest.approx(2e-5 / 0.9 * 1e6, rel=1e-4)
