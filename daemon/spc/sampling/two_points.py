"""Plans that keep two promises, or that allow no nonconforming unit at all."""

from math import ceil, log, log1p

import scipy

from daemon.spc.checks import count, share
from daemon.spc.errors import OutOfRangeError
from daemon.spc.numerics import smallest
from daemon.spc.sampling.attributes import SinglePlan, checked_build

LARGEST = 1e15
"""Beyond this no sample is drawn."""


def zero_acceptance_size(*, bad: float, beta: float) -> int:
    """Return how many good units show that a share of bad ones is not there.

    Parameters
    ----------
    bad : float
        Share of nonconforming units that must not pass, above 0 and below 1.
    beta : float
        Risk that it passes all the same, above 0 and below 1.

    Returns
    -------
    int
        Smallest sample that accepts with none nonconforming.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    References
    ----------
    n = ln(beta) / ln(1 - bad), rounded up.

    Examples
    --------
    >>> zero_acceptance_size(bad=0.01, beta=0.05)
    299
    """
    share("bad", bad)
    size = log(share("beta", beta)) / log1p(-bad)
    if size > LARGEST:
        raise OutOfRangeError(
            argument="bad",
            value=bad,
            allowed=f"so large that {LARGEST:g} units show it",
        )
    return ceil(size - 1e-9)


def zero_acceptance_size_of_build(
    *, nonconforming: int, build: int, beta: float
) -> int:
    """Return how many good units of one build show that bad ones are not there.

    Parameters
    ----------
    nonconforming : int
        Nonconforming units in the build that must not pass, at least 1.
    build : int
        Units in the build.
    beta : float
        Risk that they pass all the same, above 0 and below 1.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    Examples
    --------
    >>> zero_acceptance_size_of_build(nonconforming=5, build=50, beta=0.05)
    22
    """
    share("beta", beta)
    count("nonconforming", nonconforming, at_least=1)
    checked_build(nonconforming, build, 1)
    conforming = build - nonconforming

    def shown(n: int) -> bool:
        # With more units than conform, one of the others must be among them.
        return (
            n > conforming
            or scipy.stats.hypergeom.pmf(0, build, nonconforming, n) <= beta
        )

    return smallest(shown, at_least=1)


def checked_points(good: float, alpha: float, bad: float, beta: float) -> None:
    """Refuse two points of an operating characteristic that no plan can keep."""
    share("good", good)
    if not share("bad", bad) > good:
        raise OutOfRangeError(
            argument="bad", value=bad, allowed=f"> good, which is {good}"
        )
    share("alpha", alpha)
    share("beta", beta)
    if alpha + beta >= 1.0:
        raise OutOfRangeError(
            argument="alpha + beta", value=alpha + beta, allowed="< 1"
        )


def plan_by_two_points(
    *, good: float, alpha: float, bad: float, beta: float
) -> SinglePlan:
    """Return the smallest single plan that keeps two promises.

    Parameters
    ----------
    good : float
        Share of nonconforming units that is to be accepted, above 0.
    alpha : float
        Risk of rejecting it.
    bad : float
        Larger share that is to be rejected, below 1.
    beta : float
        Risk of accepting it; together the risks are below 1.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    Examples
    --------
    >>> plan_by_two_points(good=0.01, alpha=0.05, bad=0.06, beta=0.1)
    SinglePlan(n=110, c=3)
    """
    checked_points(good, alpha, bad, beta)
    c = 0
    while True:
        n = _least_for(c, bad, beta)
        plan = SinglePlan(n=n, c=c)
        if plan.accepts(good) >= 1.0 - alpha:
            return plan
        c += 1


def _least_for(c: int, bad: float, beta: float) -> int:
    return smallest(lambda n: SinglePlan(n=n, c=c).accepts(bad) <= beta, at_least=c + 1)
