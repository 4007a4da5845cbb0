"""One build under watch: its units in the order of serials, its detector, its finding.

The state can always be rebuilt from the rows.
"""

from collections.abc import Iterable
from copy import deepcopy
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from daemon.product import ProductModel
from daemon.serials import serial_order, takes_over
from daemon.spc.baseline import Baseline, Segment
from daemon.spc.reel_change import Finding, ReelChangeDetector
from daemon.watch.entering import CheckErrors, UnitErrors
from daemon.watch.learning import Learnt, learn, segments_of
from storage.records import Fitting, LimitIs

LEARNT_AGAIN = (1, 2, 4, 8, 16, 32, 64, 128)
"""Units of a build at which what it tells of temperature is taken in."""

FEWEST_BEFORE = 3
FAR_OFF = 6.0
"""Standard deviations from the units before, from which a poor contact is likely enough
to seat a unit again: good parts with long tails come so far once in 500 units."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnLimit:
    """A limit that was calibrated for the product.

    `exact` where it is for this very history, else it is the last one before, for a
    shorter history: more careful, since less was known.
    """

    log_odds: float
    exact: bool


@dataclass(slots=True)
class BuildWatch:
    """One build under watch."""

    build: str
    product: ProductModel
    earlier: tuple[Segment, ...]
    """What earlier builds teach."""
    learnt: Learnt
    """What it is held against."""
    limit: float
    limit_is: LimitIs = LimitIs.SHIPPED
    fittings: tuple[Fitting, ...] = ()
    units: list[UnitErrors] = field(default_factory=list)
    detector: ReelChangeDetector | None = None
    finding: Finding | None = None
    raised_serial: str | None = None
    revision: int = 0
    earlier_units: tuple[int, ...] = ()
    """Of each build that the baseline was learnt from."""
    before: tuple[CheckErrors, ...] = ()
    """Checks of earlier builds, as they were read."""
    checks: list[CheckErrors] = field(default_factory=list)
    witness: ReelChangeDetector | None = None
    """The detector as it was before the reel that the finding names ran out."""
    history: str | None = None
    """A sentence on the builds that it is held against; None until it was asked for."""
    parts: tuple[str | None, ...] = ()
    """By name, as the product's layout has them."""
    _taken: int = 0

    def __post_init__(self) -> None:
        self.parts = self.product.watched_parts

    @property
    def baseline(self) -> Baseline:
        """Levels and scatter that the build is held against."""
        return self.learnt.baseline

    def reels_of(self, serial: str) -> tuple[str, ...]:
        """Return the reel of each watched part in a unit, "" unknown."""
        return reels_of(serial, self.parts, self.fittings)

    def fold(self, unit: UnitErrors, fittings: Iterable[Fitting]) -> None:
        """Take one more unit, or the same unit once more.

        A run of some ranges leaves the others as they were.
        """
        mine = in_force(f for f in fittings if f.build == self.build)
        known = [u for u in self.units if u.serial != unit.serial]
        for before in self.units:
            if before.serial == unit.serial:
                unit = unit.over(before)
        order = serial_order(unit.serial)
        in_order = (
            mine == self.fittings
            and len(known) == len(self.units)
            and (not known or serial_order(known[-1].serial) < order)
        )
        self.fittings = mine
        self.units = sorted([*known, unit], key=lambda u: serial_order(u.serial))
        tells = self.learnt.effect is not None and len(self.units) in LEARNT_AGAIN
        unlike = self.learnt.effect is not None and unit.ambient_c is None
        if in_order and self.detector is not None and not tells and not unlike:
            self._update(self.detector, len(self.units) - 1)
        else:
            self._rebuild()
        if self.finding is not None:
            self.raised_serial = self.raised_serial or unit.serial

    def judge_by(self, own: OwnLimit) -> None:
        """Go by a limit of the product's own from now on."""
        self.limit = own.log_odds
        self.limit_is = LimitIs.CALIBRATED if own.exact else LimitIs.LAST_CALIBRATED
        if self.detector is not None:
            self.detector.log_odds_limit = own.log_odds

    def check(self, check: CheckErrors) -> None:
        """Take a run of the check standard at once, whatever unit comes next."""
        self.checks.append(check)
        if self.detector is not None:
            self._take_check(self.detector, check)

    def refit(self, fittings: Iterable[Fitting]) -> bool:
        """Fold anew when other reels are recorded now; say whether they are."""
        mine = in_force(f for f in fittings if f.build == self.build)
        if mine == self.fittings or not self.units:
            return False
        self.fittings = mine
        self._rebuild()
        if self.finding is not None:
            last = max(self.units, key=lambda one: one.number)
            self.raised_serial = self.raised_serial or last.serial
        return True

    def segments(self) -> tuple[Segment, ...]:
        """Return what this build may teach later ones: its units without what moved."""
        errors = np.array([unit.errors_ppm for unit in self.units])
        if self.finding is not None:
            first = self.finding.first_unit - 1
            moved = self.moved_ranges()
            if len(moved) == len(self.product.ranges):
                errors = errors[:first]
            else:
                errors[first:, moved] = np.nan
        return self._cut(errors)

    def referred(self, unit: UnitErrors) -> NDArray[np.float64]:
        """Return a unit's errors, ppm, as they are watched: at one temperature."""
        return self.learnt.referred(unit)[0]

    def far_off(self, unit: UnitErrors, fittings: Iterable[Fitting]) -> list[int]:
        """Return the ranges on which a unit not folded yet is far from those before it.

        Those before it are the build's units of the same reel on that range; while
        there are few of them, or a finding stands, nobody is far off. Off on all
        ranges is no matter of one contact either.
        """
        if self.finding is not None:
            return []
        scatter = np.hypot(self.baseline.sigma_ppm, self.baseline.shared_sigma_ppm)
        now = in_force(f for f in fittings if f.build == self.build)
        reels = reels_of(unit.serial, self.parts, now)
        far = []
        errors = self.referred(unit)
        for place in range(len(self.product.ranges)):
            others = [
                self.referred(one)[place]
                for one in self.units
                if one.serial != unit.serial
                and reels_of(one.serial, self.parts, now)[place] == reels[place]
                and not np.isnan(one.errors_ppm[place])
            ]
            if len(others) < FEWEST_BEFORE:
                continue
            away = abs(errors[place] - np.median(others))
            if away > FAR_OFF * scatter[place]:
                far.append(place)
        measured = int(np.count_nonzero(~np.isnan(unit.errors_ppm)))
        return far if len(far) < max(measured, 2) else []

    def moved_ranges(self) -> list[int]:
        """Return the ranges that the finding says have moved."""
        finding = self.finding
        if finding is None:
            return []
        if finding.range_index is not None:
            return [finding.range_index]
        if finding.part_index is None:
            return list(range(len(self.product.ranges)))
        felt = self.baseline.layout.sensitivity[finding.part_index]
        return [int(one) for one in np.flatnonzero(felt)]

    def _cut(self, errors: NDArray[np.float64]) -> tuple[Segment, ...]:
        """Return the build's first units with these errors, cut where reels change."""
        reels = [self.reels_of(unit.serial) for unit in self.units[: len(errors)]]
        return segments_of(self.units, errors, reels, self.build)

    def _learn(self) -> None:
        """Take in what the build's own units tell of temperature."""
        told = max(n for n in LEARNT_AGAIN if n <= len(self.units))
        own = self._cut(np.array([one.errors_ppm for one in self.units[:told]]))
        if any(one.ambient_c is None for one in self.units):
            own = tuple(replace(one, ambient_c=None) for one in own)
        self.learnt = learn(self.earlier, self.product, own)

    def _rebuild(self) -> None:
        self._learn()
        self.finding = None
        self.witness = None
        self._taken = 0
        self.detector = ReelChangeDetector(
            tolerance_ppm=self.product.tolerance_ppm,
            baseline=self.baseline,
            log_odds_limit=self.limit,
            build=self.build,
            reels=self.reels_of(self.units[0].serial),
        )
        for index in range(len(self.units)):
            self._update(self.detector, index)
        for check in self.checks[self._taken :]:
            self._take_check(self.detector, check)

    def _update(self, detector: ReelChangeDetector, index: int) -> None:
        unit = self.units[index]
        if index > 0:
            before = self.reels_of(self.units[index - 1].serial)
            now = self.reels_of(unit.serial)
            changed = [r for r in range(len(now)) if now[r] != before[r]]
            if changed:
                if self.finding is not None and self.finding.part_index in changed:
                    self.witness = deepcopy(detector)
                detector.change_reels(changed)
            if unit.session != self.units[index - 1].session:
                detector.start_session()
        # Where serials go in the order of tests, checks stand where they were made.
        for check in self.checks[self._taken :]:
            if check.number < unit.number:
                self._take_check(detector, check)
        point = detector.update(*self.learnt.referred(unit))
        if point.finding is not None:
            self.finding = point.finding
            self.witness = None

    def _take_check(self, detector: ReelChangeDetector, check: CheckErrors) -> None:
        self._taken += 1
        point = detector.check(check.errors_minus_known_ppm, check.variance_ppm2)
        if point.finding is not None:
            self.finding = point.finding


def reels_of(
    serial: str, parts: Iterable[str | None], fittings: Iterable[Fitting]
) -> tuple[str, ...]:
    """Return the reel of each part in a unit, "" unknown.

    Parameters
    ----------
    serial
        Of the unit.
    parts
        By name; None for a range without a part of its own.
    fittings
        Of the unit's build, as `in_force` orders them.
    """
    order = serial_order(serial)
    begun = {
        one.part: one.reel
        for one in fittings
        if one.from_serial is None or order >= serial_order(one.from_serial)
    }
    return tuple(begun.get(part, "") if part is not None else "" for part in parts)


def in_force(fittings: Iterable[Fitting]) -> tuple[Fitting, ...]:
    """Return fittings in the order in which they take over from each other."""
    return tuple(sorted(fittings, key=lambda f: takes_over(f.from_serial, f.fitted_at)))
