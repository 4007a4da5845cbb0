"""Resistance, trimming, preferred values and marks: properties and refusals."""

from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.metrology.conductor import (
    copper_lead_ohm,
    copper_tempco_per_k,
    gauge_diameter_mm,
    thermal_voltage_v,
)
from daemon.metrology.errors import ArgumentError, MarkError, NoSolutionError
from daemon.metrology.marking import (
    COLOURS,
    TOLERANCES_PERCENT,
    Marked,
    read_colours,
    read_mark,
    read_tempco_letter,
    write_colours,
    write_mark,
)
from daemon.metrology.preferred import SERIES, nearest, neighbours
from daemon.metrology.resistance import (
    correction_factor,
    current_reversal,
    lead_ohm,
    nulled_ohm,
    referred_ohm,
    self_heating_ppm,
    three_point_reversal_v,
    two_point_ohm,
    volt_ampere_ohm,
    voltage_ratio_ohm,
)
from daemon.metrology.trim import TrimKind, parallel_trim, series_trim

volts = st.floats(-1e-3, 1e-3)
series_names = st.sampled_from(sorted(SERIES))


@given(volts, volts, volts, st.integers(3, 12))
def test_three_point_reversal_takes_out_offset_and_linear_drift(
    true_v: float, offset_v: float, drift_v: float, count: int
) -> None:
    readings = [
        (true_v if n % 2 == 0 else -true_v) + offset_v + n * drift_v
        for n in range(count)
    ]
    found = three_point_reversal_v(readings)
    assert len(found) == count - 2
    assert found == pytest.approx([true_v] * (count - 2), abs=1e-15)


@given(volts, volts)
def test_two_point_reversal_takes_out_a_constant_offset(
    true_v: float, offset_v: float
) -> None:
    result = current_reversal(true_v + offset_v, -true_v + offset_v)
    assert result.voltage_v == pytest.approx(true_v, abs=1e-17)
    assert result.offset_v == pytest.approx(offset_v, abs=1e-17)


@given(st.floats(0.01, 1e6), volts, st.floats(0, 1e-3), st.floats(2e-3, 1e-2))
def test_two_currents_tell_resistance_and_offset_apart(
    ohm: float, offset_v: float, low_a: float, high_a: float
) -> None:
    found_ohm, found_v = two_point_ohm(
        ohm * low_a + offset_v, low_a, ohm * high_a + offset_v, high_a
    )
    assert found_ohm == pytest.approx(ohm, rel=1e-9, abs=1e-9)
    assert found_v == pytest.approx(offset_v, abs=1e-9 * (1 + ohm))


@given(st.floats(1e-3, 1e8), st.floats(-500, 500), st.floats(-40, 120))
def test_referring_to_the_reference_temperature_undoes_the_coefficient(
    ohm: float, tempco_ppm_per_k: float, at_c: float
) -> None:
    warm = ohm * (1 + tempco_ppm_per_k * 1e-6 * (at_c - 23.0))
    assert referred_ohm(warm, tempco_ppm_per_k, at_c, 23.0) == pytest.approx(ohm)


@given(st.floats(1e-6, 1e9), series_names)
def test_neighbours_enclose_and_are_preferred(value: float, series: str) -> None:
    below, above = neighbours(value, series)
    assert below <= value * (1 + 1e-12)
    assert above >= value * (1 - 1e-12)
    assert nearest(value, series) in (below, above)
    for one in (below, above):
        assert neighbours(one, series) == (one, one)
        digits = float(f"{one:.6e}".partition("e")[0])
        scale = 10 if series in ("E3", "E6", "E12", "E24") else 100
        assert round(digits * scale) in SERIES[series]


def test_a_decade_joins_the_next() -> None:
    assert neighbours(99.0, "E24") == (91.0, 100.0)
    assert neighbours(0.0995, "E96") == (0.0976, 0.1)


@given(
    st.floats(1.0, 1e7),
    st.floats(1.0005, 3.0),
    st.sampled_from(["E24", "E96", "E192"]),
)
def test_a_parallel_resistor_only_lowers(
    wanted_ohm: float, factor: float, series: str
) -> None:
    actual_ohm = wanted_ohm * factor
    trim = parallel_trim(actual_ohm, wanted_ohm, series=series, highest_ohm=inf)
    assert trim.kind is TrimKind.PARALLEL
    assert trim.result_ohm < actual_ohm
    assert 1 / trim.result_ohm == pytest.approx(1 / actual_ohm + 1 / trim.part_ohm)
    assert abs(trim.error_ppm) < (factor - 1) * 1e6
    # The effect of one ppm of the part, by making it one ppm larger.
    larger = 1 / (1 / actual_ohm + 1 / (trim.part_ohm * (1 + 1e-6)))
    assert (larger / trim.result_ohm - 1) * 1e6 == pytest.approx(
        trim.sensitivity, abs=1e-4
    )


@given(st.floats(10.0, 1e7), st.floats(0.3, 0.9995), st.sampled_from(["E24", "E96"]))
def test_a_series_resistor_only_raises(
    wanted_ohm: float, factor: float, series: str
) -> None:
    actual_ohm = wanted_ohm * factor
    trim = series_trim(
        actual_ohm, wanted_ohm, series=series, lowest_ohm=1e-6, highest_ohm=inf
    )
    assert trim.kind is TrimKind.SERIES
    assert trim.result_ohm == actual_ohm + trim.part_ohm > actual_ohm
    assert abs(trim.error_ppm) < (1 - factor) * 1e6
    assert trim.sensitivity == pytest.approx(trim.part_ohm / trim.result_ohm)


def test_a_trim_in_the_wrong_direction_is_refused() -> None:
    with pytest.raises(NoSolutionError, match="only lowers"):
        parallel_trim(9_990.0, 10_000.0)
    with pytest.raises(NoSolutionError, match="only raises"):
        series_trim(10_010.0, 10_000.0)
    with pytest.raises(NoSolutionError, match=r"1e\+11 ohm.*can be had"):
        parallel_trim(10_000.001, 10_000.0)


@given(
    st.integers(1000, 9999),
    st.integers(-7, 11),
    st.sampled_from([None, *TOLERANCES_PERCENT.values()]),
)
def test_what_is_marked_is_read_again(
    digits: int, exponent: int, tolerance_percent: float | None
) -> None:
    value_ohm = float(f"{digits}e{exponent}")
    mark = write_mark(value_ohm, tolerance_percent)
    assert len(mark) <= 6
    assert read_mark(mark) == Marked(
        value_ohm=value_ohm, tolerance_percent=tolerance_percent
    )


@given(
    st.integers(10, 999),
    st.integers(-3, 9),
    st.sampled_from(
        [
            one.tolerance_percent
            for name, one in COLOURS.items()
            if one.tolerance_percent is not None and name != "none"
        ]
    ),
    st.sampled_from([None, 250.0, 100.0, 50.0, 25.0, 10.0, 1.0]),
)
def test_what_is_banded_is_read_again(
    digits: int, exponent: int, tolerance_percent: float, tempco: float | None
) -> None:
    marked = Marked(
        value_ohm=float(f"{digits}e{exponent}"),
        tolerance_percent=tolerance_percent,
        tempco_ppm_per_k=tempco,
    )
    try:
        bands = write_colours(marked)
    except MarkError:
        # Written with three digits a small value would need a smaller multiplier.
        assert exponent < -1
        return
    assert read_colours(bands) == marked


def test_three_bands_are_twenty_percent() -> None:
    marked = Marked(value_ohm=4700.0, tolerance_percent=20.0)
    assert read_colours(["yellow", "violet", "red"]) == marked
    assert write_colours(marked) == ("yellow", "violet", "red")


@pytest.mark.parametrize(
    "mark", ["", "R", "4.7K", "47", "4K7X", "K4K7", "4k7", "R0", "0R0", " 4K7"]
)
def test_what_is_no_mark_is_refused(mark: str) -> None:
    with pytest.raises(MarkError):
        read_mark(mark)


@pytest.mark.parametrize("value_ohm", [1234.5, 1e-5, 1e15])
def test_what_has_no_mark_is_refused(value_ohm: float) -> None:
    with pytest.raises(MarkError):
        write_mark(value_ohm)


@pytest.mark.parametrize(
    "bands",
    [
        ["red", "red"],
        ["red"] * 7,
        ["gold", "red", "red", "gold"],
        ["red", "red", "none", "gold"],
        ["red", "red", "red", "black"],
        ["red", "turquoise", "red", "gold"],
        ["black", "black", "red", "gold"],
        ["red", "red", "red", "red", "red", "gold"],
    ],
)
def test_what_is_no_colour_code_is_refused(bands: list[str]) -> None:
    with pytest.raises(MarkError):
        read_colours(bands)


def test_what_has_no_colours_is_refused() -> None:
    with pytest.raises(MarkError, match="three significant digits"):
        write_colours(Marked(value_ohm=1234.0, tolerance_percent=1.0))
    with pytest.raises(MarkError, match="tolerance None"):
        write_colours(Marked(value_ohm=100.0))
    with pytest.raises(MarkError, match="no colour for tolerance percent 3"):
        write_colours(Marked(value_ohm=100.0, tolerance_percent=3.0))
    with pytest.raises(MarkError, match="no letter for this tolerance"):
        write_mark(100.0, 4.0)
    with pytest.raises(MarkError, match="unknown temperature coefficient"):
        read_tempco_letter("X")


@pytest.mark.parametrize("bad", [nan, inf, -inf])
def test_numbers_that_are_none_are_refused(bad: float) -> None:
    for call in (
        lambda: volt_ampere_ohm(bad, 1.0),
        lambda: volt_ampere_ohm(1.0, bad),
        lambda: nulled_ohm(bad, 1.0),
        lambda: lead_ohm(1.0, bad),
        lambda: current_reversal(bad, 1.0),
        lambda: three_point_reversal_v([1.0, bad, 1.0]),
        lambda: two_point_ohm(1.0, bad, 1.0, 1.0),
        lambda: voltage_ratio_ohm(1.0, 1.0, bad),
        lambda: referred_ohm(1.0, bad, 20.0, 23.0),
        lambda: self_heating_ppm(1.0, bad, 1.0, 1.0),
        lambda: correction_factor(bad),
        lambda: copper_tempco_per_k(bad),
        lambda: copper_lead_ohm(bad, 1.0),
        lambda: thermal_voltage_v("brass", bad),
        lambda: neighbours(bad, "E24"),
        lambda: parallel_trim(bad, 1.0),
        lambda: series_trim(1.0, bad),
        lambda: write_mark(bad),
    ):
        with pytest.raises(ArgumentError, match=r"nan|inf"):
            call()


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: volt_ampere_ohm(1.0, 0.0), "current_a = 0.0"),
        (lambda: nulled_ohm(0.1, 0.2), "shorted_ohm = 0.2: must be <= reading_ohm"),
        (lambda: lead_ohm(0.1, 0.2), "four_terminal_ohm = 0.2"),
        (lambda: three_point_reversal_v([1.0, 2.0]), "number of readings_v = 2"),
        (lambda: two_point_ohm(1.0, 1.0, 2.0, 1.0), "high_a - low_a = 0.0"),
        (lambda: voltage_ratio_ohm(1.0, 0.0, 1.0), "standard_voltage_v = 0.0"),
        (lambda: referred_ohm(1.0, -1e5, 123.0, 23.0), "coefficient"),
        (lambda: correction_factor(-1.0), r"1 \+ relative_error = 0.0"),
        (lambda: gauge_diameter_mm(60), "gauge = 60"),
        (lambda: copper_tempco_per_k(-300.0), "234.45"),
        (lambda: thermal_voltage_v("cheese", 1.0), "material = 'cheese'"),
        (lambda: neighbours(1.0, "E7"), "series = 'E7'"),
        (lambda: neighbours(0.0, "E24"), "value_ohm = 0.0"),
        (
            lambda: parallel_trim(2.0, 1.0, lowest_ohm=9.0, highest_ohm=1.0),
            "lowest_ohm = 9.0: must be < highest_ohm",
        ),
    ],
)
def test_values_outside_their_bounds_are_named(call: object, sentence: str) -> None:
    with pytest.raises(ArgumentError, match=sentence):
        call()  # type: ignore[operator]
