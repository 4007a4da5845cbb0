"""Which range, which unit first, how much, how sure: the detector of one build."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daemon.spc.bank import Bank
from daemon.spc.baseline import Baseline
from daemon.spc.concerned import Concerned, concerned
from daemon.spc.errors import NotFiniteError, OutOfRangeError, ShapeError
from daemon.spc.finding import Finding, describe
from daemon.spc.hypotheses import Cause

__all__ = ["DetectorPoint", "Finding", "ReelChangeDetector"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class DetectorPoint:
    """What one unit, or one run of the check standard, left behind.

    Attributes
    ----------
    n : int
        Units so far.
    log_odds : float
    finding : Finding or None
        Stands on every point whose log-odds exceed the limit, refined by each unit.
    odd_probability : tuple of R float
        Probability that this unit alone has one odd part in that range: where it is
        high, seat the unit again and run it once more before believing it. Empty after
        a run of the check standard.
    """

    n: int
    log_odds: float
    finding: Finding | None
    odd_probability: tuple[float, ...]


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
    reels : sequence of P str
        Reel of each part as the build begins, one a range, then the common parts;
        "" unknown. A reel that the baseline knows has a known level.
    build : str
        A build that the baseline knows keeps its level.

    Notes
    -----
    The state is a value: `pickle` or `copy.deepcopy` it in mid-stream and go on. Time
    and memory per unit do not grow with the units taken.

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
    >>> for unit in ([70.0, 9000.0, 20.0], [90.0, 9100.0, -30.0]):
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
        layout = baseline.layout
        expected = layout.tolerance_ppm[: layout.ranges]
        if not np.array_equal(np.asarray(tolerance_ppm, dtype=np.float64), expected):
            raise ShapeError(
                argument="tolerance_ppm",
                value=tolerance_ppm,
                allowed=f"the baseline's, {expected.tolist()}",
            )
        if not isfinite(log_odds_limit):
            raise NotFiniteError(argument="log_odds_limit", value=log_odds_limit)
        self.log_odds_limit = log_odds_limit
        self._checked_before = 0
        self._bank = Bank([baseline], [reels], [build])
        self._prior = baseline.level_prior(reels=reels, build=build)

    def start_session(self) -> None:
        """Record that the bench was set up anew before the next unit or check."""
        self._bank.start_session()

    def change_reels(self, ranges: Sequence[int]) -> None:
        """Record that from the next unit on these parts are of never seen reels.

        Parameters
        ----------
        ranges : sequence of int
            Indices of parts; the own part of a range has the range's index.
        """
        parts = self._bank.layout.parts
        for index in ranges:
            if not 0 <= index < parts:
                raise OutOfRangeError(
                    argument="ranges",
                    value=index,
                    allowed=f"indices of parts, from 0 to {parts - 1}",
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
            Variance of this unit's measurement, ppm squared, independent from unit to
            unit; None for negligible.

        Raises
        ------
        SpcError
            A wrong shape, an infinite error, a variance that is negative or no number.
        """
        errors, variance = self._checked(errors_ppm, variance_ppm2, "")
        bank = self._bank
        folded = bank.take(errors[None], variance[None])
        weight = np.exp(bank.rows.log_weight[0])
        odd = folded.odd[0] @ (weight / weight.sum())
        return self._point(tuple(odd.tolist()))

    def check(
        self, errors_minus_known_ppm: ArrayLike, variance_ppm2: ArrayLike
    ) -> DetectorPoint:
        """Fold in a run of the check standard.

        Parameters
        ----------
        errors_minus_known_ppm : (R,) array_like
            Its range errors less the known ones, ppm; NaN where not measured.
        variance_ppm2 : (R,) array_like
            Variance of these differences, ppm squared: the bench's noise and
            resolution (quantum squared over 12), and the standard's own uncertainty.
        """
        name = "errors_minus_known_ppm"
        errors, variance = self._checked(errors_minus_known_ppm, variance_ppm2, name)
        if (variance[~np.isnan(errors)] <= 0).any():
            raise OutOfRangeError(
                argument="variance_ppm2", value=variance_ppm2, allowed="> 0"
            )
        self._bank.check(errors[None], variance[None])
        if not np.isnan(errors).all():
            self._checked_before = self._bank.units + 1
        return self._point(())

    def second_reel(
        self, errors_ppm: ArrayLike, variance_ppm2: ArrayLike | None = None
    ) -> Array:
        """Return the probability that units carry the second of two mixed reels.

        Parameters
        ----------
        errors_ppm : (n, R) array_like
            Range errors of units of this build, ppm.
        variance_ppm2 : (n, R) array_like or None

        Returns
        -------
        (n,) array
            By the likeliest hypothesis of mixed reels; zeros where none is left.
        """
        errors = np.asarray(errors_ppm, dtype=np.float64)
        if errors.ndim != 2:
            raise ShapeError(
                argument="errors_ppm",
                value=f"shape {errors.shape}",
                allowed="of shape (units, ranges)",
            )
        own = [None] * len(errors) if variance_ppm2 is None else variance_ppm2
        pairs = [
            self._checked(e, v, "")
            for e, v in zip(errors, np.asarray(own), strict=True)
        ]
        rows = self._bank.rows
        mixed = np.where(rows.cause[0] == Cause.MIXED, rows.log_weight[0], -np.inf)
        if not pairs or not np.isfinite(mixed.max()):
            return np.zeros(len(pairs))
        return self._bank.second_reel(
            int(mixed.argmax()),
            np.stack([e for e, _ in pairs]),
            np.stack([v for _, v in pairs]),
        )

    def concerned(
        self,
        range_index: int,
        errors_ppm: ArrayLike,
        positions: Sequence[int],
        *,
        variance_ppm2: ArrayLike | None = None,
    ) -> Concerned:
        """Return which units carry the suspect reel of a range, and what they read.

        Parameters
        ----------
        range_index : int
            The range that a finding about a reel names.
        errors_ppm : (n, R) array_like
            Range errors of units of this build, ppm; NaN where not measured, all NaN
            for a unit that was not measured at all.
        positions : sequence of n int
            Place of each unit in the build, from 1.
        variance_ppm2 : (n, R) array_like or None

        Raises
        ------
        SpcError
            A range that is not there, a wrong shape, an infinite error.
        """
        ranges = self._bank.layout.ranges
        if not 0 <= range_index < ranges:
            raise OutOfRangeError(
                argument="range_index",
                value=range_index,
                allowed=f"the index of a range, from 0 to {ranges - 1}",
            )
        errors = np.asarray(errors_ppm, dtype=np.float64)
        if errors.ndim != 2 or len(errors) != len(positions):
            raise ShapeError(
                argument="errors_ppm",
                value=f"shape {errors.shape}",
                allowed=f"of shape ({len(positions)}, {ranges})",
            )
        own = [None] * len(errors) if variance_ppm2 is None else variance_ppm2
        pairs = [
            self._checked(e, v, "")
            for e, v in zip(errors, np.asarray(own), strict=True)
        ]
        return concerned(
            self._bank,
            range_index,
            self._prior,
            np.array([e for e, _ in pairs]).reshape(len(pairs), ranges),
            np.array([v for _, v in pairs]).reshape(len(pairs), ranges),
            np.asarray(positions, dtype=np.int64),
        )

    def _checked(
        self, errors_ppm: ArrayLike, variance_ppm2: ArrayLike | None, name: str
    ) -> tuple[Array, Array]:
        """Return errors and variance in tolerances, or refuse them."""
        ranges, unit = self._bank.layout.ranges, self._bank.layout.unit_ppm
        errors = np.asarray(errors_ppm, dtype=np.float64)
        variance = (
            np.zeros(ranges)
            if variance_ppm2 is None
            else np.asarray(variance_ppm2, dtype=np.float64)
        )
        name = name or "errors_ppm"
        for argument, values in ((name, errors), ("variance_ppm2", variance)):
            if values.shape != (ranges,):
                raise ShapeError(
                    argument=argument,
                    value=f"shape {values.shape}",
                    allowed=f"{ranges} numbers, one a range",
                )
        if np.isinf(errors).any():
            raise NotFiniteError(
                argument=name, value=errors.tolist(), allowed="finite or missing"
            )
        variance = np.where(np.isnan(errors), 0.0, variance)
        if not np.isfinite(variance).all() or (variance < 0).any():
            raise OutOfRangeError(
                argument="variance_ppm2",
                value=variance.tolist(),
                allowed="finite and >= 0",
            )
        return errors / unit, variance / unit**2

    def _point(self, odd: tuple[float, ...]) -> DetectorPoint:
        log_odds = float(self._bank.log_odds()[0])
        finding = None
        if log_odds > self.log_odds_limit:
            finding = describe(self._bank, 0, checked_before=self._checked_before)
        return DetectorPoint(
            n=self._bank.units,
            log_odds=log_odds,
            finding=finding,
            odd_probability=odd,
        )
