"""Uncertainty budgets (JCGM 100) in the unit of their result."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import hypot, inf, isinf, sqrt

from scipy.stats import t as student_t

from daemon.metrology.checks import degrees_of_freedom, not_negative, probability
from daemon.metrology.errors import ArgumentError


class Distribution(StrEnum):
    """What is believed about a quantity (JCGM 100, 4.3; JCGM 101, table 1)."""

    NORMAL = "normal"
    STUDENT = "scatter of readings"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"


_DIVISOR = {
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
        Rectangular (half-width / sqrt 3), triangular (/ sqrt 6) or arcsine
        (/ sqrt 2); JCGM 100, 4.3.7 and 4.3.9.
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
    if distribution not in _DIVISOR:
        raise ArgumentError(
            name="distribution",
            value=str(distribution),
            bound=f"one of {', '.join(_DIVISOR)}",
        )
    return Component(
        name=name,
        standard=half_width / _DIVISOR[distribution],
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
    return float(student_t.ppf((1 + coverage) / 2, degrees))
