"""A bank of hypotheses, each a Kalman filter, for one build or many at once.

Everything here is in units of the parts' tolerance. Arrays are (B, ..., K): B builds
that are watched side by side (one in the daemon, hundreds in a calibration) with K
hypotheses each, so that one numpy call serves all of them.
"""

from collections.abc import Sequence
from functools import cache
from importlib import import_module
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from daemon.spc.baseline import Baseline, directions
from daemon.spc.filtering import Folded, order_of_ranges
from daemon.spc.hypotheses import (
    NOWHERE,
    Cause,
    Table,
    new_reel_table,
    opening_table,
    session_table,
    unrecorded_table,
)
from daemon.spc.layout import Layout
from daemon.spc.rows import Rows
from daemon.spc.scatter import MIXTURE_SCALES, mixture_shares, mixture_wide

Array = NDArray[np.float64]

NEGLIGIBLE_LOG_WEIGHT = -25.0
SIGMA_OF_SHIFTS = 0.2
ENOUGH_UNITS = 20
"""Units from which on a baseline knows how parts scatter."""
NO_CAUSE = -1
SINGULAR2 = 1e-12
"""Keeps a number without variance from making the regression singular."""


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
        self._along = _directions_with_bench(layout)
        size = self._along.shape[1]
        self._outer = np.einsum("pi,pj->ijp", self._along, self._along)
        self._outer = self._outer.reshape(size * size, -1)
        priors = [
            b.level_prior(reels=names, build=build)
            for b, names, build in zip(baselines, reels, builds, strict=True)
        ]
        new = np.stack([p.new for p in priors])
        self._part2 = np.stack([b.sigma_ppm for b in baselines]) ** 2 / unit**2
        self._reel2 = np.stack([b.reel_sigma_ppm for b in baselines]) ** 2 / unit**2
        coarse = np.sqrt(self._part2) / (SIGMA_OF_SHIFTS * layout.ratio)
        shared = coarse[:, : layout.ranges].mean(axis=1, keepdims=True)
        self._coarse2 = np.maximum(1.0, np.hstack([coarse, shared])) ** 2
        self._wide = mixture_wide(layout)[:, None] * layout.ratio[: layout.ranges] ** 2
        self._log_shares = np.log(mixture_shares(layout.ranges))
        self._unrecorded = unrecorded_table(layout)
        self._session = session_table(layout)
        # the same after every unit, so reckoned once
        self._unrecorded_spread = self._spread(self._unrecorded, 0.0)
        rows = Rows.blank(layout, len(baselines), 1)
        rows.part2[..., 0] = self._part2
        self._shared2 = np.array([(b.shared_sigma_ppm / unit) ** 2 for b in baselines])
        rows.shared2[:, 0] = self._shared2
        rows.reel2[..., 0] = self._reel2
        # the prior knows no bench: its levels follow the bench offsets here
        parts, ranges = layout.parts, layout.ranges
        known = np.r_[0 : parts + 1, parts + 1 + ranges : parts + 1 + 2 * ranges]
        rows.base_mean[:, known, 0] = np.stack([p.mean for p in priors]) / unit
        covariances = np.stack([p.covariance for p in priors]) / unit**2
        rows.base_covariance[:, known[:, None], known, 0] = covariances
        known_scatter = min(b.units for b in baselines) >= ENOUGH_UNITS
        table = opening_table(layout, scatter_known=known_scatter)
        rows = rows.repeated(table.cause.size)
        self._walk_bench(rows)
        wider = (table.reel2 - 1.0) * (self._reel2 * new)[..., None]
        self._grow(rows, table, self._spread(table, wider))
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
        if self.units:
            # units alone make the bench unlikely, until a check shows that it moved
            spread = self._unrecorded_spread
            self._spawn(self._unrecorded, spread, spared=int(Cause.BENCH))
        self.units += 1
        rows = self.rows
        self._drift(rows)
        folded = self.fold_into(rows, errors, variance)
        rows.log_weight[:] += folded.log_density
        beta, mixed = rows.beta, rows.cause == Cause.MIXED
        beta[:, 0] += np.where(mixed, folded.second, 0.0)
        beta[:, 1] += np.where(mixed, 1.0 - folded.second, 0.0)
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
        self._rebase(rows)
        mean, covariance = rows.base_mean, rows.base_covariance
        for r in range(self.layout.ranges):
            at = self.layout.parts + 1 + r
            seen = ~np.isnan(errors[:, r])[:, None]
            toward = covariance[:, at].copy()
            total = toward[:, at] + np.where(seen, variance[:, r, None], 1.0)
            innovation = np.where(seen, errors[:, r, None] - mean[:, at], 0.0)
            mean += (innovation / total)[:, None] * toward
            shrink = (seen / total)[:, None, None]
            covariance -= shrink * (toward[:, None] * toward[:, :, None])
            rows.log_weight[:] -= np.where(
                seen, 0.5 * (np.log(total) + innovation**2 / total), 0.0
            )
        self._state_from_base(rows)
        self._normalise()

    def keep(self, index: NDArray[np.intp]) -> None:
        """Go on with some of the builds only."""
        self._part2 = self._part2[index]
        self._reel2 = self._reel2[index]
        self._coarse2 = self._coarse2[index]
        self._shared2 = self._shared2[index]
        self._unrecorded_spread = self._unrecorded_spread[index]
        self.rows = self.rows.of_builds(index)

    def start_session(self) -> None:
        """Let the bench have been set up anew."""
        self._rebase(self.rows)
        self._walk_bench(self.rows)
        self._state_from_base(self.rows)
        self._spawn(self._session, self._spread(self._session, 0.0))
        self._normalise()

    def change_reels(self, parts: Sequence[int]) -> None:
        """Give parts new, never seen reels; what is held of the others lives on.

        A hypothesis that the old reel of one of these parts was bad explains the past
        and says nothing bad about what follows: it counts as good from here on.
        """
        rows = self.rows
        self._rebase(rows)
        mean, covariance = rows.base_mean, rows.base_covariance
        for p in parts:
            ended = np.isin(rows.cause, (Cause.REEL, Cause.MIXED)) & (rows.place == p)
            rows.cause[ended] = Cause.GOOD
            rows.place[ended] = NOWHERE
            rows.part2[:, p] = np.where(
                ended, self._part2[:, p, None], rows.part2[:, p]
            )
            # the old reel goes out of the levels, the new one comes in
            along = self._along[p][:, None]
            held, old = mean[:, p].copy(), covariance[:, p].copy()
            mean -= along * held[:, None]
            swept = along[:, None] * old[:, None]
            covariance -= swept + swept.swapaxes(1, 2)
            fresh = (old[:, p] + rows.reel2[:, p])[:, None, None]
            covariance += along[:, None] * along * fresh
        self._state_from_base(rows)
        for p in parts:
            table = new_reel_table(self.layout, p)
            self._spawn(table, self._spread(table, 0.0))
        self._normalise()

    def log_odds(self, builds: slice = slice(None)) -> Array:
        """Return log(bad mass / good mass) of each build, or of some, shape (B,)."""
        good = self.rows.cause[builds] == Cause.GOOD
        floor = np.exp(NEGLIGIBLE_LOG_WEIGHT)
        weight = np.exp(self.rows.log_weight[builds])
        good_mass = np.where(good, weight, 0.0).sum(axis=1) + floor
        bad_mass = np.where(good, 0.0, weight).sum(axis=1) + floor
        return np.asarray(np.log(bad_mass) - np.log(good_mass))

    def scatter2(self, place: int) -> float:
        """Return the variance of one range from unit to unit while all is well."""
        layout = self.layout
        common2 = self._part2[0, layout.ranges :]
        common2 = np.append(common2, self._shared2[0])
        own2 = float(self._part2[0, place])
        return own2 + float(layout.latent[:, place] ** 2 @ common2)

    def second_reel(
        self, column: int, errors: Array, variance: Array, *, build: int = 0
    ) -> Array:
        """Return the probability that units carry the second reel, by one hypothesis.

        Parameters
        ----------
        column : int
            A hypothesis of the build that two reels are mixed.
        errors, variance : (n, R)
        """
        row = self.rows.of_build(build).picked(np.array([[column]]))
        return np.array(
            [
                self.fold_into(row.repeated(1), e[None], v[None]).second[0, 0]
                for e, v in zip(errors, variance, strict=True)
            ]
        )

    def posterior(self, rows: Rows) -> tuple[Array, Array]:
        """Return mean (B, E, K) and covariance (B, E, E, K) of the base, as of now.

        Exact: given the levels, measurements say nothing more about what they are
        made of.
        """
        seen = self.layout.ranges + 1
        base_mean, base = rows.base_mean, rows.base_covariance
        ordered = base.transpose(0, 3, 1, 2)
        own = ordered[..., -seen:, -seen:] + SINGULAR2 * np.eye(seen)
        gain = np.linalg.solve(own, ordered[..., -seen:, :])
        moved = rows.mean[:, :seen] - base_mean[:, -seen:]
        grown = rows.covariance[:, :seen, :seen].transpose(0, 3, 1, 2)
        grown = grown - ordered[..., -seen:, -seen:]
        mean = base_mean + np.einsum("bkse,bsk->bek", gain, moved)
        change = np.swapaxes(gain, 2, 3) @ grown @ gain
        return mean, base + change.transpose(0, 2, 3, 1)

    def _rebase(self, rows: Rows) -> None:
        """Make what is known now the base that later units are set against."""
        mean, covariance = self.posterior(rows)
        rows.base_mean[:] = mean
        rows.base_covariance[:] = 0.5 * (covariance + covariance.swapaxes(1, 2))
        self._state_from_base(rows)

    def _state_from_base(self, rows: Rows) -> None:
        seen = self.layout.ranges + 1
        rows.mean[:, :seen] = rows.base_mean[:, -seen:]
        rows.covariance[:, :seen, :seen] = rows.base_covariance[:, -seen:, -seen:]

    def fold_into(self, rows: Rows, errors: Array, variance: Array) -> Folded:
        """Fold units of the builds into rows, whose latent parts are drawn afresh."""
        layout = self.layout
        ranges = layout.ranges
        mean, covariance = rows.mean, rows.covariance
        first = ranges + 1
        mean[:, first:] = 0.0
        covariance[:, first:] = 0.0
        covariance[:, :, first:] = 0.0
        for j in range(layout.latent.shape[0] - 1):
            covariance[:, first + j, first + j] = rows.part2[:, ranges + j]
        covariance[:, -1, -1] = rows.shared2
        missing = np.isnan(errors)
        values = np.where(missing, 0.0, errors)
        best = rows.log_weight.argmax(axis=1)
        expected = mean[np.arange(len(best)), :ranges, best]
        beta = rows.beta
        mixed = rows.cause == Cause.MIXED
        log_density, odd, second = _compiled().fold_compiled(
            mean,
            covariance,
            values,
            missing,
            rows.part2,
            MIXTURE_SCALES,
            self._wide + variance[:, None],
            self._log_shares,
            layout.latent,
            (rows.place[:, None] == np.arange(ranges)[:, None]) & mixed[:, None],
            beta[:, 0] / (beta[:, 0] + beta[:, 1]),
            order_of_ranges(values - expected, missing),
            rows.log_weight > -np.inf,
        )
        return Folded(log_density=log_density, odd=odd, second=second)

    def _drift(self, rows: Rows) -> None:
        """Let drifting benches go on by one unit."""
        ranges = self.layout.ranges
        bench = self.layout.parts + 1
        drift = _compiled().drift_compiled
        base_mean, base_covariance = rows.base_mean, rows.base_covariance
        drift(base_mean, base_covariance, rows.slope, bench, ranges)
        drift(base_mean, base_covariance, rows.slope, bench + ranges, ranges)
        # the slope is the last but the latent parts, which are drawn afresh
        seen = ranges + 1
        mean, covariance = rows.mean[:, :seen], rows.covariance[:, :seen, :seen]
        drift(mean, covariance, rows.slope, 0, ranges)

    def _walk_bench(self, rows: Rows) -> None:
        first = self.layout.parts + 1
        for along in self._along[first : first + self.layout.ranges]:
            spread = self.layout.assumed.bench_walk**2 * np.outer(along, along)
            rows.base_covariance[:] += spread[..., None]

    def _spawn(self, table: Table, spread: Array, *, spared: int = NO_CAUSE) -> None:
        """Put hypotheses that start from the likeliest good one over the weakest.

        They share in all good mass; those of a cause that is spared go last.
        """
        rows = self.rows
        _compiled().spawn_compiled(
            rows.log_weight,
            rows.shared2,
            rows.factor,
            rows.part2,
            rows.reel2,
            rows.beta,
            rows.mean,
            rows.covariance,
            rows.base_mean,
            rows.base_covariance,
            rows.cause,
            rows.place,
            rows.first,
            rows.slope,
            table.log_weight,
            table.cause,
            table.place,
            table.slope_place,
            table.factor,
            table.own2,
            table.shared2,
            table.reel2,
            table.difference,
            table.number2,
            spread,
            self.layout.ranges + 1,
            self.units + 1,
            int(Cause.GOOD),
            spared,
            SINGULAR2,
        )

    def _spread(self, table: Table, wider: Array | float) -> Array:
        """Return what a table's hypotheses add to the base's covariance, (B, E, E, H).

        `wider` (B, P, H) adds to the variance of the parts' reels.
        """
        ranges, parts = self.layout.ranges, self.layout.parts
        extra = np.empty((len(self._part2), parts + 1 + ranges + 1, table.cause.size))
        extra[:, : parts + 1] = table.shift2 * self._coarse2[..., None]
        extra[:, :parts] += table.reel_shifts * self._reel2[..., None] + wider
        extra[:, parts + 1 :] = table.step2
        size = self._along.shape[1]
        shape = len(extra), size, size, table.cause.size
        return np.asarray((self._outer @ extra).reshape(shape))

    def _grow(self, rows: Rows, table: Table, spread: Array) -> None:
        """Turn copies of good rows into the hypotheses of a table."""
        rows.cause[:] = table.cause
        rows.place[:] = table.place
        rows.first[:] = self.units + 1
        rows.slope[:] = table.slope_place
        rows.factor[:] = table.factor
        rows.part2[:] *= table.own2
        rows.shared2[:] *= table.shared2
        rows.reel2[:] *= table.reel2
        covariance = rows.base_covariance
        covariance += spread
        rows.base_mean[:, -1] = table.difference
        covariance[:, -1] = 0.0
        covariance[:, :, -1] = 0.0
        covariance[:, -1, -1] = table.number2
        rows.beta[:] = 1.0
        self._state_from_base(rows)

    def _normalise(self) -> None:
        """Drop what weighs nothing, but never the likeliest good hypothesis."""
        weight = self.rows.log_weight
        weight -= weight.max(axis=1, keepdims=True)
        good = np.where(self.rows.cause == Cause.GOOD, weight, -np.inf)
        best = np.arange(len(weight)), good.argmax(axis=1)
        floor = np.maximum(weight[best], NEGLIGIBLE_LOG_WEIGHT)
        weight[weight < NEGLIGIBLE_LOG_WEIGHT] = -np.inf
        weight[best] = floor


@cache
def _compiled() -> ModuleType:
    """Return the compiled loops; whoever only asks about a bank need not wait."""
    return import_module("daemon.spc.compiled")


def _directions_with_bench(layout: Layout) -> Array:
    """Return what parts, build, bench ranges and bench in common do to the base.

    Shape (P + 1 + R + 1, E).
    """
    parts, ranges = layout.parts, layout.ranges
    product = directions(layout)
    bench = np.vstack([np.eye(ranges), np.ones(ranges)])
    along = np.zeros((parts + 1 + ranges + 1, parts + 1 + 2 * ranges + 1))
    along[: parts + 1, : parts + 1] = product[:, : parts + 1]
    along[: parts + 1, -1 - ranges : -1] = product[:, parts + 1 :]
    along[parts + 1 :, parts + 1 : parts + 1 + ranges] = bench
    along[parts + 1 :, -1 - ranges : -1] = bench
    return along
