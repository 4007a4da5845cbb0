"""Acceptance by counting nonconforming units: single and double plans.

References
----------
ISO 2859-1; D. C. Montgomery, Introduction to Statistical Quality Control; NIST/
SEMATECH e-Handbook, section 6.2.
"""

from dataclasses import dataclass

import numpy as np
import scipy

from daemon.spc.checks import count, finite
from daemon.spc.errors import OutOfRangeError


def checked_share(argument: str, value: float) -> float:
    """Return a share of nonconforming units, refusing what is not from 0 to 1."""
    if not 0.0 <= finite(argument, value) <= 1.0:
        raise OutOfRangeError(argument=argument, value=value, allowed=">= 0 and <= 1")
    return float(value)


def checked_build(nonconforming: int, build: int, n: int) -> None:
    """Refuse a build smaller than its sample, or than its nonconforming units."""
    count("build", build, at_least=n)
    if count("nonconforming", nonconforming, at_least=0) > build:
        raise OutOfRangeError(
            argument="nonconforming", value=nonconforming, allowed=f"<= {build}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A point at which a plan may accept: after so many units, with what chance."""

    inspected: int
    accepts: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SinglePlan:
    """Take `n` units; accept when at most `c` do not conform.

    Parameters
    ----------
    n : int
        Sample size, at least 1.
    c : int
        Acceptance number, at least 0 and below `n`.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    Examples
    --------
    >>> plan = SinglePlan(n=60, c=1)
    >>> round(plan.accepts(0.01), 4), round(plan.accepts_build(5, build=500), 4)
    (0.8788, 0.8884)
    """

    n: int
    c: int

    def __post_init__(self) -> None:
        count("n", self.n, at_least=1)
        if count("c", self.c, at_least=0) >= self.n:
            raise OutOfRangeError(argument="c", value=self.c, allowed=f"< {self.n}")

    def stages(self, share: float) -> tuple[Stage, ...]:
        """Return where a process may be accepted: here once."""
        accepts = float(
            scipy.special.bdtr(self.c, self.n, checked_share("share", share))
        )
        return (Stage(inspected=self.n, accepts=accepts),)

    def accepts(self, share: float) -> float:
        """Return the probability of acceptance of a process (binomial).

        Parameters
        ----------
        share : float
            Share of units that do not conform, from 0 to 1.
        """
        return self.stages(share)[0].accepts

    def accepts_build(self, nonconforming: int, *, build: int) -> float:
        """Return the probability of acceptance of one finite build (hypergeometric).

        Parameters
        ----------
        nonconforming : int
            Units of the build that do not conform.
        build : int
            Units in the build, at least the sample.
        """
        checked_build(nonconforming, build, self.n)
        return float(scipy.stats.hypergeom.cdf(self.c, build, nonconforming, self.n))

    def mean_n(self, share: float) -> float:
        """Return the average sample number (ASN), which here is the sample."""
        checked_share("share", share)
        return float(self.n)


@dataclass(frozen=True, slots=True, kw_only=True)
class DoublePlan:
    """Take `n1` units, and `n2` more when the first do not decide.

    Accept with at most `c1` nonconforming in the first sample, reject with `r1` or
    more; else accept with at most `c2` in both together.

    Parameters
    ----------
    n1, n2 : int
        Sample sizes, at least 1.
    c1, c2 : int
        Acceptance numbers, at least 0, c1 <= c2 and c1 < n1.
    r1 : int
        Rejection number of the first sample, above c1 and at most ``c2 + 1``.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    Examples
    --------
    >>> plan = DoublePlan(n1=40, c1=0, r1=3, n2=40, c2=2)
    >>> first, second = plan.stages(0.05)
    >>> round(first.accepts, 3), round(second.accepts, 3)
    (0.129, 0.144)
    >>> round(plan.mean_n(0.05), 1)
    61.9
    """

    n1: int
    c1: int
    r1: int
    n2: int
    c2: int

    def __post_init__(self) -> None:
        count("n1", self.n1, at_least=1)
        count("n2", self.n2, at_least=1)
        if count("c1", self.c1, at_least=0) >= self.n1:
            raise OutOfRangeError(argument="c1", value=self.c1, allowed=f"< {self.n1}")
        count("c2", self.c2, at_least=self.c1)
        if not self.c1 < count("r1", self.r1, at_least=1) <= self.c2 + 1:
            raise OutOfRangeError(
                argument="r1", value=self.r1, allowed=f"> {self.c1}, <= {self.c2 + 1}"
            )

    @property
    def n(self) -> int:
        """Both samples together."""
        return self.n1 + self.n2

    def stages(self, share: float) -> tuple[Stage, ...]:
        """Return acceptance by the first sample, and by both."""
        p = checked_share("share", share)
        between = np.arange(self.c1 + 1, self.r1)
        second = scipy.stats.binom.pmf(between, self.n1, p) @ scipy.stats.binom.cdf(
            self.c2 - between, self.n2, p
        )
        return (
            Stage(
                inspected=self.n1,
                accepts=float(scipy.special.bdtr(self.c1, self.n1, p)),
            ),
            Stage(inspected=self.n, accepts=float(second)),
        )

    def accepts(self, share: float) -> float:
        """Return the probability of acceptance of a process (binomial)."""
        return sum(stage.accepts for stage in self.stages(share))

    def accepts_build(self, nonconforming: int, *, build: int) -> float:
        """Return the probability of acceptance of one finite build (hypergeometric)."""
        checked_build(nonconforming, build, self.n)
        # No more of them than there are places left can be outside the first sample.
        least = max(self.c1 + 1, nonconforming - (build - self.n1))
        between = np.arange(least, min(self.r1, nonconforming + 1))
        second = scipy.stats.hypergeom.pmf(
            between, build, nonconforming, self.n1
        ) @ scipy.stats.hypergeom.cdf(
            self.c2 - between, build - self.n1, nonconforming - between, self.n2
        )
        first = scipy.stats.hypergeom.cdf(self.c1, build, nonconforming, self.n1)
        return float(first + second)

    def mean_n(self, share: float) -> float:
        """Return the average sample number (ASN), both samples taken whole."""
        p = checked_share("share", share)
        decided = scipy.stats.binom.cdf(self.c1, self.n1, p) + scipy.stats.binom.sf(
            self.r1 - 1, self.n1, p
        )
        return self.n1 + self.n2 * (1.0 - float(decided))


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgoing:
    """What leaves when rejected builds are inspected whole and put right.

    `share` is the average outgoing quality (AOQ) as a share of nonconforming units,
    `inspected` the average number of units inspected a build (ATI).
    """

    share: float
    inspected: float


def outgoing(plan: SinglePlan | DoublePlan, share: float, *, build: int) -> Outgoing:
    """Return what leaves a plan under rectifying inspection.

    Parameters
    ----------
    plan : SinglePlan or DoublePlan
        The plan.
    share : float
        Share of units that do not conform as they come, from 0 to 1.
    build : int
        Units in a build, at least the sample.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    Examples
    --------
    >>> left = outgoing(SinglePlan(n=40, c=1), 0.02, build=500)
    >>> round(left.share, 4), round(left.inspected, 1)
    (0.0149, 127.6)
    """
    count("build", build, at_least=plan.n)
    # What an accepted build keeps uninspected; a rejected one keeps nothing.
    left = sum(
        stage.accepts * (build - stage.inspected) for stage in plan.stages(share)
    )
    return Outgoing(share=share * left / build, inspected=build - left)


@dataclass(frozen=True, slots=True, kw_only=True)
class OutgoingLimit:
    """The worst average outgoing quality (AOQL), and the share that gives it."""

    share: float
    at: float


def outgoing_limit(plan: SinglePlan | DoublePlan, *, build: int) -> OutgoingLimit:
    """Return the worst that leaves a plan under rectifying inspection.

    Parameters
    ----------
    plan : SinglePlan or DoublePlan
        The plan.
    build : int
        Units in a build, more than the sample.

    Raises
    ------
    SpcError
        For a build not larger than the sample.

    Examples
    --------
    >>> worst = outgoing_limit(SinglePlan(n=40, c=1), build=500)
    >>> round(worst.share, 5), round(worst.at, 3)
    (0.01917, 0.04)
    """
    count("build", build, at_least=plan.n + 1)
    # The average outgoing quality has one peak, near the share that brings as many
    # nonconforming units into the first sample as may pass.
    most, first = (
        (plan.c, plan.n) if isinstance(plan, SinglePlan) else (plan.c2, plan.n1)
    )
    top = min(1.0, 4.0 * (most + 1) / first)
    best = scipy.optimize.minimize_scalar(
        lambda share: -outgoing(plan, float(share), build=build).share,
        bounds=(0.0, top),
        method="bounded",
        options={"xatol": 1e-10},
    )
    return OutgoingLimit(share=-float(best.fun), at=float(best.x))
