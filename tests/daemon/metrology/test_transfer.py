"""Transfer formulas: what they accept, give, and give back."""

from math import isclose

import pytest
from hypothesis import assume, given, strategies as st

from daemon.metrology.errors import (
    ArgumentError,
    FormulaError,
    NoSolutionError,
    UnknownPartError,
)
from daemon.metrology.transfer import Transfer, range_parts

STAGE = "(R12 + RSW) * (1 + R3 / R4)"
NOMINAL = {"R12": 9_998.0, "RSW": 2.0, "R3": 9_000.0, "R4": 1_000.0}

ohms = st.floats(min_value=0.1, max_value=1e8)
parts = st.fixed_dictionaries(dict.fromkeys(NOMINAL, ohms))


@pytest.mark.parametrize(
    "formula",
    [
        "R1 ** 2",
        "R1 // R2",
        "R1 % R2",
        "~R1",
        "R1.real",
        "R1.__class__",
        "abs(R1)",
        "__import__('os')",
        "R1[0]",
        "R1 < R2",
        "R1 if R2 else R3",
        "R1 and R2",
        "not R1",
        "lambda: R1",
        "[R1]",
        "{R1}",
        "(R1, R2)",
        "f'{R1}'",
        "'a' * R1",
        "True * R1",
        "None",
        "1j * R1",
        "1e999 * R1",
        "(R1 := 2)",
        "R1; R2",
        "R1 = 2",
        "R1 +",
        "",
        "\x00",
        "(" * 190 + "R1" + ")" * 190,
        "+".join(["R1"] * 80),
        "1 + 2",
    ],
)
def test_all_but_plain_arithmetic_over_parts_is_refused(formula: str) -> None:
    with pytest.raises(FormulaError):
        Transfer(formula)


@given(parts)
def test_the_formula_is_what_python_makes_of_it(values: dict[str, float]) -> None:
    r12, rsw, r3, r4 = (values[name] for name in ("R12", "RSW", "R3", "R4"))
    assert Transfer(STAGE).value(values) == (r12 + rsw) * (1 + r3 / r4)


@given(parts)
def test_sensitivities_are_the_slopes_of_the_logarithm(
    values: dict[str, float],
) -> None:
    transfer = Transfer(STAGE)
    nominal = transfer.value(values)
    step = 1e-6
    for name, sensitivity in transfer.sensitivities(values).items():
        up = transfer.value(values | {name: values[name] * (1 + step)})
        down = transfer.value(values | {name: values[name] * (1 - step)})
        assert sensitivity == pytest.approx(
            (up - down) / (2 * step * nominal), abs=1e-8
        )


@given(parts, st.floats(min_value=1e-6, max_value=1e6))
def test_sensitivities_do_not_depend_on_the_unit_of_resistance(
    values: dict[str, float], scale: float
) -> None:
    """The parts' sensitivities sum to 1, for the transfer is in ohm."""
    transfer = Transfer(STAGE)
    scaled = {name: ohm * scale for name, ohm in values.items()}
    ours = transfer.sensitivities(values)
    assert transfer.sensitivities(scaled) == pytest.approx(ours, rel=1e-9, abs=1e-12)
    assert sum(ours.values()) == pytest.approx(1.0, abs=1e-9)


@given(
    values=parts,
    part=st.sampled_from(sorted(NOMINAL)),
    factor=st.floats(min_value=0.01, max_value=100.0),
)
def test_the_implied_value_is_the_one_that_made_the_error(
    values: dict[str, float], part: str, factor: float
) -> None:
    transfer = Transfer(STAGE)
    assume(abs(transfer.sensitivities(values)[part]) > 1e-4)
    wrong = values | {part: values[part] * factor}
    relative_error = transfer.value(wrong) / transfer.value(values) - 1
    implied = transfer.implied(part, relative_error, values)
    # What the roundings of the two transfers leave, through a weak part.
    assert isclose(implied, wrong[part], rel_tol=1e-9)


def test_no_error_implies_the_nominal_value() -> None:
    assert Transfer(STAGE).implied("R12", 0.0, NOMINAL) == NOMINAL["R12"]


@pytest.mark.parametrize(
    ("part", "relative_error"),
    [("R3", -0.95), ("RSW", -0.01), ("R4", -0.95), ("R12", -1.0), ("R12", -2.0)],
)
def test_a_part_that_cannot_explain_an_error_is_said_so(
    part: str, relative_error: float
) -> None:
    with pytest.raises(NoSolutionError, match=part):
        Transfer(STAGE).implied(part, relative_error, NOMINAL)


def test_a_pole_is_not_taken_for_a_solution() -> None:
    """1 / (R1 - R2) changes sign at R1 = R2 without ever being zero."""
    transfer = Transfer("R2 + R2 * R2 / (R1 - R2)")
    with pytest.raises(NoSolutionError):
        transfer.implied("R1", -0.9, {"R1": 2.0, "R2": 1.0})


def test_worst_case_of_a_product_is_its_farthest_corner() -> None:
    budget = Transfer("R1 * R2").tolerance_budget(
        {"R1": 5.0, "R2": 7.0}, {"R1": 10_000.0, "R2": 10_000.0}
    )
    assert budget.worst_case_ppm == pytest.approx((1.01**2 - 1) * 1e6)
    assert budget.root_sum_square_ppm == pytest.approx(2**0.5 * 10_000)


@given(parts, st.fixed_dictionaries(dict.fromkeys(NOMINAL, st.floats(0, 1e4))))
def test_worst_case_exceeds_the_root_sum_of_squares(
    values: dict[str, float], tolerances_ppm: dict[str, float]
) -> None:
    budget = Transfer(STAGE).tolerance_budget(values, tolerances_ppm)
    linear = sum(budget.parts_ppm.values())
    assert budget.root_sum_square_ppm <= linear * (1 + 1e-12)
    assert budget.worst_case_ppm >= linear * (1 - 1e-6) - 1e-6
    # Tolerances up to one percent leave little that is not linear.
    assert budget.worst_case_ppm <= linear * 1.03 + 1e-6


def test_each_range_has_its_own_part_and_the_stage_is_shared() -> None:
    values = {"R11": 1e5, "R12": 1e4, "RT": 0.5, "RS": 1.0, "R3": 9e3, "R4": 1e3}
    tolerances_ppm = dict.fromkeys(values, 1_000.0)
    found = range_parts(
        {
            "10 uA": Transfer("R11 * (1 + R3 / R4)"),
            "100 uA": Transfer("(R12 + RS) * (1 + R3 / R4)"),
            "1 mA": Transfer("(RT + RS) * (1 + R3 / R4)"),
        },
        values,
        tolerances_ppm,
    )
    assert found.own == {"10 uA": "R11", "100 uA": "R12", "1 mA": "RT"}
    assert found.shared_by_all == ("R3", "R4")
    assert found.shared_by_some == {"RS": ("100 uA", "1 mA")}


def test_a_range_without_a_part_of_its_own_says_none() -> None:
    found = range_parts(
        {"one": Transfer("R1 * R2"), "other": Transfer("R1")},
        {"R1": 1.0, "R2": 1.0},
        {"R1": 1.0, "R2": 1.0},
    )
    assert found.own == {"one": "R2", "other": None}


def test_the_part_that_moves_a_range_most_is_its_own() -> None:
    """A trace of one ohm in series with a range resistor is not the suspect."""
    found = range_parts(
        {"a": Transfer("R1 + RT")},
        {"R1": 1e4, "RT": 1.0},
        {"R1": 1_000.0, "RT": 100_000.0},
    )
    assert found.own == {"a": "R1"}
    assert found.shared_by_all == ()


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
def test_a_part_that_is_no_resistor_is_named(bad: float) -> None:
    with pytest.raises(ArgumentError, match=r"R3 = .*must be > 0") as caught:
        Transfer(STAGE).sensitivities(NOMINAL | {"R3": bad})
    assert caught.value.name == "R3"


def test_a_part_without_a_value_is_named() -> None:
    transfer = Transfer(STAGE)
    with pytest.raises(UnknownPartError, match="'R4'"):
        transfer.value({"R12": 1.0, "RSW": 1.0, "R3": 1.0})
    with pytest.raises(UnknownPartError, match="'R9'"):
        transfer.implied("R9", 0.01, NOMINAL)
    with pytest.raises(UnknownPartError, match="'RSW'"):
        transfer.tolerance_budget(NOMINAL, {"R12": 1.0})


def test_a_transfer_that_is_no_number_is_refused() -> None:
    with pytest.raises(ArgumentError, match="finite"):
        Transfer("R1 / (R2 - R3)").value({"R1": 1.0, "R2": 1.0, "R3": 1.0})
    with pytest.raises(ArgumentError, match="finite"):
        Transfer("R1").value({"R1": float("nan")})


def test_no_range_at_all_is_refused() -> None:
    with pytest.raises(ArgumentError, match="number of ranges = 0"):
        range_parts({}, {}, {})
