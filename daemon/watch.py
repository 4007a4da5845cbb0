"""Where rows meet statistics: units in, signals out.

One `BuildWatch` a build holds a detector that starts from what the earlier builds
taught. Units enter it in the order of their serials, because a reel change is
recorded from a serial on while units may be tested in any order; a unit that comes
out of order, is run again, or whose reels are recorded late has the build folded
anew. The state can always be rebuilt from the rows.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Self

import numpy as np
from numpy.typing import NDArray

from daemon.product import ProductModel
from daemon.serials import serial_order
from daemon.spc.baseline import Baseline, Segment, fit_baseline
from daemon.spc.calibrate import shipped_limit
from daemon.spc.reel_change import Finding, ReelChangeDetector
from storage.records import Cause, Fitting, Signal

REMEMBERED_BUILDS = 12
"""Earlier builds that the baseline is fitted to; older ones are other times."""

Errors = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UnitErrors:
    """One unit's range errors as watched: ppm of reading, NaN where not measured."""

    number: int
    run: str
    serial: str
    build: str
    errors_ppm: Errors
    at: datetime

    def over(self, before: Self) -> Self:
        """Return this run laid over an earlier one of the same unit."""
        missing = np.isnan(self.errors_ppm)
        return replace(
            self, errors_ppm=np.where(missing, before.errors_ppm, self.errors_ppm)
        )


@dataclass(slots=True)
class BuildWatch:
    """One build under watch."""

    build: str
    product: ProductModel
    baseline: Baseline
    limit: float
    fittings: tuple[Fitting, ...] = ()
    units: list[UnitErrors] = field(default_factory=list)
    detector: ReelChangeDetector | None = None
    finding: Finding | None = None
    raised_serial: str | None = None
    revision: int = 0

    def reels_of(self, serial: str) -> tuple[str, ...]:
        """Return the reel that feeds each range's own part in a unit, "" unknown."""
        reels = []
        for one in self.product.ranges:
            latest = ""
            for fitting in self.fittings:
                begun = fitting.from_serial is None or (
                    serial_order(serial) >= serial_order(fitting.from_serial)
                )
                if fitting.part == one.part and begun:
                    latest = fitting.reel
            reels.append(latest)
        return tuple(reels)

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
        if in_order and self.detector is not None:
            self._update(self.detector, len(self.units) - 1)
        else:
            self._rebuild()
        if self.finding is not None:
            self.raised_serial = self.raised_serial or unit.serial

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
            if self.finding.range_index is None:
                errors = errors[:first]
            else:
                errors[first:, self.finding.range_index] = np.nan
        reels = [self.reels_of(unit.serial) for unit in self.units[: len(errors)]]
        starts = [i for i in range(len(reels)) if i == 0 or reels[i] != reels[i - 1]]
        return tuple(
            Segment(errors_ppm=errors[a:b], build=self.build, reels=reels[a])
            for a, b in zip(starts, [*starts[1:], len(reels)], strict=True)
        )

    def _rebuild(self) -> None:
        self.finding = None
        self.detector = ReelChangeDetector(
            tolerance_ppm=self.product.tolerance_ppm,
            baseline=self.baseline,
            log_odds_limit=self.limit,
            build=self.build,
            reels=self.reels_of(self.units[0].serial),
        )
        for index in range(len(self.units)):
            self._update(self.detector, index)

    def _update(self, detector: ReelChangeDetector, index: int) -> None:
        unit = self.units[index]
        if index > 0:
            before = self.reels_of(self.units[index - 1].serial)
            now = self.reels_of(unit.serial)
            changed = [r for r in range(len(now)) if now[r] != before[r]]
            if changed:
                detector.change_reels(changed)
        point = detector.update(unit.errors_ppm, None)
        if point.finding is not None:
            self.finding = point.finding


def in_force(fittings: Iterable[Fitting]) -> tuple[Fitting, ...]:
    """Return fittings in the order in which they take over from each other."""
    return tuple(
        sorted(
            fittings,
            key=lambda f: (
                f.from_serial is not None,
                serial_order(f.from_serial or ""),
                f.fitted_at,
            ),
        )
    )


class Watcher:
    """All builds of one product.

    Parameters
    ----------
    product
        Ranges, parts and their tolerances.
    accepted_per_units
        One false hold in this many units is accepted.
    """

    def __init__(self, product: ProductModel, *, accepted_per_units: int) -> None:
        self.product = product
        self.accepted_per_units = accepted_per_units
        self.builds: dict[str, BuildWatch] = {}

    def fold(
        self,
        unit: UnitErrors,
        fittings: Sequence[Fitting],
        *,
        check: str | None = None,
    ) -> Signal | None:
        """Take one unit; return the finding about its build as it now stands, if any.

        Parameters
        ----------
        fittings
            All fittings recorded so far.
        check
            A sentence on the check standard, kept with the finding.
        """
        watch = self.builds.get(unit.build)
        if watch is None:
            watch = self._open(unit.build)
        watch.fold(unit, fittings)
        if watch.finding is None:
            return None
        watch.revision += 1
        return _signal(watch, watch.finding, unit, check=check)

    def refit(self, fittings: Sequence[Fitting]) -> list[Signal]:
        """Take reels that were recorded after their units; return what they change."""
        changed = []
        for watch in self.builds.values():
            if watch.refit(fittings) and watch.finding is not None:
                watch.revision += 1
                last = max(watch.units, key=lambda one: one.number)
                changed.append(_signal(watch, watch.finding, last, check=None))
        return changed

    def was_raised(self, build: str, *, revision: int, raised_serial: str) -> None:
        """Go on from the finding that the Store already holds on a build."""
        watch = self.builds.get(build)
        if watch is not None:
            watch.revision = revision
            watch.raised_serial = raised_serial

    def baseline(self) -> Baseline:
        """Return what the latest builds teach about the next one."""
        earlier = list(self.builds.values())[-REMEMBERED_BUILDS:]
        segments = [segment for watch in earlier for segment in watch.segments()]
        return fit_baseline(segments, self.product.tolerance_ppm)

    def _open(self, build: str) -> BuildWatch:
        baseline = self.baseline()
        watch = BuildWatch(
            build=build,
            product=self.product,
            baseline=baseline,
            limit=shipped_limit(
                self.accepted_per_units,
                ranges=baseline.layout.ranges,
                builds=len(baseline.builds),
            ),
        )
        self.builds[build] = watch
        return watch


CAUSES = {
    "reel": Cause.REEL,
    "shared stage": Cause.SHARED,
    "bench": Cause.BENCH,
    "unit": Cause.UNIT,
}


def _signal(
    watch: BuildWatch, finding: Finding, unit: UnitErrors, *, check: str | None
) -> Signal:
    product = watch.product
    first = watch.units[finding.first_unit - 1]
    own = None if finding.range_index is None else product.ranges[finding.range_index]
    part = None if own is None else own.part
    reel: str | None = None
    implied = None
    if own is not None and finding.range_index is not None:
        reel = watch.reels_of(first.serial)[finding.range_index] or None
        implied = product.implied_ohm(own.key, finding.size_ppm)
    evidence = {
        "log_odds": round(finding.log_odds, 3),
        "log_odds_limit": round(watch.limit, 3),
        "spread_factor": round(finding.spread_factor, 2),
        "runners_up": [
            (_in_words(product, other.cause, other.range_index), other.probability)
            for other in finding.runners_up
        ],
        "range_title": None if own is None else own.title,
        "tolerance_ppm": None
        if part is None
        else product.settings.parts[part].tolerance_ppm,
        "nominal_ohm": None if part is None else product.nominal_ohm[part],
        "check": check,
    }
    return Signal(
        signal=f"{watch.build}-F1",
        revision=watch.revision,
        number=unit.number,
        product=product.settings.name,
        build=watch.build,
        cause=CAUSES[finding.cause],
        statistic="bank of hypotheses at recorded reel changes",
        range=None if own is None else own.key,
        part=part,
        reel=reel,
        first_serial=first.serial,
        raised_serial=watch.raised_serial or unit.serial,
        units=len(watch.units) - finding.first_unit + 1,
        size_ppm=finding.size_ppm,
        low_ppm=finding.low_ppm,
        high_ppm=finding.high_ppm,
        implied_ohm=implied,
        probability=finding.probability,
        holds=True,
        evidence=json.dumps(evidence, sort_keys=True),
        made_at=unit.at,
    )


def _in_words(product: ProductModel, cause: str, index: int | None) -> str:
    if index is None:
        return cause
    return f"{cause}, range {product.ranges[index].title}"
