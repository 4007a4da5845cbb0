"""A bank of hypotheses, each a Kalman filter, for one build or many at once.

Everything here is in units of the parts' tolerance. Arrays lead with (B, K): B builds
that are watched side by side (one in the daemon, hundreds in a calibration) and K slots
for hypotheses, so that one numpy call serves all of them.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from daemon.spc.baseline import MIXTURE_SCALES, MIXTURE_WIDE, Baseline, mixture_shares
from daemon.spc.hypotheses import (
    Cause,
    Table,
    good_table,
    joined,
    reel_table,
    shared_table,
)

Array = NDArray[np.float64]

NEGLIGIBLE_LOG_WEIGHT = -25.0
SIGMA_OF_SHIFTS = 0.2

_PER_HYPOTHESIS = (
    "log_weight",
    "cause",
    "place",
    "first",
    "factor",
    "mean",
    "covariance",
    "own2",
    "shared2",
    "reel2",
    "base_mean",
    "base_covariance",
    "typical_mean",
    "typical_covariance",
    "cross",
)


class Bank:
    """Hypotheses about B builds of R ranges, K slots each.

    Parameters
    ----------
    baselines : sequence of B Baseline
    reels : sequence of B sequences of R str
        Reels fitted as the builds begin.
    builds : sequence of B str

    Attributes
    ----------
    log_weight : (B, K)
        Logarithm of the weight; -inf for an empty slot.
    cause, place, first : (B, K) int
        Hypothesis, its range, and the first unit it concerns (1-based).
    mean, covariance : (B, K, R + 1), (B, K, R + 1, R + 1)
        Levels of the ranges; last, the shared part of the unit being taken.
    base_mean, base_covariance, typical_mean, typical_covariance, cross
        The levels and the levels of an average reel when the levels last took a new
        meaning; what was learnt since about the former tells about the latter.
    """

    def __init__(
        self,
        baselines: Sequence[Baseline],
        reels: Sequence[Sequence[str]],
        builds: Sequence[str],
    ) -> None:
        first = baselines[0]
        unit = float(np.median(first.tolerance_ppm))
        count = first.tolerance_ppm.size
        self.unit_ppm = unit
        self.ranges = count
        self.units = 0
        self.ratio = first.tolerance_ppm / unit
        self.table = joined(
            good_table(count),
            *(reel_table(count, r) for r in range(count)),
            shared_table(count),
        )
        priors = [
            b.level_prior(reels=names, build=build)
            for b, names, build in zip(baselines, reels, builds, strict=True)
        ]
        self.sigma = np.stack([b.sigma_ppm for b in baselines]) / unit
        self.shared_sigma = np.array([b.shared_sigma_ppm for b in baselines]) / unit
        self.reel_sigma = np.stack([b.reel_sigma_ppm for b in baselines]) / unit
        self._start(
            self.table,
            np.stack([p.mean for p in priors]) / unit,
            np.stack([p.covariance for p in priors]) / unit**2,
            np.stack([p.typical_mean for p in priors]) / unit,
            np.stack([p.typical_covariance for p in priors]) / unit**2,
            np.stack([p.cross for p in priors]) / unit**2,
            np.stack([p.new for p in priors]),
        )

    def _start(
        self,
        table: Table,
        mean: Array,
        covariance: Array,
        typical_mean: Array,
        typical_covariance: Array,
        cross: Array,
        new: NDArray[np.bool_],
    ) -> None:
        builds, count = mean.shape
        slots = table.weight.size
        shape = (builds, slots)
        self.log_weight = np.broadcast_to(np.log(table.weight), shape).copy()
        self.cause = np.broadcast_to(table.cause, shape).copy()
        self.place = np.broadcast_to(table.place, shape).copy()
        self.first = np.ones(shape, dtype=np.int64)
        self.own2 = (self.sigma[:, None, :] * table.own) ** 2
        self.shared2 = (self.shared_sigma[:, None] * table.shared) ** 2
        self.reel2 = (self.reel_sigma[:, None, :] * table.reel) ** 2
        self.factor = np.broadcast_to(_factor(table), shape).copy()
        self.base_mean = np.repeat(mean[:, None], slots, axis=1)
        self.typical_mean = np.repeat(typical_mean[:, None], slots, axis=1)
        self.base_covariance = np.repeat(covariance[:, None], slots, axis=1)
        self.typical_covariance = np.repeat(typical_covariance[:, None], slots, axis=1)
        self.cross = np.repeat(cross[:, None], slots, axis=1)
        own_reel2 = self.reel2 - self.reel_sigma[:, None, :] ** 2
        at = np.arange(count)
        self.base_covariance[:, :, at, at] += np.where(new[:, None], own_reel2, 0.0)
        for h in range(slots):
            if table.cause[h] == Cause.REEL:
                place = table.place[h]
                shift2 = self._shift2(table.shift[h], place)
                self.base_covariance[:, h, place, place] += shift2
            elif table.cause[h] == Cause.SHARED:
                shift2 = self._shift2(table.shift[h], None)[:, None, None]
                self.base_covariance[:, h] += shift2
                self.typical_covariance[:, h] += shift2
                self.cross[:, h] += shift2
        self.mean = np.zeros((*shape, count + 1))
        self.mean[..., :count] = self.base_mean
        self.covariance = np.zeros((*shape, count + 1, count + 1))
        self.covariance[..., :count, :count] = self.base_covariance

    def _shift2(self, shift: float, place: int | None) -> Array:
        """Variance of a shift, wider where the parts themselves are coarse."""
        if place is None:
            coarse = np.maximum(1.0, self.sigma.mean(axis=1) / SIGMA_OF_SHIFTS)
            return np.asarray((shift * coarse) ** 2)
        scale = self.ratio[place]
        coarse = np.maximum(1.0, self.sigma[:, place] / (SIGMA_OF_SHIFTS * scale))
        return np.asarray((shift * scale * coarse) ** 2)

    def take(self, errors: Array, variance: Array) -> None:
        """Fold one unit of each build into every hypothesis.

        Parameters
        ----------
        errors : (B, R)
            Range errors in tolerances; NaN where not measured.
        variance : (B, R)
            Measurement variance of the errors, in squared tolerances.
        """
        self.units += 1
        count = self.ranges
        builds, slots = self.log_weight.shape
        rows = np.arange(builds * slots)
        missing = np.isnan(errors)
        mean = self.mean.reshape(-1, count + 1)
        covariance = self.covariance.reshape(-1, count + 1, count + 1)
        mean[:, count] = 0.0
        covariance[:, count, :] = 0.0
        covariance[:, :, count] = 0.0
        covariance[:, count, count] = self.shared2.reshape(-1)
        order = self._order(errors, missing)
        scales = (
            self.own2[..., None] * MIXTURE_SCALES
            + (MIXTURE_WIDE * self.ratio[:, None] ** 2)
            + variance[:, None, :, None]
        ).reshape(-1, count, 3)
        log_shares = np.log(mixture_shares(count))
        errors_of_row = np.repeat(np.where(missing, 0.0, errors), slots, axis=0)
        missing_of_row = np.repeat(missing, slots, axis=0)
        gained = np.zeros(builds * slots)
        for step in range(count):
            at = order[:, step]
            toward = covariance[rows, at] + covariance[:, count]
            innovation = errors_of_row[rows, at] - mean[rows, at] - mean[:, count]
            total = (toward[rows, at] + toward[:, count])[:, None] + scales[rows, at]
            square = innovation**2
            log_density = log_shares - 0.5 * (np.log(total) + square[:, None] / total)
            peak = log_density.max(axis=1)
            density = np.exp(log_density - peak[:, None])
            mass = density.sum(axis=1)
            density /= mass[:, None]
            inverse = density / total
            first = inverse.sum(axis=1)
            second = (inverse / total).sum(axis=1)
            skip = missing_of_row[rows, at]
            pull = np.where(skip, 0.0, first * innovation)
            shrink = np.where(skip, 0.0, first - (second - first**2) * square)
            mean += pull[:, None] * toward
            covariance -= (shrink[:, None] * toward)[:, :, None] * toward[:, None, :]
            gained += np.where(skip, 0.0, peak + np.log(mass))
        self.log_weight += gained.reshape(builds, slots)
        self._normalise()

    def _order(self, errors: Array, missing: NDArray[np.bool_]) -> NDArray[np.intp]:
        """Ranges of each hypothesis, the outermost last, missing ones after it."""
        count = self.ranges
        residual = errors[:, None, :] - self.mean[..., :count]
        if count > 2:
            enough = (~missing).sum(axis=1) > 2
            filled = np.where(missing, 0.0, errors)[:, None, :] - self.mean[..., :count]
            filled = np.where(missing[:, None, :], np.inf, filled)
            ranked = np.sort(filled, axis=2)
            n = (~missing).sum(axis=1)
            low = np.maximum((n - 1) // 2, 0)
            high = np.minimum(n // 2, count - 1)
            pick = np.arange(errors.shape[0])
            middle = 0.5 * (ranked[pick, :, low] + ranked[pick, :, high])
            residual = residual - np.where(enough[:, None], middle, 0.0)[:, :, None]
        distance = np.where(missing[:, None, :], np.inf, np.abs(residual))
        return np.argsort(distance, axis=2, kind="stable").reshape(-1, count)

    def _normalise(self) -> None:
        peak = self.log_weight.max(axis=1, keepdims=True)
        self.log_weight -= peak
        self.log_weight[self.log_weight < NEGLIGIBLE_LOG_WEIGHT] = -np.inf

    def log_odds(self) -> Array:
        """Return log(bad mass / good mass) of each build, shape (B,)."""
        good = self.cause == Cause.GOOD
        floor = np.exp(NEGLIGIBLE_LOG_WEIGHT)
        weight = np.exp(self.log_weight)
        good_mass = np.where(good, weight, 0.0).sum(axis=1) + floor
        bad_mass = np.where(good, 0.0, weight).sum(axis=1) + floor
        return np.asarray(np.log(bad_mass) - np.log(good_mass))

    def posterior_of_typical(self) -> tuple[Array, Array, Array]:
        """Return mean, covariance of the typical levels and their cross covariance.

        Shapes (B, K, R + 1), (B, K, R + 1, R + 1) and (B, K, R + 1, R). Exact: given
        the levels, the measurements say nothing more about the typical levels.
        """
        count = self.ranges
        gain = np.swapaxes(
            np.linalg.solve(self.base_covariance, np.swapaxes(self.cross, 2, 3)), 2, 3
        )
        levels = self.covariance[..., :count, :count]
        moved = self.mean[..., :count] - self.base_mean
        mean = self.typical_mean + (gain @ moved[..., None])[..., 0]
        narrowed = self.base_covariance - levels
        covariance = self.typical_covariance - gain @ narrowed @ np.swapaxes(gain, 2, 3)
        return mean, covariance, gain @ levels

    def change_reels(self, ranges: Sequence[int]) -> None:
        """Give the ranges new, never seen reels; hypotheses of the others live on.

        A hypothesis that the old reel of one of these ranges was bad explains the past
        and says nothing bad about what follows: it counts as good from here on.
        """
        count = self.ranges
        self._rebase()
        for r in ranges:
            ended = (self.cause == Cause.REEL) & (self.place == r)
            self.cause[ended] = Cause.GOOD
            usual = np.repeat(self.sigma[:, None, r] ** 2, ended.shape[1], axis=1)
            self.own2[..., r] = np.where(ended, usual, self.own2[..., r])
            self.place[ended] = -1
            self.factor[ended] = 1.0
            self.base_mean[..., r] = self.typical_mean[..., r]
            row = self.cross[..., r, :].copy()
            row[..., r] = self.typical_covariance[..., r, r] + self.reel2[..., r]
            self.base_covariance[..., r, :] = row
            self.base_covariance[..., :, r] = row
            self.cross[..., :, r] = self.typical_covariance[..., :, r]
        self.mean[..., :count] = self.base_mean
        self.covariance[..., :count, :count] = self.base_covariance
        for r in ranges:
            self._spawn(reel_table(count, r))
        self._normalise()

    def _rebase(self) -> None:
        count = self.ranges
        mean, covariance, cross = self.posterior_of_typical()
        self.typical_mean = mean
        self.typical_covariance = covariance
        self.cross = cross
        self.base_mean = self.mean[..., :count].copy()
        self.base_covariance = self.covariance[..., :count, :count].copy()

    def _spawn(self, table: Table) -> None:
        """Add bad hypotheses beside the likeliest good one, with all good mass."""
        builds = np.arange(self.log_weight.shape[0])
        good = np.where(self.cause == Cause.GOOD, self.log_weight, -np.inf)
        parent = good.argmax(axis=1)
        peak = good.max(axis=1)
        mass = peak + np.log(np.exp(good - peak[:, None]).sum(axis=1))
        new = table.weight.size
        lowest = np.argsort(self.log_weight, axis=1)[:, :new]
        for h in range(new):
            slot = lowest[:, h]
            for name in _PER_HYPOTHESIS:
                values = getattr(self, name)
                values[builds, slot] = values[builds, parent]
            place = int(table.place[h])
            self.log_weight[builds, slot] = mass + np.log(table.weight[h])
            self.cause[builds, slot] = table.cause[h]
            self.place[builds, slot] = place
            self.first[builds, slot] = self.units + 1
            self.factor[builds, slot] = _factor(table)[h]
            self.own2[builds, slot] *= table.own[h] ** 2
            self.shared2[builds, slot] *= table.shared[h] ** 2
            shift2 = self._shift2(table.shift[h], place)
            self.base_covariance[builds, slot, place, place] += shift2
            self.covariance[builds, slot, place, place] += shift2


def _factor(table: Table) -> Array:
    """Spread factor that a bad hypothesis speaks of."""
    factor = np.where(table.cause == Cause.SHARED, table.shared, 1.0)
    reel = table.cause == Cause.REEL
    factor[reel] = table.own[reel, table.place[reel]]
    return factor
