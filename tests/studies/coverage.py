"""How often the stated 95 % interval holds what is true, on simulated benches.

Each trial draws a bench from what its settings say: gains of meters, a standard
resistor, a room, parts that move with it. Readings follow one another, and the bench
walks between checks of the standard, of which the daemon knows no more than it read.
What is asked is the whole way: `Judge`, from readings to the interval of one range.

An interval follows from what was read alone. What was not read (gains, resistor, what
the parts do in the room, where the bench had walked to between its checks) is drawn
many times beside the same readings: so few benches tell as much as many.

Where more than 96.5 % are covered, what is not known of the bench is in the interval:

- A walk. Two to six checks cannot tell a bench that stands still from one that walks
  four times their scatter from check to check. An interval that holds 94 of 100 of
  those holds 95, 97, 99 and 100 where it walks 2, 1, 0.5 and 0 times that scatter. It
  shows where little else is unsure: one voltmeter, whose gain cancels, and ten readings
  or more that are new each time; there 97 to 98 are covered.
- How far readings follow, where the settings do not tell. At a correlation r the mean
  of two readings scatters sqrt((1 + r) / (1 - r)) times as much as their difference
  shows. Wide enough for 0.8 is three times as wide as for 0, and holds 98 of 100 there
  (`two_readings_hold`); of several such lines in one budget, all. Three readings are
  little better. Of ten, a run tells how they follow to some 0.1, which costs 1.2 to
  1.4 times the width that would do were it known. `readings_follow` in `bench.toml`
  tells it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice, product as every
from math import atan, fsum, inf, pi, sqrt, tan
from statistics import fmean, stdev
from typing import Any

import numpy as np
from numpy.typing import NDArray

from config import Bench, Judging, Product
from daemon.bench import Point, RangeReadings
from daemon.judging import ProductModel
from daemon.judging.verdict import Judge
from daemon.metrology import CheckPoint, Drift, interpolated

__all__ = [
    "COVERAGE", "Cell", "Counted", "cells", "counted", "table", "told_until",
    "two_readings_hold",
]  # fmt: skip

COVERAGE = 0.95
FOLLOWS = (0.0, 0.5, 0.8)
COUNTS = (1, 2, 3, 10, 30)
WALKS = (0.0, 1.0, 4.0)
REFERENCES = ("meter", "resistor", "one voltmeter")
SPAN_H = 1.0
STEPS = (2, 3, 6)
"""Times from check to check in a session: the unit is read within the last."""
CHECKS_PPM = 20.0
"""What a check scatters by; the walk from check to check is so many times this."""
SCATTER_PPM = 60.0
GAIN_PPM = 60.0
RESISTOR_PPM = 20.0
TEMPCO_PPM_PER_K = 10.0
ROOM_C = (18.0, 28.0)
REFERENCE_C = 23.0
PARTS = ("R11", "R12")
RANGES = ("low", "high")
TRANSFER = 1e4
STANDARD_OHM = 1e4
FULL_SCALE = 1e-4
UNREAD = 100
"""How many times what was not read is drawn beside the readings of one bench."""
AT_ONCE = 50
FEWEST_TRIALS = 200
"""Few benches with little coverage are most of how benches differ: a kind that met none
among its first hundred seems surer, and better covered, than it is."""
MOST_TRIALS = 4000
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One kind of bench; `walk` in units of the checks' scatter.

    `told` says that the settings have how far readings follow one another; else it is
    learnt from the run.
    """

    follows: float
    count: int
    walk: float
    thermometer: bool
    reference: str
    told: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """How often a cell's intervals held what is true.

    `shares` has one element a bench: of what was not read, the share that lay inside.
    """

    cell: Cell
    shares: tuple[float, ...]

    @property
    def trials(self) -> int:
        """How many benches were tried."""
        return len(self.shares)

    @property
    def held(self) -> float:
        """How many intervals held what is true, a share of a bench counting as such."""
        return fsum(self.shares)

    @property
    def coverage(self) -> float:
        """The share of intervals that held what is true."""
        return self.held / self.trials

    @property
    def standard_error(self) -> float:
        """Of `coverage`, from how the benches differ."""
        if self.trials < 2:
            return inf
        return stdev(self.shares) / sqrt(self.trials)


def cells(*, told: bool = False) -> Iterator[Cell]:
    """Return every kind of bench."""
    for follows, count, walk, thermometer, reference in every(
        FOLLOWS, COUNTS, WALKS, (True, False), REFERENCES
    ):
        yield Cell(
            follows=follows,
            count=count,
            walk=walk,
            thermometer=thermometer,
            reference=reference,
            told=told,
        )


def counted(cell: Cell, trials: int, seed: int) -> Counted:
    """Try a kind of bench so many times.

    A number of trials further on draws the same ones first.
    """
    return Counted(cell=cell, shares=tuple(islice(_shares(cell, seed), trials)))


def told_until(cell: Cell, standard_error: float, seed: int) -> Counted:
    """Try a kind of bench until its coverage is that sure, or `MOST_TRIALS`."""
    shares = _shares(cell, seed)
    found = Counted(cell=cell, shares=tuple(islice(shares, FEWEST_TRIALS)))
    while found.standard_error > standard_error and found.trials < MOST_TRIALS:
        further = tuple(islice(shares, AT_ONCE))
        found = Counted(cell=cell, shares=found.shares + further)
    return found


def two_readings_hold(correlation: float, wide_enough_for: float) -> float:
    """Return how often an interval of two readings, made for one, holds at another.

    Mean and half the difference are independent, the first sqrt((1 + r) / (1 - r))
    times as wide: their ratio is Cauchy's, P(|x| <= q) = 2 atan(q) / pi.

    >>> round(two_readings_hold(0.8, wide_enough_for=0.8), 6)
    0.95
    >>> round(two_readings_hold(0.0, wide_enough_for=0.8), 3)
    0.983
    """
    made, had = (sqrt((1 + one) / (1 - one)) for one in (wide_enough_for, correlation))
    return 2 / pi * atan(tan(pi / 2 * COVERAGE) * made / had)


def _shares(cell: Cell, seed: int) -> Iterator[float]:
    """Return bench for bench how often its interval holds the unit's error."""
    judge = Judge(*_settings(cell), Judging())
    place = list(cells(told=cell.told)).index(cell)
    draw = np.random.default_rng([seed, place])
    while True:
        yield _share(cell, judge, draw)


def _share(cell: Cell, judge: Judge, draw: np.random.Generator) -> float:
    """Return how often one bench's interval holds the unit's error."""
    # Without a thermometer the interval is for the least favourable room.
    room_c = float(draw.uniform(*ROOM_C) if cell.thermometer else draw.choice(ROOM_C))
    true_ppm = draw.uniform(-3000.0, 3000.0, len(PARTS))
    # The first of what was not read is what the bench is; the others it might be.
    off_ppm = _off(cell, room_c, draw, len(PARTS))
    walked_ppm, drift = _walked(cell, draw)
    off_ppm += walked_ppm
    shown_ppm = true_ppm + off_ppm[:, 0]
    readings = [
        _readings(cell, key, float(one), draw, room_c)
        for key, one in zip(RANGES, shown_ppm, strict=True)
    ]
    found = judge.learned(readings).error(readings[0], drift=drift).error
    by_readings_ppm = found.error_ppm - shown_ppm[0]
    missed_ppm = np.abs(by_readings_ppm + off_ppm[0])
    return float(np.mean(missed_ppm[1:] <= found.expanded_ppm(COVERAGE)))


def _off(cell: Cell, room_c: float, draw: np.random.Generator, parts: int) -> Floats:
    """Return what the room, meters and resistor add, of each part: (part, drawn)."""
    drawn = UNREAD + 1
    tempco = draw.uniform(-TEMPCO_PPM_PER_K, TEMPCO_PPM_PER_K, (parts, drawn))
    gains_ppm = draw.uniform(-GAIN_PPM, GAIN_PPM, (2, drawn))
    if cell.reference == "one voltmeter":
        gains_ppm[1] = gains_ppm[0]
    resistor_ppm = (
        np.zeros(drawn)
        if cell.reference == "meter"
        else draw.normal(0.0, RESISTOR_PPM, drawn)
    )
    # A standard above its value: less flows than is reckoned with.
    by_bench = gains_ppm[1] - gains_ppm[0] + resistor_ppm
    return np.asarray(tempco * (room_c - REFERENCE_C) + by_bench)


def _walked(cell: Cell, draw: np.random.Generator) -> tuple[Floats, Drift]:
    """Return what the bench walked since its first check, and what is known of it.

    The first is how it walked; the others how it might have, by what its checks read
    (the law of a walk at one moment, given readings of it at others).
    """
    steps = int(draw.choice(STEPS))
    within = float(draw.uniform(0.1, 0.9))
    times_h = np.array([*range(steps), steps - 1 + within, steps]) * SPAN_H
    pace = cell.walk * CHECKS_PPM / sqrt(SPAN_H)
    walk = np.cumsum(
        np.concatenate([[0.0], draw.normal(0.0, pace * np.sqrt(np.diff(times_h)))])
    )
    places = [*range(steps), steps + 1]
    read_ppm = walk[places] + draw.normal(0.0, CHECKS_PPM, len(places))
    checks = [
        CheckPoint(
            at_s=3600.0 * float(times_h[place]),
            difference_ppm=float(read),
            uncertainty_ppm=CHECKS_PPM,
        )
        for place, read in zip(places, read_ppm, strict=True)
    ]
    known = interpolated(checks, 3600.0 * float(times_h[steps]))
    further_h = times_h[places][1:]
    beside = pace**2 * np.minimum.outer(further_h, further_h)
    beside += CHECKS_PPM**2 * np.eye(len(further_h))
    shared = pace**2 * np.minimum(further_h, times_h[steps])
    weights = np.linalg.solve(beside, shared)
    left2 = max(pace**2 * float(times_h[steps]) - float(weights @ shared), 0.0)
    might = draw.normal(float(weights @ read_ppm[1:]), sqrt(left2), UNREAD)
    return np.concatenate([[walk[steps]], might]), known


def _readings(
    cell: Cell, key: str, error_ppm: float, draw: np.random.Generator, room_c: float
) -> RangeReadings:
    """Return zero, level and zero of a range, as both meters read them."""
    level, scale = 0.9 * FULL_SCALE, 1.0 + error_ppm * 1e-6

    def point(at: float) -> Point:
        return Point(
            level=at,
            reference=tuple((at + level * _scatter(cell, draw)).tolist()),
            output=tuple(
                (TRANSFER * (at * scale + level * _scatter(cell, draw))).tolist()
            ),
            at_s=tuple(float(one) for one in range(cell.count)),
        )

    return RangeReadings(
        range=key,
        points=(point(0.0), point(level), point(0.0)),
        reference_full_scale=1.0 if cell.reference != "meter" else FULL_SCALE,
        output_full_scale=1.0,
        ambient_c=room_c if cell.thermometer else None,
    )


def _scatter(cell: Cell, draw: np.random.Generator) -> Floats:
    """Return what readings are off by, relative to the level: a filtering meter."""
    new = draw.standard_normal(cell.count)
    kept = sqrt(1.0 - cell.follows**2)
    for place in range(1, cell.count):
        new[place] = cell.follows * new[place - 1] + kept * new[place]
    return SCATTER_PPM * 1e-6 * new


def _settings(cell: Cell) -> tuple[ProductModel, Bench]:
    """Return product and bench of a kind."""
    part = {
        "nominal_ohm": TRANSFER,
        "tolerance_ppm": 5_000.0,
        "tempco_ppm_per_k": TEMPCO_PPM_PER_K,
    }
    product = Product.model_validate(
        {
            "name": "studied", "title": "studied", "input_unit": "A",
            "input_absolute_maximum_v": 30.0,
            "parts": dict.fromkeys(PARTS, part),
            "ranges": {
                key: {
                    "title": key, "full_scale": FULL_SCALE, "transfer": name,
                    "limit": {"of_reading_ppm": 5_000.0, "offset": "apart"},
                    "source_limit": FULL_SCALE,
                }
                for key, name in zip(RANGES, PARTS, strict=True)
            },
        }
    )  # fmt: skip
    volts = [{"full_scale": 1.0, "of_reading_ppm": GAIN_PPM}]
    amperes = [{"full_scale": FULL_SCALE, "of_reading_ppm": GAIN_PPM}]
    by_meter = cell.reference == "meter"
    output: dict[str, Any] = {
        "profile": "typed",
        "serial_number": "V-1",
        "ranges": volts,
    }
    reference: dict[str, Any] = {
        "profile": "typed",
        "serial_number": "V-1" if cell.reference == "one voltmeter" else "M-2",
        "ranges": amperes if by_meter else volts,
    }
    if cell.told:
        output["readings_follow"] = reference["readings_follow"] = cell.follows
    said: dict[str, Any] = {
        "name": "studied", "compliance_v": 10.0, "source_limit": FULL_SCALE,
        "ambient_c": ROOM_C, "source": {"profile": "typed"},
        "reference": reference, "output": output,
    }  # fmt: skip
    if not by_meter:
        said["reference_is"] = {
            "kind": "standard_resistor", "standard_ohm": STANDARD_OHM,
            "standard_uncertainty_ppm": RESISTOR_PPM,
        }  # fmt: skip
    return ProductModel.of(product), Bench.model_validate(said)


def table(found: Sequence[Counted], *, each: bool = False) -> str:
    """Return coverage by each thing that differs, and by cells of scatter.

    With `each` a row a kind of bench beside, the lowest first.
    """
    rows = [
        "| benches | kinds | tried | hold, % | lowest kind, % | highest, % |",
        "|---|---|---|---|---|---|",
    ]
    groups: list[tuple[str, Sequence[Counted]]] = [("all", found)]
    for name in ("follows", "count", "walk", "thermometer", "reference"):
        groups += [
            (f"{name} {value}", [o for o in found if getattr(o.cell, name) == value])
            for value in dict.fromkeys(getattr(one.cell, name) for one in found)
        ]
    groups += [
        (
            f"follows {follows}, count {count}",
            [o for o in found if (o.cell.follows, o.cell.count) == (follows, count)],
        )
        for follows, count in every(FOLLOWS, COUNTS)
    ]
    for name, some in groups:
        if some:
            covered = [100 * one.coverage for one in some]
            rows.append(
                f"| {name} | {len(some)} | {sum(one.trials for one in some)} "
                f"| {fmean(covered):.2f} | {min(covered):.2f} | {max(covered):.2f} |"
            )
    return "\n".join(rows + (_each(found) if each else []))


def _each(found: Sequence[Counted]) -> list[str]:
    """Return a row a kind of bench, the lowest coverage first."""
    rows = [
        "",
        "| follows | count | walk | thermometer | reference | tried | hold, % | +- |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for one in sorted(found, key=lambda one: one.coverage):
        cell = one.cell
        rows.append(
            f"| {cell.follows:g} | {cell.count} | {cell.walk:g} "
            f"| {'yes' if cell.thermometer else 'no'} | {cell.reference} "
            f"| {one.trials} | {100 * one.coverage:.2f} "
            f"| {100 * one.standard_error:.2f} |"
        )
    return rows
