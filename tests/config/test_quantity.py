"""Quantities mean the same wherever they are typed."""

import math

import pytest
from hypothesis import given, strategies as st

from config.errors import QuantityError
from config.quantity import Unit, parse, spell

FINITE = st.floats(allow_nan=False, allow_infinity=False)
PREFIXES = {"p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "": 0}
PREFIXES |= {"k": 3, "K": 3, "M": 6, "G": 9, "T": 12}


@given(FINITE, st.sampled_from(Unit))
def test_what_is_spelled_is_read_back_exactly(value: float, unit: Unit) -> None:
    assert parse(spell(value, unit), unit) == value


@given(
    st.integers(-99_999, 99_999),
    st.integers(0, 6),
    st.sampled_from(sorted(PREFIXES)),
    st.sampled_from(["", " ", "\N{NO-BREAK SPACE}"]),
    st.sampled_from(["", "A"]),
)
def test_a_prefix_is_its_power_of_ten(
    digits: int, places: int, prefix: str, gap: str, unit: str
) -> None:
    sign = "-" if digits < 0 else ""
    whole = f"{abs(digits):0{places + 1}d}"
    number = f"{sign}{whole[: len(whole) - places]}.{whole[len(whole) - places :]}"
    exact = float(f"{digits}e{PREFIXES[prefix] - places}")
    assert parse(f"{number}{gap}{prefix}{unit}", Unit.AMPERE) == exact


@given(st.text(max_size=12), st.sampled_from(Unit))
def test_any_other_text_is_refused_by_name(text: str, unit: Unit) -> None:
    try:
        value = parse(text, unit)
    except QuantityError as exc:
        sentence = str(exc)
    else:
        sentence = f"{text!r}: " if math.isfinite(value) else "no number"
    assert sentence.startswith(f"{text!r}: ")


@pytest.mark.source("IEC 60062, resistance marks: the letter stands for the sign")
@pytest.mark.parametrize(
    ("text", "ohm"),
    [
        ("R47", 0.47),
        ("4R7", 4.7),
        ("470R", 470.0),
        ("4K7", 4_700.0),
        ("47K", 47_000.0),
        ("4M7", 4_700_000.0),
        ("1G0", 1e9),
    ],
)
def test_marks_of_resistors(text: str, ohm: float) -> None:
    assert parse(text, Unit.OHM) == ohm


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("90.02u", Unit.AMPERE, 90.02e-6),
        ("90.02 \N{MICRO SIGN}A", Unit.AMPERE, 90.02e-6),
        ("900.4 mV", Unit.VOLT, 0.9004),
        ("\N{MINUS SIGN}5 mV", Unit.VOLT, -0.005),
        ("1e-6", Unit.AMPERE, 1e-6),
        ("10 k\N{OHM SIGN}", Unit.OHM, 10_000.0),
        ("0.1 %", Unit.PPM, 1_000.0),
        ("1000 ppm", Unit.PPM, 1_000.0),
        ("2 \N{PER MILLE SIGN}", Unit.PPM, 2_000.0),
        ("200 ms", Unit.SECOND, 0.2),
        ("23.5 \N{DEGREE SIGN}C", Unit.CELSIUS, 23.5),
    ],
)
def test_what_people_write(text: str, unit: Unit, value: float) -> None:
    assert parse(text, unit) == value


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("0,1%", Unit.PPM, 1000.0),
        ("0,125 V", Unit.VOLT, 0.125),
        ("5,0152 k", Unit.OHM, 5015.2),
        ("-12,5 ppm", Unit.PPM, -12.5),
        ("\N{MINUS SIGN}1,5e-3", Unit.VOLT, -0.0015),
    ],
)
def test_a_comma_that_can_be_nothing_else_is_a_decimal_sign(
    text: str, unit: Unit, value: float
) -> None:
    assert parse(text, unit) == value


@pytest.mark.parametrize(
    "text", ["1,000", "12,345 k", "1,000.5", "1.000,5", "1,2,3", "10031,10029", "1,"]
)
def test_a_comma_that_may_be_something_else_is_asked_about(text: str) -> None:
    """It may part thousands, or two readings that were typed without a blank."""
    with pytest.raises(QuantityError, match="write the decimal sign as a point"):
        parse(text, Unit.OHM)


@pytest.mark.parametrize(
    ("text", "unit", "sentence"),
    [
        (
            "1 V",
            Unit.AMPERE,
            "'1 V': 'V' does not belong here; must be a current such as 10u or 2.5 mA",
        ),
        (
            "0.1",
            Unit.PPM,
            "'0.1': say whether % or ppm; must be a share such as 0.1 % or 100 ppm",
        ),
        (
            "1,500k",
            Unit.OHM,
            "'1,500k': write the decimal sign as a point, and the digits without gaps",
        ),
        (
            "10 000",
            Unit.OHM,
            "'10 000': write the decimal sign as a point, and the digits without gaps",
        ),
        ("", Unit.VOLT, "'': must be a voltage such as 12 or 900.4 mV"),
        (
            "ten",
            Unit.OHM,
            "'ten': must be a resistance such as 10k, 4k7 or 499.9 ohm",
        ),
        ("1e999", Unit.VOLT, "'1e999': too large a number"),
        (
            "2 h",
            Unit.SECOND,
            "'2 h': 'h' does not belong here; must be a time such as 0.5 or 200 ms",
        ),
    ],
)
def test_a_refusal_says_what_is_meant(text: str, unit: Unit, sentence: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(text, unit)
    assert str(caught.value) == sentence


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_only_finite_numbers_are_spelled(value: float) -> None:
    with pytest.raises(QuantityError):
        spell(value, Unit.VOLT)


def test_case_tells_milli_from_mega() -> None:
    assert parse("1M", Unit.OHM) == 1e9 * parse("1m", Unit.OHM)
