"""The product's own limit of the detector: calibrated once, kept in the home folder.

A limit belongs to a layout and an accepted rate; their hash is its name, so that it is
found again and never taken for another.
"""

import json
import os
import signal
from collections.abc import Callable
from dataclasses import asdict, astuple, dataclass
from hashlib import sha256
from math import ceil
from pathlib import Path
from typing import Any

from config import HoldpointError, Settings, private_folder, write_whole
from daemon.judging import ProductModel
from daemon.presentation import sentences
from daemon.spc.detector import BUILD_UNITS, FEWEST_EXCEEDING, Layout, Limit, calibrate
from daemon.watch import OwnLimit

VERSION = 3
"""Another one whenever the detector changes: limits of before are no longer its own."""
BUILDS = 240
"""Good builds drawn in each world, more where the rate needs them."""
RAREST = 10_000
"""Units per false hold beyond which a simulation takes too long; the shipped limit
serves there."""
SEED = 1


CAN_BE_WORKED_OUT = hasattr(signal, "pthread_sigmask")
"""Not on Windows: nothing there keeps an interrupt from the processes that reckon."""


class NotHereError(HoldpointError):
    """The threshold cannot be worked out on this system."""

    def __init__(self) -> None:
        super().__init__(
            "the threshold cannot be worked out on this system; work it out on Linux "
            "or macOS and copy the file from data. Until then the general threshold is "
            "used"
        )


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

    def find(self, layout: Layout) -> Limit | None:
        """Return the limit of a layout, or None while there is none.

        Parameters
        ----------
        layout
            The product's ranges and parts.
        """
        try:
            kept = json.loads(self._file(layout).read_text(encoding="utf-8"))
            limit = kept["log_odds_limit"]
            return Limit(
                seated=float(limit["seated"]), unseated=float(limit["unseated"])
            )
        except (FileNotFoundError, ValueError, KeyError, TypeError):
            return None

    def serving(self, layout: Layout) -> OwnLimit | None:
        """Return the limit that the product is watched with; None for the shipped one.

        Parameters
        ----------
        layout
            As for `find`.
        """
        found = self.find(layout)
        return None if found is None else OwnLimit(limit=found)

    def wanted(self, layout: Layout) -> bool:
        """Whether a calibration would give a limit that is not there yet."""
        return (
            BUILD_UNITS < self.accepted_per_units <= RAREST
            and self.find(layout) is None
        )

    def calibrate(
        self,
        layout: Layout,
        *,
        progress: Callable[[float], None],
        builds: int = BUILDS,
        workers: int | None = None,
    ) -> Limit:
        """Work out a limit in processes of their own, keep it and return it.

        Parameters
        ----------
        layout
            As for `find`.
        progress
            Told the share that is done, 0 to 1, again and again while it stays;
            what it raises ends the work at once.
        builds
            Good builds in each world, more where the rate needs them.
        workers
            Processes; left out, one a core.
        """
        if not CAN_BE_WORKED_OUT:
            raise NotHereError
        accepted = BUILD_UNITS / self.accepted_per_units
        found = calibrate(
            layout,
            units_per_false_hold=self.accepted_per_units,
            builds=max(builds, ceil(FEWEST_EXCEEDING / accepted)),
            seed=SEED,
            workers=workers or _cores(),
            progress=progress,
        )
        path = self._file(layout)
        kept: dict[str, Any] = {
            "log_odds_limit": asdict(found.limit),
            "accepted_rate": found.accepted_rate,
            "builds": found.builds,
            "rates": [asdict(one) for one in found.rates],
        }
        private_folder(path.parent)
        write_whole(path, json.dumps(kept, indent=2) + "\n")
        return found.limit

    def _file(self, layout: Layout) -> Path:
        depends_on = [
            VERSION,
            self.accepted_per_units,
            layout.unit_ppm,
            layout.ratio.tolist(),
            layout.sensitivity.tolist(),
            layout.tempco.tolist(),
            list(layout.reel_factors),
            layout.level,
            list(astuple(layout.assumed)),
        ]
        named = sha256(json.dumps(depends_on).encode()).hexdigest()[:16]
        return self.folder / f"limit-{named}.json"


class StopError(HoldpointError):
    """Whoever waits for a calibration has no more time for it."""


def limits_of(data: Path, settings: Settings) -> Limits:
    """Return the limits that a home keeps."""
    return Limits(data / "cache", settings.plan.watching.accepted_false_holds_per_units)


def layout_for(settings: Settings) -> Layout:
    """Return the layout that the product's builds are watched with."""
    return ProductModel.of(settings.product, settings.plan.detector).layout


def calibrate_wanted(
    data: Path, settings: Settings, *, progress: Callable[[float], None]
) -> Limit | None:
    """Calibrate the product's limit if it is not there yet; return it.

    Returns
    -------
    Limit or None
        None where the shipped limit serves: too rare a false hold for a simulation.
    """
    limits, layout = limits_of(data, settings), layout_for(settings)
    if limits.wanted(layout):
        return limits.calibrate(layout, progress=progress)
    return limits.find(layout)


def in_words(data: Path, settings: Settings) -> str:
    """Say from which threshold on a finding is made, and what is still missing."""
    limits, layout = limits_of(data, settings), layout_for(settings)
    if limits.find(layout) is not None:
        return "The threshold for findings was worked out for this product."
    if limits.wanted(layout):
        return (
            f"{sentences.BY_SHIPPED_LIMIT} While a daemon runs, it works out the "
            "product's own threshold within the hour. To have it now: `holdpoint "
            "calibrate`."
        )
    if settings.plan.detector is not None:
        return (
            f"{sentences.BY_SHIPPED_LIMIT} It was worked out for the usual values, not "
            "for those of plan.toml. The accepted false hold is too rare or too "
            "frequent to work out the product's own threshold."
        )
    return (
        f"{sentences.BY_SHIPPED_LIMIT} The accepted false hold is too rare or too "
        "frequent to work out the product's own threshold."
    )


def _cores() -> int:
    """Return how many cores this process may use; all where nothing says so."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
