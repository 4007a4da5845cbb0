"""Digits of mean, standard deviation and analysis of variance."""

from math import log10

import numpy as np
import pytest
from hypothesis import given, strategies as st

from daemon.spc.anova import one_way
from daemon.spc.moments import moments
from tests.reference_values import Entry
from tests.refusals import Refusal, assert_refused, refusals

FILE = "08b_nist_strd"
WELL_CONDITIONED = ("strd.Lottery", "strd.Mavro", "strd.Michelso")
CONSTRUCTED = ("strd.NumAcc1", "strd.NumAcc2", "strd.NumAcc3", "strd.NumAcc4")
LISTED = ("strd.anova.SiRstv", "strd.anova.SmLs01", "strd.anova.SmLs04")
PATTERNED = ("strd.anova.SmLs02", "strd.anova.SmLs05")


def values_of(entry: Entry) -> list[float]:
    if "x" in entry.inputs:
        return list(entry.inputs["x"])
    b = entry.inputs["b"]
    # In decimal steps, as the data set is defined.
    return [b, *([round(b - 0.1, 1), round(b + 0.1, 1)] * 500)]


def groups_of(entry: Entry) -> list[list[float]]:
    if isinstance(entry.inputs["groups"], list):
        return list(entry.inputs["groups"])
    pairs = (entry.inputs["n_per_group"] - 1) // 2
    return [
        [first, *(pair * pairs)]
        for first, pair in zip(
            entry.inputs["first_value_of_each_group"],
            entry.inputs["second_third_of_each_group"],
            strict=True,
        )
    ]


def digits(ours: float, certified: float) -> float:
    """Log relative error, NIST's measure of agreement."""
    difference = abs(ours - certified) / abs(certified)
    return 17.0 if difference == 0.0 else -log10(difference)


@pytest.mark.reference(FILE, *WELL_CONDITIONED, *CONSTRUCTED)
def test_univariate_sets(entry: Entry) -> None:
    x = values_of(entry)
    ours = moments(x)
    assert ours.n == len(x) == entry.inputs["n"]
    entry.check("mean", ours.mean)
    entry.check("sd", ours.s)


@pytest.mark.reference(FILE, *WELL_CONDITIONED)
def test_digits_on_the_well_conditioned_sets(entry: Entry) -> None:
    x = values_of(entry)
    ours = moments(x)
    for value, name in ((ours.mean, "mean"), (ours.s, "sd")):
        # Certified values have fifteen digits.
        assert digits(value, entry.published(name)) >= 13


@pytest.mark.reference(FILE, *CONSTRUCTED)
def test_digits_on_the_sets_made_to_cancel(entry: Entry) -> None:
    x = values_of(entry)
    ours = moments(x)
    assert digits(ours.mean, entry.published("mean")) >= 13
    # The values themselves, as binary numbers, have no more.
    assert digits(ours.s, entry.published("sd")) >= 8


@pytest.mark.reference(FILE, *LISTED, *PATTERNED, "strd.anova.SmLs07")
def test_analysis_of_variance_sets(entry: Entry) -> None:
    table = one_way(groups_of(entry))
    entry.check("df_between", table.df_between)
    entry.check("df_within", table.df_within)
    entry.check("F", table.f)
    entry.check("residual_sd", table.s_within)
    if entry.id == "strd.anova.SmLs07":
        # Thirteen constant leading digits leave three for the data.
        assert digits(table.ss_between, entry.published("SS_between")) >= 2
        return
    entry.check("SS_between", table.ss_between)
    entry.check("SS_within", table.ss_within)
    entry.check("R2", table.r_squared)


@pytest.mark.reference(FILE, "strd.anova.SiRstv", "strd.anova.SmLs01", *PATTERNED[:1])
def test_thirteen_digits_of_f(entry: Entry) -> None:
    table = one_way(groups_of(entry))
    assert digits(table.f, entry.published("F")) >= 13


@given(
    st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=50),
    st.floats(-1e3, 1e3),
    st.floats(0.01, 100.0),
)
def test_shift_moves_only_the_mean_and_scale_both(
    x: list[float], shift: float, scale: float
) -> None:
    plain = moments(x)
    moved = moments([scale * value + shift for value in x])
    assert moved.mean == pytest.approx(scale * plain.mean + shift, abs=1e-8)
    assert moved.s == pytest.approx(scale * plain.s, rel=1e-9, abs=1e-8)


@pytest.mark.parametrize(
    "refusal",
    refusals(
        Refusal("len(x)", lambda: moments([])),
        Refusal("len(x)", lambda: moments([1.0])),
        Refusal("x[1]", lambda: moments([1.0, np.inf])),
        Refusal("len(groups)", lambda: one_way([[1.0, 2.0]])),
        Refusal("len(groups[1])", lambda: one_way([[1.0, 2.0], []])),
        Refusal("groups[0][1]", lambda: one_way([[1.0, np.nan], [2.0]])),
        Refusal("values in the largest group", lambda: one_way([[1.0], [2.0]])),
        Refusal("spread of groups", lambda: one_way([[1.0, 1.0], [1.0]])),
        Refusal("spread of groups", lambda: one_way([[0.1] * 3, [0.1] * 7])),
    ),
)
def test_bad_arguments_are_named(refusal: Refusal) -> None:
    assert_refused(refusal)
