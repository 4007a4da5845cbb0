"""The maker's own past again: what a plan would have held, missed and cost.

Every run that was watched is folded again, with the settings of a plan, and only the
units that this plan would have measured. What nobody measured then nobody knows, so a
past is worth what was measured of it; what people decided stands as they decided it.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property, partial
from math import ceil
from typing import Any, Self

import numpy as np

from config import HoldpointError, Settings
from daemon.holds import policy
from daemon.judging import ProductModel, StandardsThen
from daemon.watch import (
    CheckErrors,
    Decided,
    FindLimit,
    FromRows,
    RunRows,
    UnitErrors,
    Watcher,
    decisions_of,
    measured_again,
    runs_after,
)
from storage import Fitting, Rework, Scope, Store, Verdict, reel_of, reels_of

__all__ = ["Checked", "NoPastError", "Past", "Replay"]

Event = UnitErrors | CheckErrors | Decided
_DIGITS = 9
"""A share times a count is no whole number by a rounding of the last digits alone."""


class NoPastError(HoldpointError):
    """There is no build that a plan could be tried on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """How many units of each build are measured; left out, every one.

    Attributes
    ----------
    units : int or None
        So many.
    share : float or None
        Such a share, above 0, at most 1.
    """

    units: int | None = None
    share: float | None = None

    @property
    def every(self) -> bool:
        """Whether nothing is drawn."""
        return self.units is None and self.share is None

    def of(self, units: int) -> int:
        """Return how many of so many units.

        Parameters
        ----------
        units
            Of a build.

        Examples
        --------
        >>> Checked(share=0.1).of(25), Checked(units=5).of(3), Checked().of(3)
        (3, 3, 3)
        """
        if self.units is not None:
            return min(self.units, units)
        if self.share is not None:
            return min(ceil(round(self.share * units, _DIGITS)), units)
        return units


@dataclass(frozen=True, slots=True, kw_only=True)
class Replay:
    """What one way of measuring came to, over the builds it was tried on.

    Attributes
    ----------
    measured : int
        Units.
    held : dict of str to str
        Builds that a finding held, each with the unit at which.
    found, stopped, left : tuple of str
        Units outside their error limit: measured; not measured, but in a held build;
        neither, so that they would have left.
    """

    measured: int
    held: Mapping[str, str]
    found: tuple[str, ...]
    stopped: tuple[str, ...]
    left: tuple[str, ...]

    def cost(self, *, test: float, escape: float) -> float:
        """Return what it would have cost.

        Parameters
        ----------
        test, escape
            Of measuring a unit; of one outside its limit that leaves.

        Examples
        --------
        >>> few = Replay(measured=5, held={}, found=(), stopped=(), left=("A1", "A2"))
        >>> few.cost(test=4.0, escape=100.0)
        220.0
        """
        return self.measured * test + len(self.left) * escape


@dataclass(frozen=True, kw_only=True)
class Past:
    """What was measured of a product, read once.

    Attributes
    ----------
    runs : tuple of RunRows
        In their order; of reworked units those before.
    fittings : tuple of Fitting
    decisions : tuple of Decided
    since : datetime or None
        Builds that began before are history: measured as they were, and not counted.
    label_of : callable
        Gives a reel by its name.
    then : StandardsThen
        What was known of check standards when they were run.
    """

    runs: tuple[RunRows, ...]
    fittings: tuple[Fitting, ...]
    decisions: tuple[Decided, ...]
    since: datetime | None
    label_of: Callable[[str], Any]
    then: StandardsThen

    @classmethod
    def read(cls, store: Store, product: str, *, since: datetime | None = None) -> Self:
        """Read it from the rows; records nothing.

        Raises
        ------
        NoPastError
            No build was measured since then.
        """
        reworked: dict[str, datetime] = {}
        for one in store.rows(Rework, product=product):
            at = one.reworked_at
            reworked[one.serial] = min(at, reworked.get(one.serial, at))
        runs = tuple(
            run
            for run in runs_after(store, product, 0)
            if not run.is_unit
            or run.serial not in reworked
            or run.started_at <= reworked[run.serial]
        )
        found = cls(
            runs=runs,
            fittings=tuple(
                store.rows(Fitting, "fittings_since", product=product, after=0)
            ),
            decisions=tuple(decisions_of(store, product)),
            since=since,
            label_of=partial(reel_of, store),
            then=StandardsThen(store),
        )
        if not found.builds:
            when = "" if since is None else f" since {since:%Y-%m-%d}"
            message = f"no build was measured{when}; there is no past to try a plan on"
            raise NoPastError(message)
        return found

    @cached_property
    def builds(self) -> dict[str, tuple[str, ...]]:
        """The units of each build a plan is tried on, by their first run."""
        begun: dict[str, datetime] = {}
        units: dict[str, dict[str, None]] = {}
        for run in self.runs:
            if run.is_unit:
                build = str(run.head["build"])
                begun.setdefault(build, run.started_at)
                units.setdefault(build, {})[run.serial] = None
        return {
            build: tuple(serials)
            for build, serials in units.items()
            if self.since is None or begun[build] >= self.since
        }

    @property
    def units(self) -> int:
        """Units of these builds."""
        return sum(map(len, self.builds.values()))

    @cached_property
    def outside(self) -> dict[str, str]:
        """The build of each unit of them that was outside an error limit at last."""
        last: dict[str, dict[str, Any]] = {}
        build_of: dict[str, str] = {}
        for run in self.runs:
            if run.is_unit:
                build_of[run.serial] = str(run.head["build"])
                verdicts = {one["range"]: one["verdict"] for one in run.rows}
                last.setdefault(run.serial, {}).update(verdicts)
        return {
            serial: build_of[serial]
            for serial, verdicts in last.items()
            if Verdict.NONCONFORMING in verdicts.values()
            and build_of[serial] in self.builds
        }

    def replay(
        self,
        settings: Settings,
        checked: Checked,
        *,
        own_limit: FindLimit | None = None,
        seed: int = 0,
    ) -> Replay:
        """Fold it again under a plan.

        Parameters
        ----------
        settings
            With the plan; verdicts stay as they were recorded.
        checked
            How many units of each build are measured: drawn at random, and the first
            one with each reel.
        own_limit
            As `ProductWatch` takes it.
        seed
            Of what is drawn.
        """
        draw = np.random.default_rng(seed)
        measured = {
            build: self._drawn(build, serials, checked, draw)
            for build, serials in self.builds.items()
        }
        held: dict[str, str] = {}
        held_reels: set[str] = set()
        watcher = Watcher(
            ProductModel.of(settings.product, settings.plan.detector),
            accepted_per_units=settings.plan.watching.accepted_false_holds_per_units,
            own_limit=own_limit,
            label_of=self.label_of,
        )
        for one in self._events(settings):
            event = one.event if isinstance(one, Decided) else one
            if isinstance(event, UnitErrors):
                if event.serial not in measured.get(event.build, {event.serial}):
                    continue
                carried = self._carried(event.serial, event.build).values()
                if held_reels.intersection(carried):
                    held.setdefault(event.build, event.serial)
            if isinstance(one, Decided):
                held_reels.difference_update(_stood_on(one))
            for signal in watcher.take(event, self.fittings):
                for hold in policy.from_signal(signal, ""):
                    if hold.scope is Scope.REEL:
                        held_reels.add(hold.subject)
                    else:
                        held.setdefault(hold.subject, signal.raised_serial)
        held = {build: at for build, at in held.items() if build in measured}
        ways: dict[str, list[str]] = {"found": [], "stopped": [], "left": []}
        for serial, build in self.outside.items():
            known = serial in measured[build]
            way = "found" if known else "stopped" if build in held else "left"
            ways[way].append(serial)
        return Replay(
            measured=sum(map(len, measured.values())),
            held=held,
            found=tuple(ways["found"]),
            stopped=tuple(ways["stopped"]),
            left=tuple(ways["left"]),
        )

    def _drawn(
        self,
        build: str,
        serials: Sequence[str],
        checked: Checked,
        draw: np.random.Generator,
    ) -> set[str]:
        """Return the units of a build that are measured."""
        if checked.every:
            return set(serials)
        places = draw.permutation(len(serials))[: checked.of(len(serials))]
        chosen = {serials[place] for place in places}
        proven = {pair for one in chosen for pair in self._carried(one, build).items()}
        for serial in serials:
            own = set(self._carried(serial, build).items())
            if own - proven:
                proven |= own
                chosen.add(serial)
        return chosen

    def _carried(self, serial: str, build: str) -> dict[str, str]:
        return reels_of(serial, self._fitted.get(build, ()))

    @cached_property
    def _fitted(self) -> dict[str, list[Fitting]]:
        fitted: dict[str, list[Fitting]] = {}
        for one in self.fittings:
            fitted.setdefault(one.build, []).append(one)
        return fitted

    def _events(self, settings: Settings) -> Iterator[Event]:
        """Yield runs and decisions in the order in which they were made."""
        product = ProductModel.of(settings.product, settings.plan.detector)
        rows = FromRows(product=product, bench=settings.bench, then=self.then)
        waiting = sorted(self.decisions, key=lambda one: one.number)
        over = measured_again(self.runs)
        for run in self.runs:
            if run.number in over:
                continue
            while waiting and waiting[0].number < run.number:
                yield waiting.pop(0)
            yield rows.unit(run) if run.is_unit else rows.check(run)
        yield from waiting


def _stood_on(decided: Decided) -> tuple[str, str]:
    """Return what an ended hold may have stood on: its name says so, see `policy`.

    Of a reel that is held with its build, the end of the build's hold frees the build.
    """
    subject = decided.hold.removeprefix(f"{decided.event.signal}:")
    return subject, subject.rpartition("#")[0]
