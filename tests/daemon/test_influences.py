"""What else moves a reading is a line of the budget, and widens the verdict."""

from datetime import date
from math import sqrt
from pathlib import Path
from shutil import copytree
from typing import Any

import pytest

from config import Bench, Settings, load
from config.errors import ConfigError
from config.wizard import write_anew
from daemon.bench import Point, RangeReadings
from daemon.judging import ProductModel
from daemon.judging.budget import budgets_of_bench
from daemon.judging.influences import at_level, at_zero
from daemon.judging.prospects import prospects, too_poor_for
from daemon.judging.verdict import Judge, Measured
from daemon.metrology import Component
from tests.config.test_form import VOLTS, answered
from tests.daemon.making import DEMO, demo_settings

GOOD = demo_settings()
RESISTOR: dict[str, Any] = {
    "kind": "standard_resistor", "standard_ohm": 10_000.0,
    "standard_uncertainty_ppm": 5.0,
}  # fmt: skip
ROOT3 = sqrt(3)


def with_bench(**changes: Any) -> Settings:
    """Return the demo's settings, its bench changed."""
    assert GOOD.bench is not None
    changed = {**GOOD.bench.model_dump(exclude_none=True), **changes}
    return GOOD.model_copy(update={"bench": Bench.model_validate(changed)})


def bench(**changes: Any) -> Bench:
    found = with_bench(**changes).bench
    assert found is not None
    return found


def lines(one: Bench, **changes: Any) -> dict[str, float]:
    """Return bounds by name, ppm of a level of 90 uA that gives 0.9 V."""
    given: dict[str, Any] = {
        "ambient_c": 28.0, "input_level": 9e-5, "output_level_v": 0.9,
        "full_scale": 1e-4, "takes_ampere": True, "gain_cancels": False,
    }  # fmt: skip
    return {
        line.name: round(line.standard * ROOT3, 6)
        for line in at_level(one, **{**given, **changes})
    }


def meter(role: str, **changes: Any) -> dict[str, Any]:
    assert GOOD.bench is not None
    found = getattr(GOOD.bench, role).model_dump(exclude_none=True)
    return {**found, **changes}


def test_nothing_is_added_where_nothing_is_written() -> None:
    assert GOOD.bench is not None
    assert lines(GOOD.bench) == {}
    assert at_zero(GOOD.bench, output_v=1.0, full_scale=1e-4) == []


@pytest.mark.source("Ohm's law and two resistors in series, by hand")
@pytest.mark.parametrize(
    ("written", "found"),
    [
        # 1 uV of 0.9 V
        ({"thermal_v": 1e-6}, {"output: thermal voltage": 1.111111}),
        # 90 pA of 90 uA
        ({"leakage_a": 9e-11}, {"reference: leakage": 1.0}),
        # 0.1 V through 1 Gohm is 0.1 nA of 100 uA
        ({"burden_v": 0.1, "insulation_ohm": 1e9}, {"reference: burden": 1.0}),
        # 1 ohm of 1 Mohm in all
        ({"output_ohm": 1.0, "meter_ohm": 999_999.0}, {"output: loading": 1.0}),
        # and 0.9 uA through it, of 0.9 V
        (
            {"output_ohm": 1.0, "meter_ohm": 999_999.0, "bias_a": 0.9e-6},
            {"output: loading": 1.0, "output: bias current": 1.0},
        ),
    ],
)
def test_each_influence_by_hand(
    written: dict[str, float], found: dict[str, float]
) -> None:
    assert lines(bench(influences=written)) == found


def test_volts_that_go_in_drop_in_their_leads_and_have_thermal_voltage() -> None:
    """2 ohm of 1 Mohm; 1 uV of 0.5 V in and of 0.9 V out."""
    written = {"lead_ohm": 2.0, "input_ohm": 999_998.0, "thermal_v": 1e-6}
    found = lines(
        bench(influences=written), takes_ampere=False, input_level=0.5, full_scale=1.0
    )
    assert found == {
        "reference: leads": 2.0,
        "reference: thermal voltage": 2.0,
        "output: thermal voltage": 1.111111,
    }


def test_a_standard_resistor_goes_with_the_room_and_its_volts_are_thermal_too() -> None:
    """3 ppm/K from 20 to 28 degrees; 90 uA through 10 kohm is 0.9 V."""
    warm = bench(
        reference_is={**RESISTOR, "standard_tempco_ppm_per_k": 3.0, "standard_c": 20.0},
        influences={"thermal_v": 0.9e-6},
    )
    found = lines(warm)
    assert found["standard resistor: temperature"] == pytest.approx(24.0)
    assert found["reference: thermal voltage"] == pytest.approx(1.0)
    assert "standard resistor: temperature" not in lines(warm, ambient_c=20.0)


def test_a_meter_drifts_from_one_calibration_to_the_next() -> None:
    """40 ppm a year: of two years 80 ppm; where no days are written of one."""
    days = {"calibrated_at": date(2026, 3, 1), "calibration_due": date(2028, 2, 29)}
    found = lines(
        bench(
            reference=meter("reference", drift_ppm_per_year=40.0, **days),
            output=meter(
                "output", drift_ppm_per_year=7.0,
                calibrated_at=None, calibration_due=None,
            ),
        )
    )  # fmt: skip
    assert found["reference: since its calibration"] == pytest.approx(80.0, rel=1e-3)
    assert found["output: since its calibration"] == 7.0


def test_of_one_voltmeter_the_drift_since_its_calibration_cancels() -> None:
    one = bench(output=meter("output", drift_ppm_per_year=7.0))
    assert lines(one, gain_cancels=True) == {}


@pytest.mark.source("by hand: bound over full scale")
def test_of_the_offset_what_zero_takes_off_elsewhere_is_part() -> None:
    """1 uV of 1 V; 1 ohm times 2 uA of it; 3 pA of 1 uA."""
    one = bench(
        influences={
            "thermal_v": 1e-6, "output_ohm": 1.0, "meter_ohm": 1e9, "bias_a": 2e-6,
            "leakage_a": 3e-12,
        }
    )  # fmt: skip
    found = at_zero(one, output_v=1.0, full_scale=1e-6)
    assert {line.name: round(line.standard * ROOT3, 6) for line in found} == {
        "output: thermal voltage": 1.0,
        "output: bias current": 2.0,
        "reference: leakage": 3.0,
    }
    assert all(line.of_bench for line in found)


def judged(settings: Settings) -> Measured:
    """Return the 1 uA range at 0.9 uA, as a good unit reads."""
    assert settings.bench is not None
    zero = Point(level=0.0, reference=(0.0,) * 2, output=(0.0,) * 2, at_s=(0, 1))
    level = Point(level=9e-7, reference=(9e-7,) * 2, output=(0.9,) * 2, at_s=(2, 3))
    readings = RangeReadings(
        range="1uA",
        points=(zero, level, zero),
        reference_full_scale=1e-6,
        output_full_scale=1.0,
        ambient_c=23.0,
    )
    product = ProductModel.of(settings.product)
    return Judge(product, settings.bench, settings.plan.judging).error(readings)


def test_leakage_counts_most_where_little_flows() -> None:
    """270 pA are 300 ppm of 0.9 uA: at the level, at zero, and said in the budget."""
    plain, leaky = GOOD, with_bench(influences={"leakage_a": 2.7e-10})
    before, after = judged(plain), judged(leaky)

    def added(name: str, parts: tuple[Component, ...]) -> float:
        return next(one.standard for one in parts if one.name == name)

    name = "reference: leakage"
    assert added(name, after.error.components) == pytest.approx(300.0 / ROOT3, rel=0.01)
    assert after.error.uncertainty_ppm > before.error.uncertainty_ppm
    zero = next(one for one in after.points if one.of_full_scale == 0)
    assert added(name, zero.components) == pytest.approx(270.0 / ROOT3)
    # It is the same for every unit here, so that a comparison leaves it out.
    assert after.error.comparison_uncertainty_ppm == pytest.approx(
        before.error.comparison_uncertainty_ppm
    )
    (first, *_, last) = budgets_of_bench(leaky)
    assert first.help.quantity == name
    shares = {one.quantity: one.share for one in last.lines}
    assert shares[name] < 0.01


def test_a_bench_that_leaks_too_much_says_so_before_the_first_unit() -> None:
    leaky = with_bench(influences={"leakage_a": 1e-9})
    assert {one.title for one in prospects(leaky)} == {"1 µA"}
    said = " ".join(too_poor_for(leaky))
    assert "Most of it is the current that passes the unit by" in said
    assert "Better accuracies of these meters alone would not do" in said


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ({"burden_v": 0.1}, "burden_v says nothing without it"),
        ({"output_ohm": 1.0}, "output_ohm says nothing without it"),
        ({"bias_a": 1e-9}, "bias_a says nothing without it"),
        ({"lead_ohm": 1.0}, "lead_ohm says nothing without it"),
        ({"leakage_a": 0.0}, "leakage_a"),
    ],
)
def test_what_says_nothing_alone_is_refused(
    written: dict[str, float], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        bench(influences=written)


def test_a_temperature_coefficient_without_a_resistor_is_refused() -> None:
    with pytest.raises(ValueError, match="standard_resistor"):
        bench(reference_is={"kind": "meter", "standard_tempco_ppm_per_k": 1.0})


@pytest.mark.parametrize(
    ("key", "line"),
    [
        ("lead_ohm", "lead_ohm = 0.2\ninput_ohm = 1e6"),
        ("leakage_a", "leakage_a = 1e-9"),
    ],
)
def test_what_does_nothing_to_such_an_input_is_refused_by_line(
    key: str, line: str, tmp_path: Path
) -> None:
    if key == "lead_ohm":
        copytree(DEMO, tmp_path, dirs_exist_ok=True)
    else:
        write_anew(tmp_path, answered(tmp_path, VOLTS | {"Who reads": "simulated"}))
    file = tmp_path / "bench.toml"
    file.write_text(f"{file.read_text()}\n[influences]\n{line}\n")
    with pytest.raises(ConfigError, match=rf"{key}: does nothing to a product"):
        load(tmp_path)
