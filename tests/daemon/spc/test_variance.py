"""Components of variance against published sets, a general library and simulation."""

from math import sqrt
from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings, strategies as st
from numpy.typing import NDArray
from scipy.optimize import minimize

from daemon.spc.variance import (
    INNERMOST,
    MeanSquare,
    nested_components,
    one_way_components,
    reml_components,
    sum_interval,
    variance_interval,
)
from tests.reference_values import Entry, entry
from tests.refusals import Refusal, assert_refused, refusals

FILE = "12_variance_components"


@pytest.mark.reference(FILE, "oneway.dyestuff")
def test_dyestuff(entry: Entry) -> None:
    found = one_way_components(entry.inputs["data"])
    table = found.table
    entry.check("grand_mean", table.mean)
    entry.check("batch_means", table.means)
    entry.check("SS_between", table.ss_between)
    entry.check("SS_within", table.ss_within)
    entry.check("MS_between", table.ms_between)
    entry.check("MS_within", table.ms_within)
    entry.check("F", table.f)
    entry.check("p", table.p)
    entry.check("var_within", found.inside)
    entry.check("var_between", found.across)
    entry.check("icc", found.correlation)
    for name, interval in (
        ("icc_95ci", found.correlation_interval),
        ("var_within_95ci", found.inside_interval),
    ):
        entry.check(name, [interval.lower, interval.upper])


@pytest.mark.reference(FILE, "oneway.dyestuff2")
def test_dyestuff_with_nothing_across(entry: Entry) -> None:
    found = one_way_components(entry.inputs["data"])
    entry.check("MS_between", found.table.ms_between)
    entry.check("MS_within", found.table.ms_within)
    entry.check("var_between_untruncated", found.untruncated)
    entry.check("var_between", found.across)
    entry.check("grand_mean", found.table.mean)
    assert found.across_interval.lower < 0.0 < found.across_interval.upper


@pytest.mark.reference("18_open_datasets", "oxide.nested")
def test_oxide(entry: Entry) -> None:
    thickness = entry.inputs["thickness"]
    levels = [("lot", entry.inputs["lot"]), ("wafer", entry.inputs["wafer"])]
    anova = nested_components(thickness, levels)
    reml = reml_components(thickness, levels)
    for found in (anova, reml):
        entry.check("mean", found.mean)
        for name in ("lot", "wafer"):
            entry.check(f"sd_{name}", found.level(name).s)
        entry.check("sd_site", found.level(INNERMOST).s)


def _labelled(groups: list[list[float]]) -> tuple[list[float], list[int]]:
    values = [value for group in groups for value in group]
    return values, [i for i, group in enumerate(groups) for _ in group]


@pytest.mark.source(
    "Bates, lme4 (2010), printed fits: Dyestuff REML criterion 319.6543, sd 42.001 "
    "and 49.510; Dyestuff2 161.8283, sd 0 and 3.7157 (from memory)"
)
def test_restricted_likelihood_of_both_dyestuff_sets() -> None:
    for key, criterion, across, inside in (
        ("oneway.dyestuff", 319.6543, 42.001, 49.510),
        ("oneway.dyestuff2", 161.8283, 0.0, 3.7157),
    ):
        values, batch = _labelled(entry(FILE, key).inputs["data"])
        found = reml_components(values, [("batch", batch)])
        assert -2.0 * found.log_likelihood == pytest.approx(criterion, abs=6e-5)
        assert found.level("batch").s == pytest.approx(across, abs=6e-4)
        assert found.level(INNERMOST).s == pytest.approx(inside, abs=6e-4)


@pytest.mark.source(
    "Pinheiro & Bates (2000), printed fit of the Oxide data: restricted "
    "log-likelihood -227.0110, standard error of the mean 4.2317 (from memory)"
)
def test_restricted_likelihood_of_the_oxide_data() -> None:
    example = entry("18_open_datasets", "oxide.nested").inputs
    found = reml_components(
        example["thickness"], [("lot", example["lot"]), ("wafer", example["wafer"])]
    )
    assert found.log_likelihood == pytest.approx(-227.0110, abs=6e-5)
    assert found.standard_error == pytest.approx(4.2317, abs=6e-5)


def _unbalanced(seed: int) -> pd.DataFrame:
    generator = np.random.default_rng(seed)
    rows: list[tuple[int, int, float]] = []
    for lot in range(10):
        of_lot = generator.normal(50.0, 3.0)
        for wafer in range(generator.integers(2, 6)):
            of_wafer = generator.normal(of_lot, 2.0)
            rows.extend(
                (lot, wafer, generator.normal(of_wafer))
                for _ in range(generator.integers(1, 5))
            )
    return pd.DataFrame(rows, columns=["lot", "wafer", "y"])


@pytest.mark.source(
    "statsmodels MixedLM, restricted likelihood, unbalanced nested data"
)
@pytest.mark.parametrize("seed", [4, 5])
def test_reml_against_the_general_library(seed: int) -> None:
    frame = _unbalanced(seed)
    model = smf.mixedlm(
        "y ~ 1",
        frame,
        groups="lot",
        re_formula="1",
        vc_formula={"wafer": "0 + C(wafer)"},
    ).fit(reml=True)
    found = reml_components(frame.y, _levels(frame))
    assert found.log_likelihood == pytest.approx(model.llf, abs=1e-6)
    assert found.level("lot").variance == pytest.approx(
        model.cov_re.iloc[0, 0], rel=1e-3
    )
    assert found.level("wafer").variance == pytest.approx(model.vcomp[0], rel=1e-3)
    assert found.level(INNERMOST).variance == pytest.approx(model.scale, rel=1e-3)
    assert found.mean == pytest.approx(model.params["Intercept"], rel=1e-6)


def _levels(frame: pd.DataFrame) -> list[tuple[str, list[Any]]]:
    return [("lot", frame.lot.tolist()), ("wafer", frame.wafer.tolist())]


@pytest.mark.source("definition: expected mean squares, simulated with a fixed seed")
def test_unbalanced_analysis_of_variance_is_unbiased() -> None:
    generator = np.random.default_rng(12)
    frame = _unbalanced(7)
    levels = _levels(frame)
    wafer = frame.groupby(["lot", "wafer"]).ngroup().to_numpy()
    lot = frame.lot.to_numpy()
    found = []
    for _ in range(400):
        y = generator.normal(0.0, 3.0, 10)[lot]
        y = y + generator.normal(0.0, 2.0, wafer.max() + 1)[wafer]
        y = y + generator.normal(0.0, 1.0, len(lot))
        rows = nested_components(y, levels).levels
        found.append([row.untruncated for row in rows])
    error = 4.0 * np.std(found, axis=0) / sqrt(400)
    assert np.all(np.abs(np.mean(found, axis=0) - [9.0, 4.0, 1.0]) < error)


@pytest.mark.source(
    "definition: coverage of the intervals, simulated with a fixed seed"
)
def test_intervals_cover_as_often_as_said() -> None:
    generator = np.random.default_rng(1990)
    sizes = [3, 5, 8, 4, 6, 5, 9, 4]
    hits = np.zeros(3)
    for _ in range(600):
        groups = [generator.normal(generator.normal(0.0, 1.5), 1.0, n) for n in sizes]
        found = one_way_components(groups, confidence=0.9)
        for i, (interval, true) in enumerate(
            (
                (found.inside_interval, 1.0),
                (found.across_interval, 2.25),
                (found.correlation_interval, 2.25 / 3.25),
            )
        ):
            hits[i] += interval.lower <= true <= interval.upper
    assert hits / 600 == pytest.approx(np.full(3, 0.9), abs=0.045)


@pytest.mark.source(
    "definition: coverage of the intervals, simulated with a fixed seed"
)
def test_nested_intervals_cover_as_often_as_said() -> None:
    generator = np.random.default_rng(1992)
    lot = np.repeat(np.arange(9), 6)
    wafer = np.tile(np.repeat(np.arange(3), 2), 9)
    levels = [("lot", lot.tolist()), ("wafer", wafer.tolist())]
    hits = np.zeros(3)
    for _ in range(400):
        y = generator.normal(0.0, 2.0, 9)[lot] + generator.normal(0.0, 1.0, 54)
        y += generator.normal(0.0, 1.5, 27)[lot * 3 + wafer]
        found = nested_components(y, levels, confidence=0.9)
        for i, (row, true) in enumerate(
            zip(found.levels, (4.0, 2.25, 1.0), strict=True)
        ):
            hits[i] += row.interval.lower <= true <= row.interval.upper
    assert hits / 400 == pytest.approx(np.full(3, 0.9), abs=0.055)


Floats = NDArray[np.float64]


def _dense(frame: pd.DataFrame, variances: Floats) -> float:
    """Restricted log-likelihood from the matrices of its definition."""
    y = frame.y.to_numpy()
    n = len(y)
    lot = frame.lot.to_numpy()
    wafer = frame.groupby(["lot", "wafer"]).ngroup().to_numpy()
    v = variances[2] * np.eye(n)
    v += variances[0] * (lot[:, None] == lot)
    v += variances[1] * (wafer[:, None] == wafer)
    inverse = np.linalg.inv(v)
    information = inverse.sum()
    mean = inverse.sum(axis=0) @ y / information
    logs = np.linalg.slogdet(v)[1] + np.log(information)
    return float(
        -0.5 * (logs + (y - mean) @ inverse @ (y - mean) + (n - 1) * np.log(2 * np.pi))
    )


@pytest.mark.source("definition: restricted likelihood from dense matrices")
def test_reml_against_the_definition() -> None:
    frame = _unbalanced(9)
    found = reml_components(frame.y, _levels(frame), confidence=0.95)
    best = np.array([row.variance for row in found.levels])
    top = _dense(frame, best)
    assert found.log_likelihood == pytest.approx(top, abs=1e-9)
    for i, row in enumerate(found.levels):
        others = [j for j in range(3) if j != i]
        for end in (row.interval.lower, row.interval.upper):

            def loss(part: Floats, i: int = i, end: float = end) -> float:
                full = np.insert(np.exp(part), i, end)
                return -_dense(frame, full)

            profile = -minimize(loss, np.log(best[others]), method="Nelder-Mead").fun
            # Half the 95 % point of chi-square with one degree of freedom.
            assert top - profile == pytest.approx(1.92073, abs=1e-4)


@given(st.integers(0, 10_000), st.integers(2, 5), st.integers(2, 4), st.integers(2, 4))
@settings(max_examples=8, deadline=None)
def test_balanced_reml_equals_the_analysis_of_variance(
    seed: int, lots: int, wafers: int, sites: int
) -> None:
    generator = np.random.default_rng(seed)
    shape = (lots, wafers, sites)
    y = generator.normal(0.0, 5.0, (lots, 1, 1)) + generator.normal(
        0.0, 3.0, (lots, wafers, 1)
    )
    y = y + generator.normal(size=shape)
    lot, wafer, _ = np.indices(shape)
    levels = [("lot", lot.ravel().tolist()), ("wafer", wafer.ravel().tolist())]
    anova = nested_components(y.ravel(), levels)
    reml = reml_components(y.ravel(), levels)
    if min(row.untruncated for row in anova.levels) > 0.01:
        for one, other in zip(anova.levels, reml.levels, strict=True):
            assert other.variance == pytest.approx(one.variance, rel=1e-4)
    assert reml.mean == pytest.approx(y.mean())


@given(st.integers(0, 10_000), st.floats(-1e4, 1e4), st.floats(0.1, 50.0))
@settings(max_examples=20, deadline=None)
def test_shift_and_scale(seed: int, shift: float, scale: float) -> None:
    frame = _unbalanced(seed)
    plain = nested_components(frame.y, _levels(frame))
    moved = nested_components(scale * frame.y + shift, _levels(frame))
    assert moved.mean == pytest.approx(scale * plain.mean + shift, abs=1e-6)
    for one, other in zip(plain.levels, moved.levels, strict=True):
        assert other.untruncated == pytest.approx(
            scale**2 * one.untruncated, rel=1e-6, abs=1e-6
        )
        assert other.interval.upper == pytest.approx(
            scale**2 * one.interval.upper, rel=1e-6
        )


@given(st.integers(0, 10_000))
@settings(max_examples=20, deadline=None)
def test_one_level_is_the_one_way_analysis(seed: int) -> None:
    generator = np.random.default_rng(seed)
    groups = [generator.normal(i, 1.0, generator.integers(1, 6)) for i in range(4)]
    groups.append(generator.normal(0.0, 1.0, 3))
    values, label = _labelled([group.tolist() for group in groups])
    one = one_way_components(groups)
    nested = nested_components(values, [("build", label)])
    assert nested.level("build").untruncated == pytest.approx(one.untruncated)
    assert nested.level(INNERMOST).variance == pytest.approx(one.inside)


def test_one_mean_square_alone_has_its_exact_interval() -> None:
    term = MeanSquare(value=3.0, degrees=7)
    exact, summed = variance_interval(term), sum_interval([term])
    assert summed.lower == pytest.approx(exact.lower)
    assert summed.upper == pytest.approx(exact.upper)


Y = [1.0, 2.0, 4.0, 3.0, 7.0, 5.0]
LOT = [1, 1, 1, 2, 2, 2]


@pytest.mark.parametrize(
    "refusal",
    refusals(
        Refusal("len(groups)", lambda: one_way_components([[1.0, 2.0]])),
        Refusal(
            "spread inside groups", lambda: one_way_components([[0.1] * 3, [0.7] * 3])
        ),
        Refusal(
            "confidence", lambda: one_way_components([[1.0, 2.0], [3.0]], confidence=1)
        ),
        Refusal("len(levels)", lambda: nested_components(Y, [])),
        Refusal("name", lambda: nested_components(Y, [("lot", LOT)]).level("wafer")),
        Refusal("name", lambda: reml_components(Y, [("lot", LOT)]).level("wafer")),
        Refusal("len(lot)", lambda: nested_components(Y, [("lot", LOT[:-1])])),
        Refusal("groups of lot", lambda: nested_components(Y, [("lot", [1] * 6)])),
        Refusal(
            "groups of wafer",
            lambda: nested_components(Y, [("lot", LOT), ("wafer", [1] * 6)]),
        ),
        Refusal("len(values)", lambda: reml_components(Y, [("unit", range(6))])),
        Refusal("values[2]", lambda: reml_components([1, 2, np.nan], [("a", "aab")])),
        Refusal(
            "spread inside groups",
            lambda: reml_components([0.1] * 3 + [0.7] * 3, [("lot", LOT)]),
        ),
        Refusal("spread of values", lambda: reml_components([1.0] * 6, [("lot", LOT)])),
        Refusal("confidence", lambda: reml_components(Y, [("a", LOT)], confidence=0)),
        Refusal(
            "confidence",
            lambda: variance_interval(MeanSquare(value=1.0, degrees=2), confidence=2),
        ),
    ),
)
def test_bad_arguments_are_named(refusal: Refusal) -> None:
    assert_refused(refusal)
