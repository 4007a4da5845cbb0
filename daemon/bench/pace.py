"""Where the time of a unit goes: settling to the wanted error, then integrating."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import sqrt

from daemon.bench.measuring_plan import RangeSetup
from daemon.metrology import FEWEST, fewest_readings, rest_of

__all__ = ["PointPace", "RangePace", "Taken", "learned", "model", "spent"]

USUAL_NOISE_PPM = 2.0
"""Of a reading, ppm of the level, until readings have been seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PointPace:
    """What one point needs at least, s."""

    level: float
    settling_s: float
    integrating_s: float

    @property
    def total_s(self) -> float:
        """Both together."""
        return self.settling_s + self.integrating_s


@dataclass(frozen=True, slots=True, kw_only=True)
class RangePace:
    """What one range needs at least, by the model."""

    range: str
    time_constant_s: float
    pair_s: float
    points: tuple[PointPace, ...]

    @property
    def settling_s(self) -> float:
        """Over all points."""
        return sum(one.settling_s for one in self.points)

    @property
    def integrating_s(self) -> float:
        """Over all points."""
        return sum(one.integrating_s for one in self.points)

    @property
    def total_s(self) -> float:
        """Over all points."""
        return self.settling_s + self.integrating_s


def model(
    setup: RangeSetup,
    *,
    time_constant_s: float,
    pair_s: float,
    noise_ppm: float = USUAL_NOISE_PPM,
) -> RangePace:
    """Return the least time of one range.

    Parameters
    ----------
    time_constant_s : float
        Of the range.
    pair_s : float
        How long a pair of readings takes.
    noise_ppm : float
        Standard deviation of an output reading, ppm of the level.
    """
    wanted_ppm = setup.reading.wanted_uncertainty_ppm
    least = max(setup.reading.readings_per_point, FEWEST)
    points = []
    left = 0.0
    for level in setup.levels:
        step_ppm = abs(level - left) / setup.level * 1e6
        count = fewest_readings(
            step=step_ppm,
            time_constant_s=time_constant_s,
            spacing_s=pair_s,
            noise=noise_ppm,
            wanted=wanted_ppm,
            least=least,
        )
        points.append(
            PointPace(
                level=level,
                settling_s=(count - least) * pair_s,
                integrating_s=least * pair_s,
            )
        )
        left = level
    return RangePace(
        range=setup.range,
        time_constant_s=time_constant_s,
        pair_s=pair_s,
        points=tuple(points),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """Readings of one range as they were kept: one element a reading."""

    range: str
    level: Sequence[float]
    output: Sequence[float]
    at_s: Sequence[float]

    def points(self) -> list[tuple[float, Sequence[float], Sequence[float]]]:
        """Return level, times and outputs point by point."""
        changes = [
            place
            for place, (before, level) in enumerate(pairwise(self.level), start=1)
            if level != before
        ]
        return [
            (self.level[a], self.at_s[a:b], self.output[a:b])
            for a, b in pairwise([0, *changes, len(self.level)])
        ]


def spent(taken: Iterable[Taken]) -> dict[str, float]:
    """Return the seconds that each range took: from the last reading before it.

    The first range counts from one reading before its first, for when the source
    was turned on is not among the readings.
    """
    seconds: dict[str, float] = {}
    before: float | None = None
    for one in taken:
        if before is None:
            before = one.at_s[0] - pair_of(one)
        seconds[one.range] = one.at_s[-1] - before
        before = one.at_s[-1]
    return seconds


def pair_of(taken: Taken) -> float:
    """Return how long a pair of readings took: the mean within points, s."""
    points = taken.points()
    gaps = sum(len(at_s) - 1 for _, at_s, _ in points)
    return sum(at_s[-1] - at_s[0] for _, at_s, _ in points) / gaps if gaps else 0.0


def learned(taken: Taken, setup: RangeSetup) -> Mapping[str, float]:
    """Return what readings tell a model: `pair_s` and `noise_ppm`.

    The noise is what is left once the movement of each point is taken off.
    """
    squares = degrees = 0.0
    for _, at_s, output in taken.points():
        rest = rest_of(at_s, output, slowest_s=setup.slowest_s)
        if rest is None:
            continue
        off = [one - rest.value for one in rest.settled]
        squares += sum(one * one for one in off)
        degrees += len(off) - 1
    noise = sqrt(squares / degrees) / abs(setup.nominal_output) if degrees else 0.0
    pair_s = pair_of(taken)
    return {"pair_s": pair_s, "noise_ppm": max(noise * 1e6, 1e-3)}
