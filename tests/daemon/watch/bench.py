"""A bench whose truth is known: units, checks and decisions into a watch.

Reels of the demo's parts differ by 150 ppm, their parts by 150 ppm, builds by 100 ppm
on all ranges and units by 100 ppm: as the demo's plan expects. What is wrong beside is
added by whoever tells the story.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

import numpy as np

from daemon.judging.product import ProductModel
from daemon.watch import Accepted, CheckErrors, UnitErrors, Watcher
from storage.records import Fitting, Signal
from tests.daemon.making import AT, demo_product, fitting

PRODUCT = demo_product()
PARTS = ("R11", "R12", "R13", "R14")
NOISE_PPM = 15.0
"""Of a run of the check standard, one standard deviation."""
FALSE_HOLD_IN_UNITS = 5000
"""One false hold is accepted in this many units."""

Off = Mapping[int, float]
"""By range, what is added, ppm."""
NOTHING: Off = {}


class Told:
    """Tells a watch what happens on a bench, and keeps what it answers.

    `said` has the latest revision of every finding by name, `revisions` all of them.
    """

    def __init__(
        self,
        seed: int,
        *,
        accepted_per_units: int = FALSE_HOLD_IN_UNITS,
        product: ProductModel = PRODUCT,
    ) -> None:
        self.chance = np.random.default_rng(seed)
        self.watcher = Watcher(product, accepted_per_units=accepted_per_units)
        self.fittings: list[Fitting] = []
        self.said: dict[str, Signal] = {}
        self.revisions: list[Signal] = []
        self.number = 0
        self.session = "S-1"
        self._ranges = len(product.ranges)
        self._levels: dict[tuple[str, str], float] = {}

    def fit(
        self, build: str, reels: Sequence[str], from_serial: str | None = None
    ) -> None:
        """Record which reels feed a build, in the order of `PARTS`; "" for none."""
        for part, reel in zip(PARTS, reels, strict=True):
            if reel:
                self.fittings.append(fitting(build, part, reel, from_serial))

    def errors(self, build: str, reels: Sequence[str], off: Off) -> np.ndarray:
        """Return what a unit with these reels reads."""
        errors = np.array(
            [
                self._level(f"reel {place}", reel or build, 150.0)
                + self.chance.normal(0.0, 150.0)
                for place, reel in enumerate(reels)
            ]
        )
        errors += self._level("build", build, 100.0) + self.chance.normal(0.0, 100.0)
        for place, ppm in off.items():
            errors[place] += ppm
        return errors

    def unit(
        self,
        serial: str,
        build: str,
        off: Off = NOTHING,
        *,
        set_up: bool = True,
        seatable: bool = True,
        errors: np.ndarray | None = None,
        variance_ppm2: np.ndarray | None = None,
    ) -> list[Signal]:
        """Measure a unit."""
        self.number += 1
        if errors is None:
            errors = self.errors(build, self._reels(build), off)
        unit = UnitErrors(
            number=self.number,
            run=f"run-{self.number}",
            serial=serial,
            build=build,
            errors_ppm=errors,
            at=self._now,
            session=self.session,
            set_up=set_up,
            seatable=seatable,
            variance_ppm2=variance_ppm2,
            ambient_c=23.0,
        )
        return self._hear(self.watcher.take(unit, self.fittings))

    def build(
        self, build: str, units: int, off: Off = NOTHING, *, first: int = 0
    ) -> list[Signal]:
        """Measure the units of a build; return the latest of what was said of it."""
        for index in range(first, first + units):
            self.unit(serial_of(build, index), build, off)
        return [one for one in self.said.values() if one.build == build]

    def check(
        self, off: Off = NOTHING, *, noise_ppm: float = NOISE_PPM
    ) -> list[Signal]:
        """Run the check standard."""
        self.number += 1
        errors = self.chance.normal(0.0, noise_ppm, self._ranges)
        for place, ppm in off.items():
            errors[place] += ppm
        run = CheckErrors(
            number=self.number,
            session=self.session,
            errors_minus_known_ppm=errors,
            variance_ppm2=np.full(self._ranges, noise_ppm**2),
            allowed_ppm2=np.full(self._ranges, 60.0**2),
            at=self._now,
            standard="CS-1",
        )
        return self._hear(self.watcher.take(run, self.fittings))

    def new_session(self) -> None:
        """Set the bench up anew."""
        self.session = f"S-{self.number + 1}"

    def decide(self, signal: Signal, *, taught: bool) -> list[Signal]:
        """End the hold of a finding, by release where it is `taught`."""
        decision = Accepted(
            number=self.number,
            signal=signal.signal,
            taught=taught,
            cause=str(signal.cause),
            range=signal.range,
            part=signal.part,
            reel=signal.reel,
            build=signal.build,
        )
        return self._hear(self.watcher.take(decision, self.fittings))

    def refit(self) -> list[Signal]:
        """Let the watch see what was recorded late."""
        return self._hear(self.watcher.refit(self.fittings))

    def hold_by_hand(self, *subjects: tuple[str, str]) -> list[Signal]:
        """Hold reels and builds by hand: these, and no others."""
        return self._hear(self.watcher.found_bad(subjects))

    def holding(self, build: str | None = None) -> list[Signal]:
        """Return the findings that hold a build, or any, and stand."""
        return [
            one
            for one in self.said.values()
            if one.holds and one.standing and build in {None, one.build}
        ]

    def _hear(self, said: list[Signal]) -> list[Signal]:
        self.revisions += said
        self.said |= {one.signal: one for one in said}
        return said

    def _level(self, what: str, name: str, sigma_ppm: float) -> float:
        level = self._levels.get((what, name))
        if level is None:
            level = self._levels[what, name] = self.chance.normal(0.0, sigma_ppm)
        return level

    def _reels(self, build: str) -> tuple[str, ...]:
        begun = {f.part: f.reel for f in self.fittings if f.build == build}
        return tuple(begun.get(part, "") for part in PARTS)

    @property
    def _now(self) -> datetime:
        return AT + timedelta(minutes=self.number)


def serial_of(build: str, index: int) -> str:
    """Return the serial of a build's unit, from 0.

    >>> serial_of("B-3", 4)
    'PA-3004'
    """
    return f"PA-{build.removeprefix('B-')}{index:03d}"
