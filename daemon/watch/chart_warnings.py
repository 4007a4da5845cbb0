"""Charts that warn where the plan asks for it: a warning is looked at, never a hold.

Limits come from the earlier builds and include what ordinary reels differ by: limits of
one reel's units alone would be broken at nearly every good change of reel.
"""

from collections.abc import Callable, Iterable, Mapping
from math import hypot, isnan, sqrt

from daemon.judging import ProductModel
from daemon.spc import Limits
from daemon.spc.charts import IndividualsChart, ReelChart, ReelLimits
from daemon.spc.detector import Baseline
from daemon.watch.events import UnitErrors
from daemon.watch.fold import Fold
from daemon.watch.segment import referred_ppm
from storage import Cause, Evidence, Signal

Beyond = tuple[float, float, float]
"""What was plotted, and the limits that it is beyond, ppm."""


def warnings_of(
    fold: Fold, product: ProductModel, build: str, serial: str, kinds: Iterable[str]
) -> tuple[Signal, ...]:
    """Return what charts say of a unit that was just taken.

    Nothing without an earlier build: a chart needs limits from somewhere else than from
    what it judges.

    Parameters
    ----------
    fold, product
        All builds of the product.
    build, serial
        The unit.
    kinds
        Of charts that may warn, keys of `CHARTS`.
    """
    asked = tuple(kinds)
    segment = fold.active
    if not asked or segment is None or segment.build != build:
        return ()
    if fold.first_build == build or segment.units[-1].serial != serial:
        return ()
    known = Baseline.of(segment.line)
    reels = segment.reels
    warned = []
    for place, model in enumerate(product.ranges):
        units = [
            unit
            for one in fold.segments_of(build)
            if one.reels[place] == reels[place]
            for unit in one.units
        ]
        alike = referred_ppm(segment.line, units, place)
        if isnan(alike[-1]):
            continue
        values = [float(one) for one in alike if not isnan(one)]
        limits = _limits(known, place)
        for kind in asked:
            look, saw = CHARTS[kind]
            if (beyond := look(values, limits)) is not None:
                said = Evidence(
                    chart=kind, saw=saw, range_title=model.title, reel=reels[place]
                )
                unit = segment.units[-1]
                warned.append(_signal(unit, product, model.key, said, beyond))
    return tuple(warned)


def _limits(known: Baseline, place: int) -> ReelLimits:
    return ReelLimits(
        centre=float(known.mean_ppm[place]),
        centre_sigma=sqrt(float(known.mean_variance_ppm2[place])),
        sigma_within=hypot(float(known.sigma_ppm[place]), known.shared_sigma_ppm),
        sigma_between=hypot(float(known.reel_sigma_ppm[place]), known.build_sigma_ppm),
    )


def _unit(values: list[float], limits: ReelLimits) -> Beyond | None:
    chart = ReelChart(limits=limits)
    last = [chart.update(one) for one in values][-1]
    return (last.value, last.lower, last.upper) if last.signal else None


def _reel(values: list[float], limits: ReelLimits) -> Beyond | None:
    of_mean = limits.of_mean(len(values))
    mean = sum(values) / len(values)
    if of_mean.lower <= mean <= of_mean.upper:
        return None
    return mean, of_mean.lower, of_mean.upper


def _step(values: list[float], limits: ReelLimits) -> Beyond | None:
    chart = IndividualsChart(limits=Limits(centre=0.0, sigma=limits.sigma_within))
    last = [chart.update(one) for one in values[-2:]][-1]
    if not last.moving_range_signal or last.moving_range is None:
        return None
    return last.moving_range, 0.0, last.moving_range_upper


CHARTS: Mapping[str, tuple[Callable[[list[float], ReelLimits], Beyond | None], str]] = {
    "units": (_unit, "{unit}{of_reel} reads {value}"),
    "reels": (_reel, "the mean of the units{of_reel} up to {unit} is {value}"),
    "steps": (_step, "the step to {unit} from the one before is {value}"),
}
"""Keys of `[charts]` in plan.toml: what is beyond its limits, and what it then saw."""


def _signal(
    unit: UnitErrors,
    product: ProductModel,
    range_: str,
    said: Evidence,
    beyond: Beyond,
) -> Signal:
    """Return the row of a warning, of which there is one a reel, range and chart."""
    value, low, high = beyond
    kind, reel = said.chart, said.reel
    return Signal(
        signal=":".join((unit.build, kind, range_, *([reel] if reel else []))),
        revision=1,
        number=unit.number,
        product=product.settings.name,
        build=unit.build,
        cause=Cause.CHART,
        statistic=f"chart of {kind}",
        range=range_,
        part=None,
        reel=None,
        first_serial=unit.serial,
        raised_serial=unit.serial,
        units=1,
        size_ppm=value,
        low_ppm=low,
        high_ppm=high,
        implied_ohm=None,
        probability=0.0,
        holds=False,
        evidence=said.text(),
        made_at=unit.at,
    )
