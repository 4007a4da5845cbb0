"""Simulated makers: a product, a bench, habits, and reels that live across builds.

Everything is in units of T, the tolerance that the parts of the ranges claim. What a
range reads is its long-run mean, the level of the reel that its part comes from, the
level of this build's shared stage, how far the bench reads off in this session, the
scatter of the part and of the shared stage, and the noise of the measurement.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isnan, sqrt
from typing import Literal

import numpy as np
from numpy.random import Generator

from config import TYPED
from config.model import (
    Bench,
    CheckStandard,
    ErrorLimit,
    Instrument,
    MeterRange,
    Part,
    Plan,
    Product,
    Range,
    Settings,
    Watching,
)
from daemon.bench import Point, RangeReadings

__all__ = [
    "FAULTS",
    "HALF",
    "PERSON",
    "Fault",
    "Line",
    "Maker",
    "Reel",
    "draw",
    "fault_of",
    "settings_of",
]

PERSON = "Ada Moreno"
STANDARD = "CS-1"
LEVEL = 0.9
"""Of full scale, where every range is read."""
PPM = 1e-6
KNOWN = 0.02
"""Standard uncertainty of the check standard's known errors."""
STAYS = 0.7
"""Share of the bench's offset that a new session keeps: leads and nulls come back."""
WIDE = 5.0
SLOPE = 0.03
"""A reel that drifts along its tape, a unit: 30 ppm where T is 1000 ppm."""

MEAN = 0.2
"""Standard deviation of the ranges' long-run means."""
STAGE = 0.1
"""Of the level of a build's shared stage."""
LEAST_SIGMAS = 6.0
"""Error limit over the scatter of parts, at least."""
MISSING = 0.02
"""Share of ranges that are not measured."""
HALF = 0.5
LABORATORY, TENTH, TAILED, THRICE, COMMON = 0.6, 0.6, 0.2, 0.15, 0.3
"""Shares of makers with a laboratory's bench, with parts of 0.1 %, with tails, with
parts that scatter three times as much; of bench steps that all ranges share."""
CHECKED = {"laboratory": 0.8, "handheld": 0.4}
NOISE = {"laboratory": 0.015, "handheld": 0.10}
WALK = {"laboratory": 0.02, "handheld": 0.06}

FAULTS = (
    "reel",
    "two reels",
    "wide reel",
    "shared stage",
    "mixed reel",
    "drifting reel",
    "bench",
)
ODDS = (0.38, 0.16, 0.12, 0.13, 0.07, 0.05, 0.09)


BenchKind = Literal["laboratory", "handheld"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Maker:
    """What is true of a maker for a year, sizes in T, shares of 1."""

    ranges: int
    tolerance_ppm: float
    limit: float
    """Error limit of every range."""
    bench: BenchKind
    noise: float
    walk: float
    checked: bool
    """Whether the bench has a check standard."""
    tau: float
    """Standard deviation of good reels' levels."""
    scatter: float
    shared: float
    tailed: bool
    """Whether parts scatter by Student's t of five degrees of freedom."""
    mean: tuple[float, ...]
    builds: int
    session_units: tuple[int, int]
    forgotten: float
    late: float
    slips: float
    restarts: float
    changes: float
    """Share of parts that a build takes from another reel than the one before."""


def draw(rng: Generator) -> Maker:
    """Draw one maker."""
    ranges = int(rng.integers(1, 9))
    scatter = float(rng.uniform(0.1, 0.2)) * (3.0 if rng.random() < THRICE else 1.0)
    # A product whose good units do not fit its error limit is nobody's.
    limit = max(float(rng.uniform(1.5, 6.0)), LEAST_SIGMAS * scatter)
    bench: BenchKind = "laboratory" if rng.random() < LABORATORY else "handheld"
    most = int(rng.integers(2, 26))
    return Maker(
        ranges=ranges,
        tolerance_ppm=1e3 if rng.random() < TENTH else 1e4,
        limit=limit,
        bench=bench,
        noise=NOISE[bench],
        walk=WALK[bench],
        checked=bool(rng.random() < CHECKED[bench]),
        tau=float(rng.uniform(0.08, 0.2)),
        scatter=scatter,
        shared=float(rng.uniform(0.05, 0.15)),
        tailed=bool(rng.random() < TAILED),
        mean=tuple(_within(rng, MEAN, limit / 6.0) for _ in range(ranges)),
        builds=int(rng.integers(8, 15)),
        session_units=(max(2, most // 2), most),
        forgotten=float(rng.choice([0.0, 0.1, 0.3, 1.0], p=[0.4, 0.3, 0.2, 0.1])),
        late=float(rng.choice([0.0, 0.15])),
        slips=float(rng.uniform(0.0, 0.03)),
        restarts=float(rng.uniform(0.0, 0.02)),
        changes=float(rng.uniform(0.3, 0.9)),
    )


def _within(rng: Generator, sigma: float, most: float) -> float:
    """Draw from a normal law until it lies within bounds."""
    while abs(one := float(rng.normal(0.0, sigma))) > most:
        pass
    return one


def full_scale(place: int) -> float:
    """Return a range's full scale, A."""
    return float(1e-6 * 3.0**place)


def settings_of(maker: Maker, *, accepted: int) -> Settings:
    """Return the maker's files.

    Parameters
    ----------
    accepted
        One false hold in this many units.
    """
    t_ppm, ranges = maker.tolerance_ppm, range(maker.ranges)
    scale = [full_scale(place) for place in ranges]
    ohm = [0.5 / one for one in scale]
    parts = {
        f"R{11 + place}": Part(nominal_ohm=ohm[place], tolerance_ppm=t_ppm)
        for place in ranges
    }
    parts |= {
        name: Part(nominal_ohm=10_000.0, tolerance_ppm=t_ppm) for name in ("R3", "R4")
    }
    product = Product(
        name="amplifier",
        title=f"Photodiode amplifier of {maker.ranges} ranges",
        input_unit="A",
        input_absolute_maximum_v=30.0,
        parts=parts,
        ranges={
            f"range {place + 1}": Range(
                title=f"range {place + 1}",
                full_scale=scale[place],
                transfer=f"R{11 + place} * (1 + R3 / R4)",
                limit=ErrorLimit(of_reading_ppm=maker.limit * t_ppm),
                source_limit=1.2 * scale[place],
            )
            for place in ranges
        },
    )
    return Settings(
        product=product,
        bench=_bench_of(maker, scale),
        plan=Plan(
            people=(PERSON,),
            watching=Watching(accepted_false_holds_per_units=accepted),
        ),
    )


def _bench_of(maker: Maker, scale: Sequence[float]) -> Bench:
    t_ppm = maker.tolerance_ppm
    # Limits of error of the output meter: the offset that the bench keeps, with room.
    kept = maker.walk / sqrt(1.0 - STAYS**2)
    accuracy_ppm = t_ppm * 4.0 * kept
    # Two readings on the same digit leave the noise as their own standard deviation.
    digit = sqrt(6.0) * maker.noise * t_ppm * PPM * LEVEL
    standard = None
    if maker.checked:
        standard = CheckStandard(
            serial=STANDARD,
            error_ppm={f"range {place + 1}": 0.0 for place in range(maker.ranges)},
            uncertainty_ppm=KNOWN * t_ppm,
            every_units=10,
        )
    return Bench(
        name=maker.bench,
        compliance_v=12.0,
        source_limit=1.2 * max(scale),
        source=Instrument(profile=TYPED),
        reference=Instrument(
            profile=TYPED,
            ranges=[
                MeterRange(full_scale=one, of_reading_ppm=0.01 * t_ppm) for one in scale
            ],
        ),
        output=Instrument(
            profile=TYPED,
            ranges=[
                MeterRange(
                    full_scale=2.0, of_reading_ppm=accuracy_ppm, resolution=digit
                )
            ],
        ),
        check_standard=standard,
    )


@dataclass(slots=True, kw_only=True)
class Reel:
    """A reel as it truly is, levels in T; `used` parts of it were fitted."""

    name: str
    level: float
    scatter: float
    mixed: float = 0.0
    """How far half of its parts lie from the others."""
    slope: float = 0.0
    fault: str = ""
    recorded: bool = True
    used: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What goes wrong in a build; `first` counts the serials of the build from 0.

    `ranges` are those it moves: one, two, or all of them; `sizes` their sizes in T.
    """

    kind: str
    first: int
    ranges: tuple[int, ...]
    sizes: tuple[float, ...] = ()
    recorded: bool = True


@dataclass(slots=True)
class Line:
    """A maker's line: what it builds, and what its bench reads of it."""

    maker: Maker
    rng: Generator
    reels: list[Reel] = field(default_factory=list)
    """By range, the one that is fitted now."""
    retired: list[list[Reel]] = field(default_factory=list)
    bench: list[float] = field(default_factory=list)
    fault: float = 0.0
    stepped: tuple[int, ...] = ()
    """Ranges on which the bench has stepped, by `fault`."""
    stage: float = 0.0
    true: dict[str, list[float]] = field(default_factory=dict)
    """By serial, the true error of each range, NaN where it is never measured."""
    slips: dict[str, tuple[int, float]] = field(default_factory=dict)
    """By serial, what the next seating of the unit does to a range."""
    numbered: int = 0

    def __post_init__(self) -> None:
        """Fit first reels, and set the bench up."""
        ranges = range(self.maker.ranges)
        self.retired = [[] for _ in ranges]
        self.reels = [self.good_reel() for _ in ranges]
        kept = self.maker.walk / sqrt(1.0 - STAYS**2)
        self.bench = self.rng.normal(0.0, kept, self.maker.ranges).tolist()

    def good_reel(self) -> Reel:
        """Return a reel as reels are; one beyond half the error limit is a fault."""
        level = _within(self.rng, self.maker.tau, self.maker.limit / 2.0)
        self.numbered += 1
        return Reel(name=f"RL-{self.numbered:03d}", level=level, scatter=1.0)

    def bad_reel(self, kind: str, size: float) -> Reel:
        """Return a reel with a fault."""
        reel = self.good_reel()
        reel.fault = kind
        if kind == "wide reel":
            reel.scatter = WIDE
        elif kind == "mixed reel":
            reel.mixed = size
        elif kind == "drifting reel":
            reel.slope = float(np.copysign(SLOPE, size))
        else:
            reel.level = size
        return reel

    def fit(self, place: int, reel: Reel) -> None:
        """Fit another reel for a range."""
        self.retired[place].append(self.reels[place])
        self.reels[place] = reel

    def returning(self, place: int) -> Reel | None:
        """Return an older good reel of a range, taken from the shelf."""
        good = [one for one in self.retired[place] if not one.fault]
        if not good:
            return None
        chosen = good[int(self.rng.integers(len(good)))]
        self.retired[place].remove(chosen)
        return chosen

    def new_build(self) -> None:
        """Begin a build: the shared stage is of new parts."""
        self.stage = float(self.rng.normal(0.0, STAGE))

    def new_session(self) -> None:
        """Set the bench up anew: it reads a little otherwise."""
        walk = self.rng.normal(0.0, self.maker.walk, self.maker.ranges)
        self.bench = [
            STAYS * one + float(step)
            for one, step in zip(self.bench, walk, strict=True)
        ]

    def assemble(self, serial: str) -> None:
        """Build a unit from what is fitted now."""
        maker, rng = self.maker, self.rng
        shared = float(rng.normal(0.0, maker.shared))
        errors = []
        for place, reel in enumerate(self.reels):
            own = float(
                rng.standard_t(5) * sqrt(3.0 / 5.0) if maker.tailed else rng.normal()
            )
            part = reel.level + reel.slope * reel.used
            part += maker.scatter * reel.scatter * own
            if reel.mixed and rng.random() < HALF:
                part += reel.mixed
            reel.used += 1
            errors.append(maker.mean[place] + part + self.stage + shared)
        missing = rng.random(maker.ranges) < MISSING
        if not missing.all():
            errors = [
                float("nan") if gone else one
                for one, gone in zip(errors, missing, strict=True)
            ]
        self.true[serial] = errors
        if rng.random() < maker.slips:
            there = [place for place, one in enumerate(errors) if not isnan(one)]
            size = float(rng.choice([-1.0, 1.0]) * rng.uniform(1.0, 6.0))
            self.slips[serial] = (int(rng.choice(there)), size)

    def offsets(self) -> list[float]:
        """Return how far the bench reads off on each range now."""
        return [
            one + (self.fault if place in self.stepped else 0.0)
            for place, one in enumerate(self.bench)
        ]

    def errors(self, serial: str) -> list[float]:
        """Return what the bench reads of a unit as it is seated now, in T."""
        read = [
            one + off + float(self.rng.normal(0.0, self.maker.noise))
            for one, off in zip(self.true[serial], self.offsets(), strict=True)
        ]
        if serial in self.slips:
            place, size = self.slips.pop(serial)
            read[place] += size
        return read

    def unit(self, serial: str, *, at_s: float) -> list[RangeReadings]:
        """Read a unit as it is seated now."""
        return self._readings(self.errors(serial), at_s)

    def standard(self, *, at_s: float) -> list[RangeReadings]:
        """Read the check standard."""
        noise = self.rng.normal(0.0, self.maker.noise, self.maker.ranges)
        read = [a + float(b) for a, b in zip(self.offsets(), noise, strict=True)]
        return self._readings(read, at_s)

    def level_and_volts(self, place: int, error: float) -> tuple[float, float]:
        """Return what goes into a range and what comes out, A and V."""
        return LEVEL * full_scale(place), LEVEL * (
            1.0 + error * self.maker.tolerance_ppm * PPM
        )

    def _readings(self, errors: Sequence[float], at_s: float) -> list[RangeReadings]:
        zero = Point(level=0.0, reference=(0.0,), output=(0.0,), at_s=(at_s,))
        found = []
        for place, error in enumerate(errors):
            if isnan(error):
                continue
            level, volts = self.level_and_volts(place, error)
            found.append(
                RangeReadings(
                    range=f"range {place + 1}",
                    points=(
                        zero,
                        Point(
                            level=level, reference=(level,), output=(volts,),
                            at_s=(at_s + 1.0,),
                        ),
                        zero,
                    ),
                    reference_full_scale=full_scale(place),
                    output_full_scale=2.0,
                    ambient_c=None,
                )
            )  # fmt: skip
        return found


def fault_of(maker: Maker, units: int, rng: Generator, *, bench: bool) -> Fault:
    """Draw what goes wrong in a build.

    Parameters
    ----------
    units
        Of the build.
    bench
        Whether the bench may have stepped: its check standard can tell.
    """
    while True:
        kind = str(rng.choice(FAULTS, p=np.array(ODDS) / sum(ODDS)))
        if (kind == "bench" and not bench) or (
            kind == "two reels" and maker.ranges == 1
        ):
            continue
        break
    mid = bool(rng.random() < HALF)
    first = int(rng.integers(2, max(3, units - 4))) if mid else 0
    places = rng.permutation(maker.ranges)
    count = {"two reels": 2, "shared stage": maker.ranges}.get(kind, 1)
    if kind == "bench" and rng.random() < COMMON:
        count = maker.ranges
    most = 1.0 if kind in {"shared stage", "bench"} else 3.0
    sizes = [
        float(rng.choice([-1.0, 1.0]) * rng.uniform(0.5, most) * maker.limit)
        for _ in range(count)
    ]
    if kind in {"shared stage", "bench"}:
        sizes = sizes[:1] * count
    if kind == "bench":
        least = max(0.3, 8.0 * maker.noise)
        step = float(rng.uniform(least, max(least, maker.limit / 2.0)))
        sizes = [float(np.copysign(step, sizes[0]))] * count
    return Fault(
        kind=kind,
        first=first,
        ranges=tuple(sorted(int(one) for one in places[:count])),
        sizes=tuple(sizes),
        recorded=bool(rng.random() >= max(0.35, maker.forgotten)),
    )
