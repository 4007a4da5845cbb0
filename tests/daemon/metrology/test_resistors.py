"""Preferred values, marks and trimming: properties and refusals."""

from math import inf, nan

import pytest
from hypothesis import given, strategies as st

from daemon.metrology.errors import ArgumentError, MarkError, NoSolutionError
from daemon.metrology.resistors import (
    SERIES,
    TOLERANCES_PERCENT,
    TrimKind,
    neighbours,
    preferred_between,
    read_mark,
    trim,
)
from tests.reference_values import Entry, entries

FILE = "13_resistor_standards"
series_names = st.sampled_from(sorted(SERIES))


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
def test_marks_are_read(entry: Entry) -> None:
    for mark, value_ohm in entry.inputs["rows"]:
        assert read_mark(mark).value_ohm == value_ohm


@pytest.mark.reference(FILE, "iec60062.tolerance_letters")
def test_tolerance_letters(entry: Entry) -> None:
    published = entry.published("percent")
    assert dict(TOLERANCES_PERCENT) == published
    for letter, percent in published.items():
        assert read_mark(f"4K7{letter}").tolerance_percent == percent


@given(st.floats(1e-6, 1e9), series_names)
def test_neighbours_enclose_and_are_preferred(value: float, series: str) -> None:
    below, above = neighbours(value, series)
    assert below <= value * (1 + 1e-12)
    assert above >= value * (1 - 1e-12)
    for one in (below, above):
        assert neighbours(one, series) == (one, one)
        digits = float(f"{one:.6e}".partition("e")[0])
        scale = 10 if series in ("E3", "E6", "E12", "E24") else 100
        assert round(digits * scale) in SERIES[series]


def test_a_decade_joins_the_next() -> None:
    assert neighbours(99.0, "E24") == (91.0, 100.0)
    assert neighbours(0.0995, "E96") == (0.0976, 0.1)


@given(st.floats(1e-3, 1e8), st.floats(1.0, 30.0))
def test_between_two_bounds_lie_all_preferred_values_and_no_other(
    low: float, ratio: float
) -> None:
    found = preferred_between(low, low * ratio)
    assert list(found) == sorted(set(found))
    assert all(low <= one <= low * ratio for one in found)
    for series in ("E24", "E192"):
        above = neighbours(low, series)[1]
        assert (above in found) == (low <= above <= low * ratio)
    known = (neighbours(one, series) for one in found for series in ("E24", "E192"))
    assert sum(below == above for below, above in known) >= len(found)


@given(
    st.floats(1.0, 1e7),
    st.floats(1.0005, 3.0),
    st.sampled_from(["E24", "E96", "E192"]),
)
def test_a_resistor_that_is_too_large_is_lowered_in_parallel(
    wanted_ohm: float, factor: float, series: str
) -> None:
    actual_ohm = wanted_ohm * factor
    found = trim(actual_ohm, wanted_ohm, series=series, highest_ohm=inf)
    assert found.kind is TrimKind.PARALLEL
    assert found.result_ohm < actual_ohm
    assert 1 / found.result_ohm == pytest.approx(1 / actual_ohm + 1 / found.part_ohm)
    assert abs(found.error_ppm) < (factor - 1) * 1e6
    # The effect of one ppm of the part, by making it one ppm larger.
    larger = 1 / (1 / actual_ohm + 1 / (found.part_ohm * (1 + 1e-6)))
    assert (larger / found.result_ohm - 1) * 1e6 == pytest.approx(
        found.sensitivity, abs=1e-4
    )


@given(st.floats(10.0, 1e7), st.floats(0.3, 0.9995), st.sampled_from(["E24", "E96"]))
def test_a_resistor_that_is_too_small_is_raised_in_series(
    wanted_ohm: float, factor: float, series: str
) -> None:
    actual_ohm = wanted_ohm * factor
    found = trim(
        actual_ohm, wanted_ohm, series=series, lowest_ohm=1e-6, highest_ohm=inf
    )
    assert found.kind is TrimKind.SERIES
    assert found.result_ohm == actual_ohm + found.part_ohm > actual_ohm
    assert abs(found.error_ppm) < (1 - factor) * 1e6
    assert found.sensitivity == pytest.approx(found.part_ohm / found.result_ohm)


def test_what_cannot_be_trimmed_is_refused() -> None:
    with pytest.raises(NoSolutionError, match="nothing to trim"):
        trim(10_000.0, 10_000.0)
    with pytest.raises(NoSolutionError, match=r"1e\+11 ohm.*can be had"):
        trim(10_000.001, 10_000.0)


@pytest.mark.parametrize(
    "mark",
    [
        "",
        "R",
        "4.7K",
        "47",
        "4K7X",
        "K4K7",
        "R0",
        "0R0",
        "000",
        "4m7",
        "00C",
        "97A",
        "47020",
    ],
)
def test_what_is_no_mark_is_refused(mark: str) -> None:
    with pytest.raises(MarkError):
        read_mark(mark)


@pytest.mark.source(
    "digits and power of ten: IEC 60062; a place in E96 and a letter: EIA-96, from "
    "memory; the values of E96 themselves: IEC 60063"
)
@pytest.mark.parametrize(
    ("mark", "value_ohm", "tolerance_percent"),
    [
        ("4702", 47_000.0, None),
        ("472", 4_700.0, None),
        ("100", 10.0, None),
        ("1000", 100.0, None),
        ("4k7", 4_700.0, None),
        (" 4K7 ", 4_700.0, None),
        ("01C", 10_000.0, 1.0),
        ("68X", 49.9, 1.0),
        ("68r", 68.0, None),
        ("01Y", 1.0, 1.0),
        ("96F", 97_600_000.0, 1.0),
        ("30z", 0.2, 1.0),
    ],
)
def test_small_parts_are_read_by_digits_and_by_place(
    mark: str, value_ohm: float, tolerance_percent: float | None
) -> None:
    read = read_mark(mark)
    assert read.value_ohm == pytest.approx(value_ohm, rel=1e-12)
    assert read.tolerance_percent == tolerance_percent


@pytest.mark.parametrize("bad", [nan, inf, -inf])
def test_numbers_that_are_none_are_refused(bad: float) -> None:
    for call in (
        lambda: neighbours(bad, "E24"),
        lambda: preferred_between(1.0, bad),
        lambda: trim(bad, 1.0),
        lambda: trim(1.0, bad),
    ):
        with pytest.raises(ArgumentError, match=r"nan|inf"):
            call()


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: neighbours(1.0, "E7"), "series = 'E7'"),
        (lambda: neighbours(0.0, "E24"), "value_ohm = 0.0"),
        (lambda: preferred_between(0.0, 1.0), "low = 0.0"),
        (
            lambda: trim(2.0, 1.0, lowest_ohm=9.0, highest_ohm=1.0),
            "lowest_ohm = 9.0: must be < highest_ohm",
        ),
    ],
)
def test_values_outside_their_bounds_are_named(call: object, sentence: str) -> None:
    with pytest.raises(ArgumentError, match=sentence):
        call()  # type: ignore[operator]


@pytest.mark.source("IEC 60063:2015, series E24 and E192")
def test_values_of_a_decade_are_those_of_the_standard() -> None:
    """All of both series, and nothing else: 920 stands where rounding gives 919."""
    known = entries("13_resistor_standards")
    wanted = {
        *(float(one) for one in known["eseries.E48_E96_E192"].published("E192")),
        *(10.0 * one for one in known["eseries.E24"].published("E24")),
    }
    assert preferred_between(100.0, 999.9) == tuple(sorted(wanted))
    assert preferred_between(0.0988, 0.102) == (0.0988, 0.1, 0.101, 0.102)
