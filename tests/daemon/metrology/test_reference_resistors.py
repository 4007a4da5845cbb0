"""Published resistor values, marks and low-ohm practice."""

import pytest

from daemon.metrology.conductor import (
    COPPER_TEMPCO_PER_K_AT_20_C,
    THERMAL_UV_PER_K,
    copper_lead_ohm,
    copper_tempco_per_k,
    gauge_area_mm2,
    gauge_diameter_mm,
)
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
from daemon.metrology.preferred import SERIES
from daemon.metrology.resistance import (
    current_reversal,
    nulled_ohm,
    self_heating_ppm,
    three_point_reversal_v,
    volt_ampere_ohm,
)
from tests.reference_values import Entry

FILE = "13_resistor_standards"


@pytest.mark.reference(FILE, "eseries.E24")
def test_two_digit_series(entry: Entry) -> None:
    for name in ("E24", "E12", "E6", "E3"):
        entry.check(name, list(SERIES[name]))
    for row in entry.published("official_vs_rounded_power"):
        assert SERIES["E24"][row["index"]] == row["official"]
        assert round(10 * 10 ** (row["index"] / 24)) == row["rounded"]


@pytest.mark.reference(FILE, "eseries.E48_E96_E192")
def test_three_digit_series(entry: Entry) -> None:
    for name in ("E48", "E96", "E192"):
        entry.check(name, list(SERIES[name]))
    exception = entry.published("exception")
    assert SERIES["E192"][exception["index"]] == exception["official"]


@pytest.mark.reference(FILE, "rkm.examples")
def test_marks_are_read_and_written(entry: Entry) -> None:
    for mark, value_ohm in entry.inputs["rows"]:
        assert read_mark(mark).value_ohm == value_ohm
        written = write_mark(value_ohm)
        assert read_mark(written).value_ohm == value_ohm
        # Two ways to write one value are in the table for two of them.
        if mark not in ("0R1", "R005"):
            assert written == mark


@pytest.mark.reference(FILE, "iec60062.tolerance_letters")
def test_tolerance_letters(entry: Entry) -> None:
    published = entry.published("percent")
    assert dict(TOLERANCES_PERCENT) == published
    for letter, percent in published.items():
        assert read_mark(f"4K7{letter}").tolerance_percent == percent
        assert write_mark(4700.0, percent) == f"4K7{letter}"


@pytest.mark.reference(FILE, "iec60062.colours")
def test_colours(entry: Entry) -> None:
    rows = entry.published("rows")
    assert [row[0] for row in rows] == list(COLOURS)
    for name, digit, exponent, tolerance, letter, tempco, tempco_letter in rows:
        colour = COLOURS[name]
        assert colour.digit == digit
        assert colour.exponent == exponent
        assert colour.tolerance_percent == tolerance
        assert colour.tempco_ppm_per_k == tempco
        assert colour.tempco_letter == tempco_letter
        if tolerance is not None:
            assert TOLERANCES_PERCENT[letter] == tolerance
        if tempco is not None:
            assert tempco in read_tempco_letter(tempco_letter)
        if exponent is not None:
            value_ohm = float(f"499e{exponent}")
            marked = Marked(value_ohm=value_ohm, tolerance_percent=1.0)
            bands = ("yellow", "white", "white", name, "brown")
            assert read_colours(bands) == marked
            assert write_colours(marked) == bands


@pytest.mark.reference(FILE, "copper.awg")
def test_copper_wire_by_gauge(entry: Entry) -> None:
    entry.check(
        "rows",
        [
            [
                gauge,
                gauge_diameter_mm(gauge),
                gauge_area_mm2(gauge),
                copper_lead_ohm(1.0, gauge_area_mm2(gauge)) * 1e3,
            ]
            for gauge, *_ in entry.published("rows")
        ],
    )


@pytest.mark.reference(FILE, "copper.lead_check")
def test_copper_leads(entry: Entry) -> None:
    entry.check("awg24_2m_20C_ohm", copper_lead_ohm(2.0, gauge_area_mm2(24)))
    cold = copper_lead_ohm(2.0, 0.5)
    warm = copper_lead_ohm(2.0, 0.5, 30.0)
    entry.check("half_mm2_2m_20C_ohm", cold)
    entry.check("half_mm2_2m_30C_ohm", warm)
    entry.check("change_percent_per_10K", (warm / cold - 1) * 100)


@pytest.mark.reference(FILE, "copper.alpha")
def test_copper_temperature_coefficient(entry: Entry) -> None:
    entry.check("alpha", [copper_tempco_per_k(t) for t in entry.inputs["t"]])
    entry.check("alpha20", COPPER_TEMPCO_PER_K_AT_20_C)


@pytest.mark.reference(FILE, "lowohm.current_reversal")
def test_reversal_of_the_current(entry: Entry) -> None:
    result = current_reversal(entry.inputs["Vp"], entry.inputs["Vm"])
    entry.check("V", result.voltage_v)
    entry.check("offset", result.offset_v)
    entry.check("R", volt_ampere_ohm(result.voltage_v, entry.inputs["I"]))


@pytest.mark.reference(FILE, "lowohm.three_point_reversal")
def test_three_point_reversal(entry: Entry) -> None:
    readings = entry.inputs["readings"]
    entry.check("delta", three_point_reversal_v(readings))
    two_point = current_reversal(readings[0], readings[1]).voltage_v
    entry.check("two_point_error_example", two_point - 100.0)


@pytest.mark.reference(FILE, "lowohm.thermal_emf")
def test_thermal_voltages_are_the_published_orders_of_magnitude(entry: Entry) -> None:
    ours = {
        "cadmium_tin_solder": "cadmium-tin solder",
        "beryllium_copper": "beryllium copper",
        "lead_tin_solder": "lead-tin solder",
        "nickel_iron_sealing_alloy": "nickel-iron sealing alloy",
        "copper_oxide": "copper oxide",
    }
    for name, published in entry.expected.items():
        low, high = THERMAL_UV_PER_K[ours.get(name, name)]
        if name == "copper":
            assert (low, high) == (0.0, 0.3)
            assert published == "<0.2 to <0.3"
        elif name == "copper_oxide":
            assert published == f">{low:g}"
        elif isinstance(published, list):
            assert [low, high] == published
        else:
            assert low == high == published


@pytest.mark.reference(FILE, "lowohm.four_terminal")
def test_leads_in_two_terminal_readings(entry: Entry) -> None:
    true_ohm, one_lead_ohm = entry.inputs["R"], entry.inputs["R_lead"]
    leads_ohm = 2 * one_lead_ohm
    entry.check("two_terminal", true_ohm + leads_ohm)
    entry.check("after_null_stable", nulled_ohm(true_ohm + leads_ohm, leads_ohm))
    warm_ohm = leads_ohm * copper_lead_ohm(1.0, 1.0, 30.0) / copper_lead_ohm(1.0, 1.0)
    entry.check(
        "after_null_leads_warm_10K_copper",
        nulled_ohm(true_ohm + warm_ohm, leads_ohm),
    )


@pytest.mark.reference(FILE, "lowohm.power_coefficient")
def test_self_heating(entry: Entry) -> None:
    r, i, thermal, tempco = (entry.inputs[k] for k in ("R", "I", "Rth", "TCR"))
    change_ppm = self_heating_ppm(r, i, thermal, tempco * 1e6)
    entry.check("relative_change", change_ppm * 1e-6)
    entry.check("dT", change_ppm / (tempco * 1e6))
    entry.check("P_W", change_ppm / (tempco * 1e6) / thermal)
