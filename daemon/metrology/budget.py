"""The uncertainty budget of a range: a line a quantity, and what would help most.

As JCGM 100 has it (clauses 4 and 5, annex H): the quantity, its standard uncertainty,
its sensitivity, what it contributes, its degrees of freedom. Checked by drawing numbers
(JCGM 101, clause 8).
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from daemon.metrology.checks import (
    finite,
    not_negative,
    not_zero,
    positive,
    within_reach,
)
from daemon.metrology.monte_carlo import MonteCarloResult, monte_carlo
from daemon.metrology.propagation import Floats, Input
from daemon.metrology.range_error import TEMPERATURE, RangeError
from daemon.metrology.uncertainty import (
    HALF_WIDTH_DIVISOR,
    Component,
    Distribution,
    combined,
)

COVERAGE = 0.954499736103642
"""Of k = 2 with a normal distribution."""
EXPANSION = 2.0
SEED = 101
DIGITS = 2
"""Significant digits of the standard uncertainty that the drawn numbers confirm."""
OF_INPUT = ("reference", "standard resistor")
"""How the names of lines begin that change what went in."""


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
    @within_reach
    def of(
        cls,
        error: RangeError,
        *,
        range_: str,
        title: str,
        full_scale: float,
        limit_ppm: float,
        needed_ratio: float,
        away_k: float,
    ) -> "Budget":
        """Return the budget of a range error.

        Parameters
        ----------
        full_scale
            Of the range, in the unit of the error's reference.
        limit_ppm
            The error limit at this level.
        needed_ratio
            How many times the expanded uncertainty it must be.
        away_k
            From the reference temperature, kelvin: the sensitivity of temperature
            coefficients.

        Raises
        ------
        ArgumentError
            Nothing is uncertain of it, so that there is no budget; a full scale not
            above zero, nothing that went in.
        """
        positive(full_scale=full_scale)
        not_zero(reference=error.reference)
        finite(indicated=error.indicated, away_k=away_k)
        not_negative(limit_ppm=limit_ppm)
        positive(needed_ratio=needed_ratio)
        total = combined(error.components)
        positive(**{"combined standard uncertainty": total})
        positive(uncertainty_ppm=error.uncertainty_ppm)
        ratio = abs(error.indicated / error.reference)
        lines = [
            _line(one, total=total, ratio=ratio, away_k=abs(away_k))
            for one in error.components
        ]
        return cls(
            range=range_,
            title=title,
            level=abs(error.reference / full_scale),
            lines=tuple(sorted(lines, key=lambda one: -one.contribution_ppm)),
            combined_ppm=total,
            uncertainty_ppm=error.uncertainty_ppm,
            degrees_of_freedom=error.degrees_of_freedom,
            limit_ppm=limit_ppm,
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

        def error_ppm(**drawn: Floats) -> Floats:
            output, reference, beside = np.ones(1), np.ones(1), np.zeros(1)
            for name, values in drawn.items():
                if name.startswith(TEMPERATURE):
                    beside = beside + felt[name] * values
                elif name.startswith(OF_INPUT):
                    reference = reference * (1 + 1e-6 * values)
                else:
                    output = output * (1 + 1e-6 * values)
            scale = max(
                (felt[name] for name in drawn if not name.startswith(TEMPERATURE)),
                default=1.0,
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
        half_width = HALF_WIDTH_DIVISOR.get(most.distribution)
        return Help(
            quantity=most.quantity,
            share=most.share,
            bound_ppm=None
            if half_width is None
            else half_width * most.contribution_ppm,
            expanded_ppm=EXPANSION * widening * rest2**0.5,
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
