"""Lines of an uncertainty budget (JCGM 100), in the unit of their result."""

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from math import hypot, inf, isinf, sqrt
from statistics import fmean

import scipy

from daemon.metrology.checks import (
    degrees_of_freedom,
    finite,
    not_negative,
    positive,
    probability,
    same_length,
    sample,
)
from daemon.metrology.errors import ArgumentError


class Distribution(StrEnum):
    """What is believed about a quantity (JCGM 100, 4.3; JCGM 101, table 1)."""

    NORMAL = "normal"
    STUDENT = "Student's t"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"


HALF_WIDTH_DIVISOR = {
    Distribution.RECTANGULAR: sqrt(3),
    Distribution.TRIANGULAR: sqrt(6),
    Distribution.ARCSINE: sqrt(2),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One line of a budget, already times its sensitivity coefficient.

    `standard` is the standard uncertainty it contributes, in the unit of the
    result. `of_bench` marks what is the same for every unit on this bench and
    so cancels in a difference of two of them.
    """

    name: str
    standard: float
    distribution: Distribution
    degrees_of_freedom: float = inf
    of_bench: bool = False

    def __post_init__(self) -> None:
        not_negative(**{self.name: self.standard})
        degrees_of_freedom(
            **{f"degrees of freedom of {self.name}": self.degrees_of_freedom}
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class TypeA:
    """What a series of readings says (JCGM 100, 4.2).

    `deviation` is the standard deviation of one reading, `standard` that of the
    mean, both with `degrees_of_freedom` = number of readings - 1.
    """

    mean: float
    deviation: float
    standard: float
    degrees_of_freedom: int


def type_a(readings: Sequence[float]) -> TypeA:
    """Return mean and standard uncertainty of readings taken alike.

    Parameters
    ----------
    readings : sequence of float
        Two or more, one unit.

    Returns
    -------
    TypeA
        In the unit of the readings (JCGM 100, 4.2.2 and 4.2.3).

    Raises
    ------
    ArgumentError
        With fewer than two readings or one that is not finite.

    Examples
    --------
    >>> series = type_a([9.98, 10.0, 10.02])
    >>> series.mean, round(series.deviation, 9), round(series.standard, 5)
    (10.0, 0.02, 0.01155)
    """
    taken = sample("readings", readings, at_least=2)
    # A first mean near the data keeps the digits that large readings share.
    near = fmean(taken)
    rests = [value - near for value in taken]
    rest = fmean(rests)
    degrees = len(taken) - 1
    deviation = sqrt(sum((value - rest) ** 2 for value in rests) / degrees)
    return TypeA(
        mean=near + rest,
        deviation=deviation,
        standard=deviation / sqrt(len(taken)),
        degrees_of_freedom=degrees,
    )


def correlation(readings: Sequence[float], others: Sequence[float]) -> float:
    """Return the correlation of two series read at the same times.

    Parameters
    ----------
    readings, others : sequence of float
        Equally many, two or more, neither constant.

    Returns
    -------
    float
        From -1 to 1; the same for single readings and for means (JCGM 100,
        5.2.3).

    Raises
    ------
    ArgumentError
        With too few or unequally many readings, or a constant series.

    Examples
    --------
    >>> round(correlation([1.0, 2.0, 3.0], [2.0, 4.0, 6.1]), 4)
    0.9999
    """
    same_length("others", others, readings)
    for name, series in (("readings", readings), ("others", others)):
        positive(**{f"standard deviation of {name}": type_a(series).deviation})
    return statistics.correlation(readings, others)


def of_half_width(half_width: float, distribution: Distribution) -> float:
    """Return the standard uncertainty of what lies within a half-width.

    Parameters
    ----------
    half_width : float
        >= 0, any unit.
    distribution : Distribution
        Rectangular (half-width / sqrt 3), triangular (/ sqrt 6) or arcsine
        (/ sqrt 2).

    Returns
    -------
    float
        In the same unit (JCGM 100, 4.3.7 and 4.3.9; JCGM 101, 6.4).

    Raises
    ------
    ArgumentError
        If the half-width is negative or the distribution has none.

    Examples
    --------
    >>> round(of_half_width(0.5, Distribution.RECTANGULAR), 4)
    0.2887
    """
    not_negative(half_width=half_width)
    if distribution not in HALF_WIDTH_DIVISOR:
        raise ArgumentError(
            name="distribution",
            value=str(distribution),
            bound=f"one of {', '.join(HALF_WIDTH_DIVISOR)}",
        )
    return half_width / HALF_WIDTH_DIVISOR[distribution]


def of_trapezoid(half_width: float, top_ratio: float) -> float:
    """Return the standard uncertainty of a symmetric trapezoidal distribution.

    Parameters
    ----------
    half_width : float
        Of the base, >= 0, any unit.
    top_ratio : float
        Width of the top over that of the base: 0 is triangular, 1 rectangular.

    Returns
    -------
    float
        half_width * sqrt((1 + top_ratio^2) / 6) (JCGM 100, 4.3.9).

    Raises
    ------
    ArgumentError
        If an argument is outside its bound.

    Examples
    --------
    >>> round(of_trapezoid(1.0, 0.5), 6)
    0.456435
    """
    not_negative(half_width=half_width)
    if not 0 <= top_ratio <= 1:
        raise ArgumentError(name="top_ratio", value=top_ratio, bound=">= 0 and <= 1")
    return half_width * sqrt((1 + top_ratio**2) / 6)


def of_expanded(expanded: float, coverage: float, degrees: float = inf) -> float:
    """Return the standard uncertainty behind an expanded one on a certificate.

    Parameters
    ----------
    expanded : float
        Half-width of the stated interval, >= 0, any unit.
    coverage : float
        Its coverage probability, strictly between 0 and 1.
    degrees : float
        Effective degrees of freedom it was stated with; infinite for normal.

    Returns
    -------
    float
        In the same unit (JCGM 100, 4.3.4).

    Raises
    ------
    ArgumentError
        If an argument is outside its bound.

    Examples
    --------
    >>> round(of_expanded(1.0, 0.95), 6)
    0.510213
    """
    not_negative(expanded=expanded)
    factor = coverage_factor(coverage, degrees)
    positive(**{f"coverage factor of coverage {coverage!r}": factor})
    standard = expanded / factor
    finite(**{"standard uncertainty": standard})
    return standard


def half_width_component(
    name: str,
    half_width: float,
    distribution: Distribution = Distribution.RECTANGULAR,
    *,
    of_bench: bool = False,
) -> Component:
    """Return the line of a quantity known only to lie within a half-width.

    Parameters
    ----------
    name : str
        What the line says.
    half_width : float
        In the unit of the result, >= 0.
    distribution : Distribution
        See `of_half_width`.
    of_bench : bool
        Whether it is the same for every unit on this bench.

    Returns
    -------
    Component

    Raises
    ------
    ArgumentError
        If the half-width is negative or the distribution has none.

    Examples
    --------
    >>> round(half_width_component("resolution", 0.5).standard, 4)
    0.2887
    """
    return Component(
        name=name,
        standard=of_half_width(half_width, distribution),
        distribution=distribution,
        of_bench=of_bench,
    )


def combined(components: Sequence[Component]) -> float:
    """Return the combined standard uncertainty of uncorrelated components.

    Parameters
    ----------
    components : sequence of Component
        One unit; none gives 0.

    Returns
    -------
    float
        Root sum of squares (JCGM 100, 5.1.2).

    Raises
    ------
    MetrologyError
        Not by itself; a `Component` has refused what is no uncertainty.

    Examples
    --------
    >>> bounds = {"gain": 3 * 3**0.5, "resolution": 4 * 3**0.5}
    >>> round(combined([half_width_component(*one) for one in bounds.items()]), 12)
    5.0
    """
    return hypot(*(component.standard for component in components))


def effective_degrees_of_freedom(components: Sequence[Component]) -> float:
    """Return the effective degrees of freedom of the combined uncertainty.

    Parameters
    ----------
    components : sequence of Component
        Uncorrelated, one unit.

    Returns
    -------
    float
        By Welch and Satterthwaite (JCGM 100, G.4.1); infinite when no
        component's uncertainty is itself uncertain.

    Raises
    ------
    MetrologyError
        Not by itself; a `Component` has refused what is no uncertainty.

    Examples
    --------
    >>> scatter = Component(
    ...     name="scatter", standard=1.0, distribution=Distribution.STUDENT,
    ...     degrees_of_freedom=2,
    ... )
    >>> known = half_width_component("resolution", 3**0.5)
    >>> round(effective_degrees_of_freedom([scatter, known]), 9)
    8.0
    """
    total = combined(components)
    if total == 0:
        return inf
    share = sum(
        (component.standard / total) ** 4 / component.degrees_of_freedom
        for component in components
        if not isinf(component.degrees_of_freedom)
    )
    return 1 / share if share > 0 else inf


ROUND_TRIP = 1e-9
"""How closely the distribution gives back the coverage that a factor was asked for."""


@lru_cache(maxsize=4096)
def coverage_factor(coverage: float, degrees: float = inf) -> float:
    """Return k for an interval of this coverage probability.

    Parameters
    ----------
    coverage : float
        Strictly between 0 and 1, for example 0.95.
    degrees : float
        Effective degrees of freedom, above 0; infinite gives the normal factor.
        Not truncated: JCGM 100, G.4.1 allows interpolation.

    Returns
    -------
    float
        Quantile of Student's t (JCGM 100, table G.2), dimensionless.

    Raises
    ------
    ArgumentError
        If an argument is outside its bound.

    Examples
    --------
    >>> round(coverage_factor(0.95, 16), 2)
    2.12
    """
    probability(coverage=coverage)
    degrees_of_freedom(degrees=degrees)
    upper = (1 + coverage) / 2
    if isinf(degrees):
        return float(scipy.special.ndtri(upper))
    factor = float(scipy.special.stdtrit(degrees, upper))
    # Far below one degree the factor is beyond all numbers, and the library's is wrong.
    if not abs(float(scipy.special.stdtr(degrees, factor)) - upper) <= ROUND_TRIP:
        raise ArgumentError(
            name="degrees of freedom",
            value=degrees,
            bound="more: no number is as large as the factor",
        )
    return factor
