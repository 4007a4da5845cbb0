"""Acceptance unit by unit: Wald's sequential plan for a share.

References
----------
A. Wald, Sequential Analysis (1947); NIST/SEMATECH e-Handbook, section 6.2.3.6.
"""

from dataclasses import dataclass
from math import ceil, floor, log, log1p

from daemon.spc.checks import count
from daemon.spc.sampling.attributes import checked_share
from daemon.spc.sampling.two_points import checked_points

_DECIDED = 1e-12  # a share of builds still undecided that no longer matters


@dataclass(frozen=True, slots=True, kw_only=True)
class SequentialPerformance:
    """Probability of acceptance and average sample number at one true share."""

    accepts: float
    mean_n: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SequentialPlan:
    """Inspect unit by unit until the count crosses one of two parallel lines.

    Parameters
    ----------
    good, bad : float
        Share that is to be accepted, and the larger one that is to be rejected,
        above 0 and below 1.
    alpha, beta : float
        Risk of rejecting the good share, and of accepting the bad one; above 0,
        together below 1.

    Raises
    ------
    SpcError
        For numbers outside their bounds.

    Examples
    --------
    >>> plan = SequentialPlan(good=0.01, alpha=0.05, bad=0.1, beta=0.1)
    >>> plan.acceptance_number(24), plan.rejection_number(24)
    (0, 3)
    """

    good: float
    alpha: float
    bad: float
    beta: float

    def __post_init__(self) -> None:
        checked_points(self.good, self.alpha, self.bad, self.beta)

    @property
    def slope(self) -> float:
        """Rise of both lines per unit."""
        return (log1p(-self.good) - log1p(-self.bad)) / self._gain

    @property
    def accept_intercept(self) -> float:
        """How far below zero the acceptance line starts (h1)."""
        return log((1.0 - self.alpha) / self.beta) / self._gain

    @property
    def reject_intercept(self) -> float:
        """How far above zero the rejection line starts (h2)."""
        return log((1.0 - self.beta) / self.alpha) / self._gain

    @property
    def _gain(self) -> float:
        return log(self.bad * (1.0 - self.good) / (self.good * (1.0 - self.bad)))

    def acceptance_number(self, n: int) -> int | None:
        """Return the largest count that accepts after `n` units; None: none does."""
        number = floor(self.slope * count("n", n, at_least=1) - self.accept_intercept)
        return number if number >= 0 else None

    def rejection_number(self, n: int) -> int | None:
        """Return the smallest count that rejects after `n` units; None: none does."""
        number = ceil(self.slope * count("n", n, at_least=1) + self.reject_intercept)
        return number if number <= n else None

    def performance(self, share: float) -> SequentialPerformance:
        """Return probability of acceptance and average sample number, exactly.

        Wald's formulas neglect how far the count jumps over a line; here every unit
        is followed.

        Parameters
        ----------
        share : float
            Share of units that do not conform, from 0 to 1.

        Raises
        ------
        SpcError
            For a share outside its bounds.
        """
        p = checked_share("share", share)
        going = {0: 1.0}
        accepts = mean_n = 0.0
        n = 0
        while (left := sum(going.values())) > _DECIDED:
            mean_n += left
            n += 1
            after: dict[int, float] = {}
            for found, chance in going.items():
                after[found] = after.get(found, 0.0) + chance * (1.0 - p)
                after[found + 1] = after.get(found + 1, 0.0) + chance * p
            low, high = self.acceptance_number(n), self.rejection_number(n)
            if low is not None:
                accepts += sum(q for d, q in after.items() if d <= low)
            going = {
                d: q
                for d, q in after.items()
                if (low is None or d > low) and (high is None or d < high)
            }
        return SequentialPerformance(accepts=accepts, mean_n=mean_n)
