"""Acceptance by measured values: how far the mean lies from a limit.

References
----------
ISO 3951-1 and ISO 3951-2 (s method and sigma method); G. J. Lieberman and G. J.
Resnikoff, Journal of the American Statistical Association 50 (1955) 457-516.
"""

from dataclasses import dataclass
from math import ceil, isfinite, sqrt
from warnings import catch_warnings, simplefilter

import scipy
from scipy.special import bdtri, betainc, ndtr, ndtri

from daemon.spc.capability.indices import Specification
from daemon.spc.checks import count, finite, positive, share
from daemon.spc.errors import OutOfRangeError
from daemon.spc.numerics import smallest
from daemon.spc.sampling.attributes import SinglePlan
from daemon.spc.sampling.two_points import checked_points

FOUND = 1e-3
"""A quantile is found where its probability is that which was asked for, relative."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VariablesPlan:
    """Measure `n` units; accept when the mean lies `k` deviations inside a limit.

    Parameters
    ----------
    n : int
        Sample size: at least 1 with known sigma, else at least 3.
    k : float
        Acceptability constant, in standard deviations.
    sigma_known : bool
        Whether the standard deviation is known, or estimated from the sample.

    Raises
    ------
    SpcError
        For numbers that are not finite or outside their bounds.

    Examples
    --------
    >>> plan = VariablesPlan(n=42, k=1.9, sigma_known=False)
    >>> round(plan.accepts(0.01), 3), round(plan.accepts(0.06), 3)
    (0.952, 0.099)
    """

    n: int
    k: float
    sigma_known: bool

    def __post_init__(self) -> None:
        count("n", self.n, at_least=1 if self.sigma_known else 3)
        finite("k", self.k)

    def accepts(self, nonconforming: float) -> float:
        """Return the probability of acceptance under one limit (normal values).

        Parameters
        ----------
        nonconforming : float
            Share of units beyond the limit, above 0 and below 1.
        """
        z = -float(ndtri(share("nonconforming", nonconforming)))
        root = sqrt(self.n)
        if self.sigma_known:
            return float(ndtr(root * (z - self.k)))
        return float(scipy.stats.nct.sf(root * self.k, self.n - 1, root * z))

    def estimated_share(self, quality: float) -> float:
        """Return the best unbiased estimate of the share beyond a limit.

        Parameters
        ----------
        quality : float
            Distance of the sample mean from the limit, inside positive, in (known or
            estimated) standard deviations.
        """
        finite("quality", quality)
        if self.sigma_known:
            if self.n == 1:
                return 0.0 if quality > 0.0 else 1.0
            return float(ndtr(-quality * sqrt(self.n / (self.n - 1))))
        reach = 0.5 * (1.0 - quality * sqrt(self.n) / (self.n - 1))
        half = 0.5 * self.n - 1.0
        return float(betainc(half, half, min(1.0, max(0.0, reach))))

    @property
    def largest_share(self) -> float:
        """Largest estimated share that is accepted: `k` said in another way."""
        return self.estimated_share(self.k)

    def judge(
        self, *, mean: float, s: float, specification: Specification
    ) -> "VariablesVerdict":
        """Return whether a sample is accepted.

        With one limit the distance of the mean decides, with two the estimated share
        beyond both together.

        Parameters
        ----------
        mean : float
            Mean of the sample.
        s : float
            Known standard deviation, or that of the sample, > 0.
        specification : Specification
            One limit or two, in the same unit.
        """
        finite("mean", mean)
        positive("s", s)
        lower, upper = specification.lower, specification.upper
        below = None if lower is None else (mean - lower) / s
        above = None if upper is None else (upper - mean) / s
        given = [each for each in (below, above) if each is not None]
        estimated = sum(self.estimated_share(each) for each in given)
        if len(given) == 1:
            accepted = given[0] >= self.k
        else:
            accepted = estimated <= self.largest_share
        return VariablesVerdict(
            accepted=accepted,
            lower_quality=below,
            upper_quality=above,
            estimated_share=estimated,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class VariablesVerdict:
    """What a sample says.

    `lower_quality` and `upper_quality` are the distances of the mean from the limits
    in standard deviations (Q), None without that limit.
    """

    accepted: bool
    lower_quality: float | None
    upper_quality: float | None
    estimated_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Wallis:
    """Unrounded plan by Wallis' approximation, as from a nomograph."""

    k: float
    n_known: float
    n_unknown: float


def wallis(*, good: float, alpha: float, bad: float, beta: float) -> Wallis:
    """Return the plan through two points by closed formulas.

    Parameters
    ----------
    good, alpha, bad, beta : float
        As in `variables_plan_by_two_points`.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    References
    ----------
    W. A. Wallis in C. Eisenhart et al., Techniques of Statistical Analysis (1947);
    D. C. Montgomery, Introduction to Statistical Quality Control.

    Examples
    --------
    >>> plan = wallis(good=0.01, alpha=0.05, bad=0.06, beta=0.1)
    >>> round(plan.k, 4), round(plan.n_known, 2), round(plan.n_unknown, 2)
    (1.8927, 14.39, 40.15)
    """
    checked_points(good, alpha, bad, beta)
    at_good, at_bad, of_alpha, of_beta = (
        -float(ndtri(p)) for p in (good, bad, alpha, beta)
    )
    k = (of_alpha * at_bad + of_beta * at_good) / (of_alpha + of_beta)
    known = ((of_alpha + of_beta) / (at_good - at_bad)) ** 2
    return Wallis(k=k, n_known=known, n_unknown=known * (1.0 + 0.5 * k * k))


def acceptability_constant(n: int, *, good: float, accepts: float) -> float:
    """Return k of an unknown-sigma plan that accepts a share with a probability.

    Parameters
    ----------
    n : int
        Sample size, at least 3.
    good : float
        Share of nonconforming units, above 0 and below 1.
    accepts : float
        Wanted probability of acceptance there, above 0 and below 1.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    Examples
    --------
    >>> round(acceptability_constant(10, good=0.01, accepts=0.9), 2)
    1.71
    """
    count("n", n, at_least=3)
    z = -float(ndtri(share("good", good)))
    root = sqrt(n)
    share("accepts", accepts)
    with catch_warnings():
        # So far out the library says that it finds nothing, and answers all the same.
        simplefilter("ignore", RuntimeWarning)
        found = float(scipy.stats.nct.isf(accepts, n - 1, root * z))
        chance = float(scipy.stats.nct.sf(found, n - 1, root * z))
    if not isfinite(found) or abs(chance - accepts) > FOUND * accepts:
        raise OutOfRangeError(
            argument="good, accepts",
            value=(good, accepts),
            allowed="shares that are not so near to 0 or 1",
        )
    return found / root


def variables_plan_by_two_points(
    *, good: float, alpha: float, bad: float, beta: float, sigma_known: bool
) -> VariablesPlan:
    """Return the smallest plan by variables that keeps two promises.

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
    sigma_known : bool
        Whether the standard deviation is known.

    Returns
    -------
    VariablesPlan
        Its k keeps the first promise exactly, the second at least.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    Examples
    --------
    >>> plan = variables_plan_by_two_points(
    ...     good=0.01, alpha=0.05, bad=0.06, beta=0.1, sigma_known=False
    ... )
    >>> plan.n, round(plan.k, 3)
    (42, 1.905)
    """
    start = wallis(good=good, alpha=alpha, bad=bad, beta=beta)
    if sigma_known:
        n = ceil(start.n_known - 1e-9)
        k = -float(ndtri(good)) + float(ndtri(alpha)) / sqrt(n)
        return VariablesPlan(n=n, k=k, sigma_known=True)

    def plan(n: int) -> VariablesPlan:
        k = acceptability_constant(n, good=good, accepts=1.0 - alpha)
        return VariablesPlan(n=n, k=k, sigma_known=False)

    return plan(smallest(lambda n: plan(n).accepts(bad) <= beta, at_least=3))


def matched_to(plan: SinglePlan, *, sigma_known: bool) -> VariablesPlan:
    """Return the plan by variables that judges much as a plan by attributes does.

    It goes through the points of the other's operating characteristic at 95 % and
    10 % acceptance, the principle of ISO 3951.

    Parameters
    ----------
    plan : SinglePlan
        The plan by attributes.
    sigma_known : bool
        Whether the standard deviation is known.

    Raises
    ------
    SpcError
        For a plan that accepts too much for any plan by variables to match.

    Examples
    --------
    >>> matched_to(SinglePlan(n=125, c=3), sigma_known=False).n
    55
    """
    good, bad = (_share_accepted(plan, accepts) for accepts in (0.95, 0.1))
    return variables_plan_by_two_points(
        good=good, alpha=0.05, bad=bad, beta=0.1, sigma_known=sigma_known
    )


def _share_accepted(plan: SinglePlan, accepts: float) -> float:
    """Share of nonconforming units that a plan accepts with a probability."""
    return float(bdtri(plan.c, plan.n, accepts))
