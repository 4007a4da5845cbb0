"""From a finding to the reel: its claim, its likely class, its other units."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray
from scipy.special import log_ndtr, logsumexp, ndtr

from daemon.spc.checks import count, finite, finite_array, positive
from daemon.spc.detector.baseline import Baseline
from daemon.spc.detector.finding import TWO_SIDED_95, Finding
from daemon.spc.errors import OutOfRangeError

Array = NDArray[np.float64]

CLASSES_PPM = (500.0, 1_000.0, 2_500.0, 5_000.0, 10_000.0, 20_000.0, 50_000.0)
"""Tolerance classes of IEC 60062:2016, letters W, B, C, D, F, G and J."""

# How parts fill a class: the project's own model. Makers sort by limits, and modern
# parts often use a small share of them.
MEAN_FILLS = (0.1, 0.2, 0.35)
SPREAD_FILLS = np.geomspace(0.02, 0.4, 25)
SHARE_OUTSIDE = 0.05


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """Range error of a unit not yet measured, with its 95 % interval, ppm."""

    mean_ppm: float
    low_ppm: float
    high_ppm: float


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
    outside = ndtr((-tolerance_ppm - means) / spread_ppm) + ndtr(
        (means - tolerance_ppm) / spread_ppm
    )
    weights /= weights.sum()
    log_odds = np.array(
        [
            _log_mean(size_ppm, sigma_ppm, c) + _log_spread(spread_ppm, units, c)
            for c in classes
        ]
    )
    odds = np.exp(log_odds - logsumexp(log_odds))
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


def predicted_error(finding: Finding, baseline: Baseline) -> Prediction:
    """Return what a further unit concerned by a finding will show.

    Parameters
    ----------
    finding : Finding
        One that names a range.
    baseline : Baseline
        The one that the detector started from.

    Raises
    ------
    SpcError
        If the finding names no range.
    """
    index = finding.range_index
    if index is None:
        raise OutOfRangeError(
            argument="finding.range_index", value=index, allowed="the index of a range"
        )
    level = (finding.level_high_ppm - finding.level_low_ppm) / (2.0 * TWO_SIDED_95)
    own = float(baseline.sigma_ppm[index]) * finding.spread_factor
    reach = TWO_SIDED_95 * sqrt(level**2 + own**2 + baseline.shared_sigma_ppm**2)
    return Prediction(
        mean_ppm=finding.level_ppm,
        low_ppm=finding.level_ppm - reach,
        high_ppm=finding.level_ppm + reach,
    )


def predicted_errors(finding: Finding, baseline: Baseline) -> dict[int, Prediction]:
    """Return what a further unit will show on the ranges that feel a common part.

    Parameters
    ----------
    finding : Finding
        One that names the reel of a common part.
    baseline : Baseline
        The one that the detector started from.

    Returns
    -------
    dict of range index to Prediction
        Their levels as the finding has them, with what units differ by.

    Raises
    ------
    SpcError
        If the finding names no common part.
    """
    layout, part = baseline.layout, finding.part_index
    if part is None or part < layout.ranges:
        raise OutOfRangeError(
            argument="finding.part_index", value=part, allowed="that of a common part"
        )
    parts2 = baseline.sigma_ppm**2
    parts2[part] *= finding.spread_factor**2
    foretold = {}
    for one in finding.levels:
        level = (one.high_ppm - one.low_ppm) / (2.0 * TWO_SIDED_95)
        of_unit2 = float(layout.sensitivity[:, one.range_index] ** 2 @ parts2)
        reach = TWO_SIDED_95 * sqrt(level**2 + of_unit2 + baseline.shared_sigma_ppm**2)
        foretold[one.range_index] = Prediction(
            mean_ppm=one.mean_ppm,
            low_ppm=one.mean_ppm - reach,
            high_ppm=one.mean_ppm + reach,
        )
    return foretold


def other_values(
    nominal: float, finding: Finding, preferred: Sequence[float]
) -> tuple[float, ...]:
    """Return the preferred values that a part may be instead of its nominal one.

    Parameters
    ----------
    nominal : float
        In any unit.
    finding : Finding
        Its size is taken for the part's deviation from nominal.
    preferred : sequence of float
        Values that exist, in the same unit.

    Returns
    -------
    tuple of float
        Those inside the finding's interval, the nearest to its size first; empty where
        a wrong value would not explain it.
    """
    positive("nominal", nominal)
    values = finite_array("preferred", preferred)
    deviations = (values / nominal - 1.0) * 1e6
    inside = (deviations >= finding.low_ppm) & (deviations <= finding.high_ppm)
    inside &= values != nominal
    order = np.argsort(np.abs(deviations - finding.size_ppm), kind="stable")
    return tuple(float(values[i]) for i in order if inside[i])


def _log_mean(size: float, sigma: float, limit: float) -> float:
    """Log density of the observed mean of a reel of a class."""
    terms = []
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
    return float(logsumexp(terms) - np.log(len(terms)))


def _log_spread(spread: float, units: int, limit: float) -> float:
    """Log likelihood of an observed spread inside a reel of a class."""
    freedom = max(units - 1, 1)
    sigma = SPREAD_FILLS * limit
    terms = -freedom * (np.log(sigma) + 0.5 * (spread / sigma) ** 2)
    return float(logsumexp(terms) - np.log(terms.size))


def _log_between(low: float, high: float) -> float:
    """Log probability of a standard normal between two numbers, far tails included."""
    if low > 0:
        low, high = -high, -low
    log_high, log_low = log_ndtr(high), log_ndtr(low)
    return float(log_high + np.log(-np.expm1(log_low - log_high)))
