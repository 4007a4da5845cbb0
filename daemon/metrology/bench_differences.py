"""Benches beside one another: do they read alike, and whose is it where they do not.

Two questions. Of one check standard: how far do two benches differ, how surely is that
known, and do their own statements allow it? Of units of one kind that read odd at one
bench: are they odd, or is the bench?
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, inf, sqrt
from statistics import fmean, stdev

from daemon.metrology.checks import finite, not_negative, sample
from daemon.metrology.errors import MetrologyError

FEWEST_FREEDOM = 3
"""Degrees of freedom of the units' scatter below which nothing is told of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardReading:
    """One check of a standard at one bench, ppm.

    `uncertainty_ppm` is standard; `own_ppm` is the part of it that differs from check
    to check, the rest is the bench's and stays.
    """

    error_ppm: float
    uncertainty_ppm: float
    own_ppm: float

    def __post_init__(self) -> None:
        finite(error_ppm=self.error_ppm)
        not_negative(uncertainty_ppm=self.uncertainty_ppm, own_ppm=self.own_ppm)


@dataclass(frozen=True, slots=True, kw_only=True)
class BetweenBenches:
    """One bench's reading of a standard minus another's, ppm.

    `uncertainty_ppm` is expanded (k = 2) and of the difference as it was seen;
    `allowed_ppm` is expanded too, and what both benches state of themselves.
    """

    difference_ppm: float
    uncertainty_ppm: float
    allowed_ppm: float

    def __post_init__(self) -> None:
        finite(difference_ppm=self.difference_ppm)
        not_negative(uncertainty_ppm=self.uncertainty_ppm, allowed_ppm=self.allowed_ppm)

    @property
    def differs(self) -> bool:
        """Whether they differ by more than checks scatter."""
        return abs(self.difference_ppm) > self.uncertainty_ppm

    @property
    def normalized(self) -> float:
        """Return the difference as a share of what is allowed.

        The absolute E_n number of ISO 13528:2022 and ISO/IEC 17043: above 1 the two
        statements contradict each other (from memory).
        """
        if self.allowed_ppm == 0:
            return 0.0 if self.difference_ppm == 0 else inf
        return abs(self.difference_ppm) / self.allowed_ppm


def between_benches(
    one: Sequence[StandardReading], other: Sequence[StandardReading]
) -> BetweenBenches:
    """Return how two benches read one standard on one range.

    Of each bench the mean of its checks counts. How far that is off by chance follows
    from their scatter, or from what was stated of a single check, whichever is more
    (JCGM 100, 4.2.3 and 5.1.2).

    Parameters
    ----------
    one, other
        Checks of either bench, newest first.

    Returns
    -------
    BetweenBenches
        The first bench's reading minus the second's, ppm.

    Raises
    ------
    MetrologyError
        One of the two has none.

    Examples
    --------
    >>> left = [StandardReading(error_ppm=310.0, uncertainty_ppm=50.0, own_ppm=6.0)]
    >>> right = [StandardReading(error_ppm=110.0, uncertainty_ppm=50.0, own_ppm=8.0)]
    >>> found = between_benches(left, right)
    >>> found.difference_ppm, found.uncertainty_ppm, round(found.normalized, 2)
    (200.0, 20.0, 1.41)
    """
    if not one or not other:
        message = "a bench without checks of the standard cannot be compared"
        raise MetrologyError(message)
    chance_ppm = hypot(_of_mean(one), _of_mean(other))
    stated_ppm = hypot(chance_ppm, _of_bench(one), _of_bench(other))
    return BetweenBenches(
        difference_ppm=_mean(one) - _mean(other),
        uncertainty_ppm=2 * chance_ppm,
        allowed_ppm=2 * stated_ppm,
    )


def _mean(checks: Sequence[StandardReading]) -> float:
    return fmean(check.error_ppm for check in checks)


def _of_mean(checks: Sequence[StandardReading]) -> float:
    """Return the standard uncertainty of the mean, as far as chance makes it."""
    own_ppm = hypot(*(check.own_ppm for check in checks)) / sqrt(len(checks))
    seen_ppm = (
        stdev(check.error_ppm for check in checks) if len(checks) > 1 else own_ppm
    )
    return max(own_ppm, seen_ppm) / sqrt(len(checks))


def _of_bench(checks: Sequence[StandardReading]) -> float:
    """Return the standard uncertainty that all checks of a bench share."""
    newest = checks[0]
    whole, own = newest.uncertainty_ppm, newest.own_ppm
    # As a product: the squares of large numbers have no value.
    return sqrt(max(0.0, (whole - own) * (whole + own)))


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchOrProduct:
    """Units at the bench that found them odd, beside such units at other benches, ppm.

    `uncertainty_ppm` of the difference is expanded (k = 2). `log_odds` says how much
    likelier the difference is when the bench alone is off, by the size of the finding,
    than when the units are: then there is none. `is_neither` where it is far from both.
    """

    difference_ppm: float
    uncertainty_ppm: float
    log_odds: float
    is_neither: bool


def bench_or_product(
    size_ppm: float,
    size_uncertainty_ppm: float,
    *,
    here: Sequence[float],
    there: Sequence[float],
    others: Sequence[Sequence[float]] = (),
) -> BenchOrProduct | None:
    """Return what units at other benches say of a finding of this bench.

    Two simple hypotheses about the difference of the means, each normal with the same
    variance: it is the finding's size, or none. Their likelihood ratio is all that the
    difference says of them (Neyman and Pearson 1933, from memory). The units' scatter
    is pooled over all groups, each about its own mean.

    Parameters
    ----------
    size_ppm, size_uncertainty_ppm
        Of the finding; the uncertainty is standard.
    here, there
        Errors of the units concerned at this bench, and of such units at the others.
    others
        Groups that tell of the scatter alone: units before the finding, each bench's.

    Returns
    -------
    None where there is no unit on either side, or where scatter is not known.

    Raises
    ------
    ArgumentError
        A number is not finite, or the uncertainty is negative.

    Examples
    --------
    >>> said = bench_or_product(
    ...     2000.0, 50.0, here=[2010.0, 1930.0, 2080.0], there=[10.0, -60.0, 90.0]
    ... )
    >>> said.log_odds > 3, said.is_neither
    (True, False)
    """
    finite(size_ppm=size_ppm)
    not_negative(size_uncertainty_ppm=size_uncertainty_ppm)
    groups = [
        sample("errors", group, at_least=1) for group in (here, there, *others) if group
    ]
    freedom = sum(len(group) - 1 for group in groups)
    if not here or not there or freedom < FEWEST_FREEDOM:
        return None
    about = sum(sum((one - fmean(group)) ** 2 for one in group) for group in groups)
    by_chance = about / freedom * (1 / len(here) + 1 / len(there))
    variance = by_chance + size_uncertainty_ppm**2
    difference_ppm = fmean(here) - fmean(there)
    if variance == 0 or size_ppm == 0:
        return None
    far = 3 * sqrt(variance)
    return BenchOrProduct(
        difference_ppm=difference_ppm,
        uncertainty_ppm=2 * sqrt(by_chance),
        log_odds=size_ppm * (difference_ppm - size_ppm / 2) / variance,
        is_neither=min(abs(difference_ppm), abs(difference_ppm - size_ppm)) > far,
    )
