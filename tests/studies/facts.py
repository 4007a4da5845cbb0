"""Facts about the detector that need no counting of false holds.

Scaling by ten, the cost of a unit, and what people of the trade have met: a reel of
the wrong tolerance class in one range.
"""

import time
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from daemon.spc.detector.finding import REEL, SHARED_STAGE, Finding, find
from daemon.spc.detector.following import follow
from daemon.spc.detector.layout import Layout, layout_of
from daemon.spc.detector.line import Boundary, Line
from daemon.spc.detector.worlds import life_of
from tests.studies.faults import CASES, EARLIER_BUILDS
from tests.studies.goals import Goal

Array = NDArray[np.float64]

RANGES = 4
T_PPM, LIMIT_PPM = 1000.0, 5000.0
LIMIT = 0.5
SCALE = 10.0
SCALED_UNITS = 40
SAME = 1e-6
"""Log-odds that differ by less have been rounded differently, no more."""
COSTS = ((4, 1.0), (12, 3.0))
"""Ranges, and how many milliseconds a unit of so many may cost."""
TIMED_UNITS = 3000
EARLY, LATE = slice(30, 300), slice(-300, None)
MS_PER_S = 1e3

# Common practice, no source: a reel read 0.8 to 3.5 % high, everything else was good
# within 0.02 %, and parts were sold as 0.1 %.
HIGH_PPM = (8_000.0, 35_000.0)
GOOD_PPM = 200.0
PRODUCTS = 40
EARLIER, LATER = 10, 5
SURE = 0.99


def facts(seed: int) -> tuple[Goal, ...]:
    """Return every fact beside its bound; takes some seconds."""
    return (*scaling(seed), *costs(seed), *trade(seed))


def scaling(seed: int, *, lives: int = 20) -> Iterator[Goal]:
    """Watch lives twice, the second time with data and tolerances times ten."""
    layouts = [_layout(RANGES), _layout(RANGES, SCALE)]
    unlike, largest, points = 0, 0.0, 0
    for number in range(lives):
        case = CASES[number % len(CASES)]
        both = []
        for layout in layouts:
            life = life_of(
                case.world,
                layout,
                case.habit,
                builds=EARLIER_BUILDS,
                rng=np.random.default_rng([seed, 1, number]),
                fault=case.fault,
                last_units=SCALED_UNITS,
            )
            line = Line(layout)
            both.append(
                [one.log_odds for one in follow(life, line, limit=LIMIT, seated=True)]
            )
        for odds, scaled in zip(*both, strict=True):
            points += 1
            largest = max(largest, abs(odds - scaled))
            unlike += (odds > LIMIT) != (scaled > LIMIT) and abs(odds - scaled) > SAME
    yield _at_most(f"decisions changed by scaling by ten, of {points}", unlike, 0)
    yield _at_most("log-odds moved by scaling by ten, at most", largest, SAME)


def costs(seed: int, *, units: int = TIMED_UNITS) -> Iterator[Goal]:
    """Time units of a long build; processor time."""
    for ranges, most_ms in COSTS:
        rng = np.random.default_rng([seed, 2])
        line = Line(_layout(ranges))
        errors = _units(rng, units, ranges)
        variance = np.full(ranges, 15.0**2)
        taken_ms = np.empty(units)
        for index, unit in enumerate(errors):
            started_s = time.process_time()
            line.unit(unit, variance, boundary=None if index else _all_new(ranges))
            taken_ms[index] = MS_PER_S * (time.process_time() - started_s)
        late = float(np.median(taken_ms[LATE]))
        words = f"ms a unit of {ranges} ranges after {units} units"
        yield _at_most(words, late, most_ms)
        yield _at_most(
            f"cost of a unit of {ranges} ranges, late over early",
            late / float(np.median(taken_ms[EARLY])),
            1.5,
        )


def trade(seed: int, *, products: int = PRODUCTS) -> Iterator[Goal]:
    """Put the reel that people have met into many products."""
    rng = np.random.default_rng([seed, 3])
    named, cleared, far = 0, 0, 0
    for _ in range(products):
        place = int(rng.integers(RANGES))
        line = Line(_layout(RANGES))
        for index, unit in enumerate(
            rng.uniform(-GOOD_PPM, GOOD_PPM, (EARLIER, RANGES))
        ):
            line.unit(unit, boundary=None if index else _all_new(RANGES))
        errors = rng.uniform(-GOOD_PPM, GOOD_PPM, (LATER, RANGES))
        errors[:, place] = rng.uniform(*HIGH_PPM, LATER)
        for index, unit in enumerate(errors):
            boundary = None if index else Boundary(new_build=True, reels={place: None})
            line.unit(unit, boundary=boundary)
            if index == 0:
                named += [one.place for one in find(line, LIMIT)] == [place]
        found = find(line, LIMIT)
        reels = [one for culprit, one in found.items() if culprit.cause == REEL]
        cleared += not any(one.cause == SHARED_STAGE for one in found)
        far += any(_is_far(one, place) for one in reels)
    title = "facts of the trade (common practice, no source)"
    for words, count in (
        ("range named from the first unit", named),
        ("shared stage cleared after 5 units", cleared),
        ("reel far beyond its tolerance after 5 units", far),
    ):
        yield Goal(
            what=f"{title}: {words}",
            found=count / products,
            bound=SURE,
            kind="at least",
        )


def _is_far(finding: Finding, place: int) -> bool:
    """Whether the whole interval lies beyond what the reel was sold as."""
    return finding.range_index == place and finding.low_ppm > T_PPM


def _layout(ranges: int, scale: float = 1.0) -> Layout:
    return layout_of([scale * T_PPM] * ranges, limit_ppm=[scale * LIMIT_PPM] * ranges)


def _all_new(ranges: int) -> Boundary:
    return Boundary(new_build=True, reels=dict.fromkeys(range(ranges)))


def _units(rng: np.random.Generator, units: int, ranges: int) -> Array:
    """Draw good units of one build, each range with a reel of its own, ppm."""
    reels = rng.normal(0.0, 0.15 * T_PPM, ranges)
    own = rng.normal(0.0, 0.15 * T_PPM, (units, ranges))
    return np.asarray(reels + own + rng.normal(0.0, 0.12 * T_PPM, (units, 1)))


def _at_most(what: str, found: float, bound: float) -> Goal:
    return Goal(what=what, found=float(found), bound=float(bound), kind="at most")
