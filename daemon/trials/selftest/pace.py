"""How fast a unit is measured, against the model's best and against fixed waits.

Each range has a time constant of its own, from 1 ms to 0.5 s. The meters' calibration
is perfect here, so that what is off is what settling and scatter leave.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from config import Instrument, Settings
from daemon.bench import (
    Point,
    RangePace,
    RangeReadings,
    RangeSetup,
    Taken,
    learned,
    model,
)
from daemon.simulator import BenchNature, Board
from daemon.trials.selftest.benches import (
    Line,
    bench_of,
    demo_settings,
    line,
    true_error_ppm,
)

__all__ = ["FASTER", "WITHIN", "Pace", "RangeRow", "paced"]

TIME_CONSTANTS_S = (0.5, 0.063, 0.008, 0.001)
"""From the lowest range, whose feedback is the largest, to the highest."""

FIXED = 10.0
"""Time constants that a fixed wait takes."""

WANTED_PPM = 25.0
"""What the plan asks of a point. Ten time constants leave 45 ppm of a step, so fixed
waits are at least as far off; the table says by how much."""

WITHIN = 1.3
FASTER = 3.0
MARGIN = 1.2
"""By which the maker's `settle_s` is longer than ten time constants."""

SERIAL = "U-1"


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeRow:
    """One range: seconds a unit, and what was off against the truth (rms), ppm."""

    range: str
    time_constant_s: float
    best_s: float
    measured_s: float
    fixed_s: float
    off_ppm: float
    fixed_off_ppm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """What units took, range by range."""

    units: int
    rows: tuple[RangeRow, ...]

    @property
    def best_s(self) -> float:
        """The model's best time of a unit."""
        return self._sum("best_s")

    @property
    def measured_s(self) -> float:
        """Time of a unit."""
        return self._sum("measured_s")

    @property
    def fixed_s(self) -> float:
        """Time of a unit with fixed waits."""
        return self._sum("fixed_s")

    @property
    def over_best(self) -> float:
        """Time of a unit over the model's best."""
        return self.measured_s / self.best_s

    @property
    def faster(self) -> float:
        """How many times as fast as with fixed waits."""
        return self.fixed_s / self.measured_s

    @property
    def holds(self) -> bool:
        """Whether both hold, and what is off is no more than with fixed waits."""
        return (
            self.over_best <= WITHIN
            and self.faster >= FASTER
            and self.worst_off_ppm <= self.fixed_worst_off_ppm
        )

    @property
    def worst_off_ppm(self) -> float:
        """What was off in the worst range, rms."""
        return max(one.off_ppm for one in self.rows)

    @property
    def fixed_worst_off_ppm(self) -> float:
        """The same with fixed waits."""
        return max(one.fixed_off_ppm for one in self.rows)

    def _sum(self, what: str) -> float:
        return float(sum(getattr(one, what) for one in self.rows))


def paced(units: int, *, seed: int = 1) -> Pace:
    """Measure so many boards both ways."""
    settings = slow_settings()
    product = settings.product
    boards = {
        SERIAL: Board(
            serial=SERIAL,
            parts_ohm={key: one.nominal_ohm for key, one in product.parts.items()},
            tempco_ppm_per_k=dict.fromkeys(product.parts, 0.0),
            offset_v=2e-4,
        )
    }
    nature = BenchNature(
        time_constant_s=dict(zip(product.ranges, TIME_CONSTANTS_S, strict=True)),
        warm_emf_ppm=0.0,
    )
    measured: dict[str, list[tuple[float, float]]] = {}
    fixed: dict[str, list[tuple[float, float]]] = {}
    best: dict[str, float] = {}
    with line(settings, boards, seed=seed, nature=nature) as one:
        for _ in range(units):
            one.rig.mount(SERIAL)
            began_s = one.clock.now_s()
            readings = one.measure()
            _keep(one, measured, readings, began_s)
            for key, pace in _models(one, readings, nature).items():
                best[key] = best.get(key, 0.0) + pace.total_s / units
            one.rig.mount(SERIAL)
            began_s = one.clock.now_s()
            _keep(one, fixed, _with_fixed_waits(one, nature), began_s)
    return Pace(
        units=units,
        rows=tuple(
            RangeRow(
                range=key,
                time_constant_s=nature.time_constant_s[key],
                best_s=best[key],
                measured_s=_mean([took for took, _ in measured[key]]),
                fixed_s=_mean([took for took, _ in fixed[key]]),
                off_ppm=_rms([off for _, off in measured[key]]),
                fixed_off_ppm=_rms([off for _, off in fixed[key]]),
            )
            for key in product.ranges
        ),
    )


def slow_settings() -> Settings:
    """Return the demo with these time constants and perfectly calibrated meters."""
    settings = demo_settings()
    bench, product = bench_of(settings), settings.product
    ranges = {
        key: one.model_copy(update={"settle_s": MARGIN * FIXED * constant_s})
        for (key, one), constant_s in zip(
            product.ranges.items(), TIME_CONSTANTS_S, strict=True
        )
    }
    reading = settings.plan.reading.model_copy(
        update={"wanted_uncertainty_ppm": WANTED_PPM}
    )
    return settings.model_copy(
        update={
            "plan": settings.plan.model_copy(update={"reading": reading}),
            "product": product.model_copy(update={"ranges": ranges}),
            "bench": bench.model_copy(
                update={
                    "reference": _perfect(bench.reference),
                    "output": _perfect(bench.output),
                }
            ),
        }
    )


def _perfect(instrument: Instrument) -> Instrument:
    ranges = tuple(
        one.model_copy(update={"of_reading_ppm": 0.0, "of_range_ppm": 0.0})
        for one in instrument.ranges
    )
    return instrument.model_copy(update={"ranges": ranges})


def _keep(
    one: Line,
    kept: dict[str, list[tuple[float, float]]],
    readings: Sequence[RangeReadings],
    began_s: float,
) -> None:
    """Keep seconds and what was off, range by range."""
    board = one.rig.scenario.board(SERIAL)
    for taken in readings:
        ended_s = taken.points[-1].at_s[-1]
        off_ppm = one.judge.error(taken).error.error_ppm - true_error_ppm(
            one.product, board, taken.range
        )
        kept.setdefault(taken.range, []).append((ended_s - began_s, off_ppm))
        began_s = ended_s


def _models(
    one: Line, readings: Sequence[RangeReadings], nature: BenchNature
) -> dict[str, RangePace]:
    return {
        taken.range: model(
            one.bench.setups[taken.range],
            time_constant_s=nature.time_constant_s[taken.range],
            **learned(taken_of(taken), one.bench.setups[taken.range]),
        )
        for taken in readings
    }


def taken_of(readings: RangeReadings) -> Taken:
    """Return readings as they are kept in rows."""
    points = readings.points
    return Taken(
        range=readings.range,
        level=[one.level for one in points for _ in one.output],
        output=[value for one in points for value in one.output],
        at_s=[at_s for one in points for at_s in one.at_s],
    )


def _with_fixed_waits(one: Line, nature: BenchNature) -> list[RangeReadings]:
    """Measure as with a fixed wait at each level, and so many readings after it."""
    bench = one.bench
    bench.source.set_level(0.0, limit=0.0, setting="zero")
    bench.source.set_compliance(bench.compliance)
    bench.source.output_on()
    try:
        return [
            _range_with_fixed_waits(one, setup, nature.time_constant_s[key])
            for key, setup in bench.setups.items()
        ]
    finally:
        bench.source_off()


def _range_with_fixed_waits(
    one: Line, setup: RangeSetup, time_constant_s: float
) -> RangeReadings:
    bench, clock = one.bench, one.clock
    if bench.selector is not None and setup.selector is not None:
        bench.selector.select(setup.selector)
    bench.reference.configure(setup.reference_full_scale)
    bench.output.configure(setup.output_full_scale)
    points = []
    for level in setup.levels:
        bench.source.set_level(level, limit=setup.source_limit, setting="source_limit")
        clock.wait_s(FIXED * time_constant_s)
        bench.source.keep_on()
        reference, output, at_s = [], [], []
        for _ in range(setup.reading.readings_per_point):
            reference.append(bench.reference.read())
            output.append(bench.output.read())
            at_s.append(clock.now_s())
        points.append(
            Point(
                level=level,
                reference=tuple(reference),
                output=tuple(output),
                at_s=tuple(at_s),
            )
        )
    return RangeReadings(
        range=setup.range,
        points=tuple(points),
        reference_full_scale=setup.reference_full_scale,
        output_full_scale=setup.output_full_scale,
        ambient_c=None,
    )


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def _rms(values: Sequence[float]) -> float:
    return sqrt(sum(one * one for one in values) / len(values))
