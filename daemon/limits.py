"""The product's own limit of the detector: calibrated once, kept in the home folder.

A limit belongs to a layout, a history and an accepted rate; their hash is its name, so
that it is found again and never taken for another. The history is rounded, so that a
build which grows by a unit asks for nothing new.
"""

import json
import os
from collections.abc import Callable, Sequence
from dataclasses import astuple, dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from config.model import Settings
from daemon.home import Home
from daemon.product import ProductModel
from daemon.spc.calibrate import FEWEST_EXCEEDING, calibrate
from daemon.spc.layout import Layout
from daemon.watch import REMEMBERED_BUILDS, OwnLimit
from storage.store import Store

VERSION = 2
"""Another one whenever the detector changes: limits of before are no longer its own."""
BUILD_UNITS = 100
REPLICATES = 1024
RAREST = 10_000
"""Units per false hold beyond which a simulation takes too long; the shipped limit
serves there."""
SEED = 1
SIZES = (5, 10, 20, 40, 80)
MOST_BUILDS = 4
FEWEST_UNITS = 10
"""A history shorter than this teaches nothing: the shipped limit serves."""

Sizes = tuple[int, ...]


def rounded(units: Sequence[int]) -> Sizes:
    """Return a history as it is calibrated for: the longest builds, rounded down.

    Examples
    --------
    >>> rounded([3, 30, 30, 12])
    (10, 20, 20)
    """
    known = [max(s for s in SIZES if s <= n) for n in units if n >= SIZES[0]]
    return tuple(sorted(known)[-MOST_BUILDS:])


@dataclass(frozen=True, slots=True)
class Limits:
    """Calibrated limits in a folder, one file each.

    Parameters
    ----------
    folder
        Made when the first limit is kept.
    accepted_per_units
        One false hold in this many units is accepted.
    """

    folder: Path
    accepted_per_units: int

    def find(self, layout: Layout, units: Sequence[int]) -> float | None:
        """Return the limit for builds after a history, or None while there is none.

        Parameters
        ----------
        layout
            The product's ranges and parts.
        units
            Of each earlier build.
        """
        try:
            kept = json.loads(self._file(layout, units).read_text(encoding="utf-8"))
            return float(kept["log_odds_limit"])
        except (FileNotFoundError, ValueError, KeyError):
            return None

    def serving(self, layout: Layout, units: Sequence[int]) -> OwnLimit | None:
        """Return the limit that serves: for this history, or the last one before.

        Parameters
        ----------
        layout, units
            As for `find`.

        Returns
        -------
        OwnLimit or None
            None where nothing was calibrated for this layout and rate yet. One for a
            longer history never serves a shorter: it would be too low.
        """
        if (exact := self.find(layout, units)) is not None:
            return OwnLimit(log_odds=exact, exact=True)
        now = rounded(units)
        before = [
            (sum(history), limit)
            for history, limit in self._kept(layout)
            if history and len(history) <= len(now) and sum(history) <= sum(now)
        ]
        if not before:
            return None
        return OwnLimit(log_odds=max(before)[1], exact=False)

    def _kept(self, layout: Layout) -> list[tuple[Sizes, float]]:
        """Return every history that a limit is kept for, with it."""
        found = []
        product = self._product(layout)
        for path in sorted(self.folder.glob("limit-*.json")):
            try:
                kept = json.loads(path.read_text(encoding="utf-8"))
                if kept["product"] == product:
                    found.append(
                        (tuple(kept["history"]), float(kept["log_odds_limit"]))
                    )
            except (OSError, ValueError, KeyError, TypeError):
                continue
        return found

    def wanted(self, layout: Layout, units: Sequence[int]) -> bool:
        """Whether a calibration would give a limit that is not there yet."""
        return (
            sum(rounded(units)) >= FEWEST_UNITS
            and BUILD_UNITS < self.accepted_per_units <= RAREST
            and self.find(layout, units) is None
        )

    def calibrate(
        self,
        layout: Layout,
        units: Sequence[int],
        *,
        progress: Callable[[float], None],
        replicates: int = REPLICATES,
        workers: int | None = None,
    ) -> float:
        """Work out a limit in processes of their own, keep it and return it.

        Parameters
        ----------
        layout, units
            As for `find`.
        progress
            Told the share that is done, 0 to 1, again and again while it stays;
            what it raises ends the work at once.
        replicates
            Good builds in each world, more where the rate needs them.
        workers
            Processes; left out, one a core.
        """
        accepted = BUILD_UNITS / self.accepted_per_units
        found = calibrate(
            layout,
            units_per_false_hold=self.accepted_per_units,
            segment_units=rounded(units),
            build_units=BUILD_UNITS,
            replicates=max(replicates, int(FEWEST_EXCEEDING / accepted) + 1),
            seed=SEED,
            workers=workers or len(os.sched_getaffinity(0)),
            progress=progress,
        )
        path = self._file(layout, units)
        path.parent.mkdir(parents=True, exist_ok=True)
        kept: dict[str, Any] = {
            "product": self._product(layout),
            "log_odds_limit": found.log_odds_limit,
            "accepted_rate": found.accepted_rate,
            "replicates": found.replicates,
            "history": rounded(units),
            "rates": {one.world: one.rate for one in found.rates},
        }
        # Whoever reads meanwhile sees all of it or nothing.
        fresh = path.with_suffix(".part")
        fresh.write_text(json.dumps(kept, indent=2) + "\n", encoding="utf-8")
        fresh.replace(path)
        return found.log_odds_limit

    def _file(self, layout: Layout, units: Sequence[int]) -> Path:
        named = _hash([*self._depends_on(layout), rounded(units)])
        return self.folder / f"limit-{named}.json"

    def _product(self, layout: Layout) -> str:
        """Return a name for all that a limit depends on but the history."""
        return _hash(self._depends_on(layout))

    def _depends_on(self, layout: Layout) -> list[object]:
        return [
            VERSION,
            self.accepted_per_units,
            layout.tolerance_ppm.tolist(),
            layout.sensitivity.tolist(),
            list(astuple(layout.assumed)),
        ]


def _hash(what: list[object]) -> str:
    return sha256(json.dumps(what).encode()).hexdigest()[:16]


class StopError(Exception):
    """Whoever waits for a calibration has no more time for it."""


def limits_of(home: Home, settings: Settings) -> Limits:
    """Return the limits that a home keeps."""
    return Limits(
        home.data / "cache", settings.plan.watching.accepted_false_holds_per_units
    )


def history(settings: Settings, store: Store) -> Sizes:
    """Return how many units each build has that the next will be held against."""
    builds = store.frame("builds", product=settings.product.name)
    measured = builds.loc[builds["units"] > 0, "units"]
    return tuple(int(units) for units in measured)[-REMEMBERED_BUILDS:]


def layout_for(settings: Settings) -> Layout:
    """Return the layout that the product's builds are watched with."""
    return ProductModel.of(settings.product, settings.plan.detector).layout


def calibrate_wanted(
    home: Home,
    settings: Settings,
    store: Store,
    *,
    progress: Callable[[float], None],
) -> float | None:
    """Calibrate for the next build if its limit is not there yet; return it.

    Returns
    -------
    float or None
        None where the shipped limit serves: too short a history, or too rare a false
        hold for a simulation.
    """
    limits, layout = limits_of(home, settings), layout_for(settings)
    units = history(settings, store)
    if limits.wanted(layout, units):
        return limits.calibrate(layout, units, progress=progress)
    return limits.find(layout, units)


def in_words(home: Home, settings: Settings, store: Store) -> str:
    """Say which limit the next build is held against, and what is still missing."""
    limits, layout = limits_of(home, settings), layout_for(settings)
    units = history(settings, store)
    serving = limits.serving(layout, units)
    if serving is not None and serving.exact:
        return "The detector's limit is calibrated for this product and its history."
    if serving is not None:
        return (
            "The detector's limit is the last one calibrated for this product, when "
            "its history was shorter; today's is worked out by the daemon within the "
            "hour, or now by holdpoint calibrate."
        )
    if limits.wanted(layout, units):
        return (
            "The detector's limit is the careful one shipped with the program until "
            "the product's own is calibrated: by the daemon within the hour, or now "
            "by holdpoint calibrate."
        )
    if settings.plan.detector is not None:
        return (
            "The detector's limit is the one shipped with the program, worked out for "
            "the standing values, not for those of plan.toml: the history is too "
            "short, or the accepted false hold too rare, for one of the product's own."
        )
    return (
        "The detector's limit is the careful one shipped with the program: the history "
        "is too short, or the accepted false hold too rare, for one of the product's "
        "own."
    )
