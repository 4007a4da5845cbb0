"""Capability against published examples, and against its definition."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from scipy import stats

from daemon.spc.capability import (
    Family,
    Quantiles,
    Specification,
    best_fit,
    capability_study,
    counted_share,
    cp_interval,
    cpk_interval,
    cpm_interval,
    distribution_quantiles,
    fit,
    indices,
    one_sided_bound,
    percentile_indices,
    predicted_share,
    predicted_share_of,
    sample_quantiles,
)
from daemon.spc.capability.nonnormal import LOW
from daemon.spc.chart_factors import d2
from tests.reference_values import Entry, entry
from tests.refusals import Refusal, assert_refused, refusals

FILE = "06_capability"
LIMITS = Specification(lower=-3.0, upper=3.0)


@pytest.mark.reference(FILE, "cap.nist.616")
def test_indices_of_the_handbook(entry: Entry) -> None:
    given_ = entry.inputs
    found = indices(
        mean=given_["mean"],
        s=given_["sd"],
        specification=Specification(
            lower=given_["LSL"], upper=given_["USL"], target=given_["target"]
        ),
    )
    for name, ours in (
        ("Cp", found.cp),
        ("k", found.off_centre),
        ("Cpk", found.cpk),
        ("Cpu", found.cpu),
        ("Cpl", found.cpl),
        ("Cpm", found.cpm),
    ):
        entry.check(name, ours)


@pytest.mark.reference(FILE, "cap.ppm")
def test_share_outside_for_an_index(entry: Entry) -> None:
    one, two = [], []
    for index in entry.inputs["index"]:
        limit = 3.0 * index
        both = Specification(lower=-limit, upper=limit)
        outside = predicted_share(mean=0.0, s=1.0, specification=both)
        two.append(1e6 * outside.total)
        upper = Specification(upper=limit)
        one.append(1e6 * predicted_share(mean=0.0, s=1.0, specification=upper).total)
    entry.check("ppm_one_sided", one)
    entry.check("ppm_two_sided", two)
    # Printed to the last digit shown; the two smallest are cut, not rounded.
    printed = entry.published("printed_two_sided")
    assert [round(each) for each in two[:13]] == printed[:13]
    assert two[13:] == pytest.approx(printed[13:], rel=0.12)


@pytest.mark.reference(FILE, "cap.nist.rejects")
def test_rejects_of_the_handbook(entry: Entry) -> None:
    def ppm(sigmas: float) -> float:
        limits = Specification(lower=-sigmas, upper=sigmas)
        return 1e6 * predicted_share(mean=0.0, s=1.0, specification=limits).total

    # Printed for 1.33 and 1.66 as four and five sigma.
    exact = [ppm(sigmas) for sigmas in (3.0, 4.0, 5.0, 6.0)]
    entry.check("exact_at_sigma_multiples_3_4_5_6_ppm", exact)
    entry.check("ppm", exact)


@pytest.mark.reference(FILE, "cap.cp_ci.n20")
def test_interval_of_cp(entry: Entry) -> None:
    given_ = entry.inputs
    cp = (given_["USL"] - given_["LSL"]) / (6.0 * given_["s"])
    interval = cp_interval(cp, degrees=given_["n"] - 1, confidence=given_["confidence"])
    entry.check("Cp", cp)
    for name in ("lower", "lower_exact"):
        # Printed 1.57 where the exact value is 1.56495.
        if name == "lower":
            assert interval.lower == pytest.approx(entry.published(name), abs=0.0051)
        else:
            entry.check(name, interval.lower)
    for name in ("upper", "upper_exact"):
        entry.check(name, interval.upper)


@pytest.mark.reference(FILE, "cap.cpk_ci.table")
def test_interval_of_cpk(entry: Entry) -> None:
    rows = []
    for n, cpk, *_ in entry.published("rows"):
        interval = cpk_interval(cpk, n=n, degrees=n - 1)
        rows.append([n, cpk, interval.lower, interval.upper])
    entry.check("rows", rows)


@pytest.mark.reference(FILE, "cap.cpu_exact_lower")
def test_exact_bound_of_one_side(entry: Entry) -> None:
    rows = [
        [n, cpu, c, one_sided_bound(cpu, n=n, degrees=n - 1, confidence=c)]
        for n, cpu, c, _ in entry.published("rows")
    ]
    entry.check("rows", rows)


@pytest.mark.reference(FILE, "cap.iso22514.definitions")
def test_quantiles_of_the_standard(entry: Entry) -> None:
    entry.check("exact_lower_quantile_of_minus_3", LOW)
    assert entry.published("lower_quantile") == pytest.approx(LOW, abs=2e-7)
    assert entry.published("upper_quantile") == pytest.approx(1.0 - LOW, abs=2e-7)
    # For a normal distribution both ways are one.
    normal = percentile_indices(
        distribution_quantiles(stats.norm(0.4, 0.7)), specification=LIMITS
    )
    plain = indices(mean=0.4, s=0.7, specification=LIMITS)
    reduces = normal.cp == pytest.approx(plain.cp) and normal.cpk == pytest.approx(
        plain.cpk
    )
    entry.check("reduces_to_6_sigma_for_normal", reduces)
    assert normal.off_centre == pytest.approx(plain.off_centre)


@pytest.mark.reference(FILE, "cap.percentile.lognormal")
def test_percentile_method(entry: Entry) -> None:
    distribution = stats.lognorm(entry.inputs["sigma"])
    limits = Specification(lower=entry.inputs["LSL"], upper=entry.inputs["USL"])
    points = distribution_quantiles(distribution)
    entry.check("quantiles", [points.low, points.median, points.high])
    found = percentile_indices(points, specification=limits)
    entry.check("Cp", found.cp)
    entry.check("CpkU", found.cpu)
    entry.check("CpkL", found.cpl)
    above = predicted_share_of(distribution, specification=limits).above
    entry.check("ppm_above_USL", 1e6 * above)


@pytest.mark.reference(FILE, "cap.flow_width.within_overall")
def test_inside_and_overall(entry: Entry) -> None:
    file, key = entry.inputs["data_from"].split(".json ")
    builds = np.array(_entry_of(file, key).inputs["subgroups"])
    limits = Specification(lower=entry.inputs["LSL"], upper=entry.inputs["USL"])
    study = capability_study(list(builds), specification=limits)
    entry.check("sigma_within_pooled", study.inside.s)
    entry.check("sigma_overall", study.overall.s)
    entry.check("Pp", study.overall.indices.cp)
    entry.check("Ppk", study.overall.indices.cpk)
    entry.check("Cpm_T1.5_overall", study.overall.indices.cpm)
    by_range = float(np.ptp(builds, axis=1).mean()) / d2(builds.shape[1])
    entry.check("sigma_within_Rbar", by_range)
    found = indices(mean=study.mean, s=by_range, specification=limits)
    entry.check("Cp_Rbar", found.cp)
    entry.check("Cpk_Rbar", found.cpk)
    assert study.quotable
    assert study.s_across == 0.0
    assert (study.n, study.builds, study.inside.degrees) == (125, 25, 100)


def _entry_of(file: str, key: str) -> Entry:
    return entry(file, key)


@pytest.mark.reference(FILE, "cap.cpm.centre")
def test_cpm_falls_off_target(entry: Entry) -> None:
    width = 6.0 * entry.inputs["Cp"]
    limits = Specification(lower=-width / 2, upper=width / 2)
    ours = [indices(mean=v, s=1.0, specification=limits).cpm for v in entry.inputs["V"]]
    entry.check("Cpm", ours)


@pytest.mark.source(
    "definition: coverage of the intervals, simulated with a fixed seed"
)
def test_intervals_cover_as_often_as_said() -> None:
    generator = np.random.default_rng(22514)
    limits = Specification(lower=-4.0, upper=3.5)
    true = indices(mean=0.0, s=1.0, specification=limits)
    runs, n = 500, 25
    hits = np.zeros(5)
    for _ in range(runs):
        x = generator.normal(size=n)
        mean, s = x.mean(), x.std(ddof=1)
        ours = indices(mean=mean, s=s, specification=limits)
        assert ours.cp is not None
        assert ours.cpu is not None
        assert ours.cpm is not None
        assert true.cp is not None
        assert true.cpm is not None
        cp = cp_interval(ours.cp, degrees=n - 1, confidence=0.9)
        cpk = cpk_interval(ours.cpk, n=n, degrees=n - 1, confidence=0.9)
        # Boyles' estimate divides by n.
        around = np.sqrt(np.mean((x + 0.25) ** 2))
        cpm = cpm_interval(
            7.5 / (6.0 * around), n=n, off_target=(mean + 0.25) / s, confidence=0.9
        )
        hits += [
            cp.lower <= true.cp <= cp.upper,
            cpk.lower <= true.cpk <= cpk.upper,
            cpm.lower <= true.cpm <= cpm.upper,
            one_sided_bound(ours.cpu, n=n, degrees=n - 1, confidence=0.9) <= true.cpk,
            one_sided_bound(ours.cpk, n=n, degrees=n - 1, confidence=0.9) <= true.cpk,
        ]
    share = hits / runs
    assert share[:4] == pytest.approx(np.full(4, 0.9), abs=0.045)
    assert share[4] > 0.9 - 0.04


@given(st.integers(0, 10_000), st.floats(-1e3, 1e3), st.floats(0.01, 100.0))
@settings(max_examples=25, deadline=None)
def test_unit_and_origin_do_not_matter(seed: int, shift: float, scale: float) -> None:
    generator = np.random.default_rng(seed)
    builds = [generator.normal(size=6) for _ in range(4)]
    plain = capability_study(builds, specification=LIMITS)
    moved = capability_study(
        [scale * build + shift for build in builds],
        specification=Specification(
            lower=-3.0 * scale + shift, upper=3.0 * scale + shift
        ),
    )
    assert moved.inside.indices.cpk == pytest.approx(
        plain.inside.indices.cpk, rel=1e-6, abs=1e-6
    )
    assert moved.overall.cpk_bound == pytest.approx(
        plain.overall.cpk_bound, rel=1e-6, abs=1e-6
    )
    assert len(moved.reasons) == len(plain.reasons)


def test_one_sided_specifications() -> None:
    upper = indices(mean=1.0, s=0.5, specification=Specification(upper=4.0))
    assert (upper.cp, upper.cpl, upper.cpm, upper.off_centre) == (None,) * 4
    assert upper.cpk == upper.cpu == 2.0
    aimed = indices(mean=1.0, s=0.5, specification=Specification(upper=4.0, target=1.0))
    assert aimed.cpm == 2.0
    lower = indices(
        mean=1.0, s=0.5, specification=Specification(lower=-2.0, target=0.0)
    )
    assert lower.cpk == lower.cpl == 2.0
    assert lower.cpm == pytest.approx(2.0 / (3.0 * np.hypot(0.5, 1.0)))
    share = predicted_share(mean=1.0, s=0.5, specification=Specification(lower=0.0))
    assert share.above == 0.0
    assert share.total == pytest.approx(stats.norm.cdf(-2.0))


@pytest.mark.source("Clopper & Pearson (1934), Biometrika 26: none of n, rule of three")
def test_none_counted_is_not_none_expected() -> None:
    counted = counted_share(np.zeros(299), specification=LIMITS)
    assert (counted.below, counted.above, counted.total) == (0, 0, 0.0)
    assert counted.interval.lower == 0.0
    assert counted.interval.upper == pytest.approx(1.0 - 0.025 ** (1 / 299))
    both = counted_share([-4.0, 0.0, 3.0, 3.1, 9.0], specification=LIMITS)
    assert (both.below, both.above) == (1, 2)


def _builds(seed: int) -> list[np.ndarray]:
    generator = np.random.default_rng(seed)
    return [generator.normal(size=20) for _ in range(5)]


@pytest.mark.source("definition: rate of false reasons, simulated with a fixed seed")
def test_a_stable_process_is_seldom_called_unstable() -> None:
    studies = [capability_study(_builds(s), specification=LIMITS) for s in range(250)]
    unstable = [
        any("normal" not in reason for reason in study.reasons) for study in studies
    ]
    assert np.mean(unstable) < 0.03 + 3 * np.sqrt(0.03 * 0.97 / 250)
    skewed = np.mean([len(study.reasons) > 0 for study in studies])
    assert skewed < 0.08 + 3 * np.sqrt(0.08 * 0.92 / 250)


def test_each_kind_of_instability_is_a_reason_not_to_quote() -> None:
    builds = _builds(11)
    stable = capability_study(builds, specification=LIMITS)
    assert stable.quotable
    cases = {
        "build means differ": [*builds[:4], builds[4] + 3.0],
        "the units of build 2 drift": [builds[0], builds[1] + np.arange(20) / 4.0],
        "one unit lies": [*builds[:4], np.append(builds[4], 8.0)],
        "not normal": [np.random.default_rng(1).exponential(size=60)],
        "the units drift": [np.cumsum(builds[0])],
        "too few units": [builds[0][:3], builds[1][:2]],
    }
    for words, unstable in cases.items():
        study = capability_study(unstable, specification=LIMITS)
        assert not study.quotable
        assert any(words in reason for reason in study.reasons), words
        assert np.isfinite(study.inside.indices.cpk)
    told = capability_study(
        builds, specification=LIMITS, signals=["nine on one side since unit 14"]
    )
    assert told.reasons == ("a control chart signals: nine on one side since unit 14",)


def test_across_builds_is_told_apart_from_inside() -> None:
    generator = np.random.default_rng(6)
    builds = [generator.normal(generator.normal(0.0, 2.0), 0.5, 30) for _ in range(30)]
    study = capability_study(builds, specification=Specification(lower=-9.0, upper=9.0))
    assert study.inside.s == pytest.approx(0.5, rel=0.1)
    assert study.s_across is not None
    assert study.s_across == pytest.approx(2.0, rel=0.3)
    assert study.overall.s == pytest.approx(np.hypot(0.5, study.s_across), rel=0.05)
    single = capability_study(builds[:1], specification=Specification(upper=9.0))
    assert single.s_across is None
    assert single.inside.cp_interval is None


@pytest.mark.source("scipy.stats: parameters that made the sample, fixed seed")
@pytest.mark.parametrize(
    ("family", "distribution"),
    [
        (Family.NORMAL, stats.norm(20.0, 3.0)),
        (Family.LOGNORMAL, stats.lognorm(0.7, scale=2.0)),
        (Family.GAMMA, stats.gamma(2.5, scale=4.0)),
        (Family.WEIBULL, stats.weibull_min(1.4, scale=30.0)),
        (Family.JOHNSON_UNBOUNDED, stats.johnsonsu(0.8, 1.4, loc=-500.0, scale=90.0)),
    ],
    ids=lambda value: str(value) if isinstance(value, Family) else "",
)
def test_fits_find_the_quantiles(family: Family, distribution: Any) -> None:
    x = distribution.rvs(4000, random_state=np.random.default_rng(2))
    ours = distribution_quantiles(fit(x, family=family).distribution)
    true = distribution_quantiles(distribution)
    spread = true.high - true.low
    assert ours.low == pytest.approx(true.low, abs=0.08 * spread)
    assert ours.median == pytest.approx(true.median, abs=0.02 * spread)
    assert ours.high == pytest.approx(true.high, abs=0.12 * spread)
    if family is not Family.NORMAL:
        assert best_fit(x).family is family


def test_values_below_zero_leave_out_families_that_need_more() -> None:
    x = np.random.default_rng(3).normal(0.0, 1.0, 200)
    assert best_fit(x).family is Family.NORMAL


@pytest.mark.source("definition: order statistics of a uniform sample")
def test_sample_quantiles() -> None:
    points = sample_quantiles(np.linspace(0.0, 1.0, 2001))
    assert points.low == pytest.approx(LOW)
    assert points.high == pytest.approx(1.0 - LOW)


def test_bounds_of_very_many_units_are_those_of_the_normal_limit() -> None:
    n = 10**9
    half = np.sqrt(1.0 / (9.0 * n) + 1.33**2 / (2.0 * n))
    assert one_sided_bound(1.33, n=n, degrees=n - 1) == pytest.approx(
        1.33 - 1.6448536 * half, abs=1e-9
    )


@pytest.mark.parametrize(
    "refusal",
    refusals(
        Refusal("estimate", lambda: one_sided_bound(1e6, n=10**6, degrees=10**6)),
        Refusal("lower and upper", lambda: Specification(target=1.0)),
        Refusal("upper", lambda: Specification(lower=2.0, upper=1.0)),
        Refusal("upper", lambda: Specification(lower=2.0, upper=2.0)),
        Refusal("target", lambda: Specification(lower=0.0, upper=2.0, target=3.0)),
        Refusal("lower", lambda: Specification(lower=np.nan)),
        Refusal("s", lambda: indices(mean=0.0, s=-1.0, specification=LIMITS)),
        Refusal("s", lambda: predicted_share(mean=0.0, s=0.0, specification=LIMITS)),
        Refusal("mean", lambda: indices(mean=np.inf, s=1.0, specification=LIMITS)),
        Refusal("cp", lambda: cp_interval(0.0, degrees=3)),
        Refusal("degrees", lambda: cp_interval(1.0, degrees=0)),
        Refusal("n", lambda: cpk_interval(1.0, n=1, degrees=1)),
        Refusal(
            "confidence", lambda: cpk_interval(1.0, n=9, degrees=8, confidence=1.0)
        ),
        Refusal("estimate", lambda: one_sided_bound(np.nan, n=9, degrees=8)),
        Refusal("cpm", lambda: cpm_interval(-1.0, n=9, off_target=0.0)),
        Refusal("off_target", lambda: cpm_interval(1.0, n=9, off_target=np.nan)),
        Refusal("len(x)", lambda: counted_share([], specification=LIMITS)),
        Refusal("median", lambda: Quantiles(low=1.0, median=1.0, high=2.0)),
        Refusal("high", lambda: Quantiles(low=1.0, median=2.0, high=np.inf)),
        Refusal("len(x)", lambda: sample_quantiles(range(740))),
        Refusal("len(x)", lambda: fit([1.0] * 7, family=Family.NORMAL)),
        Refusal("spread of x", lambda: fit([1.0] * 9, family=Family.NORMAL)),
        Refusal("x[3]", lambda: fit([5, 4, 3, -2, 1, 6, 7, 8], family=Family.GAMMA)),
        Refusal(
            "len(builds[1])",
            lambda: capability_study([[1.0, 2.0, 3.0], []], specification=LIMITS),
        ),
        Refusal("units in builds", lambda: capability_study([], specification=LIMITS)),
        Refusal(
            "units in the largest build",
            lambda: capability_study([[1.0], [2.0], [3.0]], specification=LIMITS),
        ),
        Refusal(
            "spread of builds",
            lambda: capability_study([[1.0, 1.0, 1.0]], specification=LIMITS),
        ),
        Refusal(
            "spread inside builds",
            lambda: capability_study([[1.0, 1.0], [2.0, 2.0]], specification=LIMITS),
        ),
        Refusal(
            "builds[0][1]",
            lambda: capability_study([[1.0, np.nan, 3.0]], specification=LIMITS),
        ),
        Refusal(
            "len(names)",
            lambda: capability_study(
                [[1.0, 2.0, 3.0]], names=["B-1", "B-2"], specification=LIMITS
            ),
        ),
    ),
)
def test_bad_arguments_are_named(refusal: Refusal) -> None:
    assert_refused(refusal)
