"""Several ranges judged together: T2, MEWMA, and the range that stands out."""

import pickle
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from hypothesis import given, strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose
from numpy.typing import ArrayLike

from daemon.spc.charts.hotelling import MewmaChart, T2Chart, t2_baseline
from daemon.spc.charts.t2_limits import (
    baseline_limit,
    new_unit_limit,
    subgroup_limit,
)
from daemon.spc.charts.vectors import (
    CovarianceMethod,
    VectorLimits,
    VectorProvenance,
    shares,
    vector_limits,
)
from daemon.spc.control_limits import Exclusion
from daemon.spc.errors import (
    NoSpreadError,
    NotFiniteError,
    OutOfRangeError,
    ShapeError,
    SpcError,
    TooFewError,
)
from tests.chart_checks import columns_of, history as history_of, refuses
from tests.reference_values import Entry

FILE = "11_multivariate"
RANGES = ("1 uA", "10 uA", "100 uA", "1 mA")
# A shared stage of 100 ppm beside own parts of 150 ppm, and another unit of measure.
SIGMA = np.array([1.0, 1.0, 1.0, 1e-6])
COVARIANCE = (100.0**2 + np.diag([150.0**2] * 4)) * np.outer(SIGMA, SIGMA)
LIMITS = VectorLimits(
    names=RANGES, centre=np.array([20.0, -30.0, 0.0, 1e-5]), covariance=COVARIANCE
)
units = arrays(
    np.float64, st.tuples(st.integers(0, 12), st.just(4)), elements=st.floats(-900, 900)
)


def of_sizes(ranges: int, used: int) -> VectorLimits:
    """Return limits that rest on so many units; the limits of T2 need no more."""
    provenance = VectorProvenance(
        method=CovarianceMethod.SAMPLE, used=used, degrees_of_freedom=used - 1.0
    )
    return VectorLimits(
        names=tuple(f"range {i}" for i in range(ranges)),
        centre=np.zeros(ranges),
        covariance=np.eye(ranges),
        provenance=provenance,
    )


@pytest.mark.reference(FILE, "mv.nist.mean_cov")
def test_mean_and_covariance(entry: Entry) -> None:
    limits = vector_limits(entry.inputs["X"], names=["a", "b", "c"])
    entry.check("mean", limits.centre)
    entry.check("cov", limits.covariance)


@pytest.mark.reference(FILE, "mv.T2.individuals")
def test_fourteen_individual_observations(entry: Entry) -> None:
    names = ["impurities", "temperature", "concentration"]
    baseline = t2_baseline(entry.inputs["X"], names=names)
    limits = baseline.limits
    entry.check("mean", limits.centre)
    entry.check("cov", limits.covariance.ravel())
    points = columns_of(baseline.points)
    entry.check("T2_printed", points.value)
    entry.check("T2", points.value)
    for alpha in ("0.05", "0.01", "0.001"):
        entry.check(f"UCL_beta_{alpha}", baseline_limit(limits, alpha=float(alpha)))
    entry.check("UCL_phase2_F_0.001", new_unit_limit(limits, alpha=0.001))
    assert points.range[0] == "impurities"


@pytest.mark.reference(FILE, "mv.T2.limits")
def test_limits_of_both_phases(entry: Entry) -> None:
    limits = of_sizes(3, 50)
    entry.check(
        "individuals_p3_m50_alpha.0027",
        [baseline_limit(limits, alpha=0.0027), new_unit_limit(limits, alpha=0.0027)],
    )
    entry.check(
        "subgroups_p2_m25_n5_alpha.005",
        [
            subgroup_limit(ranges=2, subgroups=25, size=5, alpha=0.005, new=new)
            for new in (False, True)
        ],
    )
    entry.check("chi2_p2_alpha.0027", new_unit_limit(pair(), alpha=0.0027))


def _n_if_signal(chart: MewmaChart, x: ArrayLike) -> int:
    point = chart.update(x)
    return point.n if point.signal else 0


@pytest.mark.reference(FILE, "mv.mewma.note")
def test_mewma_runs_as_long_as_published(entry: Entry) -> None:
    limit = entry.published("H_p2_lambda0.1_ARL200")
    rng = np.random.default_rng(92)
    lengths = []
    for _ in range(800):
        chart = MewmaChart(limits=pair(), limit=limit, weight=0.1)
        units_ = iter(rng.normal(size=(2500, 2)))
        lengths.append(next(n for x in units_ if (n := _n_if_signal(chart, x))))
    error = np.std(lengths) / np.sqrt(len(lengths))
    assert abs(np.mean(lengths) - 202.3) < 3 * error


@given(units)
def test_a_mewma_of_weight_one_is_t2(x: np.ndarray) -> None:
    mewma = history_of(MewmaChart(limits=LIMITS, limit=14.0, weight=1.0), x * SIGMA)
    t2 = history_of(T2Chart(limits=LIMITS, limit=14.0), x * SIGMA)
    assert_allclose(mewma.value, t2.value, rtol=1e-9)
    assert_allclose(mewma.conditional, t2.conditional, rtol=1e-7, atol=1e-9)


@pytest.mark.source("definition: T2 with and without each range")
@given(units.filter(len))
def test_parts_are_what_t2_loses_without_the_range(x: np.ndarray) -> None:
    deviation = x * SIGMA
    part = shares(LIMITS, deviation)
    for i in range(4):
        others = [j for j in range(4) if j != i]
        inverse = np.linalg.inv(COVARIANCE[np.ix_(others, others)])
        rest = np.einsum(
            "ij,jk,ik->i", deviation[:, others], inverse, deviation[:, others]
        )
        assert_allclose(part.t2 - rest, part.conditional[:, i], rtol=1e-6, atol=1e-6)
        alone = deviation[:, i] ** 2 / COVARIANCE[i, i]
        assert_allclose(part.alone[:, i], alone, rtol=1e-12)


@given(units, arrays(np.float64, 4, elements=st.floats(0.01, 100.0)))
def test_t2_does_not_depend_on_units_of_measure(
    x: np.ndarray, scale: np.ndarray
) -> None:
    scaled = VectorLimits(
        names=RANGES,
        centre=LIMITS.centre * scale,
        covariance=COVARIANCE * np.outer(scale, scale),
    )
    plain = history_of(T2Chart.of(LIMITS), x * SIGMA)
    told = history_of(T2Chart.of(scaled), x * SIGMA * scale)
    assert_allclose(told.value, plain.value, rtol=1e-8)
    assert_allclose(told.conditional, plain.conditional, rtol=1e-6, atol=1e-8)


@pytest.mark.parametrize("range_", range(4))
def test_the_range_that_moved_is_named(range_: int) -> None:
    rng = np.random.default_rng(range_)
    x = rng.multivariate_normal(
        LIMITS.centre / SIGMA, COVARIANCE / np.outer(SIGMA, SIGMA), 400
    )
    x[:, range_] += 1500.0
    history = history_of(T2Chart.of(LIMITS), x * SIGMA)
    assert history.signal.all()
    assert np.mean(history.range == RANGES[range_]) > 0.99


@pytest.mark.parametrize(
    ("method", "tolerance"),
    [(CovarianceMethod.SAMPLE, 0.1), (CovarianceMethod.SUCCESSIVE_DIFFERENCES, 0.2)],
)
def test_both_limits_hold_their_rate(
    method: CovarianceMethod, tolerance: float
) -> None:
    """Baselines of 30 units, 3 ranges, 2 % of false alarms wanted."""
    rng = np.random.default_rng(3)
    inside, new = [], []
    for _ in range(600):
        x = rng.normal(size=(30, 3))
        baseline = t2_baseline(x, names=["a", "b", "c"], method=method, alpha=0.02)
        inside.append(np.mean([point.signal for point in baseline.points]))
        chart = T2Chart.of(baseline.limits, alpha=0.02)
        new.append(history_of(chart, rng.normal(size=(200, 3))).signal.mean())
    assert_allclose(np.mean(inside), 0.02, rtol=tolerance)
    assert_allclose(np.mean(new), 0.02, rtol=tolerance)


def test_successive_differences_see_a_shift_inside_the_baseline() -> None:
    rng = np.random.default_rng(6)
    x = rng.normal(size=(60, 2))
    x[30:] += 3.0
    names = ["a", "b"]
    sample = t2_baseline(x, names=names)
    steps = t2_baseline(x, names=names, method=CovarianceMethod.SUCCESSIVE_DIFFERENCES)
    ours, theirs = columns_of(sample.points), columns_of(steps.points)
    assert ours.value.mean() < theirs.value.mean()
    assert_allclose(np.diag(steps.limits.covariance), 1.0, rtol=0.5)
    freedom = steps.limits.provenance.degrees_of_freedom
    assert freedom == pytest.approx(2 * 59**2 / (3 * 60 - 4))


def test_neither_a_boundary_nor_an_exclusion_is_bridged() -> None:
    x = np.array(
        [[0, 0], [1, 2], [100, 90], [102, 91], [-500, 7], [101, 95], [103, 96.0]]
    )
    limits = vector_limits(
        x,
        names=["a", "b"],
        method=CovarianceMethod.SUCCESSIVE_DIFFERENCES,
        segment_starts=[2],
        exclude=[Exclusion(index=4, cause="lead fell off")],
    )
    steps = np.array([[1.0, 2.0], [2.0, 1.0], [2.0, 1.0]])
    assert_allclose(limits.covariance, steps.T @ steps / 6)
    assert limits.provenance.used == 6
    assert limits.provenance.degrees_of_freedom == pytest.approx(3.0)


def test_limits_are_saved_and_restored() -> None:
    again = pickle.loads(pickle.dumps(LIMITS))  # noqa: S301 - our own bytes
    assert_allclose(again.precision, LIMITS.precision)
    with pytest.raises(ValueError, match="read-only"):
        LIMITS.covariance[0, 0] = 1.0


def pair(
    names: tuple[str, ...] = ("a", "b"),
    centre: Sequence[float] = (0.0, 0.0),
    covariance: ArrayLike = ((1.0, 0.0), (0.0, 1.0)),
) -> VectorLimits:
    """Return the limits of two ranges."""
    return VectorLimits(
        names=names, centre=np.array(centre), covariance=np.array(covariance)
    )


@pytest.mark.parametrize(
    ("call", "kind", "message"),
    [
        (lambda: pair(names=()), OutOfRangeError, "names = ()"),
        (
            lambda: pair(names=("a", "a")),
            OutOfRangeError,
            "each once",
        ),
        (
            lambda: pair(centre=(0.0, 0.0, 0.0)),
            ShapeError,
            "centre = shape (3,): must be of shape (2,)",
        ),
        (
            lambda: pair(covariance=-np.eye(2)),
            NoSpreadError,
            "variance of a = -1.0: must be > 0",
        ),
        (
            lambda: pair(covariance=np.ones((2, 2))),
            NoSpreadError,
            "no range may follow exactly from the others",
        ),
        (
            lambda: pair(covariance=[[1.0, 0.5], [0.1, 1.0]]),
            OutOfRangeError,
            "must be symmetric",
        ),
        (
            lambda: pair(covariance=np.full((2, 2), np.nan)),
            NotFiniteError,
            "covariance[0, 0] = nan",
        ),
        (lambda: vector_limits([], names=["a"]), ShapeError, "x = shape (0,)"),
        (
            lambda: vector_limits([[1.0, 2.0]], names=["a", "b"]),
            TooFewError,
            "len(x) = 1: must be >= 2",
        ),
        (
            lambda: vector_limits([[1.0, 2.0], [2.0, 5.0]], names=["a", "b"]),
            NoSpreadError,
            "smallest eigenvalue",
        ),
        (
            lambda: vector_limits(
                [[1.0, 2.0], [2.0, 5.0]],
                names=["a", "b"],
                method=CovarianceMethod.SUCCESSIVE_DIFFERENCES,
            ),
            TooFewError,
            "units left in x = 2: must be >= 3 for 2 ranges",
        ),
        (
            lambda: vector_limits([[1.0], [1.0]], names=["a"]),
            NoSpreadError,
            "variance of a = 0.0",
        ),
        (
            lambda: vector_limits(
                [[0.1, 1.0], [0.1, 2.0], [0.1, 4.0]], names=["a", "b"]
            ),
            NoSpreadError,
            "variance of a = 0.0: must be > 0",
        ),
        (
            lambda: vector_limits(
                [[1.0], [2.0]], names=["a"], method=CovarianceMethod.GIVEN
            ),
            OutOfRangeError,
            "method = given",
        ),
        (
            lambda: baseline_limit(pair()),
            TooFewError,
            "units of the baseline = 0: must be >= 4",
        ),
        (lambda: new_unit_limit(of_sizes(3, 3)), TooFewError, "must be >= 3"),
        (
            lambda: new_unit_limit(pair(), alpha=1.0),
            OutOfRangeError,
            "alpha = 1.0: must be > 0 and < 1",
        ),
        (
            lambda: subgroup_limit(ranges=2, subgroups=5, size=1, new=True),
            OutOfRangeError,
            "size = 1: must be a whole number >= 2",
        ),
        (
            lambda: subgroup_limit(ranges=5, subgroups=2, size=2, new=True),
            TooFewError,
            "subgroups * (size - 1) = 2: must be >= 5",
        ),
        (
            lambda: T2Chart(limits=LIMITS, limit=0.0),
            OutOfRangeError,
            "limit = 0.0: must be > 0",
        ),
        (
            lambda: MewmaChart(limits=LIMITS, limit=9.0, weight=2.0),
            OutOfRangeError,
            "weight = 2.0",
        ),
        (
            lambda: MewmaChart(limits=LIMITS, limit=9.0, offset=np.zeros(3)),
            ShapeError,
            "offset = shape (3,)",
        ),
    ],
)
def test_bad_input_is_named(
    call: Callable[[], object], kind: type[SpcError], message: str
) -> None:
    with pytest.raises(kind) as caught:
        call()
    assert message in str(caught.value)


def test_a_bad_unit_leaves_the_charts_as_they_were() -> None:
    for chart in (T2Chart.of(LIMITS), MewmaChart(limits=LIMITS, limit=14.0)):
        refuses(chart, NotFiniteError, "x[2] = nan", [0.0, 0.0, np.nan, 0.0])
        refuses(chart, ShapeError, "values of 4 ranges: 1 uA, 10 uA", [0.0, 0.0])
        assert chart.n == 0
