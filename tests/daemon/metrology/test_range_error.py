"""A range's error and the truth of its uncertainty."""

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
from hypothesis import given, strategies as st

from daemon.metrology.errors import ArgumentError
from daemon.metrology.range_error import (
    MeterSpecification,
    RangeError,
    Readings,
    Temperature,
    level_error,
    range_error,
    relative_error_ppm,
)

TRANSFER = 1e4
FULL_SCALE = 1e-4
VOLTMETER = MeterSpecification(
    full_scale=1.0, of_reading_ppm=40.0, of_range_ppm=5.0, resolution=1e-6
)
AMMETER = MeterSpecification(
    full_scale=1e-4, of_reading_ppm=60.0, of_range_ppm=10.0, resolution=1e-10
)
IDEAL = MeterSpecification(full_scale=1.0, of_reading_ppm=0.0)


def still(level: float, zero: float = 0.0, count: int = 3) -> Readings:
    return Readings(
        zero_before=(zero,) * count,
        level=(level + zero,) * count,
        zero_after=(zero,) * count,
    )


def measured(
    reference: Readings,
    output: Readings,
    reference_meter: MeterSpecification = AMMETER,
    output_meter: MeterSpecification = VOLTMETER,
    **others: object,
) -> RangeError:
    return range_error(
        reference=reference,
        output=output,
        nominal_transfer=TRANSFER,
        full_scale=FULL_SCALE,
        reference_meter=reference_meter,
        output_meter=output_meter,
        **others,  # type: ignore[arg-type]
    )


def line(error: RangeError, name: str) -> float:
    return next(one.standard for one in error.components if one.name == name)


@given(
    zero=st.floats(-1e-3, 1e-3),
    relative=st.floats(-0.1, 0.1),
    level=st.sampled_from([-9e-5, 1e-6, 5e-5, 9e-5]),
)
def test_an_offset_is_apart_from_the_error(
    zero: float, relative: float, level: float
) -> None:
    error = measured(still(level), still(level * TRANSFER * (1 + relative), zero=zero))
    assert error.error_ppm == pytest.approx(relative * 1e6, abs=1e-3)
    assert error.offset_ppm == pytest.approx(zero * 1e6)
    assert error.reference == pytest.approx(level)
    assert error.indicated == pytest.approx(level * (1 + relative))


def test_a_linear_drift_of_zero_cancels_and_is_carried() -> None:
    drifting = Readings(zero_before=[0.0], level=[0.9 + 1e-4], zero_after=[2e-4])
    error = measured(still(9e-5, count=1), drifting)
    assert error.error_ppm == pytest.approx(0.0, abs=1e-6)
    assert error.repeatability_ppm is None


def test_lines_of_the_budget_by_hand() -> None:
    """A level of 90 % of both meters' ranges, nothing scattering."""
    error = measured(still(9e-5), still(0.9))
    assert line(error, "reference: specification") == pytest.approx(
        (60.0 + 10.0 / 0.9) / sqrt(3)
    )
    assert line(error, "output: specification") == pytest.approx(
        (40.0 + 5.0 / 0.9) / sqrt(3)
    )
    # A step of 1 uV in 0.9 V, between two roundings.
    assert line(error, "output: resolution") == pytest.approx(1 / 0.9 / sqrt(6))
    assert error.uncertainty_ppm == pytest.approx(
        sqrt(sum(one.standard**2 for one in error.components))
    )


def test_a_large_error_makes_its_own_uncertainty_larger() -> None:
    """The error is a ratio: at half the indication half the deviation counts."""
    whole = measured(still(9e-5), still(0.9), output_meter=IDEAL)
    half = measured(still(9e-5), still(0.45), output_meter=IDEAL)
    assert half.uncertainty_ppm == pytest.approx(whole.uncertainty_ppm / 2)


def test_one_voltmeter_on_one_range_leaves_its_gain_out() -> None:
    shunt = VOLTMETER.across(1e4)
    together = measured(
        still(9e-5), still(0.9), shunt, same_voltmeter=True, standard_uncertainty_ppm=4
    )
    for role in ("reference", "output"):
        assert line(together, f"{role}: specification") == pytest.approx(
            5.0 / 0.9 / sqrt(3)
        )
    assert line(together, "standard resistor") == pytest.approx(4.0)
    apart = measured(still(9e-5), still(0.9), shunt)
    assert together.uncertainty_ppm < apart.uncertainty_ppm / 3


def test_a_specification_across_a_resistor_is_in_ampere() -> None:
    shunt = VOLTMETER.across(1e3)
    assert shunt.full_scale == pytest.approx(1e-3)
    assert shunt.resolution == pytest.approx(1e-9)
    assert shunt.of_reading_ppm == VOLTMETER.of_reading_ppm


def test_noise_of_the_source_that_both_saw_counts_for_nothing() -> None:
    noise = np.array([1.0, 1.01, 0.99])
    zeros = (0.0,) * 3
    error = measured(
        Readings(zero_before=zeros, level=tuple(9e-5 * noise), zero_after=zeros),
        Readings(zero_before=zeros, level=tuple(0.9 * noise), zero_after=zeros),
    )
    assert error.repeatability_ppm == pytest.approx(0.0, abs=1e-6)


def test_unequal_numbers_of_readings_scatter_each_for_itself() -> None:
    zeros = (0.0, 0.0)
    error = measured(
        Readings(zero_before=zeros, level=(9e-5,), zero_after=zeros),
        Readings(zero_before=zeros, level=(0.899, 0.9, 0.901), zero_after=zeros),
    )
    assert line(error, "output: scatter") == pytest.approx(1e6 * 1e-3 / 0.9 / sqrt(3))
    assert error.repeatability_ppm == pytest.approx(1e6 * 1e-3 / 0.9)


def test_few_readings_widen_the_uncertainty() -> None:
    """Two readings: twice the stated uncertainty is t(1) times their deviation.

    13.968 is Student's factor for 95.45 % and one degree of freedom, JCGM 100,
    table G.2.
    """
    error = measured(
        still(9e-5, count=2),
        Readings(zero_before=[0.0] * 2, level=[0.8999, 0.9001], zero_after=[0.0] * 2),
        reference_meter=IDEAL,
        output_meter=IDEAL,
    )
    of_mean_ppm = 1e6 * 1e-4 / 0.9
    assert error.degrees_of_freedom == pytest.approx(1.0)
    assert 2 * error.uncertainty_ppm == pytest.approx(13.968 * of_mean_ppm, rel=1e-4)
    assert error.expanded_ppm(0.9545) == pytest.approx(13.968 * of_mean_ppm, rel=1e-3)


def test_single_readings_are_as_sure_as_two_zeros_show() -> None:
    def one_each(zero_after: float) -> RangeError:
        return measured(
            still(9e-5, count=1),
            Readings(zero_before=[0.0], level=[0.9], zero_after=[zero_after]),
            reference_meter=IDEAL,
            output_meter=IDEAL,
        )

    assert one_each(2e-5).uncertainty_ppm == pytest.approx(
        2 * one_each(1e-5).uncertainty_ppm, rel=1e-3
    )
    assert one_each(1e-5).uncertainty_ppm > 1e6 * 1e-5 / 0.9


def test_temperature_is_corrected_where_known_and_carried_where_not() -> None:
    warm = Temperature(
        ambient_c=27.0,
        bounds_ppm_per_k={"R12": 25.0, "R3": 20.0},
        expected_ppm_per_k=-10.0,
    )
    plain = measured(still(9e-5), still(0.9))
    error = measured(still(9e-5), still(0.9), temperature=warm)
    assert error.error_ppm == pytest.approx(plain.error_ppm + 40.0)
    assert line(error, "temperature: R12") == pytest.approx(100.0 / sqrt(3))
    assert line(error, "temperature: R3") == pytest.approx(80.0 / sqrt(3))
    at_reference = measured(
        still(9e-5), still(0.9), temperature=replace(warm, ambient_c=23.0)
    )
    assert at_reference == plain


def test_a_comparison_leaves_out_what_the_bench_does_to_all_units() -> None:
    error = measured(still(9e-5), still(0.9), standard_uncertainty_ppm=20.0)
    assert error.comparison_uncertainty_ppm < 1.0 < error.uncertainty_ppm
    assert {one.name for one in error.components if one.of_bench} == {
        "reference: specification",
        "output: specification",
        "standard resistor",
    }


@given(scale=st.sampled_from([1e-6, 1e-3, 1e3]))
def test_units_do_not_matter(scale: float) -> None:
    """The same readings in microampere, milliampere or kiloampere."""
    rng = np.random.default_rng(5)
    zeros = rng.normal(0, 1e-9, (2, 3))
    level = 9e-5 + rng.normal(0, 1e-9, 3)
    output = still(0.9)

    def at(factor: float) -> RangeError:
        return range_error(
            reference=Readings(
                zero_before=tuple(zeros[0] * factor),
                level=tuple(level * factor),
                zero_after=tuple(zeros[1] * factor),
            ),
            output=output,
            nominal_transfer=TRANSFER / factor,
            full_scale=FULL_SCALE * factor,
            reference_meter=replace(
                AMMETER,
                full_scale=AMMETER.full_scale * factor,
                resolution=AMMETER.resolution * factor,
            ),
            output_meter=VOLTMETER,
        )

    assert at(scale).error_ppm == pytest.approx(at(1.0).error_ppm, abs=1e-6)
    assert at(scale).uncertainty_ppm == pytest.approx(at(1.0).uncertainty_ppm)


def test_an_error_that_is_no_number_has_no_point() -> None:
    one = Readings(zero_before=[0.0], level=[1.0], zero_after=[0.0])
    error = range_error(
        reference=one, output=one, nominal_transfer=1.0, full_scale=1.0,
        reference_meter=IDEAL, output_meter=IDEAL,
    )  # fmt: skip
    with pytest.raises(ArgumentError, match="error in ppm = nan"):
        level_error(replace(error, error_ppm=float("nan")), one, 1.0)


def covered(
    *, noise_v: float, gain_ppm: float, count: int, same_voltmeter: bool, trials: int
) -> tuple[float, float]:
    """Return how often the truth lies in the 95 % interval, and in twice u."""
    rng = np.random.default_rng(2 * count + round(gain_ppm))
    meter = MeterSpecification(full_scale=1.0, of_reading_ppm=gain_ppm, resolution=1e-7)
    standard_ohm = 1e4
    inside = np.zeros(2)
    for _ in range(trials):
        gain = 1 + rng.uniform(-gain_ppm, gain_ppm, 2) * 1e-6
        if same_voltmeter:
            gain[1] = gain[0]

        def read(volts: float, factor: float) -> tuple[float, ...]:
            exact = volts * factor + rng.normal(0, noise_v, count)
            return tuple(np.round(exact / 1e-7) * 1e-7)

        def readings(volts: float, factor: float, scale: float) -> Readings:
            return Readings(
                zero_before=tuple(x * scale for x in read(0.0, factor)),
                level=tuple(x * scale for x in read(volts, factor)),
                zero_after=tuple(x * scale for x in read(0.0, factor)),
            )

        true_ppm = rng.uniform(-3000, 3000)
        error = range_error(
            reference=readings(0.9, gain[0], 1 / standard_ohm),
            output=readings(0.9 * (1 + true_ppm * 1e-6), gain[1], 1.0),
            nominal_transfer=standard_ohm,
            full_scale=FULL_SCALE,
            reference_meter=meter.across(standard_ohm),
            output_meter=meter,
            same_voltmeter=same_voltmeter,
        )
        miss_ppm = abs(error.error_ppm - true_ppm)
        inside += (
            miss_ppm <= error.expanded_ppm(0.95),
            miss_ppm <= 2 * error.uncertainty_ppm,
        )
    return float(inside[0] / trials), float(inside[1] / trials)


@pytest.mark.parametrize(
    ("noise_v", "gain_ppm", "count", "same_voltmeter"),
    [
        pytest.param(1e-6, 50.0, 3, False, id="specification rules"),
        pytest.param(1e-4, 50.0, 5, False, id="scatter rules, five readings"),
        pytest.param(3e-5, 50.0, 3, False, id="both"),
        pytest.param(3e-5, 50.0, 10, True, id="one voltmeter"),
    ],
)
def test_the_stated_uncertainty_is_true(
    noise_v: float, gain_ppm: float, count: int, *, same_voltmeter: bool
) -> None:
    """Over 600 benches drawn from their specification, fixed seed."""
    interval, twice = covered(
        noise_v=noise_v,
        gain_ppm=gain_ppm,
        count=count,
        same_voltmeter=same_voltmeter,
        trials=600,
    )
    # Three standard deviations of a share of 600.
    assert interval == pytest.approx(0.95, abs=0.027)
    assert twice == pytest.approx(0.9545, abs=0.027)


@pytest.mark.bench
@pytest.mark.parametrize("count", [2, 3, 5, 10])
@pytest.mark.parametrize("noise_v", [1e-6, 1e-5, 3e-5, 1e-4])
def test_the_stated_uncertainty_is_true_in_the_long_run(
    noise_v: float, count: int
) -> None:
    """Over 4000 benches each, from readings that hardly scatter to those that do."""
    interval, twice = covered(
        noise_v=noise_v, gain_ppm=50.0, count=count, same_voltmeter=False, trials=4000
    )
    print(f"noise {noise_v:g} V, {count} readings: {interval:.4f}, {twice:.4f}")  # noqa: T201
    assert 0.93 <= interval <= 0.97
    assert 0.93 <= twice <= 0.975


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"nominal_transfer": 0.0}, "nominal_transfer = 0.0: must be finite and not 0"),
        ({"full_scale": -1.0}, "full_scale = -1.0: must be > 0"),
        ({"standard_uncertainty_ppm": -1.0}, "standard_uncertainty_ppm = -1.0"),
        ({"reference": still(0.0)}, "reference level - zero = 0.0"),
        ({"output": still(0.0)}, "output level - zero = 0.0"),
    ],
)
def test_what_is_no_measurement_is_refused(
    change: dict[str, object], sentence: str
) -> None:
    arguments: dict[str, object] = {
        "reference": still(9e-5),
        "output": still(0.9),
        "nominal_transfer": TRANSFER,
        "full_scale": FULL_SCALE,
        "reference_meter": AMMETER,
        "output_meter": VOLTMETER,
    }
    with pytest.raises(ArgumentError, match=sentence.replace("(", r"\(")):
        range_error(**(arguments | change))  # type: ignore[arg-type]


def test_missing_and_infinite_readings_are_refused_by_place() -> None:
    with pytest.raises(ArgumentError, match="number of level readings = 0"):
        Readings(zero_before=[0.0], level=[], zero_after=[0.0])
    with pytest.raises(ArgumentError, match=r"zero_after readings\[1\] = inf"):
        Readings(zero_before=[0.0], level=[1.0], zero_after=[0.0, float("inf")])


def test_a_specification_below_nothing_is_refused() -> None:
    with pytest.raises(ArgumentError, match="of_range_ppm = -1"):
        MeterSpecification(full_scale=1.0, of_reading_ppm=1.0, of_range_ppm=-1)
    with pytest.raises(ArgumentError, match="temperature coefficient of R1"):
        Temperature(ambient_c=23.0, bounds_ppm_per_k={"R1": float("nan")})


def test_an_input_next_to_nothing_has_no_error_in_ppm() -> None:
    with pytest.raises(ArgumentError, match="error in ppm = inf: must be finite"):
        relative_error_ppm(1e-308, 1e100)
