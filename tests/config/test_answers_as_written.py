"""Answers as people write them: decimal commas, high voltages, what a meter says."""

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import pytest
from pydantic import Field

from config.ask_product import _limit, _scales, _titled_scales
from config.dialogue import number, one_for_each, quantity
from config.handheld import accuracy, handhelds
from config.load import load
from config.quantity import Unit
from config.strict import Ohm, Ppm, Volt
from config.wizard import init
from daemon.station.headings import range_of
from tests.config.test_wizard import by_question

VOLTS = {
    "What is the product": "Divider",
    "What goes in": "volts",
    "Highest voltage": "1100 V",
    "Full scale": "10, 1000",
    "Volts out": "R2 / (R1 + R2), R3 / (R1 + R3)",
    "Largest": "0,1 % + 0,05 % with offset",
    "Values": "10k, 100, 90k",
    "Their tol": "0,1 %",
    "Who may": "Ada Moreno",
    "How good is the meter that reads what goes in": "0,03 % + 2 digits, 50000 counts",
}


def once(asked: list[str]) -> Callable[[str], str]:
    """Return a person who gives the same answer once: a refusal ends the test."""
    person = by_question(VOLTS, asked)

    def answer(question: str) -> str:
        assert question not in asked, question
        return person(question)

    return answer


def test_a_high_divider_with_decimal_commas_is_taken_as_it_is(tmp_path: Path) -> None:
    said: list[str] = []
    init(tmp_path, once([]), said.append)
    settings = load(tmp_path)
    product = settings.product
    assert product.input_absolute_maximum_v == 1100
    assert {one.limit.of_reading_ppm for one in product.ranges.values()} == {1000.0}
    assert {one.tolerance_ppm for one in product.parts.values()} == {1000.0}
    assert {one.source_limit for one in product.ranges.values()} == {12.0, 1000.0}
    assert any("can injure or kill" in one for one in said)
    assert any("a source is never set above 12 V." in one for one in said)
    assert not any("must be" in one for one in said)


@pytest.mark.parametrize(
    ("read", "answer", "meant"),
    [
        (quantity(Unit.VOLT, Volt), "30,5 V", 30.5),
        (number(Annotated[float, Field(gt=0)]), "0,125", 0.125),
        (one_for_each(quantity(Unit.OHM, Ohm), 2), "4,99k, 10k", (4990.0, 10_000.0)),
        (one_for_each(quantity(Unit.OHM, Ohm), 2), "4,99k; 10k", (4990.0, 10_000.0)),
        (one_for_each(quantity(Unit.OHM, Ohm), 1), "4,99k", (4990.0,)),
        (one_for_each(quantity(Unit.PPM, Ppm), 2, all_alike=True), "0,1 %", (1e3, 1e3)),
        (one_for_each(quantity(Unit.OHM, Ohm), 3), "4,99k, 10k", (4.0, 99e3, 10e3)),
        (one_for_each(quantity(Unit.OHM, Ohm), 2), "4.99k 10k", (4990.0, 10_000.0)),
        (one_for_each(quantity(Unit.OHM, Ohm), 2), "4.99 k 10 k", (4990.0, 10_000.0)),
        (one_for_each(quantity(Unit.PPM, Ppm), 2), "0.1 % 50 ppm", (1e3, 50.0)),
        (_scales(Unit.VOLT, 100.0), "0,1, 1, 10", (0.1, 1.0, 10.0)),
        (_scales(Unit.VOLT, 100.0), "1,10,100", (1.0, 10.0, 100.0)),
        (_scales(Unit.AMPERE, 1.0), "1mA 10mA 100mA", (1e-3, 1e-2, 0.1)),
        (_scales(Unit.AMPERE, 1.0), "1 mA  10 mA", (1e-3, 1e-2)),
        (_scales(Unit.AMPERE, 1.0), "2,5 mA", (2.5e-3,)),
        (_scales(Unit.AMPERE, 1.0), "1 mA; 2,5 mA", (1e-3, 2.5e-3)),
    ],
)
def test_a_decimal_comma_that_is_sure_is_taken(
    read: Callable[[str], object], answer: str, meant: object
) -> None:
    assert read(answer) == meant


@pytest.mark.parametrize(
    ("read", "answer"),
    [
        (quantity(Unit.VOLT, Volt), "1,000"),
        (quantity(Unit.OHM, Ohm), "1,000.5"),
        (_scales(Unit.VOLT, 100.0), "1,5, 10"),
    ],
)
def test_a_comma_that_may_be_either_is_asked_again(
    read: Callable[[str], object], answer: str
) -> None:
    with pytest.raises(ValueError, match="decimal sign"):
        read(answer)


def test_decimal_commas_alone_do_not_part_ranges() -> None:
    with pytest.raises(ValueError, match="put a comma and a blank between the ranges"):
        _scales(Unit.AMPERE, 1.0)("2,5 mA 10 mA")


@pytest.mark.parametrize(
    ("answer", "titles"),
    [
        ("10 (low), 10 (high)", ["10 V low", "10 V high"]),
        ("10 V (1 to 10), 100 mV, 10 (1 to 100)",
         ["10 V 1 to 10", "100 mV", "10 V 1 to 100"]),
        ("10(a) 10(b)", ["10 V a", "10 V b"]),
        ("1, 10", ["1 V", "10 V"]),
    ],
)  # fmt: skip
def test_ranges_of_one_full_scale_are_told_apart_by_a_name_in_brackets(
    answer: str, titles: list[str]
) -> None:
    found = _titled_scales(Unit.VOLT, 100.0)(answer)
    assert [title for title, _ in found] == titles
    assert {value for title, value in found if title.startswith("10 V")} == {10.0}


@pytest.mark.parametrize("answer", ["10, 10", "10 (a), 10 (a)", "1, 1000m"])
def test_two_ranges_called_the_same_are_refused(answer: str) -> None:
    with pytest.raises(ValueError, match="called the same; put another name"):
        _titled_scales(Unit.VOLT, 100.0)(answer)


def test_a_divider_with_two_ranges_of_one_full_scale_is_asked_and_written(
    tmp_path: Path,
) -> None:
    """A sheet's heading that names the full scale alone is of neither."""
    given = {
        "Full scale": "10 (low), 10 (high)",
        "Volts out": "R2 / (R1 + R2), R4 / (R3 + R4)",
        "Values": "9M, 1M, 9k, 1k",
    }
    said: list[str] = []
    init(tmp_path, by_question(VOLTS | given, []), said.append)
    product = load(tmp_path).product
    assert [(key, one.full_scale) for key, one in product.ranges.items()] == [
        ("10Vlow", 10.0),
        ("10Vhigh", 10.0),
    ]
    assert [range_of(one, product) for one in ("10 V low in", "10 V high / mV")] == [
        "10Vlow",
        "10Vhigh",
    ]
    assert range_of("10 V in", product) is None


def test_a_limit_with_commas_is_the_one_with_points() -> None:
    assert _limit("0,1 % + 0,05 %") == _limit("0.1 % + 0.05 %")


@pytest.mark.parametrize("counts", [2_000, 6_000, 50_000, 1_000, 1_200_000])
def test_a_meter_by_hand_reads_whatever_a_range_may_be(
    tmp_path: Path, counts: int
) -> None:
    """The error in digits stays that of the last digit, common practice, no source."""
    init(tmp_path, once([]), lambda _: None)
    bench = handhelds(load(tmp_path).product, f"0.03 % + 2 digits, {counts} counts")
    *_, before, top = bench.reference.ranges
    assert before.full_scale < top.full_scale == 1000
    assert top.of_range_ppm * 1e-6 * 1000 == pytest.approx(2 * top.resolution)
    assert top.resolution >= 1000 / counts * (1 - 1e-9)


def test_a_measuring_range_is_no_accuracy_and_it_is_said_what_is() -> None:
    with pytest.raises(ValueError, match="leave the measuring range out, and write"):
        accuracy("0.03 % + 2 digits, 1000 V")
    with pytest.raises(ValueError, match=r"6000 counts'$"):
        accuracy("good")
