"""The uncertainty budget of a range: a line a quantity, and what would help most.

As JCGM 100 has it (clauses 4, 5 and annex H): the quantity, its standard uncertainty,
its sensitivity, what it contributes, its degrees of freedom. Checked by drawing numbers
(JCGM 101, clause 8).
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby
from math import isinf

import numpy as np

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
from daemon.judging.verdict import Judge, Measured
from daemon.metrology import (
    TEMPERATURE,
    Component,
    Distribution,
    Input,
    MonteCarloResult,
    combined,
    monte_carlo,
)
from storage import RangeResult

COVERAGE = 0.954499736103642
"""Of k = 2 with a normal distribution."""
EXPANSION = 2.0
SEED = 101
DIGITS = 2
"""Significant digits of the standard uncertainty that the drawn numbers confirm."""


class NoBudgetError(HoldpointError):
    """There is no budget without a bench, or of a range that the product has not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One quantity; `contribution_ppm` is `standard` times `sensitivity`.

    `standard` is in `unit`; `share` is the part of the combined variance. `of_bench`
    says that it is the same for every unit on this bench.
    """

    quantity: str
    standard: float
    unit: str
    sensitivity: float
    contribution_ppm: float
    distribution: Distribution
    degrees_of_freedom: float
    share: float
    of_bench: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Help:
    """The line that matters most: what halving it would do.

    `bound_ppm` is half the width of its bound, None for a line that has none;
    `expanded_ppm` the expanded uncertainty (k = 2) with half of it.
    """

    quantity: str
    share: float
    bound_ppm: float | None
    expanded_ppm: float


@dataclass(frozen=True, kw_only=True)
class Budget:
    """The budget of one range at one level, ppm of reading.

    Attributes
    ----------
    level : float
        As a share of full scale.
    lines : tuple of BudgetLine
        The largest first.
    combined_ppm : float
        Root sum of squares of the lines (JCGM 100, 5.1.2).
    uncertainty_ppm : float
        The same, widened for few readings so that twice it covers 95.45 %.
    degrees_of_freedom : float
        Effective (JCGM 100, G.4.1).
    limit_ppm, needed_ratio : float
        The error limit; how many times the expanded uncertainty it must be.
    """

    range: str
    title: str
    level: float
    lines: tuple[BudgetLine, ...]
    combined_ppm: float
    uncertainty_ppm: float
    degrees_of_freedom: float
    limit_ppm: float
    needed_ratio: float

    @classmethod
    def of(cls, measured: Measured, *, needed_ratio: float, away_k: float) -> "Budget":
        """Return the budget of what was measured.

        Parameters
        ----------
        measured
            One range.
        needed_ratio
            From the control plan.
        away_k
            From the reference temperature, kelvin: the sensitivity of temperature
            coefficients.
        """
        error = measured.error
        total = combined(error.components)
        ratio = abs(error.indicated / error.reference)
        lines = [
            _line(one, total=total, ratio=ratio, away_k=abs(away_k))
            for one in error.components
        ]
        return cls(
            range=measured.model.key,
            title=measured.model.title,
            level=abs(error.reference / measured.model.settings.full_scale),
            lines=tuple(sorted(lines, key=lambda one: -one.contribution_ppm)),
            combined_ppm=total,
            uncertainty_ppm=error.uncertainty_ppm,
            degrees_of_freedom=error.degrees_of_freedom,
            limit_ppm=measured.limit_ppm,
            needed_ratio=needed_ratio,
        )

    @property
    def expanded_ppm(self) -> float:
        """Expanded uncertainty, k = 2."""
        return EXPANSION * self.uncertainty_ppm

    @property
    def ratio(self) -> float:
        """Test uncertainty ratio: the limit over the expanded uncertainty."""
        return self.limit_ppm / self.expanded_ppm

    @property
    def judges(self) -> bool:
        """Whether this bench may judge the limit."""
        return self.ratio >= self.needed_ratio

    @cached_property
    def drawn(self) -> MonteCarloResult:
        """The error's distribution as drawn (JCGM 101), ppm around what was measured.

        The model is the error itself, a ratio: output over reference. No line is
        taken as linear here.
        """
        inputs = [
            Input(
                name=one.quantity,
                estimate=0.0,
                standard=one.standard,
                distribution=one.distribution,
                degrees_of_freedom=one.degrees_of_freedom,
            )
            for one in self.lines
        ]
        felt = {one.quantity: one.sensitivity for one in self.lines}

        def error_ppm(**drawn: np.ndarray) -> np.ndarray:
            output, reference, beside = np.ones(1), np.ones(1), np.zeros(1)
            for name, values in drawn.items():
                if name.startswith(TEMPERATURE):
                    beside = beside + felt[name] * values
                elif name.startswith(("reference", "standard resistor")):
                    reference = reference * (1 + 1e-6 * values)
                else:
                    output = output * (1 + 1e-6 * values)
            scale = next(
                (
                    felt[name]
                    for name in drawn
                    if not name.startswith(TEMPERATURE)
                ),
                1.0,
            )
            return 1e6 * scale * (output / reference - 1) + beside

        return monte_carlo(
            error_ppm, inputs, seed=SEED, coverage=COVERAGE, significant_digits=DIGITS
        )

    @property
    def drawn_expanded_ppm(self) -> float:
        """Half the width of the drawn 95.45 % interval."""
        low, high = self.drawn.symmetric
        return (high - low) / 2

    @property
    def help(self) -> Help:
        """What would help most."""
        most = self.lines[0]
        rest2 = self.combined_ppm**2 - 0.75 * most.contribution_ppm**2
        widening = self.uncertainty_ppm / self.combined_ppm
        half_width = {
            Distribution.RECTANGULAR: 3.0**0.5,
            Distribution.TRIANGULAR: 6.0**0.5,
            Distribution.ARCSINE: 2.0**0.5,
        }.get(most.distribution)
        return Help(
            quantity=most.quantity,
            share=most.share,
            bound_ppm=None if half_width is None else half_width * most.contribution_ppm,
            expanded_ppm=EXPANSION * widening * rest2**0.5,
        )


def budgets_of_bench(settings: Settings) -> tuple[Budget, ...]:
    """Return the budget of each range for a good unit that reads without scatter.

    Raises
    ------
    NoBudgetError
        There is no bench file, or no meter range fits.
    """
    judge, setups = _judge(settings)
    return tuple(
        _of(judge, ideal_readings(judge, setups[one.key]))
        for one in judge.product.ranges
    )


def budgets_of_run(
    settings: Settings, rows: Sequence[RangeResult], *, ambient_c: float | None
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
        There is no bench file, or no meter range fits.
    """
    judge, setups = _judge(settings)
    readings = [_readings(one, setups[one.range], ambient_c) for one in rows]
    learned = judge.learned(readings)
    return tuple(_of(learned, one) for one in readings)


def _judge(settings: Settings) -> tuple[Judge, Mapping[str, RangeSetup]]:
    if settings.bench is None:
        message = "there is no bench.toml, so there is no budget"
        raise NoBudgetError(message)
    product = ProductModel.of(settings.product)
    transfers = {one.key: one.nominal_transfer for one in product.ranges}
    try:
        setups = range_setups(
            settings.bench, settings.product, settings.plan.reading, transfers
        )
    except NoRangeError as exc:
        raise NoBudgetError(str(exc)) from exc
    return Judge(product, settings.bench, settings.plan.judging), setups


def _of(judge: Judge, readings: RangeReadings) -> Budget:
    temperature = judge.temperature(readings)
    return Budget.of(
        judge.error(readings),
        needed_ratio=judge.judging.needed_ratio,
        away_k=temperature.ambient_c - temperature.reference_c,
    )


def _line(one: Component, *, total: float, ratio: float, away_k: float) -> BudgetLine:
    by_temperature = one.name.startswith(TEMPERATURE)
    sensitivity = away_k if by_temperature else ratio
    return BudgetLine(
        quantity=one.name,
        standard=one.standard / sensitivity,
        unit="ppm/K" if by_temperature else "ppm",
        sensitivity=sensitivity,
        contribution_ppm=one.standard,
        distribution=one.distribution,
        degrees_of_freedom=one.degrees_of_freedom,
        share=(one.standard / total) ** 2,
        of_bench=one.of_bench,
    )


def _readings(
    row: RangeResult, setup: RangeSetup, ambient_c: float | None
) -> RangeReadings:
    """Return a row's readings as they were taken, by the meter ranges of today."""
    return RangeReadings(
        range=row.range,
        points=tuple(_points(row)),
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


def told_degrees(degrees: float) -> str:
    """Return degrees of freedom as a table has them.

    >>> from math import inf
    >>> told_degrees(inf), told_degrees(4.71)
    ('\u221e', '4.7')
    """
    return "\N{INFINITY}" if isinf(degrees) or degrees > 1e4 else f"{degrees:.2g}"
