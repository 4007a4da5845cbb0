"""Which range, which unit first, how much, how sure: the detector of one build."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.bank import Bank
from daemon.spc.baseline import Baseline, checked_tolerance
from daemon.spc.errors import NotFiniteError, OutOfRangeError, ShapeError
from daemon.spc.hypotheses import Cause

Array = NDArray[np.float64]

TWO_SIDED_95 = 1.959963984540054
FRESH_ABOVE_LIMIT = 2.0
FRESH_WIDENING = 1.5

CAUSE_NAMES = {Cause.REEL: "reel", Cause.SHARED: "shared stage"}


@dataclass(frozen=True, slots=True, kw_only=True)
class RunnerUp:
    """Another cause and its probability among all causes."""

    cause: str
    range_index: int | None
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What has moved, by how much, since when.

    Attributes
    ----------
    cause : str
        "reel" or "shared stage".
    range_index : int or None
        The range whose reel it is.
    probability : float
        Probability of this cause given that something bad has happened.
    runners_up : tuple of RunnerUp
        The other causes above one in a thousand, likeliest first.
    size_ppm, low_ppm, high_ppm : float
        How far the range lies from where an average reel would put it (for the shared
        stage: how far all ranges do), with its 95 % interval.
    level_ppm, level_low_ppm, level_high_ppm : float
        Mean error of the range itself (shared stage: mean over the ranges), likewise.
    spread_factor : float
        Scatter of the parts as a multiple of the baseline's.
    first_unit : int
        First unit concerned, counted from 1 at the start of the build.
    log_odds : float
        Logarithm of bad mass over good mass.
    """

    cause: str
    range_index: int | None
    probability: float
    runners_up: tuple[RunnerUp, ...]
    size_ppm: float
    low_ppm: float
    high_ppm: float
    level_ppm: float
    level_low_ppm: float
    level_high_ppm: float
    spread_factor: float
    first_unit: int
    log_odds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DetectorPoint:
    """What one unit left behind.

    `finding` stands on every point whose log-odds exceed the limit, refined by each
    further unit.
    """

    n: int
    log_odds: float
    finding: Finding | None


class ReelChangeDetector:
    """Watch one build, from its boundary on.

    Parameters
    ----------
    tolerance_ppm : (R,) array_like
        Claimed tolerance of each range's own part, ppm.
    baseline : Baseline
        From earlier segments, of the same ranges.
    log_odds_limit : float
        Log-odds above which a finding stands; calibrated, see
        `daemon.spc.calibrate.shipped_limit`.
    reels : sequence of R str
        Reel of each range as the build begins; "" unknown. A reel that the baseline
        knows has a known level.
    build : str
        A build that the baseline knows keeps its level.

    Notes
    -----
    The state is a value: `pickle` it in mid-stream and go on.

    Examples
    --------
    >>> from daemon.spc.baseline import fit_baseline
    >>> tolerance = [1000.0, 1000.0, 1000.0]
    >>> detector = ReelChangeDetector(
    ...     tolerance_ppm=tolerance,
    ...     baseline=fit_baseline([], tolerance),
    ...     log_odds_limit=6.0,
    ... )
    >>> detector.update([80.0, -40.0, 10.0], None).finding is None
    True
    >>> detector.change_reels([1])
    >>> for unit in ([70.0, 5000.0, 20.0], [90.0, 5100.0, -30.0]):
    ...     point = detector.update(unit, None)
    >>> point.finding.cause, point.finding.range_index, point.finding.first_unit
    ('reel', 1, 2)
    """

    def __init__(
        self,
        *,
        tolerance_ppm: ArrayLike,
        baseline: Baseline,
        log_odds_limit: float,
        reels: Sequence[str] = (),
        build: str = "",
    ) -> None:
        tolerance = checked_tolerance(tolerance_ppm)
        if not np.array_equal(tolerance, baseline.tolerance_ppm):
            raise ShapeError(
                argument="tolerance_ppm",
                value=tolerance.tolist(),
                allowed=f"the baseline's, {baseline.tolerance_ppm.tolist()}",
            )
        if not isfinite(log_odds_limit):
            raise NotFiniteError(argument="log_odds_limit", value=log_odds_limit)
        self.log_odds_limit = log_odds_limit
        self._bank = Bank([baseline], [reels], [build])

    def change_reels(self, ranges: Sequence[int]) -> None:
        """Record that from the next unit on these ranges carry never seen reels."""
        for index in ranges:
            if not 0 <= index < self._bank.ranges:
                raise OutOfRangeError(
                    argument="ranges",
                    value=index,
                    allowed=f"range indices from 0 to {self._bank.ranges - 1}",
                )
        self._bank.change_reels(sorted(set(ranges)))

    def update(
        self, errors_ppm: ArrayLike, variance_ppm2: ArrayLike | None
    ) -> DetectorPoint:
        """Fold in one unit.

        Parameters
        ----------
        errors_ppm : (R,) array_like
            Range errors, ppm of reading; NaN where a range was not measured.
        variance_ppm2 : (R,) array_like or None
            Variance of this unit's measurement, ppm squared; None for negligible.
        """
        bank = self._bank
        errors = np.asarray(errors_ppm, dtype=np.float64)
        if errors.shape != (bank.ranges,):
            raise ShapeError(
                argument="errors_ppm",
                value=errors.shape,
                allowed=f"{bank.ranges} numbers, one a range",
            )
        if np.isinf(errors).any():
            raise NotFiniteError(
                argument="errors_ppm", value="infinity", allowed="finite or missing"
            )
        variance = (
            np.zeros(bank.ranges)
            if variance_ppm2 is None
            else np.asarray(variance_ppm2, dtype=np.float64)
        )
        if variance.shape != (bank.ranges,):
            raise ShapeError(
                argument="variance_ppm2",
                value=variance.shape,
                allowed=f"{bank.ranges} numbers, one a range",
            )
        variance = np.where(np.isnan(errors), 0.0, variance)
        if not np.isfinite(variance).all() or (variance < 0).any():
            raise OutOfRangeError(
                argument="variance_ppm2",
                value=variance.tolist(),
                allowed="finite and >= 0",
            )
        bank.take(errors[None] / bank.unit_ppm, variance[None] / bank.unit_ppm**2)
        log_odds = float(bank.log_odds()[0])
        finding = self._finding(log_odds) if log_odds > self.log_odds_limit else None
        return DetectorPoint(n=bank.units, log_odds=log_odds, finding=finding)

    def _finding(self, log_odds: float) -> Finding:
        bank = self._bank
        weight = np.where(bank.cause[0] == Cause.GOOD, 0.0, np.exp(bank.log_weight[0]))
        weight /= weight.sum()
        masses: dict[tuple[int, int], float] = {}
        for h in np.flatnonzero(weight):
            key = int(bank.cause[0, h]), int(bank.place[0, h])
            masses[key] = masses.get(key, 0.0) + float(weight[h])
        ranked = sorted(masses, key=lambda key: -masses[key])
        cause, place = ranked[0]
        mine = np.flatnonzero(
            (bank.cause[0] == cause) & (bank.place[0] == place) & (weight > 0)
        )
        share = weight[mine] / weight[mine].sum()
        size, size_sd, level, level_sd = self._sizes(Cause(cause), place, mine, share)
        if log_odds < self.log_odds_limit + FRESH_ABOVE_LIMIT:
            size_sd *= FRESH_WIDENING
            level_sd *= FRESH_WIDENING
        unit = bank.unit_ppm
        reach, level_reach = TWO_SIDED_95 * size_sd, TWO_SIDED_95 * level_sd
        return Finding(
            cause=CAUSE_NAMES[Cause(cause)],
            range_index=place if place >= 0 else None,
            probability=masses[ranked[0]],
            runners_up=tuple(
                RunnerUp(
                    cause=CAUSE_NAMES[Cause(c)],
                    range_index=p if p >= 0 else None,
                    probability=masses[c, p],
                )
                for c, p in ranked[1:]
                if masses[c, p] > 0.001
            ),
            size_ppm=size * unit,
            low_ppm=(size - reach) * unit,
            high_ppm=(size + reach) * unit,
            level_ppm=level * unit,
            level_low_ppm=(level - level_reach) * unit,
            level_high_ppm=(level + level_reach) * unit,
            spread_factor=float((share * bank.factor[0, mine]).sum()),
            first_unit=int(bank.first[0, mine[share.argmax()]]),
            log_odds=log_odds,
        )

    def _sizes(
        self, cause: Cause, place: int, mine: NDArray[np.intp], share: Array
    ) -> tuple[float, float, float, float]:
        """Size and level with standard deviations, mixed over one cause's rows."""
        bank = self._bank
        count = bank.ranges
        typical, typical_covariance, cross = bank.posterior_of_typical()
        levels = bank.mean[0, mine, :count]
        covariance = bank.covariance[0, mine, :count, :count]
        if cause is Cause.REEL:
            size = levels[:, place] - typical[0, mine, place]
            size2 = (
                covariance[:, place, place]
                + typical_covariance[0, mine, place, place]
                - 2.0 * cross[0, mine, place, place]
            )
            level, level2 = levels[:, place], covariance[:, place, place]
        else:
            size = typical[0, mine, count]
            size2 = typical_covariance[0, mine, count, count]
            level, level2 = levels.mean(axis=1), covariance.mean(axis=(1, 2))
        return *_mixed(size, size2, share), *_mixed(level, level2, share)


def _mixed(mean: Array, variance: Array, share: Array) -> tuple[float, float]:
    """Mean and standard deviation of a mixture."""
    middle = float((share * mean).sum())
    square = float((share * (variance + (mean - middle) ** 2)).sum())
    return middle, max(square, 0.0) ** 0.5
