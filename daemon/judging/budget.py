"""The budget of each range: of a bench before any unit, and of a run that was made."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby

from config import HoldpointError, Settings
from daemon.bench import (
    NoRangeError,
    Point,
    RangeReadings,
    RangeSetup,
    range_setups,
)
from daemon.judging.product import ProductModel
from daemon.judging.prospects import ideal_readings
from daemon.judging.verdict import Judge
from daemon.metrology import STEADY, Budget, Drift
from storage import RangeResult


class NoBudgetError(HoldpointError):
    """There is no budget where no range of a meter fits."""


def budgets_of_bench(
    settings: Settings, drifts: Mapping[str, Drift] | None = None
) -> tuple[Budget, ...]:
    """Return the budget of each range for a good unit that reads without scatter.

    Parameters
    ----------
    drifts
        By range, what the bench may drift by between checks, see `drifts_of`; none
        where nobody knows.

    Raises
    ------
    NoBudgetError
        No meter range fits.
    """
    judge, setups = _judge(settings)
    return tuple(
        _of(
            judge,
            ideal_readings(judge, setups[one.key]),
            STEADY if drifts is None else drifts.get(one.key, STEADY),
        )
        for one in judge.product.ranges
    )


def budgets_of_run(
    settings: Settings,
    rows: Sequence[RangeResult],
    *,
    ambient_c: float | None,
) -> tuple[Budget, ...]:
    """Return the budget of each range of a run, its scatter with it.

    Parameters
    ----------
    rows
        Of one run, judged by these settings.
    ambient_c
        As it was read; None without a thermometer.

    Raises
    ------
    NoBudgetError
        No meter range fits.
    """
    judge, setups = _judge(settings)
    readings = [_readings(one, setups[one.range], ambient_c) for one in rows]
    learned = judge.learned(readings)
    return tuple(_of(learned, one) for one in readings)


def _judge(settings: Settings) -> tuple[Judge, Mapping[str, RangeSetup]]:
    bench = settings.meters
    product = ProductModel.of(settings.product)
    transfers = {one.key: one.nominal_transfer for one in product.ranges}
    try:
        setups = range_setups(bench, settings.product, settings.plan.reading, transfers)
    except NoRangeError as exc:
        raise NoBudgetError(str(exc)) from exc
    return Judge(product, bench, settings.plan.judging), setups


def _of(judge: Judge, readings: RangeReadings, drift: Drift = STEADY) -> Budget:
    temperature = judge.temperature(readings)
    measured = judge.error(readings, drift=drift)
    return Budget.of(
        measured.error,
        range_=measured.model.key,
        title=measured.model.title,
        full_scale=measured.model.settings.full_scale,
        limit_ppm=measured.limit_ppm,
        needed_ratio=judge.judging.needed_ratio,
        away_k=temperature.ambient_c - temperature.reference_c,
    )


def _readings(
    row: RangeResult, setup: RangeSetup, ambient_c: float | None
) -> RangeReadings:
    """Return a row's readings as they were taken, by the meter ranges of today."""
    points = tuple(_points(row))
    # Who typed the level alone read no zero: it is taken as nothing.
    alone = len(points) == 1
    nothing = Point(level=0.0, reference=(0.0,), output=(0.0,), at_s=row.at_s[:1])
    return RangeReadings(
        range=row.range,
        points=(nothing, *points, nothing) if alone else points,
        zero_read=not alone,
        reference_full_scale=setup.reference_full_scale,
        output_full_scale=setup.output_full_scale,
        ambient_c=ambient_c,
    )


def _points(row: RangeResult) -> Iterator[Point]:
    places = range(len(row.level))
    for level, mine in groupby(places, key=row.level.__getitem__):
        at = list(mine)
        yield Point(
            level=level,
            reference=tuple(row.reference_readings[one] for one in at),
            output=tuple(row.output_readings[one] for one in at),
            at_s=tuple(row.at_s[one] for one in at),
        )
