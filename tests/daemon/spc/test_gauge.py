"""Gauge studies against the published examples, and against their definition."""

from math import sqrt

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings, strategies as st
from statsmodels.stats.anova import anova_lm

from daemon.spc.chart_factors import d2, d2_star
from daemon.spc.gauge import (
    GaugeSpread,
    average_range_study,
    bias_study,
    crossed_study,
    distinct_categories,
    linearity_study,
    stability_study,
    type1_study,
)
from tests.reference_values import Entry, entry
from tests.refusals import Refusal, assert_refused, refusals

FILE = "08_measurement_system"


def _data() -> np.ndarray:
    example = entry(FILE, "msa.crossed.10x3x3.anova")
    return np.array(example.inputs["data_part_appraiser_trial"])


@pytest.mark.reference(FILE, "msa.crossed.10x3x3.anova")
def test_crossed_analysis_of_variance(entry: Entry) -> None:
    study = crossed_study(_data())
    for row in study.rows:
        entry.check(f"SS.{row.source}", row.sum_of_squares)
        entry.check(f"df.{row.source}", row.degrees)
        entry.check(f"MS.{row.source}", row.mean_square)
        if row.f is not None:
            entry.check(f"F_full.{row.source}", row.f)
    entry.check("SS.total", study.total_sum_of_squares)
    entry.check("df.total", sum(row.degrees for row in study.rows))
    entry.check("p_interaction", study.rows[2].p)
    part, appraiser, error = study.reduced
    entry.check("reduced.MS_error", error.mean_square)
    entry.check("reduced.df_error", error.degrees)
    entry.check("reduced.F_part", part.f)
    entry.check("reduced.F_appraiser", appraiser.f)
    assert study.pooled
    spread = study.spread
    for name, s in (
        ("repeatability", spread.repeatability),
        ("appraiser", spread.reproducibility),
        ("part", spread.part),
    ):
        entry.check(f"variance_components_reduced.{name}", s**2)
    for name, ours in _named(spread).items():
        # The printed GRR carries rounded EV and AV: 0.302373 for 0.3023715.
        if name != "GRR":
            entry.check(f"sd.{name}", ours)
    assert spread.gauge == pytest.approx(entry.published("sd.GRR"), abs=2e-6)
    entry.check("percent_study_GRR", 100.0 * spread.share_of_spread)
    entry.check("percent_contribution_GRR", 100.0 * spread.share_of_variance)
    entry.check("ndc", spread.categories)
    entry.check("ndc_unrounded", sqrt(2.0) * spread.part / spread.gauge)


def _named(spread: GaugeSpread) -> dict[str, float]:
    return {
        "EV": spread.repeatability,
        "AV": spread.reproducibility,
        "GRR": spread.gauge,
        "PV": spread.part,
        "TV": spread.total,
    }


@pytest.mark.reference(FILE, "msa.crossed.10x3x3.average_range")
def test_averages_and_ranges(entry: Entry) -> None:
    study = average_range_study(_data())
    entry.check("Rbar_by_appraiser", study.mean_ranges)
    entry.check("Rbarbar", study.mean_range)
    entry.check("appraiser_means", study.means)
    entry.check("Xbar_diff", study.range_of_means)
    entry.check("Rp", study.range_of_parts)
    spread = study.spread
    for name, ours in _named(spread).items():
        entry.check(name, ours)
    for name, part in (
        ("pct_EV", spread.repeatability),
        ("pct_AV", spread.reproducibility),
        ("pct_GRR", spread.gauge),
        ("pct_PV", spread.part),
    ):
        entry.check(name, 100.0 * part / spread.total)
    entry.check("ndc", spread.categories)
    entry.check("ndc_unrounded", 1.41 * spread.part / spread.gauge)


@pytest.mark.reference(FILE, "msa.K_constants")
def test_constants_of_the_average_range_method(entry: Entry) -> None:
    entry.check("K1", [1.0 / d2(n) for n in entry.inputs["K1_trials"]])
    entry.check("K2", [1.0 / d2_star(n, 1) for n in entry.inputs["K2_appraisers"]])
    ours = [1.0 / d2_star(n, 1) for n in entry.inputs["K3_parts"]]
    entry.check("K3", ours)
    entry.check("K3_exact", ours)


@pytest.mark.reference(FILE, "msa.type1")
def test_type_1_study(entry: Entry) -> None:
    x = entry.inputs["x"]
    given_ = {name: entry.inputs[name] for name in ("reference", "tolerance")}
    study = type1_study(x, **given_)
    entry.check("mean", study.bias.mean)
    entry.check("s", study.bias.s)
    entry.check("bias", study.bias.bias)
    entry.check("t_bias", study.bias.t)
    entry.check("p_bias", study.bias.p)
    entry.check("min_tolerance_for_Cg_1.33_6s", study.least_tolerance())
    for sigmas in (6, 4):
        study = type1_study(x, **given_, sigmas=float(sigmas))
        entry.check(f"Cg_{sigmas}s", study.cg)
        entry.check(f"Cgk_{sigmas}s", study.cgk)


@pytest.mark.reference(FILE, "msa.ndc")
def test_number_of_categories(entry: Entry) -> None:
    whole, ratios = [], []
    for percent in entry.inputs["pct_GRR_of_TV"]:
        gauge = percent / 100.0
        part = sqrt(1.0 - gauge**2)
        spread = GaugeSpread(repeatability=gauge, reproducibility=0.0, part=part)
        whole.append(spread.categories)
        ratios.append(1.41 * spread.part / spread.gauge)
    entry.check("ndc", whole)
    entry.check("ndc_unrounded", ratios)


LINEARITY = {
    2.0: [2.7, 2.5, 2.4, 2.5, 2.7, 2.3, 2.5, 2.5, 2.4, 2.4, 2.6, 2.4],
    4.0: [5.1, 3.9, 4.2, 5.0, 3.8, 3.9, 3.9, 3.9, 3.9, 4.0, 4.1, 3.8],
    6.0: [5.8, 5.7, 5.9, 5.9, 6.0, 6.1, 6.0, 6.1, 6.4, 6.3, 6.0, 6.1],
    8.0: [7.6, 7.7, 7.8, 7.7, 7.8, 7.8, 7.8, 7.7, 7.8, 7.5, 7.6, 7.7],
    10.0: [9.1, 9.3, 9.5, 9.3, 9.4, 9.5, 9.5, 9.5, 9.6, 9.2, 9.3, 9.4],
}


@pytest.mark.source(
    "Automotive Industry Action Group, Measurement Systems Analysis, linearity example "
    "(data read in a secondary quotation, printed results from memory)"
)
def test_linearity() -> None:
    reference = np.repeat(list(LINEARITY), 12)
    study = linearity_study(reference, np.concatenate(list(LINEARITY.values())))
    assert study.slope == pytest.approx(-0.1317, abs=6e-5)
    assert study.intercept == pytest.approx(0.7367, abs=6e-5)
    assert study.r_squared == pytest.approx(0.714, abs=6e-4)
    assert study.s == pytest.approx(0.23954, abs=6e-6)
    assert study.slope / study.slope_error == pytest.approx(-12.043, abs=6e-4)
    assert study.intercept / study.intercept_error == pytest.approx(10.158, abs=6e-4)
    biases = [bias for _, bias in study.reference_bias]
    printed = [0.491667, 0.125, 0.025, -0.291667, -0.616667]
    assert biases == pytest.approx(printed, abs=6e-7)
    assert not study.linear


@pytest.mark.source("statsmodels OLS: confidence interval of the fitted mean")
def test_band_against_the_general_library() -> None:
    generator = np.random.default_rng(2)
    x = np.repeat([1.0, 2.0, 5.0], 4)
    y = x + 0.1 + generator.normal(0.0, 0.2, 12)
    study = linearity_study(x, y, confidence=0.9)
    fit = smf.ols("bias ~ x", pd.DataFrame({"bias": y - x, "x": x})).fit()
    low, high = fit.get_prediction(pd.DataFrame({"x": [3.0]})).conf_int(alpha=0.1)[0]
    band = study.band(3.0)
    assert [band.lower, band.upper] == pytest.approx([low, high])
    assert study.slope_p == pytest.approx(fit.pvalues["x"])
    assert study.intercept_p == pytest.approx(fit.pvalues["Intercept"])
    for ours, name in (
        (study.slope_interval, "x"),
        (study.intercept_interval, "Intercept"),
    ):
        theirs = fit.conf_int(alpha=0.1).loc[name]
        assert [ours.lower, ours.upper] == pytest.approx(list(theirs))
    straight = linearity_study(x, x + 0.001 * generator.normal(size=12))
    assert straight.linear


@pytest.mark.source("statsmodels anova_lm: two-way analysis of variance")
def test_full_model_against_the_general_library() -> None:
    generator = np.random.default_rng(7)
    shape = (6, 3, 2)
    part, appraiser, _ = np.indices(shape)
    y = generator.normal(size=shape) + 2.0 * part + generator.normal(0, 2, (6, 3, 1))
    study = crossed_study(y)
    data = pd.DataFrame(
        {"y": y.ravel(), "part": part.ravel(), "appraiser": appraiser.ravel()}
    )
    table = anova_lm(smf.ols("y ~ C(part) * C(appraiser)", data).fit())
    for row, squares in zip(study.rows, table["sum_sq"], strict=True):
        assert row.sum_of_squares == pytest.approx(squares)
    assert study.rows[2].f == pytest.approx(table["F"]["C(part):C(appraiser)"])
    assert not study.pooled
    spread = study.spread
    assert study.interaction > 0.0
    assert spread.reproducibility >= study.interaction


@pytest.mark.source("definition: coverage of the interval, simulated with a fixed seed")
@pytest.mark.parametrize("joint", [0.0, 1.0], ids=["additive", "with interaction"])
def test_interval_of_the_gauge_covers_as_often_as_said(joint: float) -> None:
    generator = np.random.default_rng(2003)
    true = 1.0 + joint**2 + 0.8**2
    hits = 0
    for _ in range(400):
        y = generator.normal(0.0, 1.0, (8, 4, 3)) + generator.normal(0, 3, (8, 1, 1))
        y = (
            y
            + generator.normal(0, 0.8, (1, 4, 1))
            + generator.normal(0, joint, (8, 4, 1))
        )
        interval = crossed_study(y, confidence=0.9).variance_of_gauge
        hits += interval.lower <= true <= interval.upper
    assert hits / 400 == pytest.approx(0.9, abs=0.05)


@given(st.integers(0, 10_000), st.floats(-1e4, 1e4), st.floats(0.01, 100.0))
@settings(max_examples=25, deadline=None)
def test_shift_and_scale(seed: int, shift: float, scale: float) -> None:
    y = np.random.default_rng(seed).normal(size=(4, 3, 2))
    y += np.arange(4)[:, None, None]
    for study in (crossed_study, average_range_study):
        plain, moved = study(y).spread, study(scale * y + shift).spread
        assert moved.gauge == pytest.approx(scale * plain.gauge, rel=1e-6)
        assert moved.part == pytest.approx(scale * plain.part, rel=1e-6, abs=1e-6)
        assert moved.share_of_spread == pytest.approx(plain.share_of_spread, abs=1e-6)
        tolerance = plain.share_of_tolerance(12.0)
        assert tolerance == pytest.approx(plain.gauge / 2.0)


def test_stability_tells_drift_from_scatter() -> None:
    generator = np.random.default_rng(9)
    at = np.arange(20.0)
    still = [generator.normal(5.0, 0.1, 4) for _ in at]
    study = stability_study(at, still)
    assert study.p > 0.05
    assert study.interval.lower < 0.0 < study.interval.upper
    moving = [readings + 0.05 * t for readings, t in zip(still, at, strict=True)]
    study = stability_study(at, moving)
    assert study.p < 1e-6
    assert study.drift == pytest.approx(0.05, abs=0.01)
    assert study.components is not None
    assert study.components.s_inside == pytest.approx(0.1, rel=0.3)
    assert study.components.s_across > 0.2


X = [1.0, 2.0, 4.0]


@pytest.mark.parametrize(
    "refusal",
    refusals(
        Refusal("parts", lambda: crossed_study(np.ones((1, 3, 3)))),
        Refusal("appraisers", lambda: crossed_study(np.ones((3, 1, 3)))),
        Refusal("trials", lambda: average_range_study(np.ones((3, 3, 1)))),
        Refusal("values", lambda: crossed_study(np.ones((3, 3)))),
        Refusal("spread of trials", lambda: crossed_study(np.full((3, 3, 3), 0.1))),
        Refusal("spread of trials", lambda: average_range_study(np.ones((3, 3, 3)))),
        Refusal(
            "values[0, 0, 1]",
            lambda: crossed_study(np.array([[[1, np.nan], [1, 2]]] * 2)),
        ),
        Refusal("pool_above", lambda: crossed_study(_data(), pool_above=1.0)),
        Refusal("confidence", lambda: crossed_study(_data(), confidence=0.0)),
        Refusal("gauge", lambda: distinct_categories(part=1.0, gauge=0.0)),
        Refusal("part", lambda: distinct_categories(part=-1.0, gauge=1.0)),
        Refusal("len(x)", lambda: bias_study([1.0], reference=1.0)),
        Refusal("spread of x", lambda: bias_study([1.0, 1.0], reference=1.0)),
        Refusal("reference", lambda: bias_study(X, reference=np.nan)),
        Refusal("tolerance", lambda: type1_study(X, reference=1.0, tolerance=0.0)),
        Refusal(
            "tolerance_share",
            lambda: type1_study(X, reference=1.0, tolerance=1.0, tolerance_share=1.0),
        ),
        Refusal("len(at)", lambda: stability_study([1, 2], [[1, 2], [3]])),
        Refusal("len(at, readings)", lambda: stability_study(X, [[1, 2], [3]])),
        Refusal("spread of at", lambda: stability_study([1] * 3, [[1, 2], [3], [4]])),
        Refusal("len(reference)", lambda: linearity_study([1.0, 2.0], [1.0, 2.0])),
        Refusal("len(reference, measured)", lambda: linearity_study(X, [1.0, 2.0])),
        Refusal("spread of reference", lambda: linearity_study([1.0] * 3, X)),
        Refusal("spread of measured", lambda: linearity_study(X, X)),
        Refusal(
            "scatter of measured around the line",
            lambda: linearity_study([1.0, 2.0, 3.0], [2.0, 4.0, 6.0]),
        ),
    ),
)
def test_bad_arguments_are_named(refusal: Refusal) -> None:
    assert_refused(refusal)
