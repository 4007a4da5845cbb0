"""Parts of one reel against the tolerance that its label claims.

Told from a handful of loose parts, or from what the units that carry the reel show.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import sqrt

import numpy as np
import scipy
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import ArrayLike, NDArray

from daemon.spc.checks import (
    count,
    finite,
    finite_array,
    not_negative,
    positive,
    within_reach,
)
from daemon.spc.errors import OutOfRangeError

CLASSES_PPM = (500.0, 1_000.0, 2_500.0, 5_000.0, 10_000.0, 20_000.0, 50_000.0)
"""Tolerance classes of IEC 60062:2016, letters W, B, C, D, F, G and J."""

# How parts fill a class: the project's own model. Makers sort by limits, and modern
# parts often use a small share of them.
MEAN_FILLS = (0.1, 0.2, 0.35)
SPREAD_FILLS = np.geomspace(0.02, 0.4, 25)
SHARE_OUTSIDE = 0.05
SUREST = 1e-12
"""Of a class: no mean is taken as surer."""
CONFIDENCE = 0.95
COVERAGE = 2.0


class Against(StrEnum):
    """What a handful of parts says about the claim."""

    COMPATIBLE = "compatible"
    INCOMPATIBLE = "incompatible"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimCheck:
    """Verdict on a claim, and what it rests on.

    `mean_ppm` with its 95 % interval is of the reel, from the nominal value;
    `outside` and `undecided` are places of parts, from 0; `missed_share` is the
    largest share of bad parts that so many good ones would still have missed.
    """

    verdict: Against
    mean_ppm: float
    low_ppm: float
    high_ppm: float
    spread_ppm: float
    outside: tuple[int, ...]
    undecided: tuple[int, ...]
    missed_share: float


def against_claim(
    deviations_ppm: ArrayLike, tolerance_ppm: float, *, uncertainty_ppm: float = 0.0
) -> ClaimCheck:
    """Judge loose parts against a claimed tolerance.

    A tolerance is a limit for every part, so one part that is outside beyond its
    measurement's uncertainty refutes the label. Parts that are all inside prove
    little: `missed_share` says how little.

    Parameters
    ----------
    deviations_ppm : array_like, shape (n,), n >= 2
        Of each part from the nominal value, ppm.
    tolerance_ppm : float
        Claimed, above zero.
    uncertainty_ppm : float
        Standard uncertainty (k = 1) of each measurement, >= 0; the guard band on
        either side of the limit is twice that (ILAC-G8:09/2019, non-binary rule).

    Returns
    -------
    ClaimCheck
        The interval of the mean is Student's; `missed_share` is the largest p with
        (1 - p)^n >= 5 %, the zero-failure rule of attribute sampling.

    Raises
    ------
    SpcError
        For fewer than two parts, a value that is not finite, a tolerance that is
        not above zero or an uncertainty below it.

    Examples
    --------
    >>> five = against_claim([2600.0, 3100.0, 3500.0, 2900.0, 800.0], 1000.0)
    >>> five.verdict.value, five.outside, round(five.mean_ppm)
    ('incompatible', (0, 1, 2, 3), 2580)
    >>> good = against_claim([100.0, -50.0, 30.0, 80.0, 10.0], 1000.0)
    >>> good.verdict.value, round(good.missed_share, 3)
    ('compatible', 0.451)
    """
    values = finite_array("deviations_ppm", deviations_ppm, at_least=2)
    positive("tolerance_ppm", tolerance_ppm)
    not_negative("uncertainty_ppm", uncertainty_ppm)
    guard_ppm = COVERAGE * uncertainty_ppm
    size = np.abs(values)
    outside = _places(size > tolerance_ppm + guard_ppm)
    undecided = tuple(
        one for one in _places(size > tolerance_ppm - guard_ppm) if one not in outside
    )
    verdict = Against.COMPATIBLE
    if outside:
        verdict = Against.INCOMPATIBLE
    elif undecided:
        verdict = Against.UNDECIDED
    n = len(values)
    spread = float(values.std(ddof=1))
    reach = float(scipy.special.stdtrit(n - 1, (1 + CONFIDENCE) / 2)) * spread / n**0.5
    mean = float(values.mean())
    return ClaimCheck(
        verdict=verdict,
        mean_ppm=mean,
        low_ppm=mean - reach,
        high_ppm=mean + reach,
        spread_ppm=spread,
        outside=outside,
        undecided=undecided,
        missed_share=1.0 - (1.0 - CONFIDENCE) ** (1.0 / n),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassOdds:
    """A tolerance class and how probable it is, ppm and 0 to 1."""

    tolerance_ppm: float
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReelClaim:
    """A reel against its label.

    Attributes
    ----------
    tolerance_ppm : float
        The claim.
    incompatible : float
        Probability that more than 5 % of the reel's parts lie outside it.
    share_outside : float
        Expected share of its parts outside.
    classes : tuple of ClassOdds
        Which class it may be of, finest first; probabilities sum to 1.
    """

    tolerance_ppm: float
    incompatible: float
    share_outside: float
    classes: tuple[ClassOdds, ...]


@within_reach
def reel_claim(
    *,
    size_ppm: float,
    sigma_ppm: float,
    spread_ppm: float,
    units: int,
    tolerance_ppm: float,
    classes_ppm: Sequence[float] = CLASSES_PPM,
) -> ReelClaim:
    """Judge a reel from what its units show.

    Parameters
    ----------
    size_ppm, sigma_ppm : float
        Mean of the reel from nominal, and its standard uncertainty.
    spread_ppm : float
        Standard deviation of its parts.
    units : int
        Units that the spread was estimated from.
    tolerance_ppm : float
        What the label claims.
    classes_ppm : sequence of float
        Classes to weigh against one another.

    Notes
    -----
    A class is a limit, not a distribution. The model says: means of reels have a
    standard deviation of 10, 20 or 35 % of the limit, equally likely, and none lies
    outside; the spread inside a reel is 2 to 40 % of the limit, any magnitude equally
    likely; every class is equally likely beforehand. The spread's likelihood is that
    of a sample variance of normal parts.

    Examples
    --------
    >>> claim = reel_claim(
    ...     size_ppm=8000.0, sigma_ppm=100.0, spread_ppm=600.0, units=10,
    ...     tolerance_ppm=1000.0,
    ... )
    >>> claim.incompatible > 0.999, claim.classes[3].probability
    (True, 0.0)
    """
    finite("size_ppm", size_ppm)
    for name, value in (
        ("sigma_ppm", sigma_ppm),
        ("spread_ppm", spread_ppm),
        ("tolerance_ppm", tolerance_ppm),
    ):
        positive(name, value)
    count("units", units, at_least=1)
    classes = np.sort(finite_array("classes_ppm", classes_ppm, at_least=1))
    if classes[0] <= 0:
        raise OutOfRangeError(argument="classes_ppm", value=classes[0], allowed="> 0")
    nodes, weights = hermegauss(41)
    means = size_ppm + sigma_ppm * nodes
    outside = scipy.special.ndtr(
        (-tolerance_ppm - means) / spread_ppm
    ) + scipy.special.ndtr((means - tolerance_ppm) / spread_ppm)
    weights /= weights.sum()
    log_odds = np.array(
        [
            _log_mean(size_ppm, sigma_ppm, c) + _log_spread(spread_ppm, units, c)
            for c in classes
        ]
    )
    odds = np.exp(log_odds - np.logaddexp.reduce(log_odds))
    # below what the model can be trusted for, nothing is left
    odds[odds < 1e-6] = 0.0
    odds /= odds.sum()
    return ReelClaim(
        tolerance_ppm=tolerance_ppm,
        incompatible=float(weights @ (outside > SHARE_OUTSIDE)),
        share_outside=float(weights @ outside),
        classes=tuple(
            ClassOdds(tolerance_ppm=float(c), probability=float(p))
            for c, p in zip(classes, odds, strict=True)
        ),
    )


def _log_mean(size: float, sigma: float, limit: float) -> float:
    """Log density of the observed mean of a reel of a class."""
    terms = []
    # A mean known better than that has a square too small for a number.
    sigma = max(sigma, SUREST * limit)
    for fill in MEAN_FILLS:
        prior2 = (fill * limit) ** 2
        total2 = prior2 + sigma**2
        centre = size * prior2 / total2
        width = sqrt(prior2 * sigma**2 / total2)
        inside = _log_between((-limit - centre) / width, (limit - centre) / width)
        terms.append(
            -0.5 * (np.log(total2) + size**2 / total2)
            + inside
            - _log_between(-1.0 / fill, 1.0 / fill)
        )
    return float(np.logaddexp.reduce(terms) - np.log(len(terms)))


def _log_spread(spread: float, units: int, limit: float) -> float:
    """Log likelihood of an observed spread inside a reel of a class."""
    freedom = max(units - 1, 1)
    sigma = SPREAD_FILLS * limit
    terms = -freedom * (np.log(sigma) + 0.5 * (spread / sigma) ** 2)
    return float(np.logaddexp.reduce(terms) - np.log(terms.size))


def _log_between(low: float, high: float) -> float:
    """Log probability of a standard normal between two numbers, far tails included."""
    if low > 0:
        low, high = -high, -low
    log_high, log_low = scipy.special.log_ndtr(high), scipy.special.log_ndtr(low)
    return float(log_high + np.log(-np.expm1(log_low - log_high)))


def _places(which: NDArray[np.bool_]) -> tuple[int, ...]:
    return tuple(np.flatnonzero(which).tolist())
