"""Wald's test against his examples, and against a simulation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.spc.errors import SpcError
from daemon.spc.sequential import (
    Bounds,
    Decision,
    NonconformingShare,
    NormalMean,
    SequentialTest,
    sequential_performance,
)
from tests.reference_values import Entry
from tests.refusals import Refusal, assert_refused, refusals

FILE = "15_sequential_selfstarting"


@pytest.mark.reference(FILE, "sprt.wald.bounds")
def test_bounds(entry: Entry) -> None:
    bounds = [Bounds(alpha=a, beta=b) for a, b in entry.inputs["pairs"]]
    entry.check("upper", [each.upper for each in bounds])
    entry.check("lower", [each.lower for each in bounds])


@pytest.mark.reference(FILE, "sprt.normal_mean")
def test_normal_mean(entry: Entry) -> None:
    given_ = entry.inputs
    mean = NormalMean(good=given_["theta0"], bad=given_["theta1"], sigma=25.0)
    bounds = Bounds(alpha=given_["alpha"], beta=given_["beta"])
    entry.check("slope", mean.slope)
    entry.check("lower_intercept", bounds.lower / mean.gain)
    entry.check("upper_intercept", bounds.upper / mean.gain)
    for name, true in (("ASN_theta0", mean.good), ("ASN_theta1", mean.bad)):
        performance = sequential_performance(mean, bounds, true=true)
        entry.check(name, performance.mean_n)


@pytest.mark.reference(FILE, "sprt.binomial.asn")
def test_nonconforming_share(entry: Entry) -> None:
    plan = NonconformingShare(good=0.01, bad=0.1)
    bounds = Bounds(alpha=0.05, beta=0.1)
    for name, true in (("ASN_p1", 0.01), ("ASN_p2", 0.1)):
        entry.check(name, sequential_performance(plan, bounds, true=true).mean_n)


@pytest.mark.source("Wald (1947): five points of the operating characteristic")
@pytest.mark.parametrize(
    "evidence",
    [
        NormalMean(good=1.0, bad=-2.0, sigma=1.5),
        NonconformingShare(good=0.02, bad=0.07),
    ],
    ids=["mean", "share"],
)
def test_operating_characteristic(evidence: NormalMean | NonconformingShare) -> None:
    bounds = Bounds(alpha=0.05, beta=0.2)
    at_good = sequential_performance(evidence, bounds, true=evidence.good)
    at_bad = sequential_performance(evidence, bounds, true=evidence.bad)
    assert at_good.accepts == pytest.approx(0.95)
    assert at_bad.accepts == pytest.approx(0.2)
    # Where neither gains, h is 0 and both formulas have their limits.
    if isinstance(evidence, NormalMean):
        even = evidence.slope
        step = 1e-6
    else:
        up, down = evidence.log_ratio(1.0), evidence.log_ratio(0.0)
        even, step = down / (down - up), 1e-8
    middle = sequential_performance(evidence, bounds, true=even)
    beside = sequential_performance(evidence, bounds, true=even + step)
    accepts = bounds.upper / (bounds.upper - bounds.lower)
    assert middle.accepts == pytest.approx(accepts)
    assert beside.accepts == pytest.approx(accepts, rel=1e-3)
    assert beside.mean_n == pytest.approx(middle.mean_n, rel=1e-3)


@given(true=st.floats(0.001, 0.6))
def test_worse_shares_are_accepted_less(true: float) -> None:
    plan = NonconformingShare(good=0.02, bad=0.07)
    bounds = Bounds(alpha=0.05, beta=0.1)
    better = sequential_performance(plan, bounds, true=true)
    worse = sequential_performance(plan, bounds, true=true * 1.1)
    assert 0.0 <= worse.accepts <= better.accepts <= 1.0
    assert better.mean_n > 0.0


@pytest.mark.source("Wald (1947): the risks hold; simulated with a fixed seed")
def test_true_risks_are_no_larger_than_wanted() -> None:
    generator = np.random.default_rng(1947)
    evidence = NormalMean(good=0.0, bad=1.0, sigma=1.0)
    bounds = Bounds(alpha=0.1, beta=0.1)
    for true, wrong in ((0.0, Decision.REJECT), (1.0, Decision.ACCEPT)):
        errors = taken = 0
        for _ in range(1000):
            test = SequentialTest(evidence=evidence, bounds=bounds)
            while test.decision is Decision.GO_ON:
                test.update(generator.normal(true))
            errors += test.decision is wrong
            taken += test.n
        assert errors / 1000 <= 0.1
        # The overshoot makes a test of a few values longer than Wald's figure.
        mean_n = sequential_performance(evidence, bounds, true=true).mean_n
        assert mean_n < taken / 1000 < 1.6 * mean_n


def test_nothing_moves_after_a_decision() -> None:
    test = SequentialTest(
        evidence=NonconformingShare(good=0.01, bad=0.1),
        bounds=Bounds(alpha=0.05, beta=0.1),
    )
    assert [test.update(x) for x in (1.0, 1.0)] == [Decision.GO_ON, Decision.REJECT]
    with pytest.raises(SpcError, match="none: the test says reject"):
        test.update(0.0)
    assert test.n == 2


def _fresh() -> SequentialTest:
    return SequentialTest(
        evidence=NonconformingShare(good=0.01, bad=0.1),
        bounds=Bounds(alpha=0.05, beta=0.1),
    )


@pytest.mark.parametrize(
    "refusal",
    refusals(
        Refusal("alpha", lambda: Bounds(alpha=0.0, beta=0.1)),
        Refusal("beta", lambda: Bounds(alpha=0.1, beta=1.0)),
        Refusal("alpha + beta", lambda: Bounds(alpha=0.5, beta=0.5)),
        Refusal("bad", lambda: NormalMean(good=1.0, bad=1.0, sigma=1.0)),
        Refusal("sigma", lambda: NormalMean(good=0.0, bad=1.0, sigma=-1.0)),
        Refusal("good", lambda: NormalMean(good=np.nan, bad=1.0, sigma=1.0)),
        Refusal("bad", lambda: NonconformingShare(good=0.1, bad=0.05)),
        Refusal("x", lambda: _fresh().update(0.5)),
        Refusal("x", lambda: _fresh().update(np.nan)),
        Refusal(
            "true",
            lambda: sequential_performance(
                _fresh().evidence, _fresh().bounds, true=1.0
            ),
        ),
    ),
)
def test_bad_arguments_are_named(refusal: Refusal) -> None:
    assert_refused(refusal)
