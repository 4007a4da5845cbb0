"""The check standard's own chart: how far it ordinarily goes from check to check."""

from collections.abc import Sequence
from dataclasses import dataclass

from daemon.spc.checks import finite_array, not_negative
from daemon.spc.control_limits import SigmaMethod, honest_width, limits_from_baseline

__all__ = ["OwnLimits", "own_limits"]

FEWEST_CHECKS = 8
"""Earlier good checks before a range's own chart has limits."""
FALSE_ALARMS = 0.0005
"""Of a range's own chart, per check: a bench stops for nothing once in years."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnLimits:
    """Between which the next difference lies, judged by the earlier ones, in ppm."""

    low_ppm: float
    high_ppm: float

    def hold(self, difference_ppm: float) -> bool:
        """Whether a difference lies between them.

        Examples
        --------
        >>> OwnLimits(low_ppm=-20.0, high_ppm=30.0).hold(25.0)
        True
        """
        return self.low_ppm <= difference_ppm <= self.high_ppm


def own_limits(earlier_ppm: Sequence[float], *, least_ppm: float) -> OwnLimits | None:
    """Return the limits of one range's own chart of the check standard.

    A bench within its specification can still have moved: what the check standard
    read before says how far it ordinarily goes.

    Parameters
    ----------
    earlier_ppm : sequence of float
        Differences of the earlier good checks, ppm, oldest first.
    least_ppm : float
        The expanded uncertainty of what differs from check to check, ppm: the
        limits are never narrower, however alike a few checks were.

    Returns
    -------
    OwnLimits or None
        A prediction interval for one further check, honest about how few they rest
        on; None below eight.

    Raises
    ------
    SpcError
        For a number that is not finite, or a negative `least_ppm`.

    Examples
    --------
    >>> own_limits([1.0, 2.0], least_ppm=5.0) is None
    True
    >>> earlier = [3.0, -2.0, 1.0, 0.0, 4.0, -3.0, 2.0, -1.0]
    >>> limits = own_limits(earlier, least_ppm=5.0)
    >>> limits.hold(10.0), limits.hold(40.0)
    (True, False)
    """
    earlier = finite_array("earlier_ppm", earlier_ppm)
    half_ppm = not_negative("least_ppm", least_ppm)
    if len(earlier) < FEWEST_CHECKS:
        return None
    centre_ppm = float(earlier.mean())
    if earlier.max() > earlier.min():
        found = limits_from_baseline(earlier_ppm, method=SigmaMethod.STANDARD_DEVIATION)
        width = honest_width(found.provenance, rate=FALSE_ALARMS)
        half_ppm = max(width * found.sigma, least_ppm)
    return OwnLimits(low_ppm=centre_ppm - half_ppm, high_ppm=centre_ppm + half_ppm)
