"""A bank of hypotheses, each a Kalman filter, for one build or many at once.

Everything here is in units of the parts' tolerance. Arrays end with (B, K): B builds
that are watched side by side (one in the daemon, hundreds in a calibration) with K
hypotheses each, so that one numpy call serves all of them.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from daemon.spc.baseline import Baseline, directions
from daemon.spc.filtering import Folded, Mixed, Unit, fold_unit, order_of_ranges
from daemon.spc.hypotheses import (
    BENCH_WALK,
    MIXED_RELATIVE_SIGMA,
    NOWHERE,
    Cause,
    Table,
    new_reel_table,
    opening_table,
    session_table,
    unrecorded_table,
)
from daemon.spc.rows import Rows
from daemon.spc.scatter import MIXTURE_SCALES, MIXTURE_WIDE, mixture_shares

Array = NDArray[np.float64]

NEGLIGIBLE_LOG_WEIGHT = -25.0
SIGMA_OF_SHIFTS = 0.2
KEPT, KEPT_PER_PART = 16, 8


class Bank:
    """Hypotheses about B builds of R ranges and P parts.

    Parameters
    ----------
    baselines : sequence of B Baseline
        Of the same layout.
    reels : sequence of B sequences of P str
        Reels fitted as the builds begin.
    builds : sequence of B str

    Attributes
    ----------
    rows : Rows
    units : int
        Units taken so far.
    """

    def __init__(
        self,
        baselines: Sequence[Baseline],
        reels: Sequence[Sequence[str]],
        builds: Sequence[str],
    ) -> None:
        self.layout = layout = baselines[0].layout
        self.units = 0
        unit = layout.unit_ppm
        self._along = directions(layout)
        size = self._along.shape[1]
        self._outer = np.einsum("pi,pj->ijp", self._along, self._along)
        priors = [
            b.level_prior(reels=names, build=build)
            for b, names, build in zip(baselines, reels, builds, strict=True)
        ]
        part_sigma = np.stack([b.sigma_ppm for b in baselines], axis=1) / unit
        self._reel2 = np.stack([b.reel_sigma_ppm**2 for b in baselines], axis=1)
        self._reel2 /= unit**2
        self._new = np.stack([p.new for p in priors], axis=1)
        coarse = part_sigma / (SIGMA_OF_SHIFTS * layout.ratio[:, None])
        coarse = np.vstack([coarse, coarse[: layout.ranges].mean(axis=0)])
        self._coarse2 = np.maximum(1.0, coarse) ** 2
        self._usual2 = part_sigma**2
        self._unrecorded = unrecorded_table(layout)
        self._session = session_table(layout)
        rows = Rows.blank(layout, len(baselines), 1)
        rows.part2[..., 0] = self._usual2
        rows.shared2[:, 0] = [(b.shared_sigma_ppm / unit) ** 2 for b in baselines]
        rows.reel2[..., 0] = self._reel2
        rows.factor[:] = 1.0
        rows.beta[:] = 1.0
        rows.base_mean[..., 0] = np.stack([p.mean for p in priors], axis=1) / unit
        covariances = np.stack([p.covariance for p in priors], axis=2) / unit**2
        rows.base_covariance[..., 0] = covariances
        ranges, first = layout.ranges, size - layout.ranges
        rows.mean[:ranges] = rows.base_mean[first:]
        rows.covariance[:ranges, :ranges] = rows.base_covariance[first:, first:]
        self._walk_bench(rows)
        table = opening_table(layout)
        rows = rows.repeated(table.cause.size)
        wider = (table.reel2 - 1.0) * (self._reel2 * self._new)[:, :, None]
        self._grow(rows, table, wider)
        rows.log_weight[:] = table.log_weight
        self.rows = rows
        self._normalise()

    def take(self, errors: Array, variance: Array) -> Folded:
        """Fold one unit of each build into every hypothesis.

        Parameters
        ----------
        errors : (B, R)
            Range errors in tolerances; NaN where not measured.
        variance : (B, R)
            Measurement variance of the errors, in squared tolerances.
        """
        self._spawn(self._unrecorded)
        self.units += 1
        rows = self.rows
        self._drift(rows)
        folded = self._fold(rows, errors, variance)
        rows.log_weight[:] += folded.log_density.reshape(rows.log_weight.shape)
        self._normalise()
        return folded

    def check(self, errors: Array, variance: Array) -> None:
        """Fold in a run of the check standard: it sees the bench alone.

        Parameters
        ----------
        errors, variance : (B, R)
            Error less the known one, in tolerances, NaN where not measured; its
            variance.
        """
        rows = self.rows
        for r in range(self.layout.ranges):
            at = self.layout.ranges + r
            seen = ~np.isnan(errors[:, r])[:, None]
            toward = rows.covariance[at].copy()
            total = toward[at] + np.where(seen, variance[:, r, None], 1.0)
            innovation = np.where(seen, errors[:, r, None] - rows.mean[at], 0.0)
            rows.mean[:] += innovation / total * toward
            rows.covariance[:] -= toward[:, None] * toward * (seen / total)
            rows.log_weight[:] -= np.where(
                seen, 0.5 * (np.log(total) + innovation**2 / total), 0.0
            )
        self._normalise()

    def start_session(self) -> None:
        """Let the bench have been set up anew."""
        self._walk_bench(self.rows)
        self._spawn(self._session)
        self._normalise()

    def change_reels(self, parts: Sequence[int]) -> None:
        """Give parts new, never seen reels; what is held of the others lives on.

        A hypothesis that the old reel of one of these parts was bad explains the past
        and says nothing bad about what follows: it counts as good from here on.
        """
        layout, rows = self.layout, self.rows
        ranges, first = layout.ranges, layout.parts + 1
        for p in parts:
            self._rebase(rows)
            ended = np.isin(rows.cause, (Cause.REEL, Cause.MIXED)) & (rows.place == p)
            rows.cause[ended] = Cause.GOOD
            rows.place[ended] = NOWHERE
            rows.factor[ended] = 1.0
            usual = np.broadcast_to(self._usual2[p][:, None], ended.shape)
            rows.part2[p] = np.where(ended, usual, rows.part2[p])
            along = self._along[p]
            # the old reel goes: level -= sensitivity * reel; the new one comes
            gain = self._gain(rows)[p]
            others = rows.covariance[ranges:, :ranges]
            drop = np.einsum("r...,or...->o...", gain, others)
            others -= drop[:, None] * along[first:, None, None]
            rows.covariance[:ranges, ranges:] = np.swapaxes(others, 0, 1)
            covariance, mean = rows.base_covariance, rows.base_mean
            old, held = covariance[p].copy(), mean[p].copy()
            spread = along[:, None, None]
            covariance -= spread[:, None] * old + (spread[:, None] * old).swapaxes(0, 1)
            covariance += spread[:, None] * spread * (old[p] + rows.reel2[p])
            mean -= spread * held
            rows.mean[:ranges] = mean[first:]
            rows.covariance[:ranges, :ranges] = covariance[first:, first:]
        for p in parts:
            self._spawn(new_reel_table(layout, p))
        self._normalise()

    def log_odds(self) -> Array:
        """Return log(bad mass / good mass) of each build, shape (B,)."""
        good = self.rows.cause == Cause.GOOD
        floor = np.exp(NEGLIGIBLE_LOG_WEIGHT)
        weight = np.exp(self.rows.log_weight)
        good_mass = np.where(good, weight, 0.0).sum(axis=1) + floor
        bad_mass = np.where(good, 0.0, weight).sum(axis=1) + floor
        return np.asarray(np.log(bad_mass) - np.log(good_mass))

    def second_reel(self, column: int, errors: Array, variance: Array) -> Array:
        """Return the probability that units carry the second reel, by one hypothesis.

        Parameters
        ----------
        column : int
            A hypothesis of the first build that two reels are mixed.
        errors, variance : (n, R)
        """
        rows = self.rows.picked(np.array([[column]])).repeated(1)
        chances = np.empty(len(errors))
        for i, (error, own) in enumerate(zip(errors, variance, strict=True)):
            copy = rows.repeated(1)
            second = self._fold(copy, error[None], own[None]).second
            chances[i] = second[0]
        return chances

    def posterior(self, rows: Rows) -> tuple[Array, Array]:
        """Return mean (E, B, K) and covariance (E, E, B, K) of reels, build, levels.

        Exact: given the levels, measurements say nothing more about what they are
        made of.
        """
        ranges, first = self.layout.ranges, self.layout.parts + 1
        gain = self._gain(rows)
        moved = rows.mean[:ranges] - rows.base_mean[first:]
        grown = rows.covariance[:ranges, :ranges] - rows.base_covariance[first:, first:]
        mean = rows.base_mean + np.einsum("er...,r...->e...", gain, moved)
        half = np.einsum("er...,rs...->es...", gain, grown)
        change = np.einsum("es...,fs...->ef...", half, gain)
        return mean, rows.base_covariance + change

    def _gain(self, rows: Rows) -> Array:
        """Regression of the base state on the levels, (E, R, B, K)."""
        first = self.layout.parts + 1
        base = np.moveaxis(rows.base_covariance, (0, 1), (-2, -1))
        gain = np.linalg.solve(base[..., first:, first:], base[..., first:, :])
        return np.moveaxis(gain.astype(np.float64, copy=False), (-1, -2), (0, 1))

    def _rebase(self, rows: Rows) -> None:
        """Make what is known now the base that later units are set against."""
        mean, covariance = self.posterior(rows)
        rows.base_mean[:] = mean
        rows.base_covariance[:] = 0.5 * (covariance + covariance.swapaxes(0, 1))

    def _fold(self, rows: Rows, errors: Array, variance: Array) -> Folded:
        """Fold units of the builds into rows, whose latent parts are drawn afresh."""
        layout = self.layout
        ranges, columns = layout.ranges, rows.log_weight.size
        first, last = 2 * ranges, 2 * ranges + layout.latent.shape[0]
        state, covariance = rows.flat()
        state[first:last] = 0.0
        covariance[first:last] = 0.0
        covariance[:, first:last] = 0.0
        common = np.concatenate([rows.part2[ranges:], rows.shared2[None]])
        at = np.arange(first, last)
        covariance[at, at] = common.reshape(-1, columns)
        hypotheses = rows.log_weight.shape[1]
        missing = np.repeat(np.isnan(errors).T, hypotheses, axis=1)
        values = np.repeat(np.nan_to_num(errors.T), hypotheses, axis=1)
        wide = MIXTURE_WIDE[:, None, None] * (layout.ratio[:ranges, None] ** 2)
        scales = MIXTURE_SCALES[:, None, None] * rows.part2[:ranges].reshape(
            ranges, columns
        ) + (wide + np.repeat(variance.T, hypotheses, axis=1))
        cause = rows.cause.reshape(-1)
        two_reels = cause == Cause.MIXED
        column = np.flatnonzero(two_reels)
        place = np.where(two_reels, rows.place.reshape(-1), NOWHERE)
        residual = values - state[:ranges] - state[ranges:first]
        beta = rows.beta.reshape(2, columns)
        folded = fold_unit(
            state,
            covariance,
            Unit(values, missing, scales, mixture_shares(ranges), layout.latent),
            order_of_ranges(residual, missing, place),
            Mixed(column, beta[0, column] / beta[:, column].sum(axis=0)),
        )
        seen = ~missing[place[column], column]
        beta[0, column] += np.where(seen, folded.second, 0.0)
        beta[1, column] += np.where(seen, 1.0 - folded.second, 0.0)
        return folded

    def _drift(self, rows: Rows) -> None:
        """Let drifting benches go on by one unit."""
        ranges = self.layout.ranges
        slope = rows.slope.reshape(-1)
        column = np.flatnonzero(slope != NOWHERE)
        if not column.size:
            return
        place = slope[column]
        moves = (place == np.arange(ranges)[:, None]) | (place == ranges)
        state, covariance = rows.flat()
        mine = covariance[:, :, column]
        mine[ranges : 2 * ranges] += moves[:, None] * mine[-1]
        mine[:, ranges : 2 * ranges] += moves * mine[:, -1][:, None]
        covariance[:, :, column] = mine
        state[ranges : 2 * ranges, column] += moves * state[-1, column]

    def _walk_bench(self, rows: Rows) -> None:
        ranges = self.layout.ranges
        at = np.arange(ranges, 2 * ranges)
        rows.covariance[at, at] += BENCH_WALK**2

    def _spawn(self, table: Table) -> None:
        """Add hypotheses that start from the likeliest good one, with all good mass."""
        rows = self.rows
        good = np.where(rows.cause == Cause.GOOD, rows.log_weight, -np.inf)
        peak = good.max(axis=1, keepdims=True)
        mass = peak + np.log(np.exp(good - peak).sum(axis=1, keepdims=True))
        parent = rows.picked(good.argmax(axis=1)[:, None])
        self._rebase(parent)
        new = parent.repeated(table.cause.size)
        tau2 = np.zeros((self.layout.parts, 1, 1))
        self._grow(new, table, tau2)
        new.log_weight[:] = mass + table.log_weight
        keep = KEPT + KEPT_PER_PART * self.layout.parts
        if rows.log_weight.shape[1] > keep:
            best = np.argpartition(-rows.log_weight, keep - 1, axis=1)[:, :keep]
            rows = rows.picked(best)
        self.rows = rows.beside(new)

    def _grow(self, rows: Rows, table: Table, wider: Array) -> None:
        """Turn copies of good rows into the hypotheses of a table.

        `wider` (P, B, H) adds to the variance of the parts' reels.
        """
        ranges, first = self.layout.ranges, self.layout.parts + 1
        rows.cause[:] = table.cause
        rows.place[:] = table.place
        rows.first[:] = self.units + 1
        rows.slope[:] = table.slope_place
        rows.factor[:] = table.factor
        rows.part2[:] *= table.own2[:, None, :]
        rows.shared2[:] *= table.shared2
        rows.reel2[:] *= table.reel2
        extra = table.shift2[:, None] * self._coarse2[:, :, None]
        extra[:-1] += table.reel_shifts[:-1, None] * self._reel2[:, :, None] + wider
        grown = np.einsum("ijp,pbh->ijbh", self._outer, extra)
        rows.base_covariance[:] += grown
        rows.covariance[:ranges, :ranges] += grown[first:, first:]
        rows.mean[-1] = table.difference
        rows.covariance[-1] = 0.0
        rows.covariance[:, -1] = 0.0
        own = (MIXED_RELATIVE_SIGMA * table.difference) ** 2 + table.slope2
        rows.covariance[-1, -1] = own
        rows.beta[:] = 1.0
        for h in np.flatnonzero(table.step2):
            place = table.place[h]
            at = (
                slice(ranges, 2 * ranges)
                if place == NOWHERE
                else slice(ranges + place, ranges + place + 1)
            )
            rows.covariance[at, at, :, h] += table.step2[h]

    def _normalise(self) -> None:
        """Drop what weighs nothing, but never the likeliest good hypothesis."""
        weight = self.rows.log_weight
        weight -= weight.max(axis=1, keepdims=True)
        good = np.where(self.rows.cause == Cause.GOOD, weight, -np.inf)
        best = np.arange(len(weight)), good.argmax(axis=1)
        floor = np.maximum(weight[best], NEGLIGIBLE_LOG_WEIGHT)
        weight[weight < NEGLIGIBLE_LOG_WEIGHT] = -np.inf
        weight[best] = floor
