"""Wald's sequential test: decide as soon as the evidence is enough.

References
----------
A. Wald, Sequential Analysis (1947). Bounds, operating characteristic and average
sample number are his approximations, which neglect that the last value overshoots
the bound: the true risks are a little smaller, the true sample numbers a little
larger.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import exp, expm1, log, log1p
from typing import Protocol

from scipy.optimize import brentq

from daemon.spc.checks import finite, positive, share
from daemon.spc.errors import OutOfRangeError


class Decision(StrEnum):
    """What a sequential test says so far."""

    GO_ON = "go on"
    ACCEPT = "accept"
    REJECT = "reject"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """Bounds on the logarithm of the likelihood ratio.

    Parameters
    ----------
    alpha : float
        Risk of rejecting what is as it should be, above 0 and below 1.
    beta : float
        Risk of accepting what is not, above 0; together they are below 1.

    Raises
    ------
    SpcError
        For risks outside their bounds.

    Examples
    --------
    >>> bounds = Bounds(alpha=0.05, beta=0.1)
    >>> round(bounds.upper, 6), round(bounds.lower, 6)
    (2.890372, -2.251292)
    """

    alpha: float
    beta: float

    def __post_init__(self) -> None:
        share("alpha", self.alpha)
        share("beta", self.beta)
        if self.alpha + self.beta >= 1.0:
            raise OutOfRangeError(
                argument="alpha + beta", value=self.alpha + self.beta, allowed="< 1"
            )

    @property
    def upper(self) -> float:
        """At or above it the test rejects."""
        return log((1.0 - self.beta) / self.alpha)

    @property
    def lower(self) -> float:
        """At or below it the test accepts."""
        return log(self.beta / (1.0 - self.alpha))


class Evidence(Protocol):
    """What one value says about two hypotheses."""

    def log_ratio(self, x: float) -> float:
        """Return the logarithm of the likelihood ratio of one value."""
        ...

    def drift(self, true: float) -> float:
        """Return the mean of `log_ratio` when `true` is the parameter."""
        ...

    def drift_squared(self, true: float) -> float:
        """Return the mean square of `log_ratio` when `true` is the parameter."""
        ...

    def exponent(self, true: float) -> float:
        """Return the root h, not 0, of "the mean of exp(h log_ratio) is 1"; else 0."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class NormalMean:
    """A normal mean with known standard deviation: `good` against `bad`.

    Parameters
    ----------
    good, bad : float
        The mean that is to be accepted, and the one that is to be rejected; not
        equal.
    sigma : float
        Standard deviation, in the same unit, > 0.

    Raises
    ------
    SpcError
        For numbers that are not finite or outside their bounds.

    Examples
    --------
    >>> NormalMean(good=0.0, bad=2.0, sigma=1.0).log_ratio(1.5)
    1.0
    """

    good: float
    bad: float
    sigma: float

    def __post_init__(self) -> None:
        _different(finite("good", self.good), finite("bad", self.bad))
        positive("sigma", self.sigma)

    @property
    def slope(self) -> float:
        """Mean at which neither hypothesis gains; slope of the lines for the sum."""
        return 0.5 * (self.good + self.bad)

    @property
    def gain(self) -> float:
        """What the log ratio gains per unit of the value."""
        return (self.bad - self.good) / self.sigma**2

    def log_ratio(self, x: float) -> float:
        """Return the logarithm of the likelihood ratio of one value."""
        return self.gain * (x - self.slope)

    def drift(self, true: float) -> float:
        """Return the mean of `log_ratio` when `true` is the mean."""
        return self.log_ratio(true)

    def drift_squared(self, true: float) -> float:
        """Return the mean square of `log_ratio` when `true` is the mean."""
        return self.drift(true) ** 2 + (self.gain * self.sigma) ** 2

    def exponent(self, true: float) -> float:
        """Return Wald's h, 0 where neither hypothesis gains."""
        return (self.good + self.bad - 2.0 * true) / (self.bad - self.good)


@dataclass(frozen=True, slots=True, kw_only=True)
class NonconformingShare:
    """A share of nonconforming units: `good` against `bad`.

    Parameters
    ----------
    good, bad : float
        The share that is to be accepted, and the larger one that is to be
        rejected, above 0 and below 1.

    Raises
    ------
    SpcError
        For shares outside their bounds or in the wrong order.

    Examples
    --------
    >>> round(NonconformingShare(good=0.01, bad=0.1).log_ratio(1.0), 4)
    2.3026
    """

    good: float
    bad: float

    def __post_init__(self) -> None:
        share("good", self.good)
        if not share("bad", self.bad) > self.good:
            raise OutOfRangeError(
                argument="bad", value=self.bad, allowed=f"> good, which is {self.good}"
            )

    def log_ratio(self, x: float) -> float:
        """Return the log ratio of one unit: 1 nonconforming, 0 conforming."""
        if x not in {0.0, 1.0}:
            raise OutOfRangeError(argument="x", value=x, allowed="0 or 1")
        return self._nonconforming if x else self._conforming

    def drift(self, true: float) -> float:
        """Return the mean of `log_ratio` when `true` is the share."""
        return true * self._nonconforming + (1.0 - true) * self._conforming

    def drift_squared(self, true: float) -> float:
        """Return the mean square of `log_ratio` when `true` is the share."""
        return true * self._nonconforming**2 + (1.0 - true) * self._conforming**2

    def exponent(self, true: float) -> float:
        """Return Wald's h, 0 where neither hypothesis gains."""

        def share_with(h: float) -> float:
            if abs(h) < 1e-9:
                up, down = self._nonconforming, self._conforming
                return -down / (up - down)
            down = -expm1(h * self._conforming)
            return down / (expm1(h * self._nonconforming) + down)

        low, high = -1.0, 1.0
        while share_with(low) < true:
            low *= 2.0
        while share_with(high) > true:
            high *= 2.0
        h = float(brentq(lambda h: share_with(h) - true, low, high, xtol=1e-12))
        return h if abs(h) > 1e-8 else 0.0

    @property
    def _nonconforming(self) -> float:
        return log(self.bad / self.good)

    @property
    def _conforming(self) -> float:
        return log1p(-self.bad) - log1p(-self.good)


@dataclass(slots=True, kw_only=True)
class SequentialTest:
    """Wald's sequential probability ratio test, value by value.

    After a decision it stays: further values are refused.

    Parameters
    ----------
    evidence : Evidence
        `NormalMean` or `NonconformingShare`.
    bounds : Bounds
        From the two risks.

    Examples
    --------
    >>> test = SequentialTest(
    ...     evidence=NormalMean(good=0.0, bad=2.0, sigma=1.0),
    ...     bounds=Bounds(alpha=0.05, beta=0.1),
    ... )
    >>> [str(test.update(x)) for x in (1.5, 1.8, 1.4)]
    ['go on', 'go on', 'reject']
    """

    evidence: Evidence
    bounds: Bounds
    n: int = 0
    log_ratio: float = 0.0

    @property
    def decision(self) -> Decision:
        """What the test says so far."""
        if self.log_ratio >= self.bounds.upper:
            return Decision.REJECT
        if self.log_ratio <= self.bounds.lower:
            return Decision.ACCEPT
        return Decision.GO_ON

    def update(self, x: float) -> Decision:
        """Take one value and return the decision so far.

        Raises
        ------
        SpcError
            For a value that is not finite or not possible, and for any value after
            a decision; nothing is changed then.
        """
        if self.decision is not Decision.GO_ON:
            raise OutOfRangeError(
                argument="x", value=x, allowed=f"none: the test says {self.decision}"
            )
        gained = self.evidence.log_ratio(finite("x", x))
        self.n += 1
        self.log_ratio += gained
        return self.decision


@dataclass(frozen=True, slots=True, kw_only=True)
class SequentialPerformance:
    """How a sequential test does when the parameter has one value.

    `accepts` is the probability of accepting, `mean_n` the average sample number.
    """

    accepts: float
    mean_n: float


def sequential_performance(
    evidence: Evidence, bounds: Bounds, *, true: float
) -> SequentialPerformance:
    """Return operating characteristic and average sample number.

    Parameters
    ----------
    evidence : Evidence
        `NormalMean` or `NonconformingShare`.
    bounds : Bounds
        From the two risks.
    true : float
        The true mean, or the true share, above 0 and below 1 for a share.

    Raises
    ------
    SpcError
        For a number that is not finite or outside its bounds.

    Examples
    --------
    >>> mean = NormalMean(good=0.0, bad=100.0, sigma=150.0)  # ppm
    >>> at_good = sequential_performance(
    ...     mean, Bounds(alpha=0.01, beta=0.03), true=0.0
    ... )
    >>> round(at_good.accepts, 3), round(at_good.mean_n, 2)
    (0.99, 15.37)
    """
    finite("true", true)
    if isinstance(evidence, NonconformingShare):
        share("true", true)
    upper, lower = bounds.upper, bounds.lower
    h = evidence.exponent(true)
    if abs(h) < 1e-8:
        accepts = upper / (upper - lower)
        mean_n = -upper * lower / evidence.drift_squared(true)
    else:
        accepts = _accepts(h, upper, lower)
        mean_n = (accepts * lower + (1.0 - accepts) * upper) / evidence.drift(true)
    return SequentialPerformance(accepts=accepts, mean_n=mean_n)


def _accepts(h: float, upper: float, lower: float) -> float:
    """(A^h - 1) / (A^h - B^h), for any h without overflow."""
    if h > 0.0:
        return expm1(-h * upper) / expm1(-h * (upper - lower))
    far = -h * (upper - lower)
    if far > 700.0:
        return exp(-h * lower)
    return expm1(-h * upper) / expm1(far)


def _different(good: float, bad: float) -> None:
    if good == bad:
        raise OutOfRangeError(
            argument="bad", value=bad, allowed=f"different from good, which is {good}"
        )
