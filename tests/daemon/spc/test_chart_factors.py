"""Control-chart factors against the printed tables and their exact values."""

from math import inf, nan, pi, sqrt

import numpy as np
import pytest
from hypothesis import given, strategies as st

from daemon.spc.chart_factors import (
    MEDIAN_MOVING_RANGE,
    c4,
    chi_mean,
    d2,
    d2_star,
    d3,
)
from daemon.spc.errors import OutOfRangeError, SpcError
from tests.reference_values import Entry, entries

FILE = "01_control_chart_constants"
TABLES = [key for key in entries(FILE) if key.startswith("constants.table.")]


def factors(n: int) -> dict[str, float]:
    """Return one row of the printed tables, by their printed symbols (ASTM E2587)."""
    mean_range, range_sd, mean_s = d2(n), d3(n), c4(n)
    s_sd = sqrt(1.0 - mean_s**2)
    return {
        "d2": mean_range,
        "d3": range_sd,
        "c4": mean_s,
        "A": 3.0 / sqrt(n),
        "A2": 3.0 / (mean_range * sqrt(n)),
        "A3": 3.0 / (mean_s * sqrt(n)),
        "B3": max(0.0, 1.0 - 3.0 * s_sd / mean_s),
        "B4": 1.0 + 3.0 * s_sd / mean_s,
        "B5": max(0.0, mean_s - 3.0 * s_sd),
        "B6": mean_s + 3.0 * s_sd,
        "D1": max(0.0, mean_range - 3.0 * range_sd),
        "D2": mean_range + 3.0 * range_sd,
        "D3": max(0.0, 1.0 - 3.0 * range_sd / mean_range),
        "D4": 1.0 + 3.0 * range_sd / mean_range,
        "E2": 3.0 / mean_range,
    }


@pytest.mark.reference(FILE, "constants.exact.n2_25", *TABLES)
def test_factors_are_those_of_the_tables(entry: Entry) -> None:
    rows = [factors(n) for n in entry.inputs["n"]]
    if entry.id == "constants.table.E2":
        # The printed column is 3 over the printed d2.
        rows = [{"E2": 3 / round(row["d2"], 3)} for row in rows]
    for symbol in entry.expected:
        entry.check(symbol, [row[symbol] for row in rows])


@pytest.mark.reference(FILE, "constants.moving_range")
def test_factors_of_moving_ranges(entry: Entry) -> None:
    row = factors(2)
    entry.check("D4", row["D4"])
    entry.check("d2", row["d2"])
    # Printed E2 is 3 over the printed d2.
    entry.check("E2", 3 / round(row["d2"], 3))
    entry.check("median_MR_divisor", MEDIAN_MOVING_RANGE)
    entry.check("median_MR_limit_factor_3_over_d", 3 / MEDIAN_MOVING_RANGE)
    upper = (d2(2) + 3 * d3(2)) / MEDIAN_MOVING_RANGE
    entry.check("median_MR_upper_limit_factor", upper)


@pytest.mark.reference(FILE, "constants.c4_series")
def test_c4_of_large_samples(entry: Entry) -> None:
    sizes = entry.inputs["n"]
    entry.check("c4", [c4(n) for n in sizes])
    approximation = [(4 * n - 4) / (4 * n - 3) for n in sizes]
    entry.check("approx_4n_minus_4_over_4n_minus_3", approximation)


@pytest.mark.reference(FILE, "constants.d2star")
def test_d2_star(entry: Entry) -> None:
    pairs = zip(entry.inputs["n"], entry.inputs["g"], strict=True)
    entry.check("d2star", [d2_star(n, g) for n, g in pairs])


@pytest.mark.source("closed form: moments of |z1 - z2| and of the range of three")
def test_small_ranges_have_closed_forms() -> None:
    assert d2(2) == pytest.approx(2 / sqrt(pi), rel=1e-11)
    assert d3(2) == pytest.approx(sqrt(2 - 4 / pi), rel=1e-9)
    assert d2(3) == pytest.approx(3 / sqrt(pi), rel=1e-11)


@pytest.mark.source("asymptotic series of a ratio of gamma functions")
@given(st.integers(10**3, 10**15))
def test_c4_neither_overflows_nor_loses_digits(n: int) -> None:
    assert c4(n) == pytest.approx(1 - 1 / (4 * n) - 7 / (32 * n**2), abs=2e-10)


@given(st.integers(3, 300))
def test_wider_samples_have_wider_ranges(n: int) -> None:
    assert d2(n + 1) > d2(n)
    assert d3(n) > d3(n + 1) > 0
    assert np.all(np.isfinite(list(factors(n).values())))


@pytest.mark.parametrize("n", [1, 0, -3, 2.5])
def test_a_subgroup_of_one_has_no_scatter(n: int) -> None:
    for factor in (c4, d2, d3):
        with pytest.raises(OutOfRangeError, match=f"n = {n}: must be"):
            factor(n)
    with pytest.raises(OutOfRangeError, match="subgroups = 0"):
        d2_star(2, 0)


@pytest.mark.parametrize("freedom", [0.0, -1.0, nan])
def test_degrees_of_freedom_are_above_zero(freedom: float) -> None:
    with pytest.raises(SpcError, match=f"degrees_of_freedom = {freedom}: must be"):
        chi_mean(freedom)


@pytest.mark.parametrize("n", [nan, inf])
def test_a_size_that_is_not_finite_is_refused(n: int) -> None:
    with pytest.raises(SpcError, match=f"n = {n}"):
        c4(n)
