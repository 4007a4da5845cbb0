"""Where rows meet statistics: units in, signals out.

One `BuildWatch` a build holds a detector that starts from what the earlier builds
taught. Units enter it in the order of their serials, because a reel change is
recorded from a serial on while units may be tested in any order; a unit that comes
out of order, is run again, or whose reels are recorded late has the build folded
anew. The state can always be rebuilt from the rows.
"""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Self

import numpy as np
from numpy.typing import NDArray

from daemon.evidence import evidence_of
from daemon.product import ProductModel
from daemon.serials import serial_order
from daemon.spc.baseline import Baseline, Segment, fit_baseline
from daemon.spc.calibrate import shipped_limit
from daemon.spc.layout import Layout
from daemon.spc.localize import predicted_error
from daemon.spc.reel_change import Finding, ReelChangeDetector
from storage.records import Cause, Fitting, Signal

REMEMBERED_BUILDS = 12
"""Earlier builds that the baseline is fitted to; older ones are other times."""

REMEMBERED_CHECKS = 20
FOR_NOBODY = 500
LEAST_PPM2 = 1e-9
"""Stands for a bench that may not read off at all."""
EMPTY: Mapping[str, Iterable[str]] = {}

SHIPPED = "shipped"
CALIBRATED = "calibrated"
SURELY_NOT = 0.01
"""A unit carries a reel or does not, surely enough, nearer than this to 0 or 1."""

Errors = NDArray[np.float64]
OwnLimit = Callable[[Layout, Sequence[int]], float | None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UnitErrors:
    """One unit's range errors as watched: ppm of reading, NaN where not measured."""

    number: int
    run: str
    serial: str
    build: str
    errors_ppm: Errors
    at: datetime
    session: str = ""
    variance_ppm2: Errors | None = None
    """Of this unit's own measurement, ppm squared; None for negligible."""

    def over(self, before: Self) -> Self:
        """Return this run laid over an earlier one of the same unit."""
        missing = np.isnan(self.errors_ppm)
        errors = np.where(missing, before.errors_ppm, self.errors_ppm)
        variance = self.variance_ppm2
        if variance is not None and before.variance_ppm2 is not None:
            variance = np.where(missing, before.variance_ppm2, variance)
        return replace(self, errors_ppm=errors, variance_ppm2=variance)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CheckErrors:
    """One run of the check standard: errors less the known ones, ppm, NaN if not run.

    `variance_ppm2` is of the bench's own noise and resolution; `allowed_ppm2` of what
    the meters' specification lets them read off, always alike.
    """

    number: int
    session: str
    errors_minus_known_ppm: Errors
    variance_ppm2: Errors
    allowed_ppm2: Errors
    at: datetime

    def beside(self, earlier: Sequence[Self]) -> Self:
        """Return what this check tells of a change since earlier ones.

        Meters within their specification read off all the time, by an amount that
        earlier checks tell ever better: the posterior of a normal level is taken off.
        """
        errors = np.array([one.errors_minus_known_ppm for one in earlier])
        errors = errors.reshape(-1, self.variance_ppm2.size)
        known = np.nansum(errors, axis=0) / self.variance_ppm2
        precision = 1.0 / np.maximum(self.allowed_ppm2, LEAST_PPM2)
        precision += (~np.isnan(errors)).sum(axis=0) / self.variance_ppm2
        return replace(
            self,
            errors_minus_known_ppm=self.errors_minus_known_ppm - known / precision,
            variance_ppm2=self.variance_ppm2 + 1.0 / precision,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """One unit in the light of a finding that names a reel.

    Attributes
    ----------
    serial, build : str
    probability : float
        That the unit carries the suspect reel, given that the finding is right.
    measured : bool
        Whether the range that the finding names was measured in this unit.
    predicted_ppm, low_ppm, high_ppm : float
        Error of that range with its 95 % interval: as measured, else as predicted.
    """

    serial: str
    build: str
    probability: float
    measured: bool
    predicted_ppm: float
    low_ppm: float
    high_ppm: float


@dataclass(slots=True)
class BuildWatch:
    """One build under watch."""

    build: str
    product: ProductModel
    baseline: Baseline
    limit: float
    limit_is: str = SHIPPED
    """Where the limit comes from: shipped with the program, or the product's own."""
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
    odd_probability: tuple[float, ...] = ()
    """Of the unit folded last: that it alone has one odd part, by range."""
    _taken: int = 0
    _witness: ReelChangeDetector | None = None
    """The detector as it was before the reel that the finding names ran out."""

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

    def suspects(self, serials: Iterable[str] = ()) -> tuple[Suspect, ...]:
        """Return how this build's units stand to the reel that the finding names.

        Parameters
        ----------
        serials
            Units of the build that were not measured yet; those that were are known.

        Returns
        -------
        tuple of Suspect
            In the order of serials; empty where no finding names a range's reel.
        """
        finding, detector = self.finding, self._witness or self.detector
        if finding is None or detector is None or finding.cause != "reel":
            return ()
        place = finding.range_index
        if place is None:
            return ()
        known = {unit.serial: unit for unit in self.units}
        asked = sorted({*known, *serials}, key=serial_order)
        missing = np.full(len(self.product.ranges), np.nan)
        errors = np.array(
            [known[s].errors_ppm if s in known else missing for s in asked]
        )
        orders = [serial_order(unit.serial) for unit in self.units]
        positions = [
            1 + sum(order < serial_order(serial) for order in orders)
            for serial in asked
        ]
        found = detector.concerned(place, errors, positions)
        first = self.units[finding.first_unit - 1].serial
        reel = self.reels_of(first)[place]
        suspects = []
        for index, serial in enumerate(asked):
            error = float(errors[index, place])
            seen = not np.isnan(error)
            carries = self.reels_of(serial)[place] == reel
            suspects.append(
                Suspect(
                    serial=serial,
                    build=self.build,
                    probability=float(found.probability[index]) if carries else 0.0,
                    measured=seen,
                    predicted_ppm=error if seen else float(found.predicted_ppm[index]),
                    low_ppm=error if seen else float(found.low_ppm[index]),
                    high_ppm=error if seen else float(found.high_ppm[index]),
                )
            )
        return tuple(suspects)

    def _rebuild(self) -> None:
        self.finding = None
        self._witness = None
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
                if self.finding is not None and self.finding.range_index in changed:
                    self._witness = deepcopy(detector)
                detector.change_reels(changed)
            if unit.session != self.units[index - 1].session:
                detector.start_session()
        # Where serials go in the order of tests, checks stand where they were made.
        for check in self.checks[self._taken :]:
            if check.number < unit.number:
                self._take_check(detector, check)
        point = detector.update(unit.errors_ppm, unit.variance_ppm2)
        self.odd_probability = point.odd_probability
        if point.finding is not None:
            self.finding = point.finding
            self._witness = None

    def _take_check(self, detector: ReelChangeDetector, check: CheckErrors) -> None:
        self._taken += 1
        point = detector.check(check.errors_minus_known_ppm, check.variance_ppm2)
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
    own_limit
        Gives the product's own limit for a layout and the units of each earlier
        build, or None while the shipped one must serve.
    """

    def __init__(
        self,
        product: ProductModel,
        *,
        accepted_per_units: int,
        own_limit: OwnLimit | None = None,
    ) -> None:
        self.product = product
        self._own_limit = own_limit
        self.accepted_per_units = accepted_per_units
        self.builds: dict[str, BuildWatch] = {}
        self._latest: BuildWatch | None = None
        self._checks: list[CheckErrors] = []

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
        self._calibrated(watch)
        watch.fold(unit, fittings)
        self._latest = watch
        if watch.finding is None:
            return None
        watch.revision += 1
        return _signal(watch, watch.finding, unit, check=check)

    def check(self, check: CheckErrors, *, said: str | None = None) -> Signal | None:
        """Take a run of the check standard; return the finding as it then stands.

        Parameters
        ----------
        check
            Which one; `said` is a sentence on it, kept with the finding.
        """
        self._checks.append(check)
        watch = self._latest
        if watch is None:
            return None
        watch.check(check.beside(watch.before))
        if watch.finding is None:
            return None
        watch.revision += 1
        return _signal(watch, watch.finding, check, check=said)

    def suspects(
        self, signal: Signal, serials: Mapping[str, Iterable[str]] = EMPTY
    ) -> tuple[Suspect, ...]:
        """Return which units the finding of a signal concerns, over all builds.

        Parameters
        ----------
        signal
            One that names a reel and its range; any other concerns nobody by name.
        serials
            By build, units that were not measured yet.

        Returns
        -------
        tuple of Suspect
            The build of the finding in the order of serials, then every unit of other
            builds that the record says carries the same reel.
        """
        watch = self.builds.get(signal.build)
        if watch is None or watch.finding is None:
            return ()
        mine = watch.suspects(serials.get(signal.build, ()))
        place = watch.finding.range_index
        if signal.reel is None or place is None or not mine:
            return mine
        others: list[Suspect] = []
        typical = predicted_error(watch.finding, watch.baseline)
        for other in self.builds.values():
            if other is watch:
                continue
            known = {unit.serial: unit for unit in other.units}
            for serial in sorted(
                {*known, *serials.get(other.build, ())}, key=serial_order
            ):
                if other.reels_of(serial)[place] != signal.reel:
                    continue
                error = (
                    float(known[serial].errors_ppm[place])
                    if serial in known
                    else float("nan")
                )
                seen = not np.isnan(error)
                others.append(
                    Suspect(
                        serial=serial,
                        build=other.build,
                        probability=1.0,
                        measured=seen,
                        predicted_ppm=error if seen else typical.mean_ppm,
                        low_ppm=error if seen else typical.low_ppm,
                        high_ppm=error if seen else typical.high_ppm,
                    )
                )
        return (*mine, *others)

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
            earlier_units=tuple(
                len(one.units)
                for one in list(self.builds.values())[-REMEMBERED_BUILDS:]
            ),
        )
        self.builds[build] = watch
        # The bench as it was opened for this build's first unit is the build's too.
        if self._checks:
            *before, opening = self._checks[-REMEMBERED_CHECKS:]
            watch.checks.append(opening.beside(before))
            # What came first is what later checks of the build are set beside.
            watch.before = tuple(before) or (opening,)
        return watch

    def _calibrated(self, watch: BuildWatch) -> None:
        """Give a build the product's own limit once it is there."""
        if self._own_limit is None or watch.limit_is == CALIBRATED:
            return
        own = self._own_limit(watch.baseline.layout, watch.earlier_units)
        if own is not None:
            watch.limit, watch.limit_is = own, CALIBRATED
            if watch.detector is not None:
                watch.detector.log_odds_limit = own


def warm_up(product: ProductModel) -> None:
    """Load the detector's compiled loops, before a bench is open.

    Loading them keeps all threads of the process waiting, heartbeats too.
    """
    Watcher(product, accepted_per_units=FOR_NOBODY).fold(
        UnitErrors(
            number=1,
            run="",
            serial="",
            build="",
            errors_ppm=np.zeros(len(product.ranges)),
            at=datetime.now(UTC),
        ),
        (),
    )


CAUSES = {
    "reel": Cause.REEL,
    "shared stage": Cause.SHARED,
    "bench": Cause.BENCH,
    "unit": Cause.UNIT,
}


def _signal(
    watch: BuildWatch,
    finding: Finding,
    last: UnitErrors | CheckErrors,
    *,
    check: str | None,
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
    units = len(watch.units) - finding.first_unit + 1
    evidence = evidence_of(finding, product, watch.baseline, units=units) | {
        "log_odds_limit": round(watch.limit, 3),
        "limit_is": watch.limit_is,
        "check": check,
    }
    doubtful = [
        (one.serial, round(one.probability, 3))
        for one in watch.suspects()
        if SURELY_NOT < one.probability < 1.0 - SURELY_NOT
    ]
    if doubtful:
        evidence["carrying"] = doubtful
    return Signal(
        signal=f"{watch.build}-F1",
        revision=watch.revision,
        number=last.number,
        product=product.settings.name,
        build=watch.build,
        cause=CAUSES[finding.cause],
        statistic="bank of hypotheses at recorded reel changes",
        range=None if own is None else own.key,
        part=part,
        reel=reel,
        first_serial=first.serial,
        raised_serial=watch.raised_serial or watch.units[-1].serial,
        units=units,
        size_ppm=finding.size_ppm,
        low_ppm=finding.low_ppm,
        high_ppm=finding.high_ppm,
        implied_ohm=implied,
        probability=finding.probability,
        holds=True,
        evidence=json.dumps(evidence, sort_keys=True),
        made_at=last.at,
    )
