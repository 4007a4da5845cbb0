"""Acceptance unit by unit: Wald's sequential plan for a share."""

from dataclasses import dataclass
from math import ceil, floor, log

from daemon.spc.checks import count
from daemon.spc.sampling.attributes import checked_share
from daemon.spc.sequential import Bounds, NonconformingShare, SequentialPerformance

_DECIDED = 1e-12  # a share of builds still undecided that no longer matters


@dataclass(frozen=True, slots=True, kw_only=True)
class SequentialPlan:
    """Inspect unit by unit until the count crosses one of two parallel lines.

    Parameters
    ----------
    evidence : NonconformingShare
        The good and the bad share.
    bounds : Bounds
        The two risks.

    References
    ----------
    A. Wald, Sequential Analysis (1947); NIST/SEMATECH e-Handbook, section 6.2.3.6.

    Examples
    --------
    >>> plan = SequentialPlan(
    ...     evidence=NonconformingShare(good=0.01, bad=0.1),
    ...     bounds=Bounds(alpha=0.05, beta=0.1),
    ... )
    >>> plan.acceptance_number(24), plan.rejection_number(24)
    (0, 3)
    """

    evidence: NonconformingShare
    bounds: Bounds

    @property
    def slope(self) -> float:
        """Rise of both lines per unit."""
        return -self.evidence.log_ratio(0.0) / self._gain

    @property
    def accept_intercept(self) -> float:
        """How far below zero the acceptance line starts (h1)."""
        return -self.bounds.lower / self._gain

    @property
    def reject_intercept(self) -> float:
        """How far above zero the rejection line starts (h2)."""
        return self.bounds.upper / self._gain

    @property
    def _gain(self) -> float:
        good, bad = self.evidence.good, self.evidence.bad
        return log(bad * (1.0 - good) / (good * (1.0 - bad)))

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
