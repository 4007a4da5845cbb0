"""All builds of one product under watch: units in, findings out."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from itertools import takewhile

import numpy as np

from daemon.product import ProductModel
from daemon.spc.baseline import Baseline, Segment
from daemon.spc.calibrate import shipped_limit
from daemon.spc.finding import Finding
from daemon.spc.layout import Layout
from daemon.watch.build import BuildWatch, OwnLimit
from daemon.watch.charting import warnings_of
from daemon.watch.entering import CheckErrors, UnitErrors
from daemon.watch.history import alike_ranges, odd_builds, remark
from daemon.watch.learning import learn
from daemon.watch.signals import FindLabel, signal_of
from daemon.watch.suspects import Suspect, suspects_elsewhere, suspects_of
from storage.records import Fitting, LimitIs, Signal

REMEMBERED_BUILDS = 12
"""Earlier builds that the baseline is fitted to; older ones are other times."""
REMEMBERED_CHECKS = 20
FOR_NOBODY = 500
EMPTY: Mapping[str, Iterable[str]] = {}

FindLimit = Callable[[Layout, Sequence[int]], OwnLimit | None]


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
    label_of
        Gives a recorded reel by name; left out, parts are held against the plan's
        tolerance, not against their reel's.

    Notes
    -----
    With one range the shared stage cannot be told from the range's own part; a
    finding then names both as alike.
    """

    def __init__(
        self,
        product: ProductModel,
        *,
        accepted_per_units: int,
        own_limit: FindLimit | None = None,
        label_of: FindLabel | None = None,
    ) -> None:
        self.product = product
        self._own_limit = own_limit
        self._label_of = label_of
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
        return self._revised(watch, watch.finding, unit, check=check)

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
        return self._revised(watch, watch.finding, check, check=said)

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
        mine = suspects_of(watch, serials.get(signal.build, ()))
        if signal.reel is None or not mine:
            return mine
        others = [one for one in self.builds.values() if one is not watch]
        return (*mine, *suspects_elsewhere(watch, others, signal.reel, serials))

    def refit(self, fittings: Sequence[Fitting]) -> list[Signal]:
        """Take reels that were recorded after their units; return what they change."""
        changed = []
        for watch in self.builds.values():
            if watch.refit(fittings) and watch.finding is not None:
                last = max(watch.units, key=lambda one: one.number)
                changed.append(self._revised(watch, watch.finding, last, check=None))
        return changed

    def warnings(
        self, build: str, serial: str, kinds: Iterable[str]
    ) -> tuple[Signal, ...]:
        """Return what charts warn of at a unit that was folded; see `warnings_of`."""
        watch = self.builds.get(build)
        return () if watch is None else warnings_of(watch, serial, kinds)

    def was_raised(self, build: str, *, revision: int, raised_serial: str) -> None:
        """Go on from the finding that the Store already holds on a build."""
        watch = self.builds.get(build)
        if watch is not None:
            watch.revision = revision
            watch.raised_serial = raised_serial

    def baseline(self) -> Baseline:
        """Return what the latest builds teach about the next one."""
        return learn(self._segments(), self.product).baseline

    def far_off(self, unit: UnitErrors, fittings: Sequence[Fitting]) -> tuple[str, ...]:
        """Return the ranges on which a unit not folded yet is far off alone.

        Parameters
        ----------
        unit, fittings
            As for `fold`.
        """
        watch = self.builds.get(unit.build)
        if watch is None:
            return ()
        return tuple(
            self.product.keys[place] for place in watch.far_off(unit, fittings)
        )

    def history(self) -> str:
        """Say what the latest build is held against; before the first, the next."""
        if self._latest is None:
            return remark(0, 0, ())
        return self._history_of(self._latest)

    def ahead(self) -> str:
        """Say what the next build will be held against."""
        following = self._unopened("")
        self._calibrated(following)
        return self._history_of(following)

    def _revised(
        self,
        watch: BuildWatch,
        finding: Finding,
        last: UnitErrors | CheckErrors,
        *,
        check: str | None,
    ) -> Signal:
        """Return the next revision of a build's finding."""
        watch.revision += 1
        return signal_of(
            watch,
            finding,
            last,
            check=check,
            label_of=self._label_of,
            history=self._history_of(watch),
        )

    def _history_of(self, watch: BuildWatch) -> str:
        """Say what a build is held against, and what tells nothing of it or of that.

        What does not fit is worked out when first wanted.
        """
        earlier = self._before(watch)
        if watch.history is None:
            watch.history = remark(
                len(earlier),
                sum(len(one.units) for one in earlier),
                odd_builds(
                    earlier, self.product, watch.learnt, log_odds_limit=watch.limit
                ),
            )
        return " ".join([watch.history, *alike_ranges([*earlier, watch], self.product)])

    def _before(self, watch: BuildWatch) -> list[BuildWatch]:
        """Return the builds that a build's baseline was learnt from."""
        earlier = takewhile(lambda one: one is not watch, self.builds.values())
        return list(earlier)[-REMEMBERED_BUILDS:]

    def _segments(self) -> tuple[Segment, ...]:
        """Return what the latest builds teach."""
        earlier = list(self.builds.values())[-REMEMBERED_BUILDS:]
        return tuple(segment for watch in earlier for segment in watch.segments())

    def _unopened(self, build: str) -> BuildWatch:
        """Return a build as it will be held against what was measured so far."""
        earlier = self._segments()
        learnt = learn(earlier, self.product)
        return BuildWatch(
            build=build,
            product=self.product,
            earlier=earlier,
            learnt=learnt,
            limit=shipped_limit(
                self.accepted_per_units,
                ranges=len(self.product.ranges),
                builds=len(learnt.baseline.builds),
            ),
            earlier_units=tuple(
                len(one.units)
                for one in list(self.builds.values())[-REMEMBERED_BUILDS:]
            ),
        )

    def _open(self, build: str) -> BuildWatch:
        watch = self._unopened(build)
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
        if self._own_limit is None or watch.limit_is is LimitIs.CALIBRATED:
            return
        own = self._own_limit(watch.baseline.layout, watch.earlier_units)
        if own is not None:
            watch.judge_by(own)


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
