"""Whatever a line is told: it says something that is a number, or refuses it.

Layouts and events are drawn, extremes among them. After some events everything that a
line can be asked is asked. Allowed is an error of the room's own tree, or an answer
without NaN; never another exception, or a warning.
"""

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, fields, is_dataclass
from math import inf, isnan, nan
from typing import Any

import numpy as np
import pytest

from daemon.spc.detector import (
    Assumptions,
    Baseline,
    Boundary,
    CommonPart,
    KnownReel,
    Layout,
    Line,
    MeasuredReel,
    asks_again,
    concerned,
    ended,
    find,
    layout_of,
    limit_until_own,
)
from daemon.spc.errors import SpcError

EXTREMES = (
    0.0, -0.0, 1.0, -1.0, 0.5, 1e-12, -1e-12, 1e9, -1e9, 1e150, 1e308, -1e308, 5e-324,
    nan, inf, -inf,
)  # fmt: skip
EVENTS = (
    *["unit"] * 6, "session", "check", "settle", "haze", "excuse", "copy", "rest",
    "restore",
)  # fmt: skip
SCATTERS = ("part_scatter", "reel_scatter", "range_level", "odd_part", "bench_walk")
FOUR = layout_of([1000.0] * 4, limit_ppm=[5000.0] * 4)


@dataclass(slots=True)
class Chance:
    """Draws numbers: most of them ordinary, some extreme."""

    draw: np.random.Generator

    def often(self, share: float) -> bool:
        return bool(self.draw.random() < share)

    def number(self, scale: float, extreme: float = 0.05) -> float:
        if self.often(extreme):
            return float(EXTREMES[self.draw.integers(len(EXTREMES))])
        return float(self.draw.normal(0.0, scale))

    def size(self, scale: float) -> float:
        """Return a number above zero, if it is none of the extremes."""
        found = self.number(scale, 0.03)
        return abs(found) if abs(found) < 1e6 else found

    def numbers(
        self, count: int, scale: float, *, missing: bool = False
    ) -> list[float]:
        """Return as many as are wanted, or not."""
        many = int(self.draw.integers(6)) if self.often(0.02) else count
        found = [self.number(scale, 0.02) for _ in range(many)]
        return [nan if missing and self.often(0.1) else one for one in found]

    def sizes(self, count: int, scale: float) -> list[float]:
        return [self.size(scale) for _ in range(count)]

    def place(self, below: int) -> int:
        return int(self.draw.choice([-1, 99]) if self.often(0.02) else below - 1)


def some_layout(chance: Chance) -> Layout:
    ranges = int(chance.draw.choice([1, 2, 3, 4, 6]))
    if chance.often(0.03):
        ranges = int(chance.draw.choice([0, 70]))
    common = [
        CommonPart(
            tolerance_ppm=chance.size(1000.0),
            sensitivity=tuple(chance.numbers(ranges, 1.0)),
        )
        for _ in range(chance.draw.integers(3) if ranges > 1 else 0)
    ]
    assumed: dict[str, Any] = {
        one: chance.size(1.0) for one in SCATTERS if chance.often(0.1)
    }
    return layout_of(
        [1000.0] * ranges if chance.often(0.5) else chance.sizes(ranges, 1000.0),
        common,
        Assumptions(**assumed),
        limit_ppm=chance.sizes(ranges, 5000.0) if chance.often(0.5) else None,
        tempco_ppm_per_k=chance.sizes(ranges, 20.0) if chance.often(0.5) else None,
    )


def some_line(chance: Chance) -> Line:
    return Line(some_layout(chance))


def some_boundary(chance: Chance, parts: int) -> Boundary:
    def reel() -> KnownReel | MeasuredReel | None:
        match chance.draw.integers(3):
            case 0:
                return None
            case 1:
                return MeasuredReel(
                    level_ppm=chance.number(300.0), off_factor=chance.number(1.0)
                )
        return KnownReel(
            level_ppm=chance.number(300.0),
            variance_ppm2=chance.size(1e4),
            bad=chance.number(1.0),
        )

    return Boundary(
        new_build=chance.often(0.5),
        reels={chance.place(one + 1): reel() for one in range(parts)},
        found_bad=frozenset({chance.place(1)} if chance.often(0.2) else ()),
    )


def told(line: Line, chance: Chance) -> None:
    """Tell a line one thing."""
    ranges, parts = line.layout.ranges, line.layout.parts
    match chance.draw.choice(EVENTS):
        case "unit":
            line.unit(
                chance.numbers(ranges, 300.0, missing=True),
                chance.sizes(ranges, 400.0) if chance.often(0.7) else None,
                boundary=some_boundary(chance, parts) if chance.often(0.3) else None,
                ambient_c=23.0 + chance.number(3.0) if chance.often(0.5) else None,
                seated_again=chance.often(0.1),
            )
        case "session":
            line.session(walk_ppm=chance.sizes(ranges, 20.0))
        case "check":
            line.check(
                chance.numbers(ranges, 50.0, missing=True),
                chance.sizes(ranges, 400.0),
                allowed_ppm2=chance.sizes(ranges, 400.0),
                first=chance.often(0.3),
            )
        case "settle":
            line.settle()
        case "haze":
            line.haze(chance.sizes(parts, 20.0), chance.size(10.0))
        case "excuse":
            line.excuse([chance.place(3), chance.place(5)], [chance.place(parts)])
        case "copy":
            line.copy().rest()
        case "rest":
            line.rest()
        case _:
            line.restore(line.saved())


def asked(line: Line, chance: Chance) -> Iterator[Callable[[], Any]]:
    """Return all that a line can be asked."""
    ranges, units = line.layout.ranges, int(chance.draw.integers(4))
    limit = chance.number(3.0)
    baseline = Baseline.of(line)
    yield lambda: line.log_odds
    yield line.expected_ppm
    yield line.odd
    yield line.marginals
    yield line.suspected_bench
    yield lambda: line.tempco_ppm_per_k
    yield lambda: line.scatter_ppm(chance.place(ranges))
    yield lambda: baseline
    yield lambda: baseline.unit_sigma_ppm(chance.place(ranges))
    yield lambda: baseline.unit_degrees(chance.place(ranges))
    yield lambda: baseline.next_reel_sigma_ppm(chance.place(ranges))
    yield lambda: find(line, limit)
    yield lambda: ended(line)
    yield lambda: asks_again(line, chance.number(3.0), limit)
    yield lambda: limit_until_own(
        line.layout, units_per_false_hold=chance.number(5000.0)
    )
    yield lambda: concerned(
        line,
        chance.place(ranges),
        np.reshape(
            [chance.number(300.0) for _ in range(units * ranges)], (units, ranges)
        ),
        np.reshape(chance.sizes(units * ranges, 400.0), (units, ranges)),
        np.arange(units),
    )


def silent(value: Any) -> bool:
    """Return whether a NaN is in it."""
    if isinstance(value, float):
        return isnan(value)
    if isinstance(value, np.ndarray):
        return bool(value.dtype.kind == "f" and np.isnan(value).any())
    if isinstance(value, Layout):
        return False
    if is_dataclass(value):
        return any(silent(getattr(value, one.name)) for one in fields(value))
    if isinstance(value, dict):
        return any(silent(one) for one in value.values())
    return isinstance(value, tuple | list) and any(silent(one) for one in value)


@dataclass(slots=True)
class Told:
    """What came of many calls."""

    ends: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)

    def call(self, name: str, what: Callable[..., Any], *given: Any) -> Any:
        """Call something; return its answer, or None."""
        try:
            found = what(*given)
        except SpcError:
            self.ends["refused with an error of ours"] += 1
            return None
        except Exception as exc:  # noqa: BLE001 -- any other is a fault, whatever it is
            self.ends["broke"] += 1
            self.faults.append(f"{name}: {type(exc).__name__}: {exc}")
            return None
        self.ends["answered"] += 1
        if silent(found):
            self.faults.append(f"{name}: NaN in {found}")
        return found


def lived(calls: int, seed: int) -> Told:
    """Let lines live until so many calls are made; return what came of them."""
    found = Told()
    number = 0
    while found.ends.total() < calls:
        number += 1
        chance = Chance(np.random.default_rng([seed, number]))
        line = found.call(f"line {number}", some_line, chance)
        if line is None:
            continue
        for event in range(int(chance.draw.integers(2, 20))):
            found.call(f"line {number}, event {event}", told, line, chance)
        for place, one in enumerate(asked(line, chance)):
            found.call(f"line {number}, question {place}", one)
    return found


def test_a_few_lines_live_through_anything() -> None:
    assert lived(800, seed=1).faults == []


@pytest.mark.bench
def test_many_lines_live_through_anything() -> None:
    found = lived(20_000, seed=2)
    print(dict(found.ends))  # noqa: T201
    assert found.faults == []


@pytest.mark.parametrize("far", [1e12, 1e30, 1e150])
def test_a_reading_farther_off_than_numbers_tell_leaves_the_others_as_they_are(
    far: float,
) -> None:
    """One wild value would else turn all that a line knows into no number."""
    lines = []
    for error in (1e9, far):
        line = Line(FOUR)
        line.session()
        for _ in range(4):
            line.unit([0.0, 10.0, -20.0, 5.0], [225.0] * 4)
        line.unit([error, 10.0, -20.0, 5.0], [225.0] * 4)
        line.check([0.0, -error, 0.0, 0.0], [225.0] * 4)
        line.settle()
        line.unit([0.0, 10.0, -20.0, 5.0], [225.0] * 4)
        lines.append(line)
    near, other = lines
    assert np.isfinite(other.expected_ppm()).all()
    assert other.expected_ppm().tolist() == near.expected_ppm().tolist()


@pytest.mark.parametrize(
    ("name", "wrong"),
    [
        ("boundary.reels", lambda line: line.unit(
            [0.0] * 4, boundary=Boundary(new_build=False, reels={4: None}))),
        ("boundary.found_bad", lambda line: line.unit(
            [0.0] * 4,
            boundary=Boundary(new_build=False, reels={}, found_bad=frozenset({-1})))),
        ("ambient_c", lambda line: line.unit([0.0] * 4, ambient_c=nan)),
        ("variance_ppm2", lambda line: line.unit([0.0] * 4, [-1.0] * 4)),
        ("allowed_ppm2", lambda line: line.check(
            [0.0] * 4, [1.0] * 4, allowed_ppm2=[-1.0] * 4)),
        ("walk_ppm", lambda line: line.session(walk_ppm=[-1.0] * 4)),
        ("shared_ppm", lambda line: line.haze([0.0] * 4, inf)),
        ("kinds", lambda line: line.excuse([10], [0])),
        ("index = -1", lambda line: line.scatter_ppm(-1)),
        ("index = 4", lambda line: Baseline.of(line).unit_sigma_ppm(4)),
        ("log_odds_limit", lambda line: find(line, nan)),
        ("level_ppm", lambda _: MeasuredReel(level_ppm=nan, off_factor=1.0)),
        ("odd_part", lambda _: Assumptions(odd_part=nan)),
        ("reel_shifts", lambda _: Assumptions(reel_shifts=(0.8, inf, 10.0))),
        ("number of parts", lambda _: layout_of([1000.0] * 64)),
        ("tolerance_ppm", lambda _: layout_of([1e-9, 1.0, 1.0])),
    ],
)  # fmt: skip
def test_what_a_line_cannot_reckon_with_is_refused_by_name(
    name: str, wrong: Callable[[Line], Any]
) -> None:
    with pytest.raises(SpcError, match=name):
        wrong(Line(FOUR))
